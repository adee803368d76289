"""Progress of long work, shown on a terminal only (on standard error)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)


@contextmanager
def row_counter() -> Iterator[Callable[[str, int], None]]:
    """Give a function that is told of rows read from a table, and adds them up."""
    columns = (TextColumn("{task.description}: {task.completed:,} rows"), TimeElapsedColumn())
    with _bar(*columns) as bar:
        tasks: dict[str, TaskID] = {}

        def advance(table: str, n_rows: int) -> None:
            if table not in tasks:
                tasks[table] = bar.add_task(table, total=None)
            bar.update(tasks[table], advance=n_rows)

        yield advance


@contextmanager
def step_counter(doing: str, total: int) -> Iterator[Callable[[int], None]]:
    """Give a function that is told how many of ``total`` steps are done."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with _bar(*columns) as bar:
        task = bar.add_task(doing, total=total)
        yield lambda done: bar.update(task, completed=done)


def _bar(*columns: ProgressColumn) -> Progress:
    errors = Console(stderr=True)
    return Progress(*columns, console=errors, disable=not errors.is_terminal, transient=True)
