"""The trace: rail pressure against time, with what was recorded beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.trace import checks

Floats = NDArray[np.float64]
Numbers = Sequence[float] | NDArray[np.floating] | NDArray[np.integer]


class TraceKind(StrEnum):
    """What was done while the trace was recorded."""

    PROOF = "proof"
    """Cranking, with the regulator held at a fixed duty."""
    START_UP = "start_up"
    """The engine was started and ran."""
    HOLD = "hold"
    """Pressure was built, the pump stopped and the rail left closed."""
    DUTY_SWEEP = "duty_sweep"
    """The regulator was taken through its duties while the pump turned."""


@dataclass(frozen=True, eq=False)
class Trace:
    """A trace that has passed its checks: make one with ``checked``.

    Arrays have shape (n_samples,); None where a quantity was not recorded.
    """

    kind: TraceKind
    time_s: Floats
    """Strictly increasing. [s]"""
    rail_bar: Floats
    crank_rpm: Floats | None = None
    duty_pct: Floats | None = None
    fuel_temp_c: Floats | None = None

    @classmethod
    def checked(
        cls,
        kind: TraceKind,
        time_s: Numbers,
        rail_bar: Numbers,
        crank_rpm: Numbers | None = None,
        duty_pct: Numbers | None = None,
        fuel_temp_c: Numbers | None = None,
        *,
        rail_max_bar: float | None = None,
    ) -> Trace:
        """Return a trace of these arrays if they can be one.

        Parameters
        ----------
        time_s, rail_bar
            Equally long; ``checks`` states every limit.
        rail_max_bar
            What the rail can hold, where it is known: more must be another unit.

        Raises
        ------
        InvalidInputError
            One problem for each field that cannot be: its pointer names the first sample.
        """
        given = {
            "time_s": time_s,
            "rail_bar": rail_bar,
            "crank_rpm": crank_rpm,
            "duty_pct": duty_pct,
            "fuel_temp_c": fuel_temp_c,
        }
        arrays, problems = checks.as_arrays({k: v for k, v in given.items() if v is not None})
        if problems:
            raise InvalidInputError(problems)
        trace = cls.checked_arrays(kind, arrays)
        if rail_max_bar is not None:
            trace.require_within(rail_max_bar)
        return trace

    @classmethod
    def checked_arrays(cls, kind: TraceKind, arrays: dict[str, Floats]) -> Trace:
        """Return a trace of flat float64 arrays by field name, which become read-only.

        Raises
        ------
        InvalidInputError
            As ``checked``.
        """
        problems = checks.problems_of(arrays)
        if kind is TraceKind.DUTY_SWEEP and "duty_pct" not in arrays:
            problems.append(
                Problem("/duty_pct", "is missing: a duty sweep is pressure against duty")
            )
        if problems:
            raise InvalidInputError(problems)
        for array in arrays.values():
            array.setflags(write=False)
        return cls(kind, **arrays)

    def require_within(self, rail_max_bar: float) -> None:
        """Raise unless the rail can hold the pressures of this trace.

        Raises
        ------
        InvalidInputError
            Some pressure is above ``rail_max_bar`` by more than a sensor's error.
        """
        problem = checks.problem_with_rail(self.rail_bar, rail_max_bar)
        if problem is not None:
            raise InvalidInputError([problem])

    @property
    def n_samples(self) -> int:
        return len(self.time_s)

    @property
    def duration_s(self) -> float:
        return float(self.time_s[-1] - self.time_s[0])

    @cached_property
    def step_s(self) -> float:
        """The usual time between samples. [s]"""
        return float(np.median(np.diff(self.time_s)))

    @property
    def rate_hz(self) -> float:
        return 1.0 / self.step_s
