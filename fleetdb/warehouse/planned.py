"""A DuckDB for one vehicle after another, whose statements are planned once.

Planning one of the trend's statements takes longer than carrying it out on a vehicle's few rows.
DuckDB plans anew what is sent to it as text, and a prepared statement too if it has bound values;
once a table was made, each time. So tables stay here and their rows go, rolled back; a statement is
prepared with its numbers written into it, and reads moments from tables of one row.

DuckDB 2.0.1 fails when it carries out an ASOF join from one plan twice: ask for none here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime

import duckdb
import pyarrow as pa

Value = datetime | float
"""A moment, bare UTC, or a number: what a query's parameter may be."""


class PlannedConnection:
    """A connection that is empty for each vehicle, and keeps the plans of what it was asked.

    For one caller at a time, who puts tables in (``register``), keeps answers as tables
    (``keep``) and reads them (``table``).
    """

    def __init__(self) -> None:
        # A database of its own: after an internal error DuckDB serves none of a database's callers.
        self._connection = duckdb.connect(config={"threads": 1})
        # Optimizing joins of a few rows takes longer than running them as written, and what was
        # optimized is planned anew each time.
        self._connection.execute("PRAGMA disable_optimizer")
        self._schemas: dict[str, pa.Schema | None] = {}
        """Of the tables there are; None where an answer is kept."""
        self._held: dict[str, pa.Table] = {}
        self._plans: dict[tuple[str, str], str] = {}
        # Of the vehicle at hand.
        self._filled: dict[str, int | None] = {}
        """Tables with rows of it: how many were put in, None of an answer."""
        self._moments: dict[str, datetime] = {}
        self._has_made = False

    def hold(self, tables: Mapping[str, pa.Table]) -> None:
        """Put in tables that may stay from vehicle to vehicle; to be called before each.

        What is there already is left there.
        """
        for name, rows in tables.items():
            if self._held.get(name) is rows:
                continue
            if self._schemas.get(name) == rows.schema:
                self._connection.execute(f"TRUNCATE {name}")
                self._connection.execute(f"INSERT INTO {name} FROM rows")
            else:
                self._connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS FROM rows")
                self._has_other_schema(name, rows.schema)
                self._forget_plans()
            self._held[name] = rows

    def close(self) -> None:
        """Let go of the database."""
        self._connection.close()

    @contextmanager
    def one_vehicle(self) -> Iterator[None]:
        """Begin with no rows but those held, and leave none behind.

        After an error it is closed, since what it has is not known then.
        """
        self._connection.execute("BEGIN")
        try:
            yield
            if self._has_made:
                for name in self._filled:
                    self._connection.execute(f"TRUNCATE {name}")
                    self._held.pop(name, None)
            self._connection.execute("COMMIT" if self._has_made else "ROLLBACK")
            if self._has_made:
                self._forget_plans()
        except BaseException:
            self._connection.close()
            raise
        self._filled.clear()
        self._moments.clear()
        self._has_made = False

    def register(self, name: str, rows: pa.Table) -> None:
        """Put in a table, in place of what is under its name."""
        if self._held.get(name) is rows and name not in self._filled:
            return
        if self._schemas.get(name) != rows.schema:
            self._connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS FROM rows")
            self._has_other_schema(name, rows.schema)
            self._has_made = True
        else:
            self._empty(name)
            if len(rows):
                self._connection.execute(f"INSERT INTO {name} FROM rows")
        self._filled[name] = len(rows)

    def keep(self, name: str, sql: str, parameters: Mapping[str, Value]) -> None:
        """Keep the answer of a query as a table, in place of what is under its name.

        ``sql`` has its parameters as ``$name``.
        """
        bound = self._bound(sql, parameters)
        if name not in self._schemas:
            self._connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {bound}")
            self._schemas[name] = None
            self._has_made = True
        else:
            self._empty(name)
            self._connection.execute(f"EXECUTE {self._plan(name, bound)}")
        self._filled[name] = None

    def table(self, name: str) -> duckdb.DuckDBPyRelation:
        """Return a table that was put in or kept for this vehicle, or is held.

        Raises
        ------
        KeyError
            There is none of that name: another vehicle's rows are gone.
        """
        if name not in self._filled and name not in self._held:
            raise KeyError(name)
        return self._connection.table(name)

    def is_empty(self, source: str) -> bool:
        """Return whether a table, or what a condition leaves of it, has no rows."""
        n_rows = self._filled.get(source)
        if n_rows is not None:
            return n_rows == 0
        return not self._connection.execute(f"FROM {source} LIMIT 1").fetchall()

    def _has_other_schema(self, name: str, schema: pa.Schema) -> None:
        """Note a table that was made; answers over one with other columns are to be made anew."""
        if name in self._schemas:
            self._schemas = {n: own for n, own in self._schemas.items() if own is not None}
        self._schemas[name] = schema

    def _forget_plans(self) -> None:
        """Have statements prepared again: once a table was made, a plan serves no second time."""
        for plan in self._plans.values():
            self._connection.execute(f"DEALLOCATE {plan}")
        self._plans.clear()

    def _plan(self, name: str, bound: str) -> str:
        if (name, bound) not in self._plans:
            plan = f"plan_{len(self._plans)}"
            self._connection.execute(f"PREPARE {plan} AS INSERT INTO {name} {bound}")
            self._plans[name, bound] = plan
        return self._plans[name, bound]

    def _empty(self, name: str) -> None:
        if name in self._filled or name in self._held:
            self._connection.execute(f"TRUNCATE {name}")

    def _bound(self, sql: str, parameters: Mapping[str, Value]) -> str:
        def written(parameter: re.Match[str]) -> str:
            value = parameters[parameter[1]]
            if isinstance(value, datetime):
                return self._moment(parameter[1], value)
            if isinstance(value, float) and math.isfinite(value):
                return f"({float(value)!r}::DOUBLE)"
            if isinstance(value, int):
                return f"({value:d})"
            raise TypeError(f"${parameter[1]} is {value!r}: neither a moment nor a number")

        return re.sub(r"\$(\w+)", written, sql)

    def _moment(self, name: str, value: datetime) -> str:
        table = f"moment_{name}"
        if self._moments.get(name) != value:
            self.register(table, pa.table({"asked": pa.array([value], pa.timestamp("us"))}))
            self._moments[name] = value
        return f"(SELECT asked FROM {table})"  # noqa: S608 - a name of our own


Connection = duckdb.DuckDBPyConnection | PlannedConnection
"""A fleet's, or the one that judges vehicles one after another."""
