from __future__ import annotations

from datetime import UTC, datetime
from io import StringIO

import polars as pl
from rich.console import Console

from fleetdb.report.kit_list import (
    KitStanding,
    kit_json,
    kit_standings,
    kits_after,
    print_kits,
)
from fleetdb.store.kits import KitUse

NAMED_AT = datetime(2025, 1, 2, tzinfo=UTC)
USES = [KitUse(name, NAMED_AT, 5, NAMED_AT, None) for name in ("K1", "K2", "K3")]
JUDGED = pl.DataFrame(
    {
        "kit": ["K1", "K2"],
        "bias_pct": [0.4, -5.5],
        "sd_bias_pct": [0.3, 0.6],
        "probability_off": [0.01, 0.98],
        "reads_off": [False, True],
        "off_since": [None, datetime(2025, 2, 1)],  # noqa: DTZ001 - bare UTC, as published
        "n_tests": [4, 3],
        "verdicts_touched": [2, 9],
    }
)


def printed(standings: list[KitStanding], *, every: bool) -> str:
    out = StringIO()
    print_kits(standings, Console(file=out, width=140), every=every)
    return out.getvalue()


def test_use_and_reading_are_joined_and_a_kit_not_judged_reads_nothing() -> None:
    one, two, three = kit_standings(USES, JUDGED)

    assert (two.bias_pct, two.reads_off, two.verdicts_touched) == (-5.5, True, 9)
    assert (one.n_tests, one.n_tests_judged) == (5, 4)
    assert (three.bias_pct, three.probability_off, three.reads_off) == (None, None, False)


def test_without_a_snapshot_every_kit_is_listed_with_its_use() -> None:
    assert [(k.kit, k.bias_pct, k.n_tests) for k in kit_standings(USES, None)] == [
        ("K1", None, 5),
        ("K2", None, 5),
        ("K3", None, 5),
    ]


def test_a_page_begins_after_a_name_and_may_hold_one_sort_only() -> None:
    standings = kit_standings(reversed(USES), JUDGED)

    assert [k.kit for k in kits_after(standings, None, None, 2)] == ["K1", "K2"]
    assert [k.kit for k in kits_after(standings, "K1", None, 9)] == ["K2", "K3"]
    assert [k.kit for k in kits_after(standings, None, True, 9)] == ["K2"]
    assert [k.kit for k in kits_after(standings, None, False, 9)] == ["K1", "K3"]


def test_json_has_utc_times_with_their_zone() -> None:
    assert kit_json(kit_standings(USES, JUDGED)[1])["off_since"] == "2025-02-01T00:00:00Z"


def test_only_kits_that_read_off_are_printed_unless_all_are_asked_for() -> None:
    standings = kit_standings(USES, JUDGED)
    few, every = printed(standings, every=False), printed(standings, every=True)

    assert "3 kits, 1 of them read off" in few
    assert "▼ low -5.5 ± 0.6 %" in few
    assert "2025-02-01" in few
    assert " 9 │" in few
    assert "K1" not in few
    assert "● +0.4 ± 0.3 %" in every
    assert "not known" in every
    assert every.index("K2") < every.index("K1")


def test_when_none_reads_off_no_table_and_no_advice_is_printed() -> None:
    text = printed(kit_standings(USES[:1], JUDGED), every=False)

    assert "0 of them" in text
    assert "calibrated" not in text
