from __future__ import annotations

import uuid
from typing import Any

import pytest

from fleetdb.report.vehicle_words import how_corrected, why_not_used, why_set_aside
from tests.fleetdb.report.accounts import APPLIED, leaks, reading, seen, told


def test_a_reading_is_told_with_what_each_condition_made_of_it() -> None:
    test = seen(
        1,
        reading(0.954, kit=0.992, temperature=1.106, speed=1.036),
        fuel_temp_c=21.0,
        crank_rpm=219.0,
    )
    [said] = how_corrected(test, APPLIED)
    # 0.954 / (0.992 * 1.106 * 1.036)
    assert said == (
        "Proof ratio 0.954 as measured; kit K1 reads 0.8 % low; fuel at 21 °C (reference 40 °C), "
        "which added 10.6 %; cranked at 219 rpm (reference 200 rpm), which added 3.6 %: 0.839 at "
        "reference conditions with a true kit."
    )


@pytest.mark.parametrize(
    ("fields", "made", "words"),
    [
        ({"kit": None}, {}, "no kit named, so nothing is known of its error"),
        ({}, {"kit": 1.0001}, "kit K1 reads true"),
        ({}, {"kit": 1.031}, "kit K1 reads 3.1 % high"),
        ({}, {"temperature": 0.95}, "fuel at 40 °C (reference 40 °C), which took 5.0 %"),
        (
            {"fuel_temp_c": None},
            {"temperature": 1.02},
            "fuel temperature not noted, the usual one taken, with its spread, which added 2.0 %",
        ),
        ({"crank_rpm": None}, {}, "crank speed not noted, the usual one taken"),
        ({}, {}, "cranked at 200 rpm (reference 200 rpm), which changed nothing"),
    ],
)
def test_what_is_not_known_or_changes_nothing_is_said(
    fields: dict[str, Any], made: dict[str, float], words: str
) -> None:
    [said] = how_corrected(seen(1, reading(0.9, **made), **fields), APPLIED)
    assert words in said


def test_leaks_are_told_with_temperature_and_pressure() -> None:
    test = seen(1, leaks=leaks(10.0), leak_temperature=1.25, leak_pressure=1.08)
    assert how_corrected(test, APPLIED) == [
        "Leak times 1.25 for the fuel's temperature and 1.08 for a rail pressure other than the "
        "usual 650 bar."
    ]


def test_only_what_is_likely_botched_is_said_to_be_set_aside() -> None:
    test = seen(1, reading(0.5, p=0.97), build_rate_bar_per_s=reading(300.0, p=0.2))
    [said] = why_set_aside(test)
    assert said.startswith("The proof ratio is set aside: 97% likely to be botched.")
    assert why_set_aside(seen(1, reading(0.9))) == []


def test_why_a_test_is_not_used() -> None:
    used = seen(1, reading(0.9))
    assert why_not_used(told(used)) is None
    assert why_not_used(told(used, void_reason="wrong vehicle")) == "Withdrawn: wrong vehicle"
    corrected = why_not_used(told(None, superseded_by=uuid.uuid4()))
    assert corrected is not None and "later record" in corrected
    unknown = why_not_used(told(None))
    assert unknown is not None and "before any pump was on record" in unknown
    # The record has a proof and the trend no ratio of it.
    other_duty = why_not_used(told(seen(1)))
    assert other_duty is not None and "another regulator duty" in other_duty
