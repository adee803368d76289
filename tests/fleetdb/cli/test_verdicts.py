"""`fleetdb verdicts` shows what was published, and how one pump stands now."""

from __future__ import annotations

from typing import Any

import pytest

from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind
from tests.fleetdb.cli.conftest import Run
from tests.fleetdb.cli.worn_fleet import UNTESTED, WORN, store_worn_fleet


@pytest.fixture
def worn(fleet: Any) -> Any:
    return store_worn_fleet(fleet)


def test_the_published_list_is_shown_with_its_date(run: Run, worn: Any) -> None:
    run("assess")
    ran = run("verdicts")

    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("As of ")
    assert WORN in ran.out
    assert UNTESTED not in ran.out
    assert " ".join(CAUTIONS) in " ".join(ran.out.split())


def test_the_list_is_what_was_published_and_not_what_came_since(run: Run, worn: Any) -> None:
    run("assess")
    worn.accept(Kind.VEHICLES, [worn.vehicle("V99")])

    assert "12 vehicles" in run("verdicts").out


def test_states_depots_and_a_limit_narrow_the_list(run: Run, worn: Any) -> None:
    run("assess")

    assert WORN in run("verdicts", "--state", "stand_down", "--depot", "North").out
    assert WORN not in run("verdicts", "--state", "book_in").out
    assert WORN not in run("verdicts", "--depot", "South").out
    assert run("verdicts", "--limit", "0").code == 2
    assert run("verdicts", "--state", "fine").code == 2


def test_before_anything_was_published_it_says_what_to_do(run: Run, worn: Any) -> None:
    ran = run("verdicts")

    assert ran.code == 1
    assert "assess" in ran.err


def test_one_vehicle_is_judged_with_what_is_stored_now(run: Run, worn: Any) -> None:
    before = run("verdicts", WORN)
    new_pump = {
        "fitment_id": "00000000-0000-4000-8000-0000000000f2",
        "vehicle": WORN,
        "part": "pump",
        "serial": "P-NEW",
        "fitted_at": "2025-10-12T08:00:00Z",
    }
    worn.accept(Kind.FITMENTS, [new_pump])
    after = run("verdicts", WORN)

    assert (before.code, after.code) == (0, 0)
    assert "stand_down" in before.out
    assert "2025-10-10" in before.out
    assert "P-NEW" in after.out
    assert "unproven" in after.out
    assert " ".join(CAUTIONS) in " ".join(before.out.split())


def test_one_vehicle_can_be_asked_for_at_a_past_date(run: Run, worn: Any) -> None:
    assert "sound" in run("verdicts", WORN, "--as-of", "2025-03-15").out
    assert "stand_down" in run("verdicts", WORN, "--as-of", "2025-08-01").out


def test_a_vehicle_never_tested_or_not_yet_in_service_is_told_plainly(run: Run, worn: Any) -> None:
    assert "unproven" in run("verdicts", UNTESTED).out
    assert "not in service" in run("verdicts", UNTESTED, "--as-of", "2023-12-31").out


def test_an_unknown_vehicle_is_an_error_and_a_date_needs_a_vehicle(run: Run, worn: Any) -> None:
    unknown = run("verdicts", "V-NONE")

    assert unknown.code == 1
    assert "V-NONE" in unknown.err
    assert run("verdicts", "--as-of", "2025-03-15").code == 2


def test_a_depot_of_no_vehicle_is_said_to_be_none(run: Run, worn: Any) -> None:
    run("assess")
    ran = run("verdicts", "--depot", "Nowhere")

    assert ran.code == 2
    assert "no vehicle is at depot 'Nowhere'" in ran.err
