import numpy as np
import pytest

from tests.fleets.second.generate import Setting
from tests.fleets.second.kinds import KINDS


@pytest.fixture(scope="module")
def tested():
    setting = Setting.draw(KINDS["plain"], 8)
    return [setting.vehicle(index) for index in range(80)]


def own_days(life, pump):
    last = life.odometer_km.size if pump.removed is None else int(pump.removed)
    return slice(max(int(np.ceil(pump.fitted)), 0), last)


def test_a_new_pump_reaches_what_it_is_said_to_but_for_its_running_in(tested):
    fitted = [(t.life, pump) for t in tested for pump in t.life.pumps if pump.fitted > 0]
    assert len(fitted) > 20
    for life, pump in fitted:
        day = int(np.ceil(pump.fitted))
        assert life.alone(pump)[day] == pytest.approx(pump.new_reserve, rel=0.08)


def test_margins_of_new_pumps_spread_over_the_kinds_range(tested):
    margins = [pump.new_reserve for t in tested for pump in t.life.pumps]
    low, high = KINDS["plain"].new_reserve
    assert low <= min(margins) < low + 0.1
    assert high - 0.1 < max(margins) <= high


def test_a_failed_pump_was_below_its_limit_for_some_days_and_not_for_long(tested):
    failed = [(t.life, p) for t in tested for p in t.life.pumps if p.failed]
    assert len(failed) >= 5
    for life, pump in failed:
        below = life.reserve(pump)[own_days(life, pump)] < life.family.limit
        assert below[-1]
        assert 1 <= below.sum() <= 250


def test_what_costs_reserve_adds_up_to_what_was_lost(tested):
    for t in tested:
        for pump in t.life.pumps:
            losses = t.life.losses(pump)
            days = own_days(t.life, pump)
            # Each is what mending that alone would bring: together near the whole.
            whole = np.log(pump.new_reserve / t.life.reserve(pump))[days]
            together = np.sum(list(losses.values()), axis=0)[days]
            assert np.abs(together - whole).max() < 0.35 * max(whole.max(), 0.1)


def test_a_capped_pump_never_reads_above_its_cap(tested):
    for t in tested:
        for visits, readings in zip(t.visits, t.readings, strict=True):
            assert (readings.held <= t.life.cap[visits.day.astype(int)]).all()
    good = [
        (r.actual_bar / t.life.family.target_bar)[r.botch == 0] for t in tested for r in t.readings
    ]
    assert np.quantile(np.concatenate(good), 0.99) < 1.20


def test_changed_injectors_leak_as_new_ones(tested):
    mended = [
        (t.life, fault)
        for t in tested
        for fault in t.life.faults
        if fault.part == "injector_set" and fault.ends < t.life.odometer_km.size - 1
    ]
    assert mended
    for life, fault in mended:
        others = [f for f in life.faults if f.cause == "injector_leak" and f is not fault]
        if not others:
            after = life.shares.injectors[int(np.ceil(fault.ends))].sum()
            assert after == pytest.approx(life.shares.new_injectors)
