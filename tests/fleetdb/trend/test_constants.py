from __future__ import annotations

import math

import pytest

from fleetdb.trend.constants import PRIORS, FamilyConstants, log_prior, prior_constants


def test_the_priors_centres_are_inside_their_limits_and_most_likely() -> None:
    at_centre = log_prior(prior_constants(5.7))

    assert at_centre == 0
    for name, prior in PRIORS.items():
        assert prior.low < prior.centre < prior.high, name
        moved = prior.centre * 1.01 if prior.is_log else prior.centre + 0.01 * prior.sd
        assert prior.log_density(moved) < 0, name


def test_a_constant_out_of_its_limits_is_impossible() -> None:
    for name, prior in PRIORS.items():
        beyond = prior_constants(5.7)._replace(**{name: prior.high + 1e-6})
        assert log_prior(beyond) == -math.inf, name
        assert prior.log_density(prior.low - 1e-6) == -math.inf, name


def test_a_prior_is_normal_on_its_own_scale() -> None:
    log_scale, plain = PRIORS["sd_ratio"], PRIORS["volumetric_share"]

    assert log_scale.is_log
    assert log_scale.log_density(log_scale.centre * math.exp(log_scale.sd)) == pytest.approx(-0.5)
    assert not plain.is_log
    assert plain.log_density(plain.centre + plain.sd) == pytest.approx(-0.5)


def test_every_constant_has_a_value() -> None:
    constants = prior_constants(5.7)

    assert set(PRIORS) <= set(FamilyConstants._fields)
    assert constants.ln_build_new == 5.7
    assert all(math.isfinite(value) for value in constants)
