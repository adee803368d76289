"""Kits by how they read, and one kit's past."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from fleetdb.report.kit_readings import KitMoment, kit_past, kit_readings, last_of_each_month
from fleetdb.store.kit_calibrations import NamedKit
from fleetdb.trend.series import years

NAMED = [NamedKit(name, datetime(2025, 1, 2, tzinfo=UTC), None) for name in ("A", "B", "C", "D")]
JUDGED = pl.DataFrame(
    {"kit": ["A", "B", "C"], "bias_pct": [-3.0, 0.1, 6.0], "reads_off": [True, False, True]}
)


def test_the_farthest_off_comes_first_and_a_kit_without_tests_is_not_known() -> None:
    readings = kit_readings(NAMED, JUDGED)
    assert [kit.named.kit for kit in readings.off] == ["C", "A"]
    assert [kit.named.kit for kit in readings.true] == ["B"]
    assert [kit.named.kit for kit in readings.not_known] == ["D"]


def test_before_anything_is_judged_no_kit_is_known() -> None:
    assert len(kit_readings(NAMED, None).not_known) == 4


def test_a_past_is_told_in_per_cent_and_times_in_order() -> None:
    at = np.array(["2025-03-01T12:00", "2025-02-01T00:00"], dtype="datetime64[us]")
    past = kit_past(
        pl.DataFrame(
            {
                "at_y": years(at),
                "ln_bias": [np.log(0.95), 0.0],
                "var_ln_bias": [1e-4, 4e-4],
                "p_off": [0.9, 0.1],
            }
        )
    )
    assert [moment.at for moment in past] == [
        datetime(2025, 2, 1),  # noqa: DTZ001 - bare UTC
        datetime(2025, 3, 1, 12),  # noqa: DTZ001
    ]
    assert past[1].bias_pct == pytest.approx(-5.0)
    assert [moment.sd_bias_pct for moment in past] == pytest.approx([2.0, 1.0])
    assert [moment.reads_off for moment in past] == [False, True]


def test_of_each_month_the_last_moment_is_kept_latest_month_first() -> None:
    past = [
        KitMoment(datetime(2025, month, day), 0.0, 1.0, 0.1)  # noqa: DTZ001
        for month, day in ((1, 1), (1, 31), (3, 5), (3, 6))
    ]
    assert [(m.at.month, m.at.day) for m in last_of_each_month(past)] == [(3, 6), (1, 31)]
    assert last_of_each_month([]) == []
