from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fleetdb.fluid import REFERENCE_DIESEL
from fleetdb.trend.beliefs import Repair
from fleetdb.trend.build_windows import number_windows
from fleetdb.trend.series import (
    Series,
    keep_readings,
    keep_usual_conditions,
    load_series,
    years,
)
from tests.fleetdb.trend.small_tables import FAMILY, Row, connect, day, pump, record, vehicle


def loaded(*records: Row, as_of: float = 400, **rows) -> tuple[list[Series], list[str]]:
    with connect(test_records=records, **rows) as connection:
        keep_readings(connection, day(as_of))
        keep_usual_conditions(connection)
        return load_series(connection)


def one(*records: Row, **rows) -> Series:
    [series], _ = loaded(*records, **rows)
    return series


def test_years_are_of_365_25_days_from_2000() -> None:
    moments = np.array(["2000-01-01", "2001-01-01", "2004-01-01", "NaT"], dtype="datetime64[us]")

    got = years(moments)

    assert got[:3].tolist() == pytest.approx([0, 366 / 365.25, 4])
    assert np.isnan(got[3])


def test_readings_are_logarithms_over_the_reference() -> None:
    series = one(record("V1", 1, 0.9, rate_bar_per_s=250.0, crank_rpm=180.0, fuel_temp_c=20.0))
    r = series.readings

    assert r.ln_ratio[0] == pytest.approx(math.log(0.9))
    assert r.ln_build[0] == pytest.approx(math.log(250))
    assert r.ln_speed[0] == pytest.approx(math.log(0.9))
    assert r.ln_viscosity[0] == pytest.approx(
        float(REFERENCE_DIESEL.ln_viscosity_ratio(20.0, 40.0))
    )
    assert r.var_ln_speed[0] == r.var_ln_viscosity[0] == 0
    assert r.repaired[0] == 0


def test_what_was_not_measured_is_nan_and_not_a_number_of_its_own() -> None:
    series = one(record("V1", 1, 0.9), record("V1", 2, rate_bar_per_s=250.0))

    assert np.isnan(series.readings.ln_build).tolist() == [True, False]
    assert np.isnan(series.readings.ln_ratio).tolist() == [False, True]


def test_a_pressure_of_zero_is_a_very_low_ratio() -> None:
    series = one(record("V1", 1, 0.0, rate_bar_per_s=0.0))

    assert np.all(np.isfinite([series.readings.ln_ratio[0], series.readings.ln_build[0]]))


def test_missing_conditions_have_the_usual_value_and_a_spread() -> None:
    measured = [
        record("V1", n, 0.9, fuel_temp_c=20.0 + n % 5, crank_rpm=190.0 + n) for n in range(20)
    ]
    series = one(*measured, record("V1", 25, 0.9, fuel_temp_c=None, crank_rpm=None))
    r = series.readings

    assert r.ln_viscosity[-1] == pytest.approx(np.mean(r.ln_viscosity[:-1]), abs=0.1)
    assert 0 < r.var_ln_viscosity[-1] < 0.2**2
    assert r.ln_speed[:-1].min() < r.ln_speed[-1] < r.ln_speed[:-1].max()
    assert r.var_ln_speed[-1] > 0
    assert np.all(r.var_ln_viscosity[:-1] == 0)


def test_where_no_condition_was_ever_measured_the_spread_is_wide() -> None:
    series = one(record("V1", 1, 0.9, fuel_temp_c=None, crank_rpm=None))

    assert series.readings.ln_viscosity[0] == 0
    assert series.readings.var_ln_viscosity[0] > 0.15**2
    assert series.readings.var_ln_speed[0] > 0.05**2


def test_a_build_rate_without_its_window_has_a_usual_one() -> None:
    series = one(
        record("V1", 1, rate_bar_per_s=250.0, from_bar=140.0, to_bar=490.0),
        record("V1", 2, rate_bar_per_s=250.0),
        record("V1", 3, rate_bar_per_s=250.0, from_bar=70.0, to_bar=490.0),
    )
    window = series.readings.window

    assert window[0] != window[2]
    [number], expected = number_windows(np.array([0.1]), np.array([0.7]))
    shares = series.windows.ln_shares
    np.testing.assert_array_equal(shares[window[2]], expected.ln_shares[number])
    assert np.all(np.isfinite(shares[window[1]]))


