import numpy as np
import pytest

from demo_fleet.wear import (
    Wear,
    WearLaw,
    WearOptions,
    contamination_share,
    draw_wear,
    lost_share,
)


@pytest.mark.parametrize("law", list(WearLaw))
def test_every_law_has_lost_nothing_when_new_and_all_after_a_life(law):
    wear = Wear(law, 3.0 if law is not WearLaw.SLOW else 1.0, 400_000.0, 0.8)
    share = lost_share(wear, np.array([0.0, 200_000.0, 400_000.0]))
    assert share[[0, 2]] == pytest.approx([0.0, 1.0])
    assert 0 < share[1] < 1


def test_fast_laws_accelerate_and_the_slow_one_is_straight():
    km = np.linspace(0, 400_000, 41)
    bend = {
        law: np.diff(lost_share(Wear(law, shape, 400_000.0, 0.8), km), 2)
        for law, shape in ((WearLaw.SLOW, 1.0), (WearLaw.EXPONENTIAL, 4.0), (WearLaw.POWER, 2.5))
    }
    assert bend[WearLaw.SLOW] == pytest.approx(0, abs=1e-12)
    assert (bend[WearLaw.EXPONENTIAL] > 0).all()
    assert (bend[WearLaw.POWER] > 0).all()


def test_contamination_is_a_step_followed_by_faster_wear():
    options = WearOptions(contamination_loss=(0.4, 0.4), contamination_days=(10.0, 10.0))
    wear = Wear(WearLaw.SLOW, 1.0, 1_000_000.0, 0.8)
    day = np.arange(200.0)
    share = contamination_share(options, wear, day, 200.0 * day, 100.0, np.array([0.5, 0.5]))
    assert share[:100] == pytest.approx(0)
    assert share[110] == pytest.approx(0.4 + 2 * 200 * 10 / 1_000_000)
    assert np.diff(share)[120:] == pytest.approx(2 * 200 / 1_000_000)


def test_weights_of_zero_leave_a_law_out():
    options = WearOptions(slow_weight=0, exponential_weight=0, power_weight=1)
    rng = np.random.default_rng(1)
    assert {draw_wear(options, rng).law for _ in range(30)} == {WearLaw.POWER}
