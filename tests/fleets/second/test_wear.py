import numpy as np
import pytest

from tests.fleets.second.wear import Wear, WearLaw

BEND = {WearLaw.STRAIGHT: 0.6, WearLaw.EXPONENTIAL: 4.0, WearLaw.POWER: 3.0}


@pytest.mark.parametrize("law", WearLaw)
def test_wear_is_none_when_new_one_at_lifes_end_and_goes_on_ever_faster(law):
    used = Wear(law, BEND[law]).used(np.linspace(0, 1.5, 31))
    assert used[0] == 0
    assert used[20] == pytest.approx(1.0)
    assert used[-1] > 1
    steps = np.diff(used)
    assert (steps >= 0).all()
    assert (np.diff(steps) >= -1e-12).all()


def test_the_laws_wear_differently_halfway_and_draws_differ():
    halfway = {law: Wear(law, BEND[law]).used(np.array([0.7]))[0] for law in WearLaw}
    assert len({round(value, 3) for value in halfway.values()}) == 3
    rng = np.random.default_rng(1)
    drawn = [Wear.draw(tuple(WearLaw), rng) for _ in range(60)]
    assert {wear.law for wear in drawn} == set(WearLaw)
    assert len({wear.bend for wear in drawn}) == 60
