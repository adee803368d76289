from __future__ import annotations

import pytest

from api.prefer import prefers_minimal


@pytest.mark.parametrize(
    ("header", "minimal"),
    [
        # RFC 7240 sections 2 and 4.2 [memory]: several preferences, blanks, a quoted value.
        ("return=minimal", True),
        ('respond-async, return="minimal"', True),
        ("wait=10; return = minimal", True),
        ("RETURN=minimal", True),
        ("return=representation", False),
        ("return=minimalist", False),
        ("xreturn=minimal", False),
        ("", False),
        (None, False),
    ],
)
def test_an_answer_without_the_verdict_is_asked_for(header: str | None, minimal: bool) -> None:
    assert prefers_minimal(header) is minimal
