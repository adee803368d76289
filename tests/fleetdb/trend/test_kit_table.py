from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from fleetdb.trend.kit_table import (
    KIT_BIAS,
    KITS,
    kit_bias_from_table,
    kit_bias_table,
    kits_table,
)
from fleetdb.trend.kits import KitBias, no_kit_bias
from fleetdb.trend.series import Series, keep_readings, keep_usual_conditions, load_series, years
from tests.fleetdb.trend.small_tables import connect, day, leak, pump, record, vehicle

BIAS = KitBias(
    kit=np.array([0, 0, 0, 2, 2]),
    at_y=years(np.array([day(n) for n in (1, 2, 3, 1, 4)], dtype="datetime64[us]")),
    ln_bias=np.array([0.0, 0.05, 0.06, 0.03, 0.0]),
    var_ln_bias=np.array([1e-4, 1e-4, 1e-4, 1e-4, 4e-4]),
    p_off=np.array([0.1, 0.95, 0.99, 0.95, 0.2]),
)
NAMES = ["A", "B", "C"]
NOW_Y = float(years(np.array([day(400)], dtype="datetime64[us]"))[0])


def series_of(*kits_and_days: tuple[str, float]) -> tuple[list[Series], list[str]]:
    records = [record("V1", at, 0.9, kit=kit) for kit, at in kits_and_days]
    with connect(test_records=records) as connection:
        keep_readings(connection, day(400))
        keep_usual_conditions(connection)
        return load_series(connection)


def test_a_kit_is_told_as_it_reads_now_and_since_when() -> None:
    series, names = series_of(("A", 1), ("A", 2), ("A", 3), ("C", 1.5), ("C", 4))
    series[0].kit[:] = [NAMES.index(names[k]) for k in series[0].kit]
    table = kits_table(BIAS, NAMES, series, NOW_Y)

    assert table.schema == KITS
    a, c = table.to_pylist()  # B has no usable test
    assert (a["kit"], c["kit"]) == ("A", "C")
    assert a["reads_off"]
    assert abs(a["off_since"] - day(2)) < timedelta(milliseconds=1)
    assert a["bias_pct"] == pytest.approx(6.18, abs=0.01)  # e^0.06 - 1
    assert a["n_tests"] == 3
    assert not c["reads_off"]
    assert c["off_since"] is None
    assert c["sd_bias_pct"] == pytest.approx(2)
    assert abs(c["last_test_at"] - day(4)) < timedelta(milliseconds=1)


def test_a_calibration_is_no_test_but_clears_a_kits_name() -> None:
    series, names = series_of(("A", 1), ("A", 2))
    calibrated = KitBias(
        kit=np.zeros(3, np.int64),
        at_y=years(np.array([day(n) for n in (1, 2, 3)], dtype="datetime64[us]")),
        ln_bias=np.array([0.06, 0.06, 0.0]),
        var_ln_bias=np.full(3, 1e-4),
        p_off=np.array([0.99, 0.99, 0.1]),
    )

    [row] = kits_table(calibrated, names, series, NOW_Y).to_pylist()

    assert (row["reads_off"], row["bias_pct"], row["n_tests"]) == (False, 0.0, 2)
    assert abs(row["last_test_at"] - day(2)) < timedelta(milliseconds=1)


def test_verdicts_touched_are_of_pumps_tested_with_the_kit_lately_or_since_it_is_off() -> None:
    records = [
        # Too long ago for a kit that reads true, but not for one that has read off since.
        record("V1", 10, 0.9, kit="A"),
        record("V1", 11, 0.9, kit="C"),
        record("V2", 200, 0.9, kit="A"),
        record("V2", 210, 0.9, kit="A"),
        record("V2", 220, 0.9),
        record("V3", 230, 0.9, kit="A"),
        record("V3", 231, 0.9, kit="C"),
        # A test at another duty says nothing, and a leak run alone nothing of pressures.
        record("V5", 250, 0.9, kit="A", duty_pct=70.0),
        record("V5", 260, kit="C", **leak(60, 400, 9, 9, 9, 9)),
        # A pump that is gone has no verdict.
        record("V4", 240, 0.9, kit="A"),
        record("V4", 240, 0.9, kit="C"),
    ]
    vehicles = [vehicle(f"V{n}") for n in range(1, 6)]
    with connect(
        test_records=records, vehicles=vehicles, fitments=[pump("V4", 300, "B")]
    ) as connection:
        keep_readings(connection, day(400))
        keep_usual_conditions(connection)
        families, names = load_series(connection)
    assert names == ["A", "C"]
    moments = np.array([day(1), day(5)], dtype="datetime64[us]")
    bias = KitBias(
        kit=np.array([0, 1]),
        at_y=years(moments),
        ln_bias=np.array([0.0, 0.06]),
        var_ln_bias=np.full(2, 1e-4),
        p_off=np.array([0.1, 0.99]),
    )

    rows = kits_table(bias, names, families, NOW_Y).to_pylist()

    assert {row["kit"]: row["verdicts_touched"] for row in rows} == {"A": 2, "C": 2}


def test_the_bias_comes_back_from_its_table_under_any_numbering() -> None:
    table = kit_bias_table(BIAS, NAMES)
    assert table.schema == KIT_BIAS

    same = kit_bias_from_table(table, NAMES)
    only_c = kit_bias_from_table(table, ["X", "C"])

    for a, b in zip(vars(BIAS).values(), vars(same).values(), strict=True):
        np.testing.assert_array_equal(a, b)
    assert only_c.kit.tolist() == [1, 1]
    assert only_c.ln_bias.tolist() == [0.03, 0.0]


def test_no_kits_make_empty_tables() -> None:
    assert kits_table(no_kit_bias(), [], [], NOW_Y).num_rows == 0
    assert len(kit_bias_from_table(kit_bias_table(no_kit_bias(), []), []).kit) == 0
