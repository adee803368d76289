"""From typed texts to a document, and back."""

from __future__ import annotations

from typing import Any

import pytest

from fleetdb.errors import Problem
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.parsing import parse_as
from fleetdb.records.typed_record import ENTRIES, inside_unit, read_typed, typed_texts
from fleetdb.units import UNITS, Quantity
from tests.documents import document_of, values_of

PSI = UNITS[Quantity.PRESSURE]["psi"]


def test_a_document_typed_out_again_is_the_same_document() -> None:
    record = document_of(Kind.TEST_RECORDS)
    assert isinstance(record, TestRecord)
    known: dict[str, Any] = record.model_dump(include={"record_id", "vehicle", "performed_at"})
    typed = read_typed(known, typed_texts(record), {})
    assert typed.problems == []
    assert parse_as(TestRecord, typed.values) == record


def test_every_entry_goes_to_a_field_of_the_document() -> None:
    values = values_of(Kind.TEST_RECORDS, traces_follow=None)
    for entry in ENTRIES.values():
        at: Any = values
        for step in entry.pointer[1:].split("/"):
            at = at[step]
        assert at is not None, entry


def test_cylinders_keep_their_numbers_and_problems_find_their_entry() -> None:
    texts = {"leak_duration_s": "60", "leak_2": "31", "leak_5": "30"}
    typed = read_typed({"vehicle": "V-1"}, texts, {})
    assert typed.values["leak"]["cylinders"] == [
        {"cylinder": 2, "ml": 31.0},
        {"cylinder": 5, "ml": 30.0},
    ]
    assert typed.name_at("/leak/cylinders/1/ml") == "leak_5"
    assert typed.name_at("/leak/cylinders/0/cylinder") == "leak_2"
    assert typed.name_at("/leak/duration_s") == "leak_duration_s"
    assert typed.name_at("/vehicle") == "vehicle"
    assert typed.name_at("") == typed.name_at("/nowhere") == ""


def test_a_rate_is_converted_like_its_pressure() -> None:
    typed = read_typed({}, {"build_rate": "100"}, {"build_rate": PSI})
    # NIST SP 811 (2008), Appendix B.8: 1 psi is 6.894 757 E+03 Pa.
    assert typed.values["build"]["rate_bar_per_s"] == 6.894757
    assert typed.converted == {"build_rate": "6.894757 bar/s"}
    assert inside_unit(ENTRIES["build_rate"]) == "bar/s"


def test_numbers_of_a_spreadsheet_are_taken_as_they_are() -> None:
    typed = read_typed({}, {"actual": 61.25, "odometer": 142310.0}, {}, decimal_mark=",")
    assert (typed.values["proof"]["actual_bar"], typed.values["odometer_km"]) == (61.25, 142310)


@pytest.mark.parametrize(
    ("texts", "target"),
    [
        ({"actual": "650"}, 700.0),
        ({"actual": "650", "target": "690"}, 690.0),
        # What was typed but cannot be read is not passed over.
        ({"actual": "650", "target": "many"}, None),
    ],
)
def test_a_proof_without_a_target_is_towards_the_familys(
    texts: dict[str, str], target: float | None
) -> None:
    typed = read_typed({}, texts, {}, default_target_bar=700.0)
    assert typed.values["proof"].get("target_bar") == target
    assert "proof" not in read_typed({}, {}, {}, default_target_bar=700.0).values


def test_who_said_psi_is_not_asked_whether_it_was_psi() -> None:
    problem = Problem("/proof/actual_bar", "is above the rail limit: was this psi?")
    assert read_typed({}, {"actual": "9"}, {}).told(problem) == ("actual", problem.detail)
    in_psi = read_typed({}, {"actual": "9"}, {"actual": PSI})
    assert in_psi.told(problem) == ("actual", "is above the rail limit")
