"""A trace is only made of arrays that can be one; the first bad sample is named."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.trace.model import Trace, TraceKind

N = 200


def good(**changes: Any) -> dict[str, Any]:
    time_s = np.arange(N) / 100.0
    rail_bar = 600.0 + np.random.default_rng(1).normal(0.0, 3.0, N)
    return {"time_s": time_s, "rail_bar": rail_bar} | changes


def refused(**changes: Any) -> list[tuple[str, str]]:
    with pytest.raises(InvalidInputError) as caught:
        Trace.checked(TraceKind.PROOF, **good(**changes))
    return [(problem.pointer, problem.detail) for problem in caught.value.problems]


def with_value(name: str, index: int, value: float) -> dict[str, Any]:
    values = np.array(good()[name])
    values[index] = value
    return {name: values}


def test_a_good_trace_keeps_its_numbers_read_only() -> None:
    arrays = good(crank_rpm=np.full(N, 200), duty_pct=[25.0] * N, fuel_temp_c=[40] * N)
    trace = Trace.checked(TraceKind.PROOF, **arrays)

    assert np.array_equal(trace.rail_bar, arrays["rail_bar"])
    assert trace.crank_rpm is not None and trace.crank_rpm.dtype == np.float64
    assert trace.duration_s == pytest.approx(1.99)
    assert trace.rate_hz == pytest.approx(100.0)
    with pytest.raises(ValueError, match="read-only"):
        trace.rail_bar[0] = 1.0
    arrays["rail_bar"][0] = 1.0  # what was given stays the sender's


@pytest.mark.parametrize(
    ("changes", "pointer", "words"),
    [
        (with_value("time_s", 17, 0.05), "/time_s/17", "times must increase"),
        (with_value("time_s", 17, 0.16), "/time_s/17", "times must increase"),
        (with_value("rail_bar", 17, np.nan), "/rail_bar/17", "is no number"),
        (with_value("rail_bar", 17, np.inf), "/rail_bar/17", "is no number"),
        (with_value("rail_bar", 17, -300.0), "/rail_bar/17", "between -100 and 5000 bar"),
        (with_value("rail_bar", 17, 9_000.0), "/rail_bar/17", "was this psi or kPa?"),
        (with_value("rail_bar", 17, 90_000.0), "/rail_bar/17", "kPa or Pa"),
        ({"rail_bar": [1.0] * (N - 1)}, "/rail_bar", "199 samples and time_s has 200"),
        ({"crank_rpm": [200.0] * 3}, "/crank_rpm", "3 samples and time_s has 200"),
        ({"duty_pct": [120.0] * N}, "/duty_pct/0", "and 199 more samples"),
        ({"fuel_temp_c": [400.0] * N}, "/fuel_temp_c/0", "between -60 and 160 degC"),
        ({"crank_rpm": [-1.0] * N}, "/crank_rpm/0", "between 0 and 10000 1/min"),
        ({"time_s": [], "rail_bar": []}, "/time_s", "has 0 samples"),
        ({"time_s": np.arange(N) * 10.0}, "/time_s", "milliseconds?"),
        ({"time_s": np.arange(N) * 1.0}, "/time_s", "1 Hz; 10 Hz to 10000 Hz are taken"),
        ({"time_s": np.arange(N) * 1e-5}, "/time_s", "1e+05 Hz"),
        ({"time_s": np.arange(N) * 1e-3}, "/time_s", "at least 1 s"),
        ({"rail_bar": ["12"] * N}, "/rail_bar/0", "'12' is not a number"),
        ({"rail_bar": [None] * N}, "/rail_bar/0", "is not a number"),
        ({"rail_bar": [True] * N}, "/rail_bar/0", "is not a number"),
        ({"rail_bar": [10**400] * N}, "/rail_bar/0", "absurdly large"),
        ({"rail_bar": 7}, "/rail_bar", "must be an array"),
        ({"rail_bar": np.zeros((N, 2))}, "/rail_bar", "flat array"),
        ({"rail_bar": np.array(["a"] * N)}, "/rail_bar", "flat array"),
    ],
)
def test_what_cannot_be_is_refused_at_its_first_sample(
    changes: dict[str, Any], pointer: str, words: str
) -> None:
    found = refused(**changes)

    assert [where for where, _ in found] == [pointer]
    assert words in found[0][1]


def test_milliseconds_are_asked_about_only_where_they_would_do() -> None:
    # 200 samples in 40 s are too slow in seconds, and 0.04 s as milliseconds.
    [(_, words)] = refused(time_s=np.arange(N) * 0.2)

    assert "5 Hz" in words and "milliseconds" not in words


def test_each_bad_field_has_a_problem_of_its_own() -> None:
    found = refused(**with_value("rail_bar", 3, np.nan), duty_pct=[120.0] * N, crank_rpm=[-5] * N)

    assert {where for where, _ in found} == {"/rail_bar/3", "/duty_pct/0", "/crank_rpm/0"}


def test_a_gap_is_refused_where_recording_goes_on() -> None:
    time_s = np.array(good()["time_s"])
    time_s[120:] += 0.4

    assert "the recording has 1 gap(s)" in refused(time_s=time_s)[0][1]
    assert refused(time_s=time_s)[0][0] == "/time_s/120"


def test_a_little_jitter_is_no_gap() -> None:
    jitter = np.random.default_rng(2).uniform(-0.003, 0.003, N)

    assert Trace.checked(TraceKind.PROOF, **good(time_s=good()["time_s"] + jitter)).n_samples == N


def test_more_than_five_minutes_are_refused() -> None:
    n = 3200
    noise = np.random.default_rng(3).normal(500.0, 3.0, n)

    found = refused(time_s=np.arange(n) / 10.0, rail_bar=noise)
    assert found == [("/time_s", "runs over 319.9 s; at most 300 s are taken")]


def test_the_slowest_and_the_longest_that_are_allowed_pass() -> None:
    n = 3000
    noise = np.random.default_rng(3).normal(500.0, 3.0, n)

    assert Trace.checked(TraceKind.HOLD, np.arange(n) / 10.0, noise).duration_s > 299


# 1600 bar are 23206 psi (NIST SP 811).
def test_more_than_the_rail_can_hold_must_have_been_psi() -> None:
    with pytest.raises(InvalidInputError) as caught:
        Trace.checked(TraceKind.PROOF, **good(), rail_max_bar=500.0)
    assert "was this psi?" in str(caught.value)

    trace = Trace.checked(TraceKind.PROOF, **good(rail_bar=good()["rail_bar"] * 4))
    trace.require_within(2_500.0)
    with pytest.raises(InvalidInputError, match=r"/rail_bar/\d+: .*psi"):
        trace.require_within(1_600.0)


def test_a_duty_sweep_needs_its_duty() -> None:
    with pytest.raises(InvalidInputError, match="/duty_pct: is missing"):
        Trace.checked(TraceKind.DUTY_SWEEP, **good())
