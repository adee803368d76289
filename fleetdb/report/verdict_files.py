"""Verdicts as CSV, JSON or Parquet."""

from __future__ import annotations

from collections.abc import Callable
from io import IOBase
from pathlib import Path
from typing import BinaryIO, cast

import polars as pl

Target = Path | BinaryIO


def write_csv(verdicts: pl.DataFrame, target: Target) -> None:
    """Write the verdicts as CSV: dates ISO 8601, empty where unknown."""
    # Six digits are more than any figure here is worth, and keep files of a replay small.
    verdicts.write_csv(target, float_precision=6, datetime_format="%Y-%m-%dT%H:%M:%SZ")


def write_json(verdicts: pl.DataFrame, target: Target) -> None:
    """Write the verdicts as a JSON array of objects."""
    verdicts.write_json(target if isinstance(target, Path) else cast("IOBase", target))


def write_parquet(verdicts: pl.DataFrame, target: Target) -> None:
    """Write the verdicts as Parquet."""
    verdicts.write_parquet(target)


WRITERS: dict[str, Callable[[pl.DataFrame, Target], None]] = {
    "csv": write_csv,
    "json": write_json,
    "parquet": write_parquet,
}
