"""What cannot be a trace: the limits, and where in the arrays they are broken."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetdb.errors import Problem
from fleetdb.trace.signal_faults import signal_faults
from fleetdb.units import bar_from_psi

Floats = NDArray[np.float64]

SLOWEST_HZ, FASTEST_HZ = 10.0, 10_000.0
LONGEST_S, SHORTEST_S = 300.0, 1.0
MOST_SAMPLES = int(LONGEST_S * FASTEST_HZ) + 1
FEWEST_SAMPLES = int(SHORTEST_S * SLOWEST_HZ)
# Clocks of recorders are a little off.
_RATE_SLACK = 0.05
# Loggers on general-purpose machines jitter by some steps and some milliseconds.
GAP_STEPS = 5.0
SHORTEST_GAP_S = 0.02
# A sensor's error at the top of its range.
RAIL_SLACK = 0.02

# Lowest and highest value of each quantity; beyond it is no reading, or another unit.
LIMITS: dict[str, tuple[float, float, str]] = {
    "time_s": (-1e10, 1e10, "s"),
    "rail_bar": (-100.0, 5_000.0, "bar"),
    "crank_rpm": (0.0, 10_000.0, "1/min"),
    "duty_pct": (0.0, 100.0, "%"),
    "fuel_temp_c": (-60.0, 160.0, "degC"),
}


def as_arrays(given: Mapping[str, Any]) -> tuple[dict[str, Floats], list[Problem]]:
    """Return each field as a float64 array of its own, and what cannot be one."""
    arrays: dict[str, Floats] = {}
    problems: list[Problem] = []
    for name, values in given.items():
        problem = _not_numbers(name, values)
        if problem is not None:
            problems.append(problem)
        else:
            arrays[name] = np.array(values, dtype=np.float64)
    return arrays, problems


def _not_numbers(name: str, values: Any) -> Problem | None:
    pointer = f"/{name}"
    if isinstance(values, np.ndarray):
        if values.ndim != 1 or values.dtype.kind not in "fiu":
            return Problem(pointer, "must be a flat array of numbers")
    elif isinstance(values, list | tuple):
        for index, value in enumerate(values[: MOST_SAMPLES + 1]):
            # bool is an int to Python; a number in quotes or a null is not a reading.
            if type(value) is not float and type(value) is not int:
                told = "null" if value is None else repr(str(value)[:40])
                return Problem(f"{pointer}/{index}", f"{told} is not a number")
            if type(value) is int and abs(value) > 10**15:
                return Problem(f"{pointer}/{index}", "is absurdly large")
    else:
        return Problem(pointer, "must be an array of numbers")
    if len(values) > MOST_SAMPLES:
        return Problem(
            pointer,
            f"has {len(values):,} samples; at most {MOST_SAMPLES:,} "
            f"({LONGEST_S:g} s at {FASTEST_HZ:g} Hz) are taken",
        )
    return None


def problems_of(arrays: Mapping[str, Floats]) -> list[Problem]:
    """Return what is wrong with the fields of a trace, one problem a field at most."""
    time_s = arrays["time_s"]
    n = len(time_s)
    if n < FEWEST_SAMPLES:
        return [Problem("/time_s", f"has {n} samples; at least {FEWEST_SAMPLES} are needed")]
    problems = [
        Problem(f"/{name}", f"has {len(values)} samples and time_s has {n}: one for each is needed")
        for name, values in arrays.items()
        if len(values) != n
    ]
    if problems:
        return problems
    for name, values in arrays.items():
        problem = _not_readings(name, values) or (_not_times(values) if name == "time_s" else None)
        if problem is not None:
            problems.append(problem)
    # Where times or pressures are no readings, nothing can be said of how they run.
    if not {"/time_s", "/rail_bar"} & {"/" + p.pointer.split("/")[1] for p in problems}:
        problems += signal_faults(time_s, arrays["rail_bar"])
    return problems


def _not_readings(name: str, values: Floats) -> Problem | None:
    low, high, unit = LIMITS[name]
    bad = ~(np.isfinite(values) & (values >= low) & (values <= high))
    if not bad.any():
        return None
    index = int(np.argmax(bad))
    value, n_bad = values[index], int(bad.sum())
    others = f" (and {n_bad - 1:,} more samples)" if n_bad > 1 else ""
    if not np.isfinite(value):
        return Problem(f"/{name}/{index}", f"is no number{others}; every sample needs one")
    hint = ""
    if name == "rail_bar" and value > high:
        # A pressure in psi is 14.5 times, in kPa 100 times the number in bar.
        highest = float(np.max(values, where=np.isfinite(values), initial=value))
        hint = f": was this {'psi or kPa' if bar_from_psi(highest) <= high else 'kPa or Pa'}?"
    return Problem(
        f"/{name}/{index}", f"{value:g} is not between {low:g} and {high:g} {unit}{others}{hint}"
    )


def _not_times(time_s: Floats) -> Problem | None:
    steps = np.diff(time_s)
    if (steps <= 0).any():
        index = int(np.argmax(steps <= 0)) + 1
        return Problem(
            f"/time_s/{index}",
            f"{time_s[index]:.10g} does not come after {time_s[index - 1]:.10g}: "
            "times must increase",
        )
    step_s = float(np.median(steps))
    rate_hz = 1.0 / step_s
    if not SLOWEST_HZ * (1 - _RATE_SLACK) <= rate_hz <= FASTEST_HZ * (1 + _RATE_SLACK):
        was_ms = (
            SLOWEST_HZ <= 1000.0 * rate_hz <= FASTEST_HZ
            and float(time_s[-1] - time_s[0]) >= 1000.0 * SHORTEST_S
        )
        return Problem(
            "/time_s",
            f"samples come at {rate_hz:.3g} Hz; {SLOWEST_HZ:g} Hz to {FASTEST_HZ:g} Hz are taken"
            + (": were the times milliseconds?" if was_ms else ""),
        )
    length_s = float(time_s[-1] - time_s[0])
    if length_s > LONGEST_S * (1 + _RATE_SLACK):
        return Problem("/time_s", f"runs over {length_s:.1f} s; at most {LONGEST_S:g} s are taken")
    if length_s < SHORTEST_S * 0.9:
        return Problem(
            "/time_s", f"runs over {length_s:.3g} s; at least {SHORTEST_S:g} s are needed"
        )
    gaps = steps > max(GAP_STEPS * step_s, SHORTEST_GAP_S)
    if gaps.any():
        index = int(np.argmax(gaps)) + 1
        return Problem(
            f"/time_s/{index}",
            f"comes {steps[index - 1]:.3g} s after the sample before, where {step_s:.3g} s is "
            f"usual: the recording has {int(gaps.sum())} gap(s); record it again",
        )
    return None


def problem_with_rail(rail_bar: Floats, rail_max_bar: float) -> Problem | None:
    """Return what is wrong when pressures are more than the rail can hold, else None."""
    above = rail_bar > rail_max_bar * (1 + RAIL_SLACK)
    if not above.any():
        return None
    index = int(np.argmax(above))
    highest = float(rail_bar.max())
    was_psi = bar_from_psi(highest) <= rail_max_bar
    return Problem(
        f"/rail_bar/{index}",
        f"{rail_bar[index]:.5g} is above the {rail_max_bar:g} bar the rail can hold "
        f"(highest {highest:.5g})" + (": was this psi?" if was_psi else ""),
    )
