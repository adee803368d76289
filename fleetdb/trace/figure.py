"""One figure of a trace: a value with its uncertainty and unit, or the reason for none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """A value, its standard uncertainty (one standard deviation) and its unit.

    Where no value can be given, ``value`` and ``sd`` are None and ``reason`` says why.
    """

    value: float | None
    sd: float | None
    unit: str
    reason: str | None = None

    @classmethod
    def of(cls, value: float, sd: float, unit: str) -> Figure:
        """Return a figure that has a value.

        Raises
        ------
        ValueError
            The value or its uncertainty is not finite, or the uncertainty is below zero.
        """
        if not (math.isfinite(value) and math.isfinite(sd) and sd >= 0):
            raise ValueError(f"not a figure: {value} with uncertainty {sd} {unit}")
        return cls(float(value), float(sd), unit)

    @classmethod
    def none(cls, unit: str, reason: str) -> Figure:
        """Return a figure without a value, and why."""
        return cls(None, None, unit, reason)

    def to_json(self) -> dict[str, Any]:
        """Return ``value``, ``sd`` and ``unit``, or ``value`` null, ``unit`` and ``reason``."""
        if self.value is None:
            return {"value": None, "unit": self.unit, "reason": self.reason}
        return {"value": self.value, "sd": self.sd, "unit": self.unit}


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a trace, both ends in it. [s]"""

    from_s: float
    to_s: float

    @property
    def length_s(self) -> float:
        return self.to_s - self.from_s

    def to_json(self) -> dict[str, float]:
        """Return ``from_s`` and ``to_s``."""
        return {"from_s": self.from_s, "to_s": self.to_s}
