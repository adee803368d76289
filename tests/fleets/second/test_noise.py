import numpy as np
import pytest

from tests.fleets.second.noise import NoiseLaw, proof_errors


@pytest.mark.parametrize("law", NoiseLaw)
def test_every_law_has_about_the_size_asked_for(law):
    relative, added_bar = proof_errors([law] * 20_000, 0.012, np.random.default_rng(2))
    error = relative + added_bar / 700
    assert np.median(np.abs(error)) == pytest.approx(0.6745 * 0.012, rel=0.25)


def test_only_heavy_tails_have_many_errors_of_five_times_the_size():
    far = {
        law: (np.abs(proof_errors([law] * 20_000, 0.01, np.random.default_rng(3))[0]) > 0.05).mean()
        for law in NoiseLaw
    }
    assert far[NoiseLaw.HEAVY_TAILED] > 0.003
    assert max(share for law, share in far.items() if law is not NoiseLaw.HEAVY_TAILED) < 0.001


def test_a_chained_error_resembles_the_one_before():
    chained, _ = proof_errors([NoiseLaw.CHAINED] * 5_000, 0.01, np.random.default_rng(4))
    free, _ = proof_errors([NoiseLaw.GAUSSIAN] * 5_000, 0.01, np.random.default_rng(4))
    assert np.corrcoef(chained[1:], chained[:-1])[0, 1] == pytest.approx(0.6, abs=0.05)
    assert abs(np.corrcoef(free[1:], free[:-1])[0, 1]) < 0.05
