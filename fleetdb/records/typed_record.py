"""A test record from what was typed: texts in units of the sender's choice, field by field.

A form and a column of a spreadsheet name their figures alike; ``ENTRIES`` says where each
goes in the document, and in which quantity it comes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from fleetdb.errors import Problem
from fleetdb.records.documents import TestRecord
from fleetdb.records.typed_numbers import number_typed
from fleetdb.units import INSIDE, UNITS, Quantity, Unit

MOST_CYLINDERS = 24


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that may be typed of a test.

    ``pointer`` is where it goes in the document; ``unit`` is what it is in where there is no
    choice; ``per_s`` says that it is a rate of its quantity.
    """

    name: str
    pointer: str
    label: str
    quantity: Quantity | None = None
    unit: str = ""
    per_s: bool = False
    is_text: bool = False


_PRESSURE, _VOLUME = Quantity.PRESSURE, Quantity.VOLUME
ENTRIES: dict[str, Entry] = {
    entry.name: entry
    for entry in (
        Entry("odometer", "/odometer_km", "Odometer", Quantity.DISTANCE),
        Entry("engine_hours", "/engine_hours", "Engine hours", unit="h"),
        Entry("fuel_temp", "/conditions/fuel_temp_c", "Fuel temperature", Quantity.TEMPERATURE),
        Entry("crank_rpm", "/conditions/crank_rpm", "Crank speed", unit="1/min"),
        Entry("battery_v", "/conditions/battery_v", "Battery voltage", unit="V"),
        Entry("duty_pct", "/proof/duty_pct", "Regulator duty", unit="%"),
        Entry("target", "/proof/target_bar", "Target pressure", _PRESSURE),
        Entry("actual", "/proof/actual_bar", "Pressure reached", _PRESSURE),
        Entry("build_rate", "/build/rate_bar_per_s", "Build rate", _PRESSURE, per_s=True),
        Entry("build_from", "/build/from_bar", "Timed from", _PRESSURE),
        Entry("build_to", "/build/to_bar", "Timed up to", _PRESSURE),
        Entry("leak_duration_s", "/leak/duration_s", "Length of the run", unit="s"),
        Entry("leak_rail", "/leak/rail_bar", "Rail pressure in the run", _PRESSURE),
        *(
            # The pointer's number is its place in the list, which depends on the others.
            Entry(f"leak_{n}", "/leak/cylinders", f"Cylinder {n}", _VOLUME)
            for n in range(1, MOST_CYLINDERS + 1)
        ),
        Entry("kit", "/kit", "Kit", is_text=True),
        Entry("technician", "/technician", "Technician", is_text=True),
        Entry("workshop", "/workshop", "Workshop", is_text=True),
        Entry("note", "/note", "Note", is_text=True),
    )
}
_ASKS_UNIT = re.compile(r": was this (?:psi|MPa)(?: per second)?\?$")
# Whoever fills in a form knows no names of fields, and sends traces with a record that is there.
_ASKS_FOR_FIELDS = re.compile(r"(?<=holds no reading): .*$")
_CYLINDER = re.compile(r"leak_(\d+)")


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed, as a document's values; what could not be read is in ``problems``.

    ``names`` maps pointers into the document to the entries they came from, ``converted``
    entries to what they are in the inside unit, where they were typed in another.
    """

    values: dict[str, Any]
    names: dict[str, str] = field(default_factory=dict)
    converted: dict[str, str] = field(default_factory=dict)
    problems: list[tuple[str, str]] = field(default_factory=list)

    def name_at(self, pointer: str) -> str:
        """Return the entry that a pointer into the document is about, "" for the whole."""
        while pointer and pointer not in self.names:
            pointer = pointer.rpartition("/")[0]
        return self.names.get(pointer, "")

    def told(self, problem: Problem) -> tuple[str, str]:
        """Return the entry a problem of the document is about, and what is wrong."""
        name = self.name_at(problem.pointer)
        # Which unit it was is not asked of who has said which.
        detail = _ASKS_UNIT.sub("", problem.detail) if name in self.converted else problem.detail
        return name, _ASKS_FOR_FIELDS.sub(
            ": give a pressure reached, a build rate or a leak run", detail
        )


def pointer_of(name: str) -> str:
    """Return where in a document an entry goes; any other name is that of a field, "" of none."""
    if name in ENTRIES:
        return ENTRIES[name].pointer
    return f"/{name}" if name else ""


def inside_unit(entry: Entry) -> str:
    """Return what an entry is in once it is converted, "" for a text."""
    if entry.quantity is None:
        return entry.unit
    return INSIDE[entry.quantity].name + ("/s" if entry.per_s else "")


def read_typed(
    values: Mapping[str, Any],
    texts: Mapping[str, str | float],
    units: Mapping[str, Unit],
    *,
    decimal_mark: str | None = None,
    default_target_bar: float | None = None,
) -> Typed:
    """Return the document of ``values`` (what is known already) and the entries in ``texts``.

    ``units`` has the unit of each entry that was typed in another than the inside one. An
    empty text was not typed. Where a pressure reached comes without a target, the target is
    ``default_target_bar``: a vehicle is proved to its family's.
    """
    typed = Typed(dict(values))
    pointers = {f"/{name}": name for name in values}
    typed.names.update(pointers)
    typed.names.update({entry.pointer: name for name, entry in reversed(ENTRIES.items())})
    for name, entry in ENTRIES.items():
        text = texts.get(name, "")
        if text == "":
            continue
        if entry.is_text:
            typed.values[name] = str(text)
            continue
        try:
            number = _exactly(text, decimal_mark)
        except ValueError as error:
            typed.problems.append((name, str(error)))
            continue
        unit = units.get(name)
        inside = float(number) if unit is None else unit.inside(number)
        if unit is not None and unit != INSIDE[_quantity(entry)]:
            typed.converted[name] = f"{inside:.7g} {inside_unit(entry)}"
        _put(typed, name, entry, inside)
    proof = typed.values.get("proof")
    unread = {name for name, _ in typed.problems}
    if proof is not None and default_target_bar is not None and "target" not in unread:
        proof.setdefault("target_bar", default_target_bar)
    return typed


def typed_texts(record: TestRecord) -> dict[str, str]:
    """Return what one would type, in the inside units, to say what ``record`` says."""
    values = record.model_dump(mode="json", exclude_none=True)
    texts: dict[str, str] = {}
    for name, entry in ENTRIES.items():
        value: Any = values
        for step in entry.pointer[1:].split("/"):
            value = value.get(step) if isinstance(value, dict) else None
        if isinstance(value, list):
            cylinder = _cylinder_of(name)
            value = next((e["ml"] for e in value if e["cylinder"] == cylinder), None)
        if value is not None:
            texts[name] = value if isinstance(value, str) else f"{value!r}".removesuffix(".0")
    return texts


def _exactly(text: str | float, decimal_mark: str | None) -> Fraction:
    if isinstance(text, str):
        return number_typed(text, decimal_mark)
    return number_typed(repr(text), ".")


def _quantity(entry: Entry) -> Quantity:
    if entry.quantity is None:
        raise LookupError(f"{entry.name} comes in one unit only")
    return entry.quantity


def _cylinder_of(name: str) -> int | None:
    match = _CYLINDER.fullmatch(name)
    return None if match is None else int(match[1])


def _put(typed: Typed, name: str, entry: Entry, value: float) -> None:
    cylinder = _cylinder_of(name)
    if cylinder is not None:
        cylinders = typed.values.setdefault("leak", {}).setdefault("cylinders", [])
        typed.names[f"/leak/cylinders/{len(cylinders)}"] = name
        cylinders.append({"cylinder": cylinder, "ml": value})
        return
    *parents, last = entry.pointer[1:].split("/")
    place = typed.values
    for parent in parents:
        place = place.setdefault(parent, {})
    place[last] = value


def units_by_entry(units: Mapping[Quantity, Unit]) -> dict[str, Unit]:
    """Return the unit of each entry where a whole form has one unit for each quantity."""
    return {
        name: units[entry.quantity]
        for name, entry in ENTRIES.items()
        if entry.quantity is not None and entry.quantity in units
    }


def unit_called(quantity: Quantity, name: str) -> Unit:
    """Return the unit of that name, the inside one where there is none."""
    return UNITS[quantity].get(name, INSIDE[quantity])
