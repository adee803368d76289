from __future__ import annotations

import pytest

from fleetdb.trend import queries
from fleetdb.trend.beliefs import Repair
from tests.fleetdb.trend.small_tables import connect, day, finding, pump

REPAIRS = {"as_of": day(40), "late_days": 1, "visit_days": 14}


def test_every_part_but_the_pump_and_every_failure_of_a_pump_left_in_is_a_repair() -> None:
    with connect(
        fitments=[
            pump("V1", 1),
            pump("V1", 2, part="injector"),
            pump("V1", 3, part="regulator"),
            pump("V1", 4, part="fuel_filter"),
            pump("V1", 50, part="fuel_filter"),
            pump("V2", 4, part="injector_set"),
        ],
        findings=[
            finding("V1", 1.5, "failed_on_road"),
            finding("V1", 5, "failed_on_road"),
            finding("V1", 6, "no_fault_found"),
            finding("V1", 6, "no_fault_found", part="regulator"),
            finding("V1", 45, "no_fault_found"),
            finding("V1", 7, "failed_on_road", part="injector"),
            finding("V1", 51, "failed_on_road"),
            finding("V2", 4, "failed_on_road"),
        ],
    ) as connection:
        queries.keep(connection, "pumps", as_of=day(40), one_in=1)
        got = queries.answer(connection, "repairs", **REPAIRS).to_pylist()

    assert sorted((row["vehicle"], row["repaired_at"], row["repair"]) for row in got) == [
        ("V1", day(2), Repair.INJECTORS),
        ("V1", day(3), Repair.REGULATOR),
        ("V1", day(4), Repair.SUPPLY),
        ("V1", day(5), Repair.UNTOLD),
        ("V1", day(6), Repair.FOUND_SOUND),
        ("V2", day(4), Repair.INJECTORS),
        ("V2", day(4), Repair.UNTOLD),
    ]


@pytest.mark.parametrize("outcome", ["failed_on_road", "no_fault_found"])
def test_what_is_found_when_the_new_pump_is_in_says_nothing_of_it(outcome: str) -> None:
    def mended(found: float, fitted: float = 20) -> bool:
        with connect(
            fitments=[pump("V1", fitted)], findings=[finding("V1", found, outcome)]
        ) as connection:
            queries.keep(connection, "pumps", as_of=day(40), one_in=1)
            return queries.answer(connection, "repairs", **REPAIRS).num_rows > 0

    assert [mended(at) for at in (19.9, 20, 21, 21.1)] == [True, False, False, True]
    # In service since 365 days before day 0: the first pump had none before it.
    assert mended(-364.5, fitted=-365)


def test_a_filter_found_worn_at_its_change_was_clogged() -> None:
    def clogged(found: float, outcome: str = "worn_confirmed", part: str = "fuel_filter") -> bool:
        with connect(
            fitments=[pump("V1", 20, part="fuel_filter"), pump("V1", 20, part="injector")],
            findings=[
                finding("V1", found, outcome, part=part),
                finding("V2", 20, "worn_confirmed", part="fuel_filter"),
            ],
        ) as connection:
            queries.keep(connection, "pumps", as_of=day(40), one_in=1)
            rows = queries.answer(connection, "repairs", **REPAIRS).to_pylist()
        by_part = sorted(row["repair"] for row in rows)
        assert by_part[0] == Repair.INJECTORS or by_part[-1] == Repair.INJECTORS
        return Repair.SUPPLY | Repair.FOUND_CLOGGED in by_part

    assert [clogged(at) for at in (5.9, 6, 20, 21, 21.1)] == [False, True, True, True, False]
    assert clogged(20, outcome="failed_on_road")
    assert not clogged(20, outcome="no_fault_found")
    assert not clogged(20, part="injector")
