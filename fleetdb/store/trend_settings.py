"""What each fleet has set of how its pumps are judged; the newest row counts."""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.store.audit import Change, record_changes
from fleetdb.store.tables import TrendSettingsRow
from fleetdb.trend_settings import TrendSettings


def read_trend_settings(session: Session, fleet_id: int) -> TrendSettings:
    """Return a fleet's settings, the defaults where it has set nothing."""
    row = session.scalar(
        select(TrendSettingsRow)
        .where(TrendSettingsRow.fleet_id == fleet_id)
        .order_by(TrendSettingsRow.id.desc())
        .limit(1)
    )
    if row is None:
        return TrendSettings()
    return TrendSettings(**{f.name: getattr(row, f.name) for f in fields(TrendSettings)})


def keep_trend_settings(
    session: Session, fleet_id: int, settings: TrendSettings, actor: str
) -> None:
    """Keep a fleet's settings from now on."""
    now = datetime.now(UTC)
    row = TrendSettingsRow(fleet_id=fleet_id, set_at=now, **asdict(settings))
    session.add(row)
    session.flush()
    detail = {name: f"{value:g}" for name, value in asdict(settings).items()}
    record_changes(session, fleet_id, actor, now, [Change("set", "trend_settings", row.id, detail)])
