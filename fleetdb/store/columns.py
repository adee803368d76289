"""Column types and the base class shared by every table."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated, Any
from uuid import UUID

from sqlalchemy import (
    BigInteger,
    Date,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Text,
    Uuid,
)
from sqlalchemy.orm import DeclarativeBase, mapped_column
from sqlalchemy.types import TypeDecorator


class UtcDateTime(TypeDecorator[datetime]):
    """An aware time, kept as UTC; SQLite, which has no zones, keeps the bare UTC time."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


# SQLite numbers rows by itself only for INTEGER PRIMARY KEY.
_row_id = BigInteger().with_variant(Integer(), "sqlite")

RowId = Annotated[int, mapped_column(_row_id, primary_key=True, autoincrement=True)]
FleetId = Annotated[int, mapped_column(_row_id, ForeignKey("fleets.id"))]
NameText = Annotated[str, mapped_column(String(80))]


class Base(DeclarativeBase):
    """Base of all tables. Every constraint has a name, so that migrations can refer to it."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_N_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy's own attribute
        int: _row_id,
        float: Double(),
        str: Text(),
        date: Date(),
        datetime: UtcDateTime(),
        UUID: Uuid(),
    }
