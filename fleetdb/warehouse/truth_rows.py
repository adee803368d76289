"""Rows of the truth as Arrow tables, in batches, by set-based queries.

Values travel as the driver gives them and are converted a column at a time: making
a Python object of each time and id would take longer than the queries.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from sqlalchemy import select
from sqlalchemy.orm import Session

from fleetdb.records.trend_schemas import CYLINDER_LEAKS
from fleetdb.store.tables import CylinderLeakReading
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES
from fleetdb.warehouse.truth_statements import Statement, statement_for

BATCH_ROWS = 50_000
# Ids are bound one by one; SQLite takes 32,766 parameters, PostgreSQL 65,535.
_BATCH_IDS = 10_000


def read_rows(
    session: Session,
    fleet_id: int,
    table: str,
    row_ids: Sequence[int] | None = None,
    batch_rows: int = BATCH_ROWS,
) -> Iterator[pa.Table]:
    """Yield the rows of one mirror table as the truth holds them.

    Parameters
    ----------
    session : Session
        One unchanging state of the truth (``Store.read``).
    table : str
        A name in ``MIRROR_TABLES``; its schema is that of the yielded tables.
    row_ids : sequence of int, optional
        Only these rows; otherwise all of the fleet.
    batch_rows : int
        Most rows of a table when all are read; memory stays in proportion.
    """
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    statement, row_id = statement_for(table, fleet_id, is_sqlite)
    if row_ids is not None:
        for start in range(0, len(row_ids), _BATCH_IDS):
            batch = row_ids[start : start + _BATCH_IDS]
            found = read_statement(session, table, statement.where(row_id.in_(batch)))
            if len(found):
                yield found
        return
    after = 0
    while True:
        found = read_statement(session, table, statement.where(row_id > after).limit(batch_rows))
        if not len(found):
            return
        yield found
        after = found["row_id"][-1].as_py()


def read_statement(
    session: Session,
    table: str,
    statement: Statement,
    parameters: Mapping[str, Any] | None = None,
) -> pa.Table:
    """Return the rows of a mirror table's statement (``truth_statements``), however restricted."""
    schema = MIRROR_TABLES[table].schema
    # The connection, not the session: no mapped object is wanted.
    rows = session.connection().execute(statement, parameters).all()
    if not rows:
        return schema.empty_table()
    plain = pa.schema([entry for entry in schema if entry.type != CYLINDER_LEAKS])
    columns = [
        _column(list(values), entry.type)
        for values, entry in zip(zip(*rows, strict=True), plain, strict=True)
    ]
    result = pa.table(columns, schema=plain)
    if plain != schema:
        leaks = _cylinder_leaks(session, result["row_id"], result["leak_duration_s"])
        result = result.append_column("leak_cylinders", leaks)
    return result


def _column(values: list[Any], wanted: pa.DataType) -> pa.Array:
    if not pa.types.is_timestamp(wanted):
        return pa.array(values, wanted)
    moments = pa.array(values)
    if pa.types.is_timestamp(moments.type):
        return moments.cast(pa.timestamp("us", "UTC")).cast(wanted)
    return moments.cast(wanted)


def _cylinder_leaks(
    session: Session, row_ids: pa.ChunkedArray, leak_duration_s: pa.ChunkedArray
) -> pa.Array:
    """Return each record's leak per cylinder: a list by cylinder, null without a leak run."""
    ids = row_ids.to_numpy()
    has_leak = leak_duration_s.is_valid().to_numpy()
    wanted = ids[has_leak].tolist()
    found: list[Any] = []
    for start in range(0, len(wanted), _BATCH_IDS):
        statement = (
            select(
                CylinderLeakReading.test_record_id,
                CylinderLeakReading.cylinder,
                CylinderLeakReading.ml,
            )
            .where(CylinderLeakReading.test_record_id.in_(wanted[start : start + _BATCH_IDS]))
            .order_by(CylinderLeakReading.test_record_id, CylinderLeakReading.cylinder)
        )
        found += session.connection().execute(statement).all()
    owners = np.fromiter((row[0] for row in found), np.int64, len(found))
    entries = pa.StructArray.from_arrays(
        [
            pa.array([row[1] for row in found], pa.int32()),
            pa.array([row[2] for row in found], pa.float64()),
        ],
        fields=list(CYLINDER_LEAKS.value_type),
    )
    # Records and their cylinders are both in the order of ids, so each record's
    # entries begin where the last one's end.
    offsets = np.append(np.searchsorted(owners, ids), len(found)).astype(np.int32)
    return pa.ListArray.from_arrays(
        pa.array(offsets), entries, type=CYLINDER_LEAKS, mask=pa.array(~has_leak)
    )
