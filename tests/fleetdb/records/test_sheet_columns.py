"""Headers as workshops write them, and what they are taken to mean."""

from __future__ import annotations

import pytest

from fleetdb.records.sheet_columns import (
    Column,
    guess_columns,
    guess_decimal_mark,
    other_units,
    unit_of,
)
from fleetdb.records.typed_record import ENTRIES


@pytest.mark.parametrize(
    ("header", "entry", "unit"),
    [
        ("Fleet no.", "vehicle", ""),
        ("Vehicle", "vehicle", ""),
        ("Date", "performed_at", ""),
        ("Time", "performed_time", ""),
        ("performed_at", "performed_at", ""),
        ("Mileage (mi)", "odometer", "miles"),
        ("odometer_km", "odometer", ""),
        ("Rail pressure [psi]", "actual", "psi"),
        ("actual_bar", "actual", ""),
        ("Actual MPa", "actual", "MPa"),
        ("Target (psi)", "target", "psi"),
        ("Build rate psi/s", "build_rate", "psi"),
        ("Fuel temp °F", "fuel_temp", "°F"),
        ("fuel_temp_c", "fuel_temp", ""),
        ("Cranking rpm", "crank_rpm", ""),
        ("Battery V", "battery_v", ""),
        ("Duty %", "duty_pct", ""),
        ("Leak duration s", "leak_duration_s", ""),
        ("Leak cyl 3 (fl oz)", "leak_3", "US fl oz"),
        ("Injector 6", "leak_6", ""),
        ("Gauge", "kit", ""),
        ("Comments", "note", ""),
        ("Colour", "", ""),
        ("", "", ""),
    ],
)
def test_a_header_says_what_its_column_holds(header: str, entry: str, unit: str) -> None:
    assert guess_columns([header]) == [Column(entry, unit)]


def test_no_entry_is_guessed_twice() -> None:
    columns = guess_columns(["Rail pressure", "Pressure", "Injector 1", "Inj 1", "Date", "Date"])
    entries = [column.entry for column in columns if column.entry]
    assert len(entries) == len(set(entries)) and {"actual", "leak_1", "performed_at"} <= set(
        entries
    )


def test_the_names_of_the_form_are_understood_as_headers() -> None:
    for name, entry in ENTRIES.items():
        if not name.startswith("leak_") or name[5:].isdecimal():
            assert guess_columns([entry.label])[0].entry == name, entry


def test_a_unit_must_go_with_what_the_column_holds() -> None:
    unit = unit_of(Column("actual", "psi"))
    assert unit is not None and unit.name == "psi"
    assert unit_of(Column("actual")) is None
    for column in (Column("actual", "miles"), Column("kit", "psi"), Column("vehicle", "psi")):
        with pytest.raises(ValueError, match="is not read in"):
            unit_of(column)
    assert set(other_units()) == {"MPa", "psi", "US fl oz", "miles", "°F"}


def test_the_decimal_mark_is_that_of_most_cells() -> None:
    assert guess_decimal_mark([["38,5", "1.5", "2,25"]]) == ","
    assert guess_decimal_mark([["38.5", 1.5, "a,b"]]) == "."
