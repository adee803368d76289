"""How many queries a page asks of the store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import event
from sqlalchemy.engine import Engine


@contextmanager
def counting_selects() -> Iterator[list[str]]:
    """Give a list that every SELECT of this process is added to meanwhile."""
    statements: list[str] = []

    def note(_c: object, _k: object, sql: str, *_: object) -> None:
        if sql.startswith(("SELECT", "WITH")):
            statements.append(sql)

    event.listen(Engine, "before_cursor_execute", note)
    try:
        yield statements
    finally:
        event.remove(Engine, "before_cursor_execute", note)
