"""The scorecard over HTTP: begun by the first request, given to a later one."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from fleetdb.store.fleets import resolve_fleet
from fleetdb.trend.refresh import refresh

Maker = Callable[..., dict[str, Any]]


def publish(api: Any) -> None:
    with api.store.read() as session:
        fleet_id = resolve_fleet(session, None).id
    refresh(api.store, fleet_id, api.settings.home, force=True)


@pytest.fixture
def failed_api(fleet_api: Any, record: Maker) -> Any:
    """A fleet whose only pump falls away over eight months of 2025 and fails in the ninth."""
    for month, ratio in enumerate((0.94, 0.93, 0.92, 0.88, 0.80, 0.72, 0.62, 0.55), start=1):
        proof = {"duty_pct": 45, "target_bar": 700, "actual_bar": 700 * ratio}
        document = record(
            performed_at=f"2025-{month:02}-10T10:00:00Z",
            conditions={"fuel_temp_c": 40, "crank_rpm": 200},
            proof=proof,
            build=None,
            leak=None,
            kit=None,
        )
        answer = fleet_api.manager.post(
            "/v1/test-records", json=document, headers={"Prefer": "return=minimal"}
        )
        assert answer.status_code == 201, answer.text
    finding = {
        "finding_id": "00000000-0000-4000-8000-0000000000f1",
        "vehicle": document["vehicle"],
        "part": "pump",
        "outcome": "failed_on_road",
        "found_at": "2025-09-20T12:00:00Z",
    }
    assert fleet_api.manager.post("/v1/findings", json=finding).status_code == 201
    publish(fleet_api)
    return fleet_api


def wait_for_card(client: httpx.Client, address: str) -> httpx.Response:
    deadline = time.monotonic() + 120
    while (answer := client.get(address)).status_code == 202:
        assert time.monotonic() < deadline, "no scorecard came"
        time.sleep(0.2)
    return answer


def test_the_first_answer_says_it_is_being_worked_out_and_a_later_one_is_the_card(
    failed_api: Any,
) -> None:
    address = "/v1/scorecard?from=2025-01&to=2025-09"
    first = failed_api.manager.get(address)

    assert first.status_code == 202
    assert int(first.headers["Retry-After"]) > 0
    assert first.json()["status"] == "being worked out; ask again"
    assert (first.json()["months_done"], first.json()["months"]) == (0, 9)

    answer = wait_for_card(failed_api.manager, address)
    card = answer.json()
    assert answer.status_code == 200
    assert (card["from"], card["to"], card["is_newest"]) == ("2025-01", "2025-09", True)
    assert card["failures"]["caught"] == 1
    assert 30 <= card["failures"]["notice_days"]["p50"] <= 200
    assert card["by_leading_cause"][0]["caught"] == 1
    # Below the limit from its sixth test on: month ends before it were followed by tests.
    assert card["calibration"]["judged"] >= 5
    assert 0 < card["calibration"]["base_rate"] < 1
    assert (
        sum(row["n"] for row in card["calibration"]["reliability"])
        == (card["calibration"]["judged"])
    )


def test_after_a_new_snapshot_the_old_card_is_given_until_the_new_one_is_there(
    failed_api: Any,
) -> None:
    address = "/v1/scorecard?from=2025-08&to=2025-09"
    old = wait_for_card(failed_api.manager, address).json()
    publish(failed_api)

    between = failed_api.manager.get(address)
    assert between.status_code == 200
    assert between.json()["snapshot"] == old["snapshot"]
    deadline = time.monotonic() + 120
    while not (newest := failed_api.manager.get(address).json())["is_newest"]:
        assert time.monotonic() < deadline, "no newer scorecard came"
        time.sleep(0.2)
    assert newest["snapshot"] != old["snapshot"]
    assert newest["failures"] == old["failures"]


def test_before_verdicts_were_published_there_is_no_scorecard(fleet_api: Any) -> None:
    answer = fleet_api.manager.get("/v1/scorecard")

    assert answer.status_code == 404
    assert answer.json()["type"] == "urn:fleetdb:problem:no-verdicts-yet"


def test_a_span_that_makes_no_sense_is_refused(fleet_api: Any) -> None:
    answer = fleet_api.manager.get("/v1/scorecard?from=2025-03&to=2025-02")

    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"] == "to"


def test_a_workshop_may_not_see_it(fleet_api: Any) -> None:
    workshop = fleet_api.client(fleet_api.token("workshop", workshop_name="North"))

    assert workshop.get("/v1/scorecard").status_code == 403
