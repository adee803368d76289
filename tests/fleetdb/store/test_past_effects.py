"""Settings that reach back say which verdicts of the past they change."""

from __future__ import annotations

from uuid import UUID

from fleetdb.records.documents import Kind, Vehicle
from fleetdb.records.parsing import parse_as
from fleetdb.records.plausibility import Remark
from fleetdb.store.amending import amend_vehicle, void_record
from fleetdb.store.engine import Store
from fleetdb.store.ingest import Accepted
from tests.documents import VEHICLE, post, post_family_and_vehicle

TESTED_ON = ("2024-02-01", "2024-05-01", "2025-01-01")


def fleet_with_tests(store: Store) -> list[Accepted]:
    post_family_and_vehicle(store)
    moments = (f"{day}T00:00:00Z" for day in TESTED_ON)
    return [post(store, Kind.TEST_RECORDS, performed_at=moment) for moment in moments]


def post_version(store: Store, applies_from: str | None) -> list[Remark]:
    return post(store, Kind.PUMP_FAMILIES, proof_ratio_limit=0.9, applies_from=applies_from).remarks


def told(remarks: list[Remark]) -> list[str]:
    return [remark.detail.split(" are judged")[0] for remark in remarks]


def test_a_back_dated_version_says_which_tests_it_reaches(store: Store) -> None:
    fleet_with_tests(store)

    [remark] = post_version(store, "2024-05-01")

    assert (remark.code, remark.pointer) == ("back_dated", "/applies_from")
    assert remark.detail.startswith("2 tests stored before, of 2024-05-01 to 2025-01-01, are")
    # The same again: the same remark, and tests stored since do not count.
    post(store, Kind.TEST_RECORDS, performed_at="2025-02-01T00:00:00Z")
    assert post_version(store, "2024-05-01") == [remark]


def test_a_version_to_come_changes_no_verdict(store: Store) -> None:
    fleet_with_tests(store)

    assert post_version(store, "2025-01-02") == []


def test_a_version_reaches_up_to_the_next_one(store: Store) -> None:
    fleet_with_tests(store)
    assert post_version(store, "2026-01-01") == []
    post_version(store, "2025-01-01")

    assert told(post_version(store, "2024-02-02")) == [
        "1 test stored before, of 2024-05-01 to 2024-05-01,"
    ]


def test_a_new_earliest_version_reaches_back_without_end(store: Store) -> None:
    post(store, Kind.PUMP_FAMILIES, applies_from="2024-04-01")
    post(store, Kind.VEHICLES)
    for day in TESTED_ON:
        post(store, Kind.TEST_RECORDS, performed_at=f"{day}T00:00:00Z")

    assert told(post_version(store, "2024-03-01")) == [
        "1 test stored before, of 2024-02-01 to 2024-02-01,"
    ]


def test_withdrawn_and_corrected_tests_and_other_families_do_not_count(store: Store) -> None:
    first, second, third = fleet_with_tests(store)
    with store.write() as session:
        void_record(session, 1, UUID(third.key), "wrong vehicle", "tests")
    post(store, Kind.TEST_RECORDS, performed_at="2023-01-01T00:00:00Z", supersedes=str(second.key))
    post(store, Kind.PUMP_FAMILIES, pump_family="fam-y")

    other = post(store, Kind.PUMP_FAMILIES, pump_family="fam-y", applies_from="2020-01-01")
    assert other.remarks == []
    assert told(post_version(store, "2024-01-01")) == [
        "1 test stored before, of 2024-02-01 to 2024-02-01,"
    ]
    assert first.remarks == []


def test_an_amended_family_says_which_tests_are_judged_anew(store: Store) -> None:
    fleet_with_tests(store)
    post(store, Kind.PUMP_FAMILIES, pump_family="fam-y")

    def amend(**changes: str) -> Accepted:
        vehicle = parse_as(Vehicle, {**VEHICLE, **changes})
        with store.write() as session:
            return amend_vehicle(session, 1, vehicle, "was misread", "tests")

    assert amend(depot="south yard").remarks == []
    [remark] = amend(pump_family="fam-y").remarks

    assert (remark.code, remark.pointer) == ("other_family", "/pump_family")
    assert remark.detail.startswith(
        "3 tests stored before, of 2024-02-01 to 2025-01-01, are judged as fam-y's from now on"
    )
