from dataclasses import replace

import pytest

from demo_fleet.generate import generate
from tests.fleets.rules import last_raw_ratio_below
from tests.fleets.score import score
from tests.fleets.variants import VARIANTS, variant


@pytest.mark.parametrize("name", VARIANTS)
def test_every_variant_makes_failures_that_could_be_seen_and_healthy_time(name):
    fleet = generate(variant(name, vehicles=100, years=3))
    told = score(last_raw_ratio_below(fleet, 0.8), fleet.truth)
    assert told.seen >= 3
    assert told.healthy_vehicle_years > 150


def test_variants_differ_from_each_other():
    assert len({repr(replace(make(), seed=0)) for make in VARIANTS.values()}) == len(VARIANTS)


def test_a_laxer_rule_catches_more_and_books_more_in_vain():
    fleet = generate(variant("defaults", vehicles=150, years=4))
    strict, lax = (score(last_raw_ratio_below(fleet, r), fleet.truth) for r in (0.8, 0.9))
    assert lax.caught > strict.caught
    assert lax.false_episodes > strict.false_episodes