def test_a_part_fitted_between_two_tests_marks_the_second() -> None:
    series = one(
        *(record("V1", at, 0.9) for at in (5, 10, 20, 30)),
        record("V2", 40, 0.9),
        vehicles=[vehicle("V1"), vehicle("V2")],
        fitments=[
            pump("V1", 15, part="fuel_filter"),
            pump("V1", 25, part="fuel_filter"),
            pump("V1", 25, part="injector"),
            pump("V1", 1, part="regulator"),
            pump("V2", 35, part="regulator"),
        ],
    )

    both = Repair.SUPPLY | Repair.LEAKS
    assert series.readings.repaired.tolist() == [0, 0, Repair.SUPPLY, both, 0]


def test_one_vehicle_in_so_many_is_always_the_same_one() -> None:
    names = [f"V{n}" for n in range(200)]
    rows = {
        "vehicles": [vehicle(name) for name in names],
        "test_records": [record(name, 1, 0.9) for name in names],
    }
    taken = []
    for n_last in (0, 50):
        rows["vehicles"] = rows["vehicles"][: len(names) - n_last]
        with connect(**rows) as connection:
            keep_readings(connection, day(400), 4)
            keep_usual_conditions(connection)
            [series], _ = load_series(connection)
        taken.append(set(series.pumps["vehicle"].to_pylist()))
        assert series.records.num_rows == series.n_pumps

    assert 25 <= len(taken[0]) <= 75
    assert taken[1] == taken[0] & set(names[:150])


def test_kits_are_numbered_by_name_and_none_is_minus_one() -> None:
    [series], names = loaded(
        *(record("V1", n, 0.9, kit=kit) for n, kit in enumerate(["B", None, "A", "B"]))
    )

    assert [names[k] if k >= 0 else None for k in series.kit] == ["B", None, "A", "B"]
    assert len(names) == 2


def test_a_family_is_a_series_with_its_own_pumps_and_records() -> None:
    families, _ = loaded(
        record("V1", 1, 0.9),
        record("V2", 1, 0.8),
        record("V2", 9, 0.7),
        record("V3", 1, 0.6),
        pump_families=[FAMILY, {**FAMILY, "pump_family": "a"}, {**FAMILY, "pump_family": "none"}],
        vehicles=[vehicle("V1"), vehicle("V2", pump_family="a"), vehicle("V3")],
        fitments=[pump("V2", 5, "new")],
    )

    assert [series.pump_family for series in families] == ["a", "fam"]
    a, fam = families
    assert a.pumps["pump_serial"].to_pylist() == [None, "new"]
    assert a.offsets.tolist() == [0, 1, 2]
    assert fam.offsets.tolist() == [0, 1, 2]
    np.testing.assert_allclose(np.exp(fam.readings.ln_ratio), [0.9, 0.6])
    np.testing.assert_allclose(a.start_y[1], years(np.array([day(5)], dtype="datetime64[us]"))[0])


def test_what_came_before_and_what_is_still_fitted_can_be_taken_out() -> None:
    series = one(
        *(record("V1", at, 0.9) for at in (1, 2, 11, 12, 13)),
        record("V2", 3, 0.8),
        vehicles=[vehicle("V1"), vehicle("V2"), vehicle("V3")],
        fitments=[pump("V1", 10, "B")],
    )
    until = float(years(np.array([day(12)], dtype="datetime64[us]"))[0])

    past, present = series.before(until), series.of_present_pumps()

    assert past.offsets.tolist() == [0, 2, 3, 4, 4]
    assert past.n_pumps == 4
    assert present.offsets.tolist() == [0, 3, 4, 4]
    assert present.pumps["vehicle"].to_pylist() == ["V1", "V2", "V3"]
    assert len(present.readings.at_y) == len(present.kit) == present.records.num_rows == 4
    assert present.pumps["pump_serial"].to_pylist() == ["B", None, None]


