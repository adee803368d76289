"""The score on tables small enough to work out by hand."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from demo_fleet.truth import SCHEMAS, Truth
from tests.fleets.score import score

LIMIT = 0.8
MONTHS = [date(2024, m, d) for m, d in ((1, 31), (2, 29), (3, 31), (4, 30), (5, 31), (6, 30))]


def time(text):
    return datetime.fromisoformat(text)


def truth_of(pumps, reserve, tests=(), below=()):
    """Build a truth of pumps (serial, failed_at, gradual) and reserves at MONTHS."""
    fitted = time("2023-01-01")

    def cause(failed, gradual):
        return "pump_wear" if gradual else "contamination" if failed else None

    rows = {
        "pumps": [
            ("V-" + s, s, "fam", LIMIT, fitted, failed, failed,
             cause(failed, gradual), gradual, "slow", 2.0)
            for s, failed, gradual in pumps
        ],
        "reserve": [
            ("V-" + s, s, as_of, value, value, cause)
            for s, values, cause in reserve
            for as_of, value in zip(MONTHS, values, strict=False)
        ],
        "tests": [
            (f"{s}-{at}", "V-" + s, s, time(at), value, "pump_wear", "K01", 0.0, 0, True, True)
            for s, at, value in tests
        ],
        "below_limit": [("V-" + s, s, time(a), time(b)) for s, a, b in below],
        "lines": [(i, f"{s}-{at}", "accepted", None) for i, (s, at, _) in enumerate(tests)],
    }  # fmt: skip
    return Truth(
        **{
            name: pl.DataFrame(rows.get(name, []), schema=schema, orient="row")
            for name, schema in SCHEMAS.items()
        }
    )


def verdicts_of(states, **more):
    """One row per serial and month; states by serial in the order of MONTHS."""
    return pl.DataFrame(
        [
            {
                "as_of": as_of,
                "vehicle": "V-" + serial,
                "pump_serial": serial,
                "state": state,
                **more,
            }
            for serial, said in states.items()
            for as_of, state in zip(MONTHS, said, strict=False)
        ]
    )


FALLING = [1.6, 1.3, 1.1, 1.0, 0.9, 0.8]
FAILED = time("2024-07-05")


def test_a_failure_is_caught_by_a_booking_30_days_ahead():
    truth = truth_of([("A", FAILED, True)], [("A", FALLING, "pump_wear")],
                     tests=[("A", "2024-03-10", 1.1)])  # fmt: skip
    caught = score(verdicts_of({"A": ["sound"] * 4 + ["book_in", "book_in"]}), truth)
    assert (caught.seen, caught.caught, caught.caught_share) == (1, 1, 1.0)
    assert caught.failures["notice_days"].to_list() == [pytest.approx(34.0)]
    late = score(verdicts_of({"A": ["sound"] * 5 + ["stand_down"]}), truth)
    assert (late.seen, late.caught) == (1, 0)


def test_a_booking_more_than_400_days_before_catches_nothing():
    truth = truth_of([("A", time("2025-03-10"), True)], [("A", FALLING, "pump_wear")],
                     tests=[("A", "2024-03-10", 1.1)])  # fmt: skip
    assert score(verdicts_of({"A": ["book_in", "sound"]}), truth).caught == 0
    # 31 January 2024 is 403 days before, 29 February 375.
    assert score(verdicts_of({"A": ["sound", "book_in"]}), truth).caught == 1


@pytest.mark.parametrize(
    ("at", "reserve", "seen"),
    [("2024-03-10", 1.14, 1), ("2024-03-10", 1.16, 0), ("2024-06-10", 0.9, 0)],
)
def test_a_failure_no_test_could_show_in_time_is_not_counted(at, reserve, seen):
    truth = truth_of([("A", FAILED, True)], [("A", FALLING, "pump_wear")],
                     tests=[("A", at, reserve)])  # fmt: skip
    assert score(verdicts_of({"A": ["sound"]}), truth).seen == seen


def test_contamination_is_no_gradual_failure():
    truth = truth_of([("A", FAILED, False)], [("A", FALLING, "pump_wear")],
                     tests=[("A", "2024-03-10", 1.1)])  # fmt: skip
    assert score(verdicts_of({"A": ["book_in"] * 6}), truth).seen == 0


def test_runs_of_bookings_count_once_and_only_against_healthy_pumps():
    truth = truth_of(
        [("A", None, False), ("B", None, False), ("C", FAILED, True)],
        [("A", [1.6] * 6, "none"), ("B", [1.1] * 6, "pump_wear"), ("C", FALLING, "pump_wear")],
    )
    told = score(
        verdicts_of(
            {
                "A": ["book_in", "book_in", "sound", "stand_down", "sound", "sound"],
                "B": ["book_in"] * 6,
                "C": ["book_in"] * 6,
            }
        ),
        truth,
    )
    assert told.episodes.height == 4
    assert told.false_episodes == 2
    # Only A is healthy: six month ends are half a vehicle-year.
    assert told.healthy_vehicle_years == 0.5
    assert told.false_per_100_vehicle_years == pytest.approx(400)


def test_a_missing_verdict_ends_an_episode():
    truth = truth_of([("A", None, False)], [("A", [1.6] * 6, "none")])
    told = verdicts_of({"A": ["book_in", "book_in", "book_in"]}).filter(
        pl.col("as_of") != MONTHS[1]
    )
    assert score(told, truth).episodes["months"].to_list() == [1, 1]


@pytest.mark.parametrize(
    "as_of",
    [
        "2024-01-31",
        "2024-01-31T23:59:59Z",
        datetime(2024, 2, 1, tzinfo=UTC),
        time("2024-01-31T12:00:00"),
        date(2024, 1, 31),
    ],
)
def test_month_ends_are_recognised_however_they_are_written(as_of):
    truth = truth_of([("A", None, False)], [("A", [1.6] * 6, "none")])
    told = pl.DataFrame(
        {"as_of": [as_of], "vehicle": ["V-A"], "pump_serial": ["A"], "state": ["book_in"]}
    )
    assert score(told, truth).episodes["as_of"].to_list() == [MONTHS[0]]


def test_causes_are_judged_where_build_and_leak_were_measured():
    truth = truth_of(
        [("A", None, False), ("B", None, False)],
        [("A", [1.1] * 6, "injector_leak"), ("B", [1.1] * 6, "pump_wear")],
        tests=[("A", "2024-01-10", 1.1)],
    )
    told = verdicts_of({"A": ["book_in"], "B": ["book_in"]}, leading_cause="injectors")
    assert score(told, truth, {"injectors": "injector_leak"}).cause_share == 1.0
    assert score(told, truth).cause_share == 0.0
    assert score(told, truth).cause_judged == 1


def test_calibration_sets_stated_against_observed():
    truth = truth_of(
        [("A", None, False), ("B", None, False)],
        [("A", [1.0] * 6, "pump_wear"), ("B", [1.6] * 6, "none")],
        below=[("A", "2024-02-10", "2024-02-20")],
    )
    told = verdicts_of(
        {"A": ["watch"] * 6, "B": ["watch"] * 6}, probability_below_limit=0.25, horizon_days=30
    )
    result = score(told, truth)
    # A at the end of January falls below; of June's verdicts, and those of B's and A's
    # last month, only June's have horizons past the end of the history.
    assert result.calibration.to_dicts() == [{"tenth": 2, "n": 10, "stated": 0.25, "observed": 0.1}]
    assert result.brier == pytest.approx((0.75**2 + 9 * 0.25**2) / 10)
    assert result.brier_of_base_rate == pytest.approx(0.09)


def test_intervals_cover_crossings_that_came_within_them():
    truth = truth_of(
        [("A", None, False)], [("A", FALLING, "pump_wear")],
        below=[("A", "2024-05-10", "2024-07-01")],
    )  # fmt: skip
    wide = verdicts_of(
        {"A": ["watch"] * 3}, limit_date_p10=date(2024, 4, 20), limit_date_p90=date(2024, 6, 1)
    )
    early = wide.with_columns(limit_date_p90=date(2024, 5, 1))
    assert score(wide, truth).interval_share == 1.0
    assert score(early, truth).interval_share == 0.0
    assert score(early, truth).interval_judged == 3
