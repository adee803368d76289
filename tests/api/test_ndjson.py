"""Lines cut from chunks, and answered while more are coming."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.ndjson import LineSplitter


def split(chunks: list[bytes], limit_bytes: int = 100) -> list[tuple[int, bytes | None]]:
    splitter = LineSplitter(limit_bytes)
    lines = [line for chunk in chunks for line in splitter.feed(chunk)]
    return [(line.number, line.content) for line in [*lines, *splitter.finish()]]


@given(st.binary(max_size=200), st.lists(st.integers(0, 200), max_size=8))
def test_lines_do_not_depend_on_how_the_body_was_cut(body: bytes, cuts: list[int]) -> None:
    marks = sorted({0, *(min(cut, len(body)) for cut in cuts), len(body)})
    chunks = [body[a:b] for a, b in pairwise(marks)]
    whole = list(enumerate(body.split(b"\n"), start=1))
    expected = [(n, None if len(text) > 100 else text) for n, text in whole]
    assert split(chunks) == [(n, text) for n, text in expected if text is None or text.strip()]


@pytest.mark.parametrize("end", [b"", b"\n", b"\n\n"])
def test_a_last_line_needs_no_line_feed(end: bytes) -> None:
    assert split([b"a\n\nb" + end]) == [(1, b"a"), (3, b"b")]


def test_a_line_over_the_limit_is_dropped_without_being_kept() -> None:
    splitter = LineSplitter(10)
    for _ in range(100):
        assert splitter.feed(b"x" * 8) == []
        assert len(splitter._rest) <= 10
    (long, short) = splitter.feed(b"\nshort\n")
    assert (long.number, long.content) == (1, None)
    assert (short.number, short.content) == (2, b"short")
