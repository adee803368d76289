from dataclasses import replace

import numpy as np
import pytest

from demo_fleet.habits import HabitOptions, write_down

CAREFUL = HabitOptions(
    sent_twice=0, sent_again_changed=0, refused_slip=0, corrected_slip=0, odometer_slip=0
)
RECORD = {
    "record_id": "7b1c7f5e-58d8-4a0e-9b7e-6d0e4e0a3c11",
    "vehicle": "LM-0001",
    "performed_at": "2024-02-29T08:30:00+01:00",
    "odometer_km": 123456.0,
    "proof": {"duty_pct": 45.0, "target_bar": 700.0, "actual_bar": 650.0},
    "leak": {
        "duration_s": 60.0,
        "cylinders": [{"cylinder": c, "ml": 6.0} for c in (1, 2, 3, 4)],
    },
}


def write(seed=1, **habits):
    return write_down(replace(CAREFUL, **habits), RECORD, np.random.default_rng(seed))


def test_a_careful_hand_writes_one_line():
    assert [(line.record, line.expected) for line in write()] == [(RECORD, "accepted")]


def test_what_is_sent_twice_is_the_same_line_twice():
    first, second = write(sent_twice=1)
    assert first.record == second.record
    assert second.expected == "already_there"


def test_what_is_sent_again_changed_has_the_same_id_and_another_body():
    first, second = write(sent_again_changed=1)
    assert first.record["record_id"] == second.record["record_id"]
    assert first.record != second.record
    assert second.expected == "conflict"


def test_a_correction_supersedes_the_slip_and_keeps_its_own_id():
    wrong, right = write(corrected_slip=1)
    assert wrong.record["proof"]["actual_bar"] == 65
    assert right.record["supersedes"] == wrong.record["record_id"]
    assert right.record["record_id"] == RECORD["record_id"]
    assert (wrong.expected, right.expected) == ("accepted", "accepted")


def test_an_odometer_slip_loses_a_digit():
    (line,) = write(odometer_slip=1)
    assert line.record["odometer_km"] == 12345


@pytest.mark.parametrize("seed", range(12))
def test_a_refused_slip_is_typed_again_and_leaves_the_good_record_alone(seed):
    wrong, right = write(seed, refused_slip=1, retyped=1)
    assert (wrong.expected, right.expected) == ("refused", "accepted")
    assert right.record is RECORD
    assert wrong.record != RECORD
    assert RECORD["proof"]["actual_bar"] == 650


def test_every_slip_is_made_sooner_or_later():
    slips = {write(seed, refused_slip=1)[0].slip for seed in range(80)}
    assert slips == {
        "psi_for_bar", "future_year", "century_slip", "unknown_vehicle", "cylinder_twice",
        "cylinder_beyond",
    }  # fmt: skip
