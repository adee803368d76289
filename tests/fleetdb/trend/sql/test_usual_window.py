from __future__ import annotations

from collections import Counter
from typing import Any

import polars as pl
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetdb.trend import queries
from fleetdb.trend.build_windows import NO_WINDOWS, WORKSHOP_WINDOWS
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import Row, connect, day, record, vehicle


def timed(at: float, workshop: str | None, from_bar: float | None, to_bar: float | None) -> Row:
    window = {"from_bar": from_bar, "to_bar": to_bar}
    return record("V1", at, rate_bar_per_s=200.0, workshop=workshop, **window)


def usual_windows(
    records: list[Row], guessed: pa.Table = NO_WINDOWS, **rows: Any
) -> dict[tuple[str, str | None], tuple]:
    rows = {"vehicles": [vehicle("V1")], **rows}
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(400))
        connection.register("guessed_windows", guessed)
        table = pl.DataFrame(queries.answer(connection, "usual_window"))
    return {row[:2]: row[2:] for row in table.rows()}


def test_a_workshop_times_what_it_mostly_times() -> None:
    got = usual_windows(
        [
            timed(1, "Eastyard", 140.0, 350.0),
            timed(2, "Eastyard", 70.0, 490.0),
            timed(3, "Eastyard", 140.0, 350.0),
            timed(4, "Westyard", 70.0, 490.0),
            timed(5, None, 70.0, 490.0),
        ]
    )

    assert got == {
        ("fam", "Eastyard"): (0.2, 0.5),
        ("fam", "Westyard"): (0.1, 0.7),
        ("fam", None): (0.1, 0.7),
    }


def test_a_guess_stands_in_only_where_nothing_is_said() -> None:
    guessed = pa.Table.from_pylist(
        [
            {"pump_family": "fam", "workshop": name, "from_share": 0.1, "to_share": 0.6}
            for name in ("Eastyard", "Westyard")
        ],
        schema=WORKSHOP_WINDOWS,
    )
    records = [timed(1, "Eastyard", 140.0, 350.0), timed(2, "Westyard", None, None)]

    assert usual_windows(records, guessed) == {
        ("fam", "Eastyard"): (0.2, 0.5),
        ("fam", "Westyard"): (0.1, 0.6),
        ("fam", None): (0.2, 0.5),
    }


def test_half_a_window_and_none_are_not_counted() -> None:
    records = [timed(1, "Eastyard", 140.0, None), timed(2, "Eastyard", None, None)]

    assert usual_windows(records) == {}


windows = st.tuples(
    st.sampled_from(["Eastyard", "Westyard", None]),
    st.sampled_from([70.0, 140.0]),
    st.sampled_from([350.0, 420.0, 490.0]),
)


@settings(max_examples=25, deadline=None)
@given(st.lists(windows, min_size=1, max_size=12))
def test_it_is_the_commonest_window_and_of_equals_the_lowest(given: list[tuple]) -> None:
    got = usual_windows([timed(n, *window) for n, window in enumerate(given)])

    for workshop in {w for w, _, _ in given} | {None}:
        own = [(a, b) for w, a, b in given if workshop is None or w == workshop]
        counts = Counter(own)
        best = min(counts, key=lambda pair: (-counts[pair], pair))
        assert got["fam", workshop] == (best[0] / 700, best[1] / 700)
