"""Scorecards worked out in a thread of their own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fleetdb.report import scorecards as module
from fleetdb.report.scorecards import Asked, Finished, Scorecards, Underway

SPAN = Asked(1, (2025, 1), (2025, 3))


class Replays:
    """Stands where a replay of minutes would: waits to be let go, month by month."""

    def __init__(self) -> None:
        self.begun: list[Asked] = []
        self.go = threading.Semaphore(0)
        self.at_once = self.most_at_once = 0
        self.failure: Exception | None = None

    def work_out(self, _: Scorecards, asked: Asked, entry: Any) -> dict[str, Any]:
        self.begun.append(asked)
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        self.go.acquire()
        entry.months_done = 1
        self.go.acquire()
        self.at_once -= 1
        if self.failure is not None:
            raise self.failure
        return {"number": len(self.begun)}

    def finish_one(self) -> None:
        self.go.release(2)


@pytest.fixture
def replays(monkeypatch: pytest.MonkeyPatch) -> Replays:
    made = Replays()
    monkeypatch.setattr(module.Scorecards, "_work_out", lambda *given: made.work_out(*given))
    return made


@pytest.fixture
def cards(tmp_path: Path, replays: Replays) -> Iterator[Scorecards]:
    made = Scorecards(tmp_path)
    made.start()
    yield made
    replays.go.release(1000)
    made.stop()


def soon(condition: Callable[[], Any]) -> Any:
    deadline = time.monotonic() + 10
    while not (value := condition()):
        assert time.monotonic() < deadline, "it did not come about"
        time.sleep(0.005)
    return value


def finished(cards: Scorecards, asked: Asked, snapshot: str) -> Finished:
    def answer() -> Finished | None:
        told = cards.card(asked, snapshot)
        return told if isinstance(told, Finished) else None

    return soon(answer)


def test_who_asks_is_told_how_far_it_is_and_then_the_card(
    cards: Scorecards, replays: Replays
) -> None:
    assert cards.card(SPAN, "s1") == Underway(0, 3)
    replays.go.release()
    soon(lambda: cards.card(SPAN, "s1") == Underway(1, 3))
    replays.go.release()

    assert finished(cards, SPAN, "s1") == Finished("s1", {"number": 1})
    assert cards.card(SPAN, "s1") == Finished("s1", {"number": 1})
    assert replays.begun == [SPAN]


def test_a_newer_snapshot_gets_a_card_of_its_own_while_the_old_one_is_given(
    cards: Scorecards, replays: Replays
) -> None:
    cards.card(SPAN, "s1")
    replays.finish_one()
    old = finished(cards, SPAN, "s1")

    assert cards.card(SPAN, "s2") == old
    replays.finish_one()
    soon(lambda: cards.card(SPAN, "s2") == Finished("s2", {"number": 2}))


def test_one_replay_runs_at_a_time(cards: Scorecards, replays: Replays) -> None:
    others = [Asked(fleet, (2025, 1), (2025, 3)) for fleet in (1, 2, 3)]
    for asked in others:
        cards.card(asked, "s1")
    for _ in others:
        replays.finish_one()
    for asked in others:
        finished(cards, asked, "s1")

    assert replays.begun == others
    assert replays.most_at_once == 1


def test_a_replay_that_fails_is_told_once_and_can_be_asked_for_again(
    cards: Scorecards, replays: Replays
) -> None:
    replays.failure = RuntimeError("the mirror is gone")
    cards.card(SPAN, "s1")
    replays.finish_one()

    def told() -> bool:
        try:
            cards.card(SPAN, "s1")
        except RuntimeError as error:
            return "mirror is gone" in str(error)
        return False

    soon(told)
    replays.failure = None
    cards.card(SPAN, "s1")
    replays.finish_one()
    assert finished(cards, SPAN, "s1").card == {"number": 2}


def test_the_oldest_card_makes_room(
    cards: Scorecards, replays: Replays, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_KEPT_CARDS", 2)
    spans = [Asked(1, (2025, month), (2025, 12)) for month in (1, 2, 3)]
    for span in spans:
        cards.card(span, "s1")
        replays.finish_one()
        finished(cards, span, "s1")

    assert isinstance(cards.card(spans[2], "s1"), Finished)
    assert isinstance(cards.card(spans[0], "s1"), Underway)
