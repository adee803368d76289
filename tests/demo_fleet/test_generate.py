import hashlib
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from demo_fleet.generate import generate
from demo_fleet.options import FleetOptions
from demo_fleet.truth import Truth
from fleetdb.errors import InvalidInputError
from fleetdb.records.digest import digest
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document
from fleetdb.store.fleets import resolve_fleet
from fleetdb.store.loading import load_paths

SMALL = FleetOptions(vehicles=80, years=3, seed=5)


@pytest.fixture(scope="module")
def fleet():
    return generate(SMALL)


def digests(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def write(options, folder):
    made = generate(options)
    made.write(folder / "documents")
    made.truth.write(folder / "truth")
    return digests(folder / "documents"), digests(folder / "truth")


def test_the_same_options_give_the_same_bytes(tmp_path):
    options = FleetOptions(vehicles=12, years=1, seed=3)
    first, second = write(options, tmp_path / "a"), write(options, tmp_path / "b")
    assert first == second
    assert write(replace(options, seed=4), tmp_path / "c") != first


def test_the_documents_folder_holds_one_file_per_kind_and_no_truth(fleet, tmp_path):
    fleet.write(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {f"{kind.value}.ndjson" for kind in Kind}


def test_a_larger_fleet_begins_with_the_same_vehicles(fleet):
    larger = generate(replace(SMALL, vehicles=90))
    assert larger.documents["vehicles"][:80] == fleet.documents["vehicles"]


def test_loading_takes_exactly_what_the_truth_says(fleet, sqlite_store, tmp_path):
    fleet.write(tmp_path / "documents")
    with sqlite_store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    summary = load_paths(
        sqlite_store, fleet_id, [tmp_path / "documents"], tmp_path / "refused.ndjson", "test"
    )
    expected = Counter(line.expected for line in fleet.test_record_lines)
    assert min(expected[name] for name in ("already_there", "conflict", "refused")) > 0
    counts = summary.counts[Kind.TEST_RECORDS]
    assert counts.accepted == expected["accepted"]
    assert counts.already_there == expected["already_there"]
    assert counts.refused == expected["refused"] + expected["conflict"]
    others = [c for kind, c in summary.counts.items() if kind is not Kind.TEST_RECORDS]
    assert sum(c.refused + c.already_there for c in others) == 0


def test_good_documents_pass_the_parser(fleet):
    for kind, documents in fleet.documents.items():
        for document in documents:
            parse_document(Kind(kind), document)
    for line in fleet.test_record_lines:
        if line.expected != "refused":
            parse_document(Kind.TEST_RECORDS, line.record)


def test_a_cylinder_given_twice_is_refused_by_the_parser(fleet):
    twice = [line for line in fleet.test_record_lines if line.slip == "cylinder_twice"]
    assert twice
    for line in twice:
        with pytest.raises(InvalidInputError, match="given twice"):
            parse_document(Kind.TEST_RECORDS, line.record)


def test_lines_sent_again_agree_with_the_first_in_digest_or_not_as_the_truth_says(fleet):
    first = {}
    for line in fleet.test_record_lines:
        if line.expected == "refused":
            continue
        mine = digest(parse_document(Kind.TEST_RECORDS, line.record))
        theirs = first.setdefault(line.record["record_id"], mine)
        assert (mine != theirs) == (line.expected == "conflict")


def test_the_history_ends_on_its_last_day(fleet):
    ends_at = datetime(2026, 7, 1, tzinfo=UTC)
    for kind, field in (("fitments", "fitted_at"), ("findings", "found_at")):
        assert max(datetime.fromisoformat(d[field]) for d in fleet.documents[kind]) < ends_at
    last = max(
        datetime.fromisoformat(line.record["performed_at"])
        for line in fleet.test_record_lines
        if line.expected == "accepted"
    )
    assert ends_at - timedelta(days=14) < last < ends_at
    assert fleet.truth.reserve["as_of"].max() == date(2026, 6, 30)


def test_shares_of_missing_fields_are_those_asked_for(fleet):
    records = [line.record for line in fleet.test_record_lines if line.expected == "accepted"]
    no_temp = sum("fuel_temp_c" not in r.get("conditions", {}) for r in records) / len(records)
    no_leak = sum("leak" not in r for r in records) / len(records)
    assert no_temp == pytest.approx(SMALL.habits.no_fuel_temp, abs=0.03)
    assert no_leak == pytest.approx(SMALL.habits.no_leak, abs=0.04)


def test_truth_survives_writing_and_reading(fleet, tmp_path):
    fleet.truth.write(tmp_path)
    assert Truth.read(tmp_path).tests.equals(fleet.truth.tests)


def test_every_fitted_pump_of_the_truth_is_a_fitment(fleet):
    fitted = {d["serial"] for d in fleet.documents["fitments"] if d["part"] == "pump"}
    assert fitted == set(fleet.truth.pumps["pump_serial"])


def test_pumps_that_failed_were_found_failed_and_ended_below_the_limit(fleet):
    failed = fleet.truth.pumps.filter(pl.col("failed_at").is_not_null())
    found = [
        d for d in fleet.documents["findings"]
        if (d["part"], d["outcome"]) == ("pump", "failed_on_road")
    ]  # fmt: skip
    assert failed.height == len(found) > 0
    last_below = fleet.truth.below_limit.group_by("pump_serial").agg(pl.col("to_at").max())
    ends = failed.join(last_below, on="pump_serial")
    assert ends.height == failed.height
    gap_s = (ends["failed_at"] - ends["to_at"]).dt.total_seconds().abs().max()
    assert gap_s <= 86_400


@pytest.mark.parametrize("wrong", [{"vehicles": 0}, {"years": 0.1}, {"years": 21}])
def test_impossible_sizes_are_refused(wrong):
    with pytest.raises(ValueError, match=r"vehicle|years"):
        replace(SMALL, **wrong)
