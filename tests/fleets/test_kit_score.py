from datetime import date, datetime

import polars as pl
import pytest

from demo_fleet.truth import SCHEMAS, Truth
from tests.fleets.kit_score import score_kits

MONTHS = [date(2024, m, d) for m, d in ((1, 31), (2, 29), (3, 31), (4, 30), (5, 31), (6, 30))]
STEP_AT = "2024-02-10"


def truth_of(events, bias):
    """Build a truth of one kit: events (at, kind, size), bias at MONTHS."""
    rows = {
        "kits": [("K01", as_of, b) for as_of, b in zip(MONTHS, bias, strict=True)],
        "kit_events": [
            ("K01", datetime.fromisoformat(at), kind, size, True) for at, kind, size in events
        ],
    }
    return Truth(
        **{
            name: pl.DataFrame(rows.get(name, []), schema=schema, orient="row")
            for name, schema in SCHEMAS.items()
        }
    )


def said(*reads_off):
    return pl.DataFrame({"as_of": MONTHS, "kit": ["K01"] * 6, "reads_off": list(reads_off)})


OFF = [0.0, -0.05, -0.05, -0.05, -0.05, -0.05]


@pytest.mark.parametrize(
    ("first_named", "share"),
    # 31 March is 50 days after the step, 30 April 80.
    [(1, 1.0), (2, 1.0), (3, 0.0)],
)
def test_a_step_is_named_in_time_within_60_days(first_named, share):
    truth = truth_of([(STEP_AT, "step", -0.05)], OFF)
    told = score_kits(said(*(month >= first_named for month in range(6))), truth)
    assert told.named_share == share
    assert (told.good, told.good_named) == (1, 0)


def test_naming_a_kit_before_its_step_is_no_merit():
    truth = truth_of([(STEP_AT, "step", -0.05)], OFF)
    told = score_kits(said(True, False, False, False, False, False), truth)
    assert told.named_share == 0.0
    assert told.good_named_share == 1.0


@pytest.mark.parametrize(
    "events",
    [
        [(STEP_AT, "step", -0.03)],
        [(STEP_AT, "step", -0.05), ("2024-03-01", "calibration", 0.0)],
        [("2024-06-10", "step", -0.05)],
    ],
)
def test_small_steps_soon_mended_ones_and_too_late_ones_are_not_judged(events):
    assert score_kits(said(*[False] * 6), truth_of(events, OFF)).steps.height == 0


def test_a_step_that_brings_a_kit_back_to_true_is_not_judged():
    truth = truth_of([(STEP_AT, "step", 0.05)], [-0.05, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert score_kits(said(*[False] * 6), truth).steps.height == 0
