"""Stroke orders against scipy.signal, and a weak element found in integrated rails."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fleetdb.trace.figure import Window
from fleetdb.trace.figures import figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.ripple import RippleFigures, ripple_figures
from fleetdb.trace.settings import TraceSettings
from tests.fleetdb.trace.rail_balance import Rail, recorded


def settings(strokes: float | None = 1.5, elements: int | None = 3) -> TraceSettings:
    return TraceSettings(
        700.0, 1600.0, 40.0, strokes_per_engine_rev=strokes, pumping_elements=elements
    )


# 240 1/min are 4 turns a second: 6 strokes, 2 turns of a pump with three elements.
RPM, STROKE_HZ = 240.0, 6.0
AMPLITUDES_BAR = {0.5: 3.0, 1.5: 8.0, 3.0: 2.0}


def waves(rate_hz: float = 1000.0, length_s: float = 10.0, speed: float = 1.0) -> Trace:
    time_s = np.arange(round(rate_hz * length_s)) / rate_hz
    rail_bar = 650.0 + np.random.default_rng(2).normal(0.0, 2.0, len(time_s))
    for order, amplitude in AMPLITUDES_BAR.items():
        rail_bar += amplitude * np.cos(2 * np.pi * order * RPM / 60.0 * time_s + order)
    return Trace.checked(
        TraceKind.PROOF, time_s, rail_bar, crank_rpm=np.full(len(time_s), RPM * speed)
    )


def found_in(trace: Trace) -> RippleFigures:
    return ripple_figures(trace, Window(0.0, 10.0), settings())


def test_amplitudes_by_order_are_those_put_in() -> None:
    found = {o.order: o.amplitude for o in found_in(waves()).orders}

    for order, figure in found.items():
        assert figure.value is not None and figure.sd is not None
        assert figure.value == pytest.approx(AMPLITUDES_BAR.get(order, 0.0), abs=0.3)


def test_amplitudes_are_those_of_scipys_spectrum() -> None:
    trace = waves()
    # Power spectrum with a flat-top window, which keeps the height of a peak: amplitude a has
    # the power a^2 / 2.
    hz, power = signal.welch(
        trace.rail_bar, fs=1000.0, window="flattop", nperseg=5000, scaling="spectrum"
    )
    for order in found_in(trace).orders:
        amplitude = np.sqrt(2.0 * power[np.argmin(np.abs(hz - order.order * RPM / 60.0))])
        assert order.amplitude.value == pytest.approx(amplitude, abs=0.35)


def test_amplitudes_are_those_of_scipys_least_squares_periodogram() -> None:
    trace = waves(rate_hz=200.0)
    order = found_in(trace).orders[2]
    power = signal.lombscargle(
        trace.time_s, trace.rail_bar - trace.rail_bar.mean(), [2 * np.pi * STROKE_HZ]
    )
    # For an amplitude a over n samples it gives n a^2 / 4.
    amplitude = np.sqrt(4.0 * np.ravel(power)[0] / trace.n_samples)
    assert order.order == pytest.approx(1.5)
    assert order.amplitude.value == pytest.approx(float(amplitude), rel=0.03)


def test_a_speed_that_reads_1_percent_high_is_put_right() -> None:
    assert found_in(waves(speed=1.01)).stroke_amplitude_bar.value == pytest.approx(8.0, abs=0.4)


def test_a_speed_that_changes_is_followed() -> None:
    time_s = np.arange(10_000) / 1000.0
    rpm = 240.0 - 8.0 * time_s
    turns = 4.0 * time_s - (8.0 / 60.0) * time_s**2 / 2.0
    rail_bar = 650.0 + 8.0 * np.cos(2 * np.pi * 1.5 * turns)
    trace = Trace.checked(TraceKind.PROOF, time_s, rail_bar, crank_rpm=rpm)

    assert found_in(trace).stroke_amplitude_bar.value == pytest.approx(8.0, rel=0.01)


@pytest.mark.parametrize(
    ("flows", "regulator_bar", "rate_hz", "strokes"),
    [
        ((1.0, 0.6, 1.0), 660.0, 500.0, 1.5),
        ((1.0, 1.0, 0.5), 660.0, 100.0, 1.5),
        ((0.5, 1.0, 1.0), np.inf, 500.0, 1.5),
        ((1.0, 0.6), 660.0, 500.0, 2.0),
        ((1.0, 1.0, 0.6, 1.0), 660.0, 500.0, 2.0),
        ((1.0, 0.0, 1.0), 660.0, 500.0, 1.5),
    ],
)
def test_a_weak_element_is_found_and_numbered(
    flows: tuple[float, ...], regulator_bar: float, rate_hz: float, strokes: float
) -> None:
    rail = Rail(regulator_bar=regulator_bar, element_flows=flows, strokes_per_engine_rev=strokes)
    trace = recorded(rail, rate_hz=rate_hz, with_speed=True)
    found = figures_of(trace, settings(strokes, len(flows))).ripple

    assert found.weak_element is not None and found.first_stroke_s is not None
    # The number counts from the element whose stroke is centred at first_stroke_s.
    stroke = int((found.first_stroke_s - rail.crank_from_s) * rail.crank_rpm / 60 * strokes)
    weak = (stroke + found.weak_element - 1) % len(flows)
    assert flows[weak] == min(flows)
    shares = np.array([share.value for share in found.element_shares], dtype=float)
    true = np.array([flows[(stroke + i) % len(flows)] for i in range(len(flows))])
    # A regulator that passes only above its pressure evens the strokes out somewhat.
    assert shares == pytest.approx(true / true.mean(), abs=0.15)


@pytest.mark.parametrize("flows", [(1.0, 1.0, 1.0), (1.0, 0.9, 1.0)])
def test_elements_that_deliver_about_alike_are_not_called_weak(flows: tuple[float, ...]) -> None:
    trace = recorded(Rail(regulator_bar=660.0, element_flows=flows), rate_hz=500.0, with_speed=True)
    found = figures_of(trace, settings()).ripple

    assert found.weak_element is None
    assert found.weak_element_reason == "the elements deliver alike"


def test_a_pump_without_ripple_has_no_weak_element() -> None:
    found = figures_of(recorded(Rail(regulator_bar=660.0), with_speed=True), settings()).ripple

    assert found.element_shares == ()
    assert found.weak_element_reason == "the strokes do not stand out of the noise"


@pytest.mark.parametrize(
    ("trace", "known", "reason"),
    [
        (waves(), settings(None), "does not say strokes_per_engine_rev"),
        (waves(rate_hz=20.0), settings(), "record at 24 Hz or more"),
        (waves(length_s=1.2), settings(), "turned only 2.4 times"),
    ],
)
def test_what_cannot_be_told_says_why(trace: Trace, known: TraceSettings, reason: str) -> None:
    found = ripple_figures(trace, Window(0.0, 10.0), known)

    assert reason in (found.stroke_amplitude_bar.reason or "")


def test_the_number_of_elements_is_needed_only_to_tell_them_apart() -> None:
    found = ripple_figures(waves(), Window(0.0, 10.0), settings(1.5, None))

    assert found.stroke_amplitude_bar.value == pytest.approx(8.0, abs=0.4)
    assert found.weak_element is None
