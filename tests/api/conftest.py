"""A real server on a free port for each test, and clients with tokens of every role."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI

from api.app import create_app
from api.examples import DOCUMENTS
from fleetdb.records.documents import Kind
from fleetdb.settings import Settings
from fleetdb.store.engine import Store, open_store
from fleetdb.store.fleets import add_fleet, resolve_fleet
from fleetdb.store.tokens import create_token


@contextlib.contextmanager
def serving(app: FastAPI) -> Iterator[str]:
    """Serve ``app`` from a thread; give its address."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        deadline = time.monotonic() + 20
        while not server.started:
            assert thread.is_alive() and time.monotonic() < deadline, "the server did not start"
            time.sleep(0.01)
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


@dataclass
class Api:
    """A served installation: its store, for looking behind the scenes, and HTTP clients."""

    url: str
    store: Store
    settings: Settings
    clients: dict[str, httpx.Client] = field(default_factory=dict)

    def token(self, role: str, fleets: list[str | None] | None = None, **options: Any) -> str:
        with self.store.write() as session:
            chosen = [resolve_fleet(session, name) for name in fleets or [None]]
            _, plain = create_token(session, role, role, chosen, actor="tests", **options)
        return plain

    def client(self, token: str | None = None) -> httpx.Client:
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        client = httpx.Client(base_url=self.url, headers=headers, timeout=120)
        self.clients[uuid.uuid4().hex] = client
        return client

    def as_role(self, role: str) -> httpx.Client:
        """A client of the only fleet, the same one for each call with this role."""
        if role not in self.clients:
            self.clients[role] = self.client(self.token(role))
        return self.clients[role]

    @property
    def manager(self) -> httpx.Client:
        return self.as_role("manager")

    def add_fleet(self, name: str) -> None:
        with self.store.write() as session:
            add_fleet(session, name, "tests")

    def post_examples(self, *kinds: Kind | str) -> None:
        """Post the example documents of these kinds, which follow on each other."""
        for kind in map(Kind, kinds):
            answer = self.manager.post(path_of(kind), json=DOCUMENTS[kind])
            assert answer.status_code == 201, answer.text

    def close(self) -> None:
        for client in self.clients.values():
            client.close()


def path_of(kind: Kind) -> str:
    return "/v1/" + kind.value.replace("_", "-")


@contextlib.contextmanager
def _served(settings: Settings, *, refreshing: bool = False) -> Iterator[Api]:
    store = open_store(settings)
    app = create_app(settings, refreshing=refreshing)
    with contextlib.closing(store), serving(app) as url:
        served = Api(url, store, settings)
        # Made now, so that a test which counts rows need not count this token's.
        served.as_role("manager")
        yield served
        served.close()


@pytest.fixture
def api(sqlite_settings: Settings) -> Iterator[Api]:
    """A served installation on an embedded database, for what does not depend on the dialect."""
    with _served(sqlite_settings) as served:
        yield served


@pytest.fixture
def any_api(settings: Settings) -> Iterator[Api]:
    """A served installation, once for each dialect."""
    with _served(settings) as served:
        yield served


@pytest.fixture
def serve_app() -> Callable[..., contextlib.AbstractContextManager[Api]]:
    """Serve an installation of the test's own settings."""
    return _served


@pytest.fixture
def fleet_api(api: Api) -> Api:
    """A served installation whose fleet has the example family and vehicle."""
    api.post_examples(Kind.PUMP_FAMILIES, Kind.VEHICLES)
    return api


@pytest.fixture
def any_fleet_api(any_api: Api) -> Api:
    """The same, once for each dialect."""
    any_api.post_examples(Kind.PUMP_FAMILIES, Kind.VEHICLES)
    return any_api


@pytest.fixture
def record() -> Callable[..., dict[str, Any]]:
    """A maker of test records of the example vehicle; keyword arguments replace fields."""

    def make(**fields: Any) -> dict[str, Any]:
        example = json.loads(json.dumps(DOCUMENTS[Kind.TEST_RECORDS]))
        made = {**example, "record_id": str(uuid.uuid4()), **fields}
        return {name: value for name, value in made.items() if value is not None}

    return make