def test_no_pumps_are_no_families() -> None:
    assert loaded(vehicles=[], pump_families=[]) == ([], [])


@pytest.mark.parametrize(
    ("ratios", "slipped"),
    [
        ([0.95, 0.094, 0.95], [0, 1, 0]),
        # The last one has nothing after it that could tell yet.
        ([0.95, 0.094], [0, 1]),
        ([0.094], [1]),
        # Twice in a row is believed, a test without a proof between them or not.
        ([0.95, 0.094, None, 0.088], [0, 0, 0, 0]),
        ([0.09, 0.09, 0.09], [0, 0, 0]),
        ([0.95, 0.094, 0.095, 0.95], [0, 0, 0, 0]),
        # A short crank may be typed in MPa too.
        ([0.95, 0.045, 0.95], [0, 1, 0]),
        # No pump comes to ten times these, or hardly turns.
        ([0.95, 0.02, 0.95], [0, 0, 0]),
        ([0.95, 0.2, 0.95], [0, 0, 0]),
    ],
)
def test_mpa_written_as_bar_once_is_a_slip(ratios: list[float | None], slipped: list[int]) -> None:
    records = [
        record("V1", 10 * n, ratio, rate_bar_per_s=250.0 if ratio is None else None)
        for n, ratio in enumerate(ratios, 1)
    ]

    assert one(*records).readings.slipped.tolist() == slipped


def test_a_build_rate_beside_it_shows_that_pressure_went_further_than_a_slip_says() -> None:
    def timed(day_no: int, ratio: float, rate: float | None) -> dict[str, Any]:
        return record("V1", day_no, ratio, rate_bar_per_s=rate)

    each = one(timed(10, 0.94, 400), timed(20, 0.104, 427), timed(30, 0.105, 464))
    assert each.readings.slipped.tolist() == [0, 1, 1]
    # The one without may be the pump, but for the other beside it nothing says so.
    each = one(timed(10, 0.94, 400), timed(20, 0.104, 427), timed(30, 0.105, None))
    assert each.readings.slipped.tolist() == [0, 1, 1]


def test_another_pumps_tests_do_not_confirm_a_slip() -> None:
    series = one(
        record("V1", 10, 0.09),
        record("V1", 30, 0.09),
        fitments=[pump("V1", 20, "next")],
    )

    assert series.n_pumps == 2
    assert series.readings.slipped.tolist() == [1, 1]


def seasons(temp_of_month: list[float | None]) -> dict[int, float]:
    """Return the season of a test in each month, of a fleet tested at these temperatures."""
    records = [
        record(f"V{v}", 365 + 30.4 * (month + 0.5), 0.9, fuel_temp_c=temp)
        for month, temp in enumerate(temp_of_month)
        for v in range(40)
    ]
    [series], _ = loaded(*records, as_of=800, vehicles=[vehicle(f"V{v}") for v in range(40)])
    months = series.records["performed_at"].to_pylist()
    found = zip(months, series.readings.season.tolist(), strict=True)
    return {at.month: season for at, season in found}


@pytest.mark.parametrize("warmest", [1, 7], ids=["south", "north"])
def test_the_season_is_the_fleets_own(warmest: int) -> None:
    temps = [25 + 9 * math.cos(2 * math.pi * (m + 1 - warmest) / 12) for m in range(12)]

    got = seasons(list(temps))

    assert got[warmest] == pytest.approx(1, abs=0.02)
    assert got[(warmest + 5) % 12 + 1] == pytest.approx(-1, abs=0.02)
    assert got[(warmest + 2) % 12 + 1] == pytest.approx(0, abs=0.1)


def test_where_the_year_is_even_or_unknown_there_is_hardly_a_season() -> None:
    even = [30 + 0.3 * math.cos(2 * math.pi * m / 12) for m in range(12)]

    assert max(abs(s) for s in seasons(list(even)).values()) < 0.12
    assert set(seasons([None] * 12).values()) == {0.0}
