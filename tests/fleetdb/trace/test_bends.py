"""Where a level bends into a line is found, and no bend where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trace.bends import level_then_line

NOISE = np.random.default_rng(4).normal(0.0, 1.0, 100)


def test_a_bend_is_found_where_it_is() -> None:
    values = np.concatenate([np.full(60, 50.0), 50.0 - 2.0 * np.arange(1, 41)])

    n_level, slope = level_then_line(values, 5)
    assert (n_level, slope) == (60, pytest.approx(-2.0))


def test_noise_moves_the_bend_little() -> None:
    values = np.concatenate([np.full(60, 50.0), 50.0 - 2.0 * np.arange(1, 41)]) + NOISE

    n_level, slope = level_then_line(values, 5)
    assert abs(n_level - 60) <= 3
    assert slope == pytest.approx(-2.0, abs=0.1)


def test_a_line_has_no_bend() -> None:
    assert level_then_line(100.0 - 0.5 * np.arange(100) + NOISE, 5)[0] == 0


def test_noise_alone_has_no_bend() -> None:
    assert level_then_line(NOISE, 5)[0] == 0


def test_a_constant_has_no_bend() -> None:
    assert level_then_line(np.full(50, 7.0), 5)[0] == 0
