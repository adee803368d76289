from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from uuid import UUID

import pytest
from sqlalchemy import delete, update

from fleetdb.store.audit import Change, record_changes
from fleetdb.store.engine import Store
from fleetdb.store.feed import Changes, Mark, changes_since, mark_now, why_not_of_this_feed
from fleetdb.store.fleets import add_fleet, resolve_fleet
from fleetdb.store.tables import AuditEntry, Installation

NOW = datetime(2026, 3, 1, tzinfo=UTC)


class Feed:
    """Writes bare audit entries, each in a transaction of its own, and reads the feed."""

    def __init__(self, store: Store, fleet_id: int) -> None:
        self.store = store
        self.fleet_id = fleet_id

    def write(self, row_id: int, subject: str = "test_records", action: str = "accepted") -> None:
        with self.store.write() as session:
            record_changes(session, self.fleet_id, "test", NOW, [Change(action, subject, row_id)])

    def mark(self) -> Mark:
        with self.store.read() as session:
            return mark_now(session, self.fleet_id)

    def since(self, mark: Mark) -> Changes:
        with self.store.read() as session:
            return changes_since(session, self.fleet_id, mark)

    def why_not(self, mark: Mark) -> str | None:
        with self.store.read() as session:
            return why_not_of_this_feed(session, self.fleet_id, mark)


def _feed(store: Store) -> Feed:
    with store.read() as session:
        return Feed(store, resolve_fleet(session, None).id)


@pytest.fixture
def feed(store: Store) -> Feed:
    return _feed(store)


@pytest.fixture
def postgres_feed(postgres_store: Store) -> Iterator[Feed]:
    yield _feed(postgres_store)


def test_nothing_is_new_right_after_a_mark(feed: Feed) -> None:
    feed.write(1)
    mark = feed.mark()
    assert feed.since(mark).row_ids == {}
    assert feed.since(mark).count == 0


def test_new_rows_come_by_kind_in_rising_order(feed: Feed) -> None:
    feed.write(1)
    mark = feed.mark()
    feed.write(9)
    feed.write(4)
    feed.write(2, "vehicles")
    feed.write(3, "vehicles", "amended")
    changes = feed.since(mark)
    assert changes.row_ids == {"test_records": [4, 9], "vehicles": [2, 3]}
    assert changes.count == 4
    assert feed.since(changes.mark).row_ids == {}


def test_a_void_is_not_a_new_record(feed: Feed) -> None:
    feed.write(7)
    mark = feed.mark()
    feed.write(7, action="voided")
    assert feed.since(mark).row_ids == {"record_voids": [7]}


def test_changes_of_other_things_and_other_fleets_are_left_out(feed: Feed) -> None:
    mark = feed.mark()
    feed.write(5, "access_tokens", "token_created")
    with feed.store.write() as session:
        other_id = add_fleet(session, "other", "test").id
    Feed(feed.store, other_id).write(6)
    assert feed.since(mark).row_ids == {}
    assert Feed(feed.store, other_id).since(mark).row_ids == {"test_records": [6]}


def test_a_mark_survives_json(feed: Feed) -> None:
    feed.write(1)
    mark = feed.mark()
    assert Mark.from_json(mark.to_json()) == mark
    assert feed.why_not(mark) is None


def test_the_mark_of_a_fleet_without_entries_is_of_this_feed(feed: Feed) -> None:
    with feed.store.write() as session:
        other_id = add_fleet(session, "other", "test").id
        session.execute(delete(AuditEntry).where(AuditEntry.fleet_id == other_id))
    other = Feed(feed.store, other_id)
    mark = other.mark()
    assert mark.last_id == 0
    assert other.why_not(mark) is None
    other.write(3)
    assert other.since(mark).row_ids == {"test_records": [3]}


def test_an_earlier_id_that_commits_last_is_not_missed(postgres_feed: Feed) -> None:
    feed = postgres_feed
    early = feed.store.write()
    session = early.__enter__()
    record_changes(session, feed.fleet_id, "slow", NOW, [Change("accepted", "test_records", 1)])
    feed.write(2)  # draws its id second and commits first
    mark = feed.mark()
    assert feed.since(mark).row_ids == {}
    early.__exit__(None, None, None)
    feed.write(3)
    changes = feed.since(mark)
    assert changes.row_ids == {"test_records": [1, 3]}
    assert changes.mark.last_id > mark.last_id
    assert feed.since(changes.mark).row_ids == {}


def test_fresh_rows_do_not_wait_for_a_long_transaction(postgres_feed: Feed) -> None:
    feed = postgres_feed
    mark = feed.mark()
    seen: list[int] = []
    with feed.store.write() as session:
        record_changes(session, feed.fleet_id, "slow", NOW, [Change("accepted", "test_records", 1)])
        for row_id in (2, 3, 4):
            feed.write(row_id)
            changes = feed.since(mark)
            # Each row once, although the long transaction keeps the window open.
            assert changes.row_ids == {"test_records": [row_id]}
            seen.append(row_id)
            mark = changes.mark
        assert len(mark.taken) == 3
    assert feed.since(mark).row_ids == {"test_records": [1]}
    after = feed.since(mark).mark
    assert feed.since(after).row_ids == {}
    assert after.taken == ()


def test_a_rolled_back_change_never_appears(postgres_feed: Feed) -> None:
    feed = postgres_feed
    mark = feed.mark()
    with pytest.raises(RuntimeError), feed.store.write() as session:
        record_changes(session, feed.fleet_id, "slow", NOW, [Change("accepted", "test_records", 1)])
        between = feed.mark()
        raise RuntimeError
    assert feed.since(mark).row_ids == feed.since(between).row_ids == {}


def test_the_mark_of_another_database_is_told(feed: Feed) -> None:
    feed.write(1)
    mark = feed.mark()
    with feed.store.write() as session:
        session.execute(update(Installation).values(installation_id=UUID(int=1)))
    assert feed.why_not(mark) == "the mirror is of another database"


def test_a_mark_ahead_of_a_restored_database_is_told(feed: Feed) -> None:
    feed.write(1)
    with feed.store.write() as session:
        # What a restore from a backup of an earlier moment amounts to.
        mark = mark_now(session, feed.fleet_id)
        session.execute(delete(AuditEntry).where(AuditEntry.id == mark.last_id))
    assert "restored to an earlier state" in (feed.why_not(mark) or "")


def test_a_database_that_went_on_differently_after_a_restore_is_told(feed: Feed) -> None:
    feed.write(1)
    mark = feed.mark()
    with feed.store.write() as session:
        session.execute(
            update(AuditEntry).where(AuditEntry.id == mark.last_id).values(subject_row_id=99)
        )
    assert "went on differently" in (feed.why_not(mark) or "")


def test_a_database_moved_to_another_server_is_told(postgres_feed: Feed) -> None:
    postgres_feed.write(1)
    mark = postgres_feed.mark()
    # A dump restored elsewhere keeps its rows, but the count of transactions starts low.
    values = {**mark.to_json(), "xmin": mark.xmin + 10**6, "xmax": mark.xmax + 10**6}
    assert "another server" in (postgres_feed.why_not(Mark.from_json(values)) or "")
