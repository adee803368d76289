import numpy as np
import pytest

from demo_fleet.kits import KitOptions, draw_kit

STILL = KitOptions(calibrated_scatter=0.0, steps_per_year=0.0, drifts_per_year=0.0)


def test_a_kit_to_which_nothing_happens_reads_true():
    kit = draw_kit(STILL, 1000, np.random.default_rng(1))
    assert kit.bias == pytest.approx(0)
    assert {event.kind for event in kit.events} == {"calibration"}


def test_a_step_lasts_until_the_next_calibration():
    options = KitOptions(
        calibrated_scatter=0.0, steps_per_year=1.0, drifts_per_year=0.0, reads_low_share=1.0
    )
    kit = draw_kit(options, 2000, np.random.default_rng(4))
    off = 0.0
    expected = np.zeros(2001)
    for event in kit.events:
        off = 0.0 if event.kind == "calibration" else off + event.size
        expected[int(np.ceil(event.day)) :] = off
    assert (expected < -0.03).any()
    assert kit.bias == pytest.approx(expected)


def test_steps_have_the_sizes_asked_for():
    options = KitOptions(steps_per_year=5.0, step_size=(0.04, 0.08))
    kit = draw_kit(options, 2000, np.random.default_rng(2))
    sizes = [abs(event.size) for event in kit.events if event.kind == "step"]
    assert len(sizes) > 10
    assert min(sizes) >= 0.04
    assert max(sizes) <= 0.08


def test_a_drift_grows_with_time():
    options = KitOptions(
        calibrated_scatter=0.0, steps_per_year=0.0, drifts_per_year=1.0,
        drift_per_year=(0.05, 0.05), reads_low_share=1.0,
        calibration_interval_days=(100_000.0, 100_000.0),
    )  # fmt: skip
    kit = draw_kit(options, 800, np.random.default_rng(3))
    assert {event.kind for event in kit.events} == {"drift"}
    running = sum(event.day < 799 for event in kit.events)
    assert kit.bias[800] - kit.bias[799] == pytest.approx(-0.05 / 365.25 * running)
