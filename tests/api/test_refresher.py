"""The background refresher."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import httpx
import pytest

from api import refresher as refresher_module
from api.metrics import Metrics
from api.refresher import Refresher
from fleetdb.errors import FleetDbError
from fleetdb.settings import Settings
from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet


def test_one_fleets_failure_is_told_and_does_not_stop_the_others(
    sqlite_store: Store, sqlite_settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    with sqlite_store.write() as session:
        failing = add_fleet(session, "a-failing-one", "tests").id
    refreshed: list[int] = []

    def refresh(_: Store, fleet_id: int, home: Any) -> None:
        if fleet_id == failing:
            raise FleetDbError("the mirror is damaged")
        refreshed.append(fleet_id)

    monkeypatch.setattr(refresher_module, "refresh", refresh)
    metrics = Metrics()
    refresher = Refresher(sqlite_store, sqlite_settings, metrics)
    refresher.refresh_all()
    assert len(refreshed) == 1
    assert refresher.state.last_success_at is None
    assert refresher.state.last_failure == "the mirror is damaged"
    assert 'outcome="failed"} 1' in metrics.exposition()
    failing = -1
    refresher.refresh_all()
    assert refresher.state.last_failure is None
    assert refresher.state.last_success_at is not None


def test_a_failure_tells_no_path(
    sqlite_store: Store, sqlite_settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refresh(*_: Any) -> None:
        raise OSError(28, "No space left on device", "/secret/place")

    monkeypatch.setattr(refresher_module, "refresh", refresh)
    refresher = Refresher(sqlite_store, sqlite_settings, Metrics())
    refresher.refresh_all()
    assert refresher.state.last_failure == "OSError"


def test_a_served_installation_publishes_what_comes_in(
    sqlite_settings: Settings, serve_app: Callable[..., Any], record: Callable[..., dict[str, Any]]
) -> None:
    with serve_app(replace(sqlite_settings, refresh_s=0.2), refreshing=True) as api:
        api.post_examples("pump_families", "vehicles")
        answer = api.manager.post(
            "/v1/test-records", json=record(), headers={"Prefer": "return=minimal"}
        )
        assert answer.status_code == 201
        deadline = time.monotonic() + 30
        verdicts: list[Any] = []
        while not verdicts and time.monotonic() < deadline:
            time.sleep(0.2)
            listed = api.manager.get("/v1/verdicts")
            verdicts = listed.json().get("items", [])
        assert [verdict["vehicle"] for verdict in verdicts] == ["V-0107"]
        ready = httpx.get(f"{api.url}/readyz").json()
        assert ready["refresh"]["last_success_at"] is not None
        assert ready["refresh"]["last_failure"] is None
