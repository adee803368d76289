"""Tables for people who open them in a spreadsheet, which runs text that looks like a formula."""

from __future__ import annotations

import re

import polars as pl

# The characters that OWASP's page "CSV Injection" names as beginnings of a formula.
_BEGINNINGS = r"^[=+\-@\t\r]"
_NUMBER = re.compile(r"[+-]?[\d.,]+", re.ASCII)


def without_formulas(table: pl.DataFrame) -> pl.DataFrame:
    """Return ``table`` with an apostrophe before every text that a spreadsheet would run."""
    text = pl.col(pl.String)
    return table.with_columns(
        pl.when(text.str.contains(_BEGINNINGS)).then(pl.lit("'") + text).otherwise(text).name.keep()
    )


def safe_text(text: str) -> str:
    """Return ``text`` with an apostrophe before it if a spreadsheet would run it.

    A plain number is not run, whatever its sign.
    """
    return f"'{text}" if re.match(_BEGINNINGS, text) and not _NUMBER.fullmatch(text) else text
