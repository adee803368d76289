from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import false_discovery_control

from fleetdb.trend.discoveries import largest_p

# Benjamini and Hochberg 1995, J. R. Stat. Soc. B 57, 289: the 15 p-values of their example, of
# which the rule rejects four at 0.05 (second-hand: scipy's documentation).
EXAMPLE = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
    *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
]


def test_four_of_the_published_example_are_told_of() -> None:
    assert largest_p(np.array(EXAMPLE)) == 0.0095


@pytest.mark.parametrize("seed", range(5))
def test_those_told_of_are_those_scipy_rejects(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p = np.concatenate([rng.random(200), rng.random(20) / 100])

    line = largest_p(p, 0.1)

    assert 0 < (p <= line).sum() < 60
    np.testing.assert_array_equal(p <= line, false_discovery_control(p) <= 0.1)


def test_trends_that_could_not_be_tested_do_not_count() -> None:
    assert largest_p(np.array([0.04, np.nan, np.nan])) == 0.04


@pytest.mark.parametrize("p_values", [[], [np.nan], [0.2, 0.9]])
def test_where_nothing_stands_out_nothing_is_told(p_values: list[float]) -> None:
    assert largest_p(np.array(p_values)) == 0.0
