from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trend.cause import (
    CAUSES,
    Cause,
    LeakFigures,
    TraceEvidence,
    ln_loss_by_closed_rail,
    ln_loss_by_injectors,
    shares_of_belief,
)


def shares(
    loss: float,
    times_usual: float = np.nan,
    sd_ln_kit: float = 0.0,
    p_starved: float = 0.0,
    *,
    hold: float = np.nan,
    weak: float = np.nan,
    departure: float = np.nan,
) -> dict[Cause, float]:
    leak = LeakFigures(np.array([50.0 * times_usual]), np.array([50.0]))
    seen = TraceEvidence(*(np.array([value]) for value in (80.0 * hold, 80.0, weak, departure)))
    [row] = shares_of_belief(
        np.array([loss]), leak, np.array([sd_ln_kit]), np.array([p_starved]), seen
    )
    return dict(zip(CAUSES, row.tolist(), strict=True))


def leading(*figures: float) -> Cause:
    told = shares(*figures)
    return max(told, key=lambda cause: told[cause])


def test_shares_are_a_whole_whatever_the_figures() -> None:
    rng = np.random.default_rng(1)
    n = 400
    leak = LeakFigures(
        np.where(rng.random(n) < 0.2, np.nan, rng.uniform(0, 500, n)), np.full(n, 50.0)
    )
    loss, sd_ln_kit = rng.uniform(-0.5, 2, n), rng.uniform(0, 0.3, n)

    def unknown_or(values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(n) < 0.3, np.nan, values)

    traced = TraceEvidence(
        unknown_or(rng.uniform(0, 600, n)),
        np.full(n, 80.0),
        unknown_or(rng.uniform(0, 1, n)),
        unknown_or(rng.uniform(-0.3, 0.3, n)),
    )
    without_traces = TraceEvidence(*(np.full(n, np.nan) for _ in range(4)))
    for evidence in (without_traces, traced):
        got = shares_of_belief(loss, leak, sd_ln_kit, rng.random(n), evidence)

        assert got.shape == (n, len(CAUSES))
        assert np.all(got >= 0)
        np.testing.assert_allclose(got.sum(axis=1), 1, atol=1e-12)


def test_the_injectors_share_rises_with_the_leak_figure() -> None:
    told = [shares(0.6, times)[Cause.INJECTOR_LEAK] for times in (0.5, 1, 1.5, 2, 3, 5)]

    assert told[0] == told[1] == 0
    assert np.all(np.diff(told[1:]) > 0)


def test_a_loss_with_the_usual_leak_is_the_pumps() -> None:
    assert leading(0.6, 1.0) is Cause.PUMP_WEAR


def test_a_loss_with_much_leak_is_the_injectors() -> None:
    assert leading(0.5, 4.0) is Cause.INJECTOR_LEAK


def test_a_kit_explains_what_is_not_known_of_its_bias() -> None:
    assert leading(0.12, 1.0, 0.08) is Cause.KIT_READING
    assert shares(0.6, 1.0, 0.003)[Cause.KIT_READING] < 0.01
    assert shares(0.6, 1.0)[Cause.KIT_READING] == 0


def test_no_loss_has_no_cause_to_tell() -> None:
    assert leading(0.0, 1.0) is Cause.CANNOT_TELL


def test_without_a_leak_run_less_can_be_told() -> None:
    told = shares(0.6)

    assert told[Cause.CANNOT_TELL] > shares(0.6, 1.0)[Cause.CANNOT_TELL]
    assert 0 < told[Cause.INJECTOR_LEAK] < told[Cause.PUMP_WEAR]


def test_what_injectors_explain_is_the_rails_balance() -> None:
    """All leak paths add up: with share f of all leakage, G times it costs ln(1 + f (G - 1))."""
    leak = LeakFigures(np.array([50.0, 100.0, 150.0, np.nan]), np.full(4, 50.0))

    got = ln_loss_by_injectors(leak)

    assert got[0] == 0
    share = np.expm1(got[1])  # f, whatever it is
    assert 0 < share < 1
    assert got[2] == pytest.approx(np.log1p(2 * share))
    assert np.isnan(got[3])


def test_what_the_filter_believes_of_the_supply_is_the_supply_s_share() -> None:
    told = shares(0.4, 1.0, p_starved=0.7)

    assert told[Cause.SUPPLY_SIDE] == pytest.approx(0.7 * (1 - told[Cause.CANNOT_TELL]))
    assert max(told, key=lambda cause: told[cause]) is Cause.SUPPLY_SIDE
    assert shares(0.4, 1.0)[Cause.SUPPLY_SIDE] == 0


def test_a_weak_element_speaks_for_the_pump_and_even_strokes_a_little_against_it() -> None:
    plain = shares(0.4, p_starved=0.5)

    weak, alike = shares(0.4, p_starved=0.5, weak=0.6), shares(0.4, p_starved=0.5, weak=1.0)

    assert weak[Cause.PUMP_WEAR] > plain[Cause.PUMP_WEAR] > alike[Cause.PUMP_WEAR] > 0
    # What the injectors' own return explains is measured, whatever the strokes say.
    assert shares(0.5, 3.0, weak=0.6)[Cause.INJECTOR_LEAK] == shares(0.5, 3.0)[Cause.INJECTOR_LEAK]


def test_a_closed_rail_that_leaks_while_the_injectors_do_not_is_the_regulators() -> None:
    assert leading(0.4, 1.0) is Cause.PUMP_WEAR

    told = shares(0.4, 1.0, hold=2.5)

    assert max(told, key=lambda cause: told[cause]) is Cause.REGULATOR_OR_RAIL_LEAK
    assert told[Cause.INJECTOR_LEAK] == 0


def test_a_closed_rail_that_holds_all_but_rules_the_regulator_out() -> None:
    held, unknown = shares(0.4, 1.0, hold=1.0), shares(0.4, 1.0)

    assert held[Cause.REGULATOR_OR_RAIL_LEAK] < 0.3 * unknown[Cause.REGULATOR_OR_RAIL_LEAK]
    # It stands in for a leak run, too: injectors that leaked would have shown.
    assert shares(0.4, hold=1.0)[Cause.INJECTOR_LEAK] == 0


def test_a_leaking_rail_without_a_leak_run_is_the_injectors_or_the_regulators() -> None:
    told = shares(0.4, hold=2.5)

    assert told[Cause.INJECTOR_LEAK] > told[Cause.REGULATOR_OR_RAIL_LEAK] > 0.2
    assert told[Cause.PUMP_WEAR] < shares(0.4)[Cause.PUMP_WEAR]


def test_pressure_off_its_line_over_duty_speaks_for_the_regulator() -> None:
    plain = shares(0.4, 1.0)[Cause.REGULATOR_OR_RAIL_LEAK]

    for departure in (0.2, -0.2):
        assert shares(0.4, 1.0, departure=departure)[Cause.REGULATOR_OR_RAIL_LEAK] > 3 * plain
    assert shares(0.4, 1.0, departure=0.01)[Cause.REGULATOR_OR_RAIL_LEAK] < plain


def test_what_a_closed_rail_explains_is_the_rails_balance() -> None:
    """As for the injectors: with share s of all leakage, H times it costs ln(1 + s (H - 1))."""
    hold = np.array([80.0, 160.0, 240.0, 40.0, np.nan])
    seen = TraceEvidence(hold, np.full(5, 80.0), np.full(5, np.nan), np.full(5, np.nan))

    got = ln_loss_by_closed_rail(seen)

    assert got[0] == got[3] == 0
    assert got[2] == pytest.approx(np.log1p(2 * np.expm1(got[1])))
    assert np.isnan(got[4])
