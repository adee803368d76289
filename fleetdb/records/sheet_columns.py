"""What the columns of a sheet hold: guessed from their headers, for their sender to correct."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from fleetdb.records.sheets import Cell
from fleetdb.records.typed_record import ENTRIES, MOST_CYLINDERS
from fleetdb.units import INSIDE, UNITS, Unit

VEHICLE, PERFORMED, TIME = "vehicle", "performed_at", "performed_time"
_WORD = re.compile(r"[a-zäöüß]+|\d+|°|%", re.IGNORECASE)
_CYLINDER = re.compile(r"(?:cyl|cylinder|zyl|injector|inj|leak|return)(\d{1,2})", re.ASCII)
# Words that headers of such lists have (common practice, no source); the first that fits wins.
_MEANINGS: tuple[tuple[str, tuple[tuple[str, ...], ...]], ...] = (
    ("leak_duration_s", (("leak", "duration"), ("leak", "time"), ("duration",), ("run", "s"))),
    ("leak_rail", (("leak", "rail"), ("leak", "pressure"), ("return", "pressure"))),
    ("build_from", (("build", "from"), ("from", "bar"), ("from", "psi"), ("timed", "from"))),
    ("build_to", (("build", "to"), ("to", "bar"), ("to", "psi"), ("timed", "to"))),
    ("build_rate", (("build",), ("rise",), ("rate",))),
    ("target", (("target",), ("desired",), ("set", "pressure"), ("asked",))),
    ("actual", (("actual",), ("reached",), ("measured",), ("rail", "pressure"), ("pressure",))),
    ("duty_pct", (("duty",),)),
    ("fuel_temp", (("fuel", "temp"), ("fuel", "temperature"), ("temperature",), ("temp",))),
    ("crank_rpm", (("crank",), ("rpm",), ("cranking",))),
    ("battery_v", (("battery",), ("voltage",), ("volt",))),
    ("engine_hours", (("hours",), ("engine", "h"))),
    ("odometer", (("odometer",), ("mileage",), ("distance",), ("km",), ("miles",))),
    ("kit", (("kit",), ("gauge",))),
    ("technician", (("technician",), ("mechanic",), ("tech",), ("tester",))),
    ("workshop", (("workshop",), ("garage",), ("shop",))),
    ("note", (("note",), ("notes",), ("comment",), ("comments",), ("remark",), ("remarks",))),
    (
        VEHICLE,
        (("vehicle",), ("fleet", "number"), ("fleet", "no"), ("unit",), ("bus",), ("truck",)),
    ),
    (PERFORMED, (("performed",), ("date",), ("day",), ("tested",), ("when",))),
    (TIME, (("time",),)),
)
_UNIT_WORDS = {
    "psi": "psi",
    "mpa": "MPa",
    "floz": "US fl oz",
    "oz": "US fl oz",
    "miles": "miles",
    "mi": "miles",
    "mileage": "miles",
    "°f": "°F",
    "degf": "°F",
    "fahrenheit": "°F",
    "f": "°F",
}


@dataclass(frozen=True, slots=True)
class Column:
    """What a column holds: the name of an entry ("" is left aside), and its unit ("" inside)."""

    entry: str = ""
    unit: str = ""


def guess_columns(header: Sequence[str]) -> list[Column]:
    """Return what each column most likely holds; no entry is given to two columns."""
    columns: list[Column] = []
    for name in header:
        words = [word.lower() for word in _WORD.findall(name.replace("_", " "))]
        entry = _meaning(words, {column.entry for column in columns})
        columns.append(Column(entry, _unit(words, entry)))
    return columns


def unit_of(column: Column) -> Unit | None:
    """Return the unit of a column, None for the inside one.

    Raises
    ------
    ValueError
        Its entry does not come in that unit.
    """
    if not column.unit:
        return None
    entry = ENTRIES.get(column.entry)
    quantity = None if entry is None else entry.quantity
    if quantity is None or column.unit not in UNITS[quantity]:
        label = column.entry if entry is None else entry.label
        raise ValueError(f"{label} is not read in {column.unit}")
    return UNITS[quantity][column.unit]


def other_units() -> list[str]:
    """Return the names of the units that are not the inside ones."""
    inside = {unit.name for unit in INSIDE.values()}
    return [name for units in UNITS.values() for name in units if name not in inside]


def guess_decimal_mark(rows: Iterable[Sequence[Cell]]) -> str:
    """Return the decimal mark that most of the cells which have one are written with."""
    counts = {".": 0, ",": 0}
    for row in rows:
        for cell in row:
            if isinstance(cell, str):
                match = re.fullmatch(r"[+-]?\d+([.,])\d+", cell)
                if match is not None:
                    counts[match[1]] += 1
    return "," if counts[","] > counts["."] else "."


def _meaning(words: list[str], taken: set[str]) -> str:
    cylinder = _CYLINDER.search("".join(words))
    if cylinder is not None and 1 <= int(cylinder[1]) <= MOST_CYLINDERS:
        entry = f"leak_{int(cylinder[1])}"
        return "" if entry in taken else entry
    for entry, phrases in _MEANINGS:
        if entry not in taken and any(set(phrase) <= set(words) for phrase in phrases):
            return entry
    return ""


def _unit(words: list[str], entry: str) -> str:
    known = ENTRIES.get(entry)
    if known is None or known.quantity is None:
        return ""
    joined = [*words, *(first + second for first, second in pairwise(words))]
    for word in joined:
        unit = _UNIT_WORDS.get(word, "")
        if unit in UNITS[known.quantity]:
            return unit
    return ""
