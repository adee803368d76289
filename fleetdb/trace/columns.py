"""Names of columns and fields: which quantity they hold, and in which unit."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.units import BAR_PER_MPA, PA_PER_BAR, PA_PER_PSI, celsius_from_fahrenheit

Floats = NDArray[np.float64]

_ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True)
class Column:
    """One column that a trace is read from.

    ``field`` is the trace's; the value there is ``factor`` times the column's plus ``offset``.
    """

    name: str
    field: str
    factor: float = 1.0
    offset: float = 0.0

    def converted(self, values: Floats) -> Floats:
        """Return the values in the trace's own unit."""
        if self.factor == 1.0 and self.offset == 0.0:
            return values
        return values * self.factor + self.offset


_FAHRENHEIT_AT_0 = celsius_from_fahrenheit(0.0)
_UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "time_s": {"s": (1, 0), "sec": (1, 0), "ms": (1e-3, 0), "us": (1e-6, 0), "µs": (1e-6, 0)},
    "rail_bar": {
        "bar": (1, 0),
        "mbar": (1e-3, 0),
        "mpa": (BAR_PER_MPA, 0),
        "kpa": (1e3 / PA_PER_BAR, 0),
        "pa": (1 / PA_PER_BAR, 0),
        "psi": (PA_PER_PSI / PA_PER_BAR, 0),
    },
    "crank_rpm": {"rpm": (1, 0), "1/min": (1, 0), "min-1": (1, 0)},
    "duty_pct": {"pct": (1, 0), "%": (1, 0), "percent": (1, 0)},
    "fuel_temp_c": {
        "c": (1, 0),
        "degc": (1, 0),
        "°c": (1, 0),
        "f": (celsius_from_fahrenheit(1.0) - _FAHRENHEIT_AT_0, _FAHRENHEIT_AT_0),
        "degf": (celsius_from_fahrenheit(1.0) - _FAHRENHEIT_AT_0, _FAHRENHEIT_AT_0),
        "°f": (celsius_from_fahrenheit(1.0) - _FAHRENHEIT_AT_0, _FAHRENHEIT_AT_0),
        "k": (1, _ABSOLUTE_ZERO_C),
    },
}
_QUANTITIES = {
    "time": "time_s",
    "t": "time_s",
    "rail": "rail_bar",
    "rail_pressure": "rail_bar",
    "pressure": "rail_bar",
    "crank": "crank_rpm",
    "crank_speed": "crank_rpm",
    "engine": "crank_rpm",
    "engine_speed": "crank_rpm",
    "duty": "duty_pct",
    "regulator_duty": "duty_pct",
    "fuel_temp": "fuel_temp_c",
    "fuel_temperature": "fuel_temp_c",
}
_REQUIRED = {"time_s": "time_s or time_ms", "rail_bar": "rail_bar, rail_mpa or rail_psi"}
_BRACKETED = re.compile(r"^(.*?)[\s_]*[(\[]\s*(.*?)\s*[)\]]$")


def columns_of(names: Iterable[str]) -> list[Column]:
    """Return the columns a trace is read from; columns of other quantities are passed over.

    ``rail_mpa``, ``Rail (MPa)`` and ``rail pressure [MPa]`` are one name.

    Raises
    ------
    InvalidInputError
        A quantity without its unit or in an unknown one, a name that looks like a slip, one
        quantity twice, or no time or no rail pressure.
    """
    found: dict[str, Column] = {}
    problems: list[Problem] = []
    seen: list[str] = []
    for name in names:
        seen.append(name[:40])
        column = _column(name)
        if isinstance(column, Problem):
            problems.append(column)
        elif column is not None and column.field in found:
            problems.append(
                Problem(
                    pointer_to(name), f"is the same quantity as {found[column.field].name[:40]!r}"
                )
            )
        elif column is not None:
            found[column.field] = column
    if not problems:
        problems = [
            Problem(
                f"/{field}",
                f"is missing: name a column {examples}; there are {', '.join(seen[:12]) or 'none'}",
            )
            for field, examples in _REQUIRED.items()
            if field not in found
        ]
    if problems:
        raise InvalidInputError(problems)
    return list(found.values())


def pointer_to(name: str) -> str:
    """Return the JSON Pointer to the field ``name``, shortened if absurdly long."""
    plain = name[:80].encode("utf-8", "backslashreplace").decode()
    return "/" + plain.replace("~", "~0").replace("/", "~1")


def _column(name: str) -> Column | Problem | None:
    words, unit = _words_and_unit(name)
    field = _QUANTITIES.get(words)
    if field is not None:
        units = _UNITS[field]
        if unit in units:
            factor, offset = units[unit]
            return Column(name, field, factor, offset)
        given = f"in {unit!r}, which is not known" if unit else "without its unit"
        return Problem(
            pointer_to(name), f"is {given}; use one of {', '.join(units)}, as in {field}"
        )
    close = difflib.get_close_matches(
        words, [q for q in _QUANTITIES if len(q) > 3], n=1, cutoff=0.8
    )
    if close:
        return Problem(pointer_to(name), f"is not known; did you mean {_QUANTITIES[close[0]]}?")
    return None


def _words_and_unit(name: str) -> tuple[str, str]:
    text = name[:80].strip().lower()
    bracketed = _BRACKETED.match(text)
    if bracketed is not None:
        return _joined(bracketed[1]), bracketed[2].replace(" ", "")
    words = _joined(text)
    if words in _QUANTITIES:
        return words, ""
    stem, _, unit = words.rpartition("_")
    return stem, unit


def _joined(text: str) -> str:
    return re.sub(r"[\s_]+", "_", text.strip())
