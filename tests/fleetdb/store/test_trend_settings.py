"""A fleet's settings: the newest row counts, and only its own."""

from sqlalchemy import select

from fleetdb.store.engine import Store
from fleetdb.store.fleets import add_fleet
from fleetdb.store.tables import AuditEntry
from fleetdb.store.trend_settings import keep_trend_settings, read_trend_settings
from fleetdb.trend_settings import TrendSettings


def test_the_newest_settings_of_the_fleet_itself_count(store: Store) -> None:
    with store.write() as session:
        south = add_fleet(session, "south", "tests").id
        assert read_trend_settings(session, south) == TrendSettings()
        keep_trend_settings(session, south, TrendSettings(horizon_days=30), "tests")
        keep_trend_settings(session, south, TrendSettings(horizon_days=90), "tests")
    with store.read() as session:
        assert read_trend_settings(session, south) == TrendSettings(horizon_days=90)
        assert read_trend_settings(session, 1) == TrendSettings()
        told = session.scalars(select(AuditEntry).where(AuditEntry.action == "set")).all()
        assert [(row.fleet_id, row.detail["horizon_days"]) for row in told] == [
            (south, "30"),
            (south, "90"),
        ]
