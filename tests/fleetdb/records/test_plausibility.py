"""The impossible is refused, the odd is remarked on, and neither depends on other records."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from fleetdb.errors import Problem
from fleetdb.records import plausibility
from fleetdb.records.documents import (
    Finding,
    Fitment,
    Kind,
    KitCalibration,
    PumpFamily,
    TestRecord,
    Vehicle,
)
from fleetdb.records.parsing import parse_as
from fleetdb.records.plausibility import family_in_force
from tests.documents import FAMILY, VEHICLE, values_of

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
FAMILY_X = parse_as(PumpFamily, FAMILY)
VEHICLE_17 = parse_as(Vehicle, VEHICLE)


def checked(**changes: Any) -> plausibility.Findings:
    record = parse_as(TestRecord, values_of(Kind.TEST_RECORDS, **changes))
    return plausibility.check_test_record(record, VEHICLE_17, FAMILY_X, NOW)


def problem_of(**changes: Any) -> Problem:
    [problem], _ = checked(**changes)
    return problem


def remark_codes(**changes: Any) -> list[str]:
    problems, remarks = checked(**changes)
    assert problems == []
    return [remark.code for remark in remarks]


def test_a_complete_record_has_no_problem_and_no_remark() -> None:
    assert checked() == ([], [])


def test_more_pressure_than_the_rail_holds_is_refused_and_psi_suspected() -> None:
    # 9427 psi is 650 bar (NIST SP 811: 6894.757 Pa to the psi).
    problem = problem_of(proof={"target_bar": 700, "actual_bar": 9427})

    assert problem == Problem(
        "/proof/actual_bar", "actual_bar 9427 is above fam-x's 1600 bar rail limit: was this psi?"
    )


def test_psi_is_not_suspected_where_it_would_be_too_much_as_well() -> None:
    # 1600 bar is 23206 psi.
    assert "psi" in problem_of(proof={"target_bar": 700, "actual_bar": 23206}).detail
    assert "psi" not in problem_of(proof={"target_bar": 700, "actual_bar": 23207}).detail


def test_a_target_in_another_unit_is_named() -> None:
    # 700 bar is 10153 psi and 70 MPa.
    for typed, unit in ((10153, "psi"), (70, "MPa")):
        detail = problem_of(proof={"target_bar": typed, "actual_bar": 65}).detail
        assert detail.endswith(f"differs from fam-x's 700: was this {unit}?")
    assert problem_of(proof={"target_bar": 75, "actual_bar": 65}).detail.endswith("fam-x's 700")


def test_the_rail_limit_itself_can_be_reached() -> None:
    assert checked(proof={"target_bar": 700, "actual_bar": 1600}) == ([], [])


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"build": {"rate_bar_per_s": 300, "from_bar": 1601}}, "/build/from_bar"),
        ({"build": {"rate_bar_per_s": 300, "to_bar": 1601}}, "/build/to_bar"),
        (
            {"leak": {"duration_s": 9, "rail_bar": 1601, "cylinders": [{"cylinder": 1, "ml": 1}]}},
            "/leak/rail_bar",
        ),
    ],
)
def test_every_pressure_is_held_against_the_rail(changes: dict[str, Any], pointer: str) -> None:
    assert problem_of(**changes).pointer == pointer


@pytest.mark.parametrize(
    ("target_bar", "fits"), [(700, True), (693, True), (707, True), (692, False), (708, False)]
)
def test_the_target_is_the_familys_to_one_percent(target_bar: float, fits: bool) -> None:
    problems, _ = checked(proof={"target_bar": target_bar, "actual_bar": 650})

    assert [p.pointer for p in problems] == ([] if fits else ["/proof/target_bar"])


def test_a_target_in_psi_is_suspected() -> None:
    # 700 bar is 10152.6 psi.
    assert "psi" in problem_of(proof={"target_bar": 10153, "actual_bar": 650}).detail


def test_a_cylinder_beyond_the_familys_is_refused_where_it_stands() -> None:
    cylinders = [{"cylinder": 4, "ml": 1}, {"cylinder": 5, "ml": 1}]

    problem = problem_of(leak={"duration_s": 30, "cylinders": cylinders})

    assert problem.pointer == "/leak/cylinders/1/cylinder"
    assert "fam-x has 4" in problem.detail


def test_clocks_may_be_five_minutes_fast() -> None:
    assert checked(performed_at=str(NOW + timedelta(minutes=5)).replace(" ", "T"))[0] == []
    late = str(NOW + timedelta(minutes=5, seconds=1)).replace(" ", "T")
    assert "future" in problem_of(performed_at=late).detail


def test_a_day_before_service_is_forgiven_because_dates_have_no_zone() -> None:
    assert checked(performed_at="2022-02-28T00:00:00Z")[0] == []
    assert problem_of(performed_at="2022-02-27T23:59:59Z").pointer == "/performed_at"


def test_an_unknown_vehicle_is_the_only_problem_told() -> None:
    record = parse_as(TestRecord, values_of(Kind.TEST_RECORDS, performed_at="1999-01-01T00:00:00Z"))

    problems, remarks = plausibility.check_test_record(record, None, None, NOW)

    assert [problem.pointer for problem in problems] == ["/vehicle"]
    assert remarks == []


@pytest.mark.parametrize(
    ("conditions", "codes"),
    [
        ({"fuel_temp_c": 40, "crank_rpm": 119.9}, ["low_crank_speed"]),
        ({"fuel_temp_c": 40, "crank_rpm": 120}, []),
        ({"fuel_temp_c": 40, "battery_v": 9.9}, ["low_battery"]),
        ({"fuel_temp_c": 40, "battery_v": 10}, []),
        ({"fuel_temp_c": 40, "battery_v": 15}, []),
        # More than a 12 V system has: a 24 V one, and low for it.
        ({"fuel_temp_c": 40, "battery_v": 15.1}, ["low_battery"]),
        ({"fuel_temp_c": 40, "battery_v": 20}, []),
        ({"crank_rpm": 200}, ["no_fuel_temperature"]),
        ({"fuel_temp_c": 90}, []),
        ({"fuel_temp_c": 104}, ["very_hot_fuel"]),
        (None, ["no_fuel_temperature"]),
    ],
)
def test_odd_conditions_are_remarked_on(conditions: Any, codes: list[str]) -> None:
    assert remark_codes(conditions=conditions) == codes


def test_a_temperature_that_may_be_in_fahrenheit_is_told_in_celsius() -> None:
    _, remarks = checked(conditions={"fuel_temp_c": 104})

    assert "in °F? Then it is 40 °C" in remarks[0].detail


def test_the_fuel_temperature_is_not_missed_where_only_leak_was_measured() -> None:
    assert remark_codes(conditions=None, proof=None, build=None) == []


def test_an_unnamed_kit_and_another_duty_are_remarked_on() -> None:
    assert remark_codes(kit=None) == ["no_kit"]
    for duty_pct, codes in ((47, []), (47.1, ["other_duty"]), (42.9, ["other_duty"])):
        proof = {"duty_pct": duty_pct, "target_bar": 700, "actual_bar": 650}
        assert remark_codes(proof=proof) == codes


def test_a_remark_says_which_field_it_is_about() -> None:
    _, remarks = checked(
        kit=None,
        conditions={"crank_rpm": 50, "battery_v": 5},
        proof={"duty_pct": 90, "target_bar": 700, "actual_bar": 100},
        build={"rate_bar_per_s": 310, "from_bar": 100, "to_bar": 600},
    )

    assert {remark.pointer for remark in remarks} == {
        "/kit",
        "/conditions/fuel_temp_c",
        "/conditions/crank_rpm",
        "/conditions/battery_v",
        "/proof/duty_pct",
        "/build/to_bar",
    }


def family_with(**changes: Any) -> PumpFamily:
    return parse_as(PumpFamily, {**FAMILY, **changes})


def checked_with(family: PumpFamily, **changes: Any) -> plausibility.Findings:
    record = parse_as(TestRecord, values_of(Kind.TEST_RECORDS, **changes))
    return plausibility.check_test_record(record, VEHICLE_17, family, NOW)


def test_a_build_rate_no_pump_could_reach_is_refused_with_the_most_it_could() -> None:
    # K/V * Vd * n with K 2.5 GPa: 25,000 / 40 * 0.9 * 195 / 60 = 1828 bar/s, and half as
    # much again for errors of gauge and family figures.
    assert checked(build={"rate_bar_per_s": 1828}) == ([], [])
    assert remark_codes(build={"rate_bar_per_s": 1829}) == ["high_build_rate"]
    assert remark_codes(build={"rate_bar_per_s": 2742}) == ["high_build_rate"]

    problem = problem_of(build={"rate_bar_per_s": 99999})

    assert problem.pointer == "/build/rate_bar_per_s"
    assert "fam-x builds at most 1828 bar/s" in problem.detail
    assert "0.9 ml a turn into a rail of 40 ml at 195 1/min" in problem.detail
    assert "psi" not in problem.detail


def test_a_build_rate_in_psi_is_suspected() -> None:
    # 310 bar/s is 4496 psi/s (NIST SP 811).
    assert "psi" in problem_of(build={"rate_bar_per_s": 4496}).detail


def test_without_a_crank_speed_twice_the_reference_is_the_most() -> None:
    # 25,000 / 40 * 0.9 * 400 / 60 = 3750 bar/s, times 1.5.
    def problems(rate: float) -> list[str]:
        build = {"rate_bar_per_s": rate}
        return [p.pointer for p in checked(conditions={"fuel_temp_c": 40}, build=build)[0]]

    assert problems(5625) == []
    assert problems(5626) == ["/build/rate_bar_per_s"]


@pytest.mark.parametrize("unknown", ["rail_volume_ml", "displacement_ml_per_engine_rev"])
def test_without_rail_or_displacement_the_rail_must_last_one_turn(unknown: str) -> None:
    # 1600 bar in one turn at 195 1/min: 5200 bar/s, times 1.5.
    family = family_with(**{unknown: None})

    assert checked_with(family, build={"rate_bar_per_s": 5200}) == ([], [])
    assert checked_with(family, build={"rate_bar_per_s": 7800})[0] == []
    assert len(checked_with(family, build={"rate_bar_per_s": 7801})[0]) == 1


def test_a_build_that_the_proof_contradicts_is_remarked_on() -> None:
    proof = {"target_bar": 700, "actual_bar": 500}
    for to_bar, codes in ((550, []), (551, ["build_above_proof"])):
        build = {"rate_bar_per_s": 310, "from_bar": 100, "to_bar": to_bar}
        assert remark_codes(proof=proof, build=build) == codes
    assert remark_codes(build={"rate_bar_per_s": 0, "to_bar": 300}) == ["no_build"]


def leak_of(duration_s: float, *ml: float) -> dict[str, Any]:
    cylinders = [{"cylinder": n, "ml": volume} for n, volume in enumerate(ml, 1)]
    return {"duration_s": duration_s, "cylinders": cylinders}


def test_more_leak_than_the_pump_delivers_is_refused_where_it_stands() -> None:
    # 0.9 ml a turn at 2,000 1/min is 1800 ml/min, times 1.5.
    problem = problem_of(leak=leak_of(1, 1, 99999))

    assert problem.pointer == "/leak/cylinders/1/ml"
    assert "99999 ml in 1 s is impossible" in problem.detail
    assert "1800 ml/min (0.9 ml a turn at 2000 1/min)" in problem.detail
    assert checked(leak=leak_of(60, 1350, 1350))[0] == []
    assert problem_of(leak=leak_of(60, 1350, 1351)).pointer == "/leak/cylinders"


def test_without_a_displacement_five_ml_a_turn_are_the_most() -> None:
    family = family_with(displacement_ml_per_engine_rev=None)

    assert checked_with(family, leak=leak_of(60, 15000))[0] == []
    assert len(checked_with(family, leak=leak_of(60, 15001))[0]) == 1


def test_a_leak_many_times_the_limit_is_remarked_on() -> None:
    assert remark_codes(leak=leak_of(60, 500, 500)) == []
    assert remark_codes(leak=leak_of(60, 500, 501)) == ["high_leak"]
    assert checked_with(family_with(leak_limit_ml_per_min=None), leak=leak_of(60, 1500)) == ([], [])


def test_vehicles_need_a_known_family_and_a_believable_date() -> None:
    def problems(known: bool = True, **changes: Any) -> list[str]:
        vehicle = parse_as(Vehicle, {**VEHICLE, **changes})
        return [p.pointer for p in plausibility.check_vehicle(vehicle, known, NOW)[0]]

    assert problems() == []
    assert problems(known=False) == ["/pump_family"]
    assert problems(in_service_on="1899-12-31") == ["/in_service_on"]
    assert problems(in_service_on="2027-03-01") == []  # ordered, not yet delivered
    assert problems(in_service_on="2206-03-01") == ["/in_service_on"]


def test_an_odd_vin_is_only_remarked_on() -> None:
    vehicle = parse_as(Vehicle, {**VEHICLE, "vin": "1M8GDM9A1KP042788"})

    problems, [remark] = plausibility.check_vehicle(vehicle, True, NOW)

    assert problems == []
    assert (remark.code, remark.pointer) == ("odd_vin", "/vin")


def test_fitments_findings_and_calibrations_are_held_against_the_calendar() -> None:
    def fitted(**changes: Any) -> list[str]:
        fitment = parse_as(Fitment, values_of(Kind.FITMENTS, **changes))
        problems, _ = plausibility.check_fitment(fitment, VEHICLE_17, FAMILY_X, NOW)
        return [problem.pointer for problem in problems]

    def found(**changes: Any) -> list[str]:
        finding = parse_as(Finding, values_of(Kind.FINDINGS, **changes))
        return [p.pointer for p in plausibility.check_finding(finding, VEHICLE_17, NOW)[0]]

    def calibrated(**changes: Any) -> list[str]:
        calibration = parse_as(KitCalibration, values_of(Kind.KIT_CALIBRATIONS, **changes))
        return [p.pointer for p in plausibility.check_kit_calibration(calibration, NOW)[0]]

    assert fitted() == found() == calibrated() == []
    for moment in ("2026-03-01T12:06:00Z", "1970-01-01T00:00:00Z"):
        assert fitted(fitted_at=moment) == ["/fitted_at"]
        assert found(found_at=moment) == ["/found_at"]
        assert calibrated(calibrated_at=moment) == ["/calibrated_at"]
    assert fitted(cylinder=5) == ["/cylinder"]


def test_the_first_version_of_a_family_holds_before_it_too() -> None:
    def version(applies_from: str | None) -> PumpFamily:
        return parse_as(PumpFamily, {**FAMILY, "applies_from": applies_from})

    first, second, third = version(None), version("2024-01-01"), version("2025-01-01")
    versions = [third, first, second]
    assert family_in_force(versions, date(2020, 1, 1)) is first
    assert family_in_force(versions, date(2024, 1, 1)) is second
    assert family_in_force(versions, date(2024, 12, 31)) is second
    assert family_in_force(versions, date(2025, 1, 1)) is third
    assert family_in_force([third, second], date(2020, 1, 1)) is second
    assert family_in_force([], date(2020, 1, 1)) is None


@pytest.mark.parametrize(
    ("actual_bar", "codes"),
    [
        (21, []),
        (22, ["very_low_pressure"]),
        (65, ["very_low_pressure"]),
        (80, ["very_low_pressure"]),
        (81, []),
    ],
)
def test_a_tenth_of_what_pumps_come_to_is_asked_about(actual_bar: float, codes: list[str]) -> None:
    proof = {"duty_pct": 45, "target_bar": 700, "actual_bar": actual_bar}

    assert remark_codes(proof=proof, build=None) == codes
