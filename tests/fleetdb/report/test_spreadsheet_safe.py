"""What a spreadsheet would run is text. The beginnings are those of OWASP's "CSV Injection"."""

from __future__ import annotations

import polars as pl

from fleetdb.report.spreadsheet_safe import without_formulas


def test_text_that_looks_like_a_formula_gets_an_apostrophe_and_nothing_else_changes() -> None:
    table = pl.DataFrame(
        {
            "vehicle": ["=1+1", "+2", "-3", "@x", "\ty", "V-1", "", None],
            "number": [-1.5, None, 2.0, 0.0, 1.0, 1.0, 1.0, 1.0],
        }
    )
    safe = without_formulas(table)
    assert safe["vehicle"].to_list() == ["'=1+1", "'+2", "'-3", "'@x", "'\ty", "V-1", "", None]
    assert safe["number"].equals(table["number"])
