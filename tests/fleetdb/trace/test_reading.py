"""Every format gives the same trace; damaged, absurd and oversized content is refused."""

from __future__ import annotations

import gzip
import io
import json
import struct
from collections.abc import Callable

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.ipc as ipc
import pyarrow.parquet as pq
import pytest
from hypothesis import given, target
from hypothesis import strategies as st

from fleetdb.errors import InvalidInputError
from fleetdb.trace import unpacking
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.parquet_sizes import require_small_pages
from fleetdb.trace.reading import (
    ARROW_FILE,
    ARROW_STREAM,
    CSV,
    JSON,
    PARQUET,
    read_trace,
)

TIME_S = np.arange(60) / 20.0
RAIL_BAR = np.round(650.0 * -np.expm1(-TIME_S / 0.4) + np.sin(40 * TIME_S), 3)
TABLE = pa.table({"time_s": TIME_S, "rail_bar": RAIL_BAR, "crank_rpm": np.full(60, 200)})

WORDS = TABLE.set_column(1, "rail_bar", [["x"] * 60])


def parquet(table: pa.Table = TABLE, **options: object) -> bytes:
    file = io.BytesIO()
    pq.write_table(table, file, **options)
    return file.getvalue()


def arrow_file(table: pa.Table = TABLE, compression: str = "lz4") -> bytes:
    file = io.BytesIO()
    feather.write_feather(table, file, compression=compression)
    return file.getvalue()


def arrow_stream(table: pa.Table = TABLE, rows_a_batch: int | None = 13) -> bytes:
    file = io.BytesIO()
    with ipc.new_stream(file, table.schema) as writer:
        writer.write_table(table, max_chunksize=rows_a_batch)
    return file.getvalue()


def polars_file() -> bytes:
    file = io.BytesIO()
    pl.DataFrame(pl.from_arrow(TABLE)).write_ipc(file, compression="zstd")
    return file.getvalue()


def rows(separator: str, header: str, line: Callable[[float, float], str]) -> bytes:
    lines = [line(t, p) for t, p in zip(TIME_S.tolist(), RAIL_BAR.tolist(), strict=True)]
    return "\n".join([header.replace(",", separator), *lines]).encode()


PLAIN_CSV = rows(",", "time_s,rail_bar", lambda t, p: f"{t!r},{p!r}")
PLAIN_JSON = json.dumps({"time_s": TIME_S.tolist(), "rail_bar": RAIL_BAR.tolist()}).encode()
CONTENTS = {
    "csv": (CSV, PLAIN_CSV),
    "csv with a mark, Windows lines and a comment": (
        CSV,
        b"\xef\xbb\xbf# kit 7\r\n\r\n" + PLAIN_CSV.replace(b"\n", b"\r\n"),
    ),
    "csv in MPa with decimal commas": (
        CSV,
        rows(";", "time (ms),Rail (MPa)", lambda t, p: f"{1000 * t:.3f};{p / 10:.6f}").replace(
            b".", b","
        ),
    ),
    "csv in psi with tabs and a column of Latin-1": (
        CSV,
        rows(
            "\t",
            "t_s,rail pressure [psi],probe \u00b0C",
            lambda t, p: f"{t!r}\t{p / 0.06894757!r}\t9",
        )
        .decode()
        .encode("latin-1"),
    ),
    "csv quoted": (CSV, rows(",", '"time_s","rail_bar"', lambda t, p: f'"{t!r}","{p!r}"')),
    "json": (JSON, PLAIN_JSON),
    "json with a charset": ("Application/JSON; charset=utf-8", PLAIN_JSON),
    "parquet": (PARQUET, parquet()),
    "parquet, zstd, many groups": (PARQUET, parquet(compression="zstd", row_group_size=7)),
    "parquet, plain, second format": (
        PARQUET,
        parquet(compression="none", use_dictionary=False, data_page_version="2.0"),
    ),
    "arrow file, lz4": (ARROW_FILE, arrow_file()),
    "arrow file, zstd": (ARROW_FILE, arrow_file(compression="zstd")),
    "arrow file, plain": (ARROW_FILE, arrow_file(compression="uncompressed")),
    "arrow file by polars": (ARROW_FILE, polars_file()),
    "arrow stream": (ARROW_STREAM, arrow_stream()),
    "csv, gzip": (CSV, gzip.compress(PLAIN_CSV)),
    "json, zstd": (JSON, pa.compress(PLAIN_JSON, codec="zstd", asbytes=True)),
}


def read(content: bytes, media_type: str) -> Trace:
    return read_trace(content, media_type, TraceKind.PROOF)


@pytest.mark.parametrize("name", CONTENTS)
def test_every_format_gives_the_same_trace(name: str) -> None:
    media_type, content = CONTENTS[name]
    trace = read(content, media_type)

    assert trace.time_s == pytest.approx(TIME_S, abs=1e-6)
    assert trace.rail_bar == pytest.approx(RAIL_BAR, rel=1e-6, abs=1e-4)


def test_a_document_may_say_its_kind_itself() -> None:
    document = json.loads(PLAIN_JSON) | {"kind": "hold"}
    content = json.dumps(document).encode()

    assert read_trace(content, JSON).kind is TraceKind.HOLD
    with pytest.raises(InvalidInputError, match="is hold, but proof was asked for"):
        read(content, JSON)


def without_parts(**changes: object) -> bytes:
    return json.dumps({k: v for k, v in (json.loads(PLAIN_JSON) | changes).items() if v}).encode()


@pytest.mark.parametrize(
    ("media_type", "content", "pointer", "words"),
    [
        ("text/plain", PLAIN_CSV, "", "media type 'text/plain'"),
        (JSON, b"[1]", "", "expected a JSON object"),
        (JSON, without_parts(kind="idle"), "/kind", "must be one of proof"),
        (JSON, without_parts(kind=["proof"]), "/kind", "must be one of proof"),
        (JSON, without_parts(colour="red"), "/colour", "unknown field"),
        (JSON, without_parts(rail_bar="x"), "/rail_bar", "must be an array"),
        (JSON, without_parts(rail_bar=None), "/rail_bar", "is missing"),
        (JSON, without_parts(rail_bar=[None] * 60), "/rail_bar/0", "null is not a number"),
        (CSV, b"", "", "no header line"),
        (CSV, b"time_s,rail_bar", "", "no header line"),
        (CSV, b"time_s,rail_bar\n", "", "not CSV of numbers"),
        (CSV, PLAIN_CSV + b"\n3.0,low\n", "", "invalid value 'low'"),
        (CSV, PLAIN_CSV + b"\n3.0,\n", "/rail_bar/60", "is no number"),
        (CSV, PLAIN_CSV + b"\n3.0,1,2\n", "", "Expected 2 columns, got 3"),
        (CSV, PLAIN_CSV.replace(b"rail_bar", b"rail"), "/rail", "without its unit"),
        (CSV, PLAIN_CSV.replace(b"time_s", b"time_ms"), "/time_ms", "2e+04 Hz"),
        (CSV, b"," * 500 + b"\n1\n", "", "more than 200 columns"),
        (CSV, gzip.compress(PLAIN_CSV)[:-20], "", "damaged gzip content"),
        (PARQUET, b"PAR1", "", "damaged Parquet"),
        (PARQUET, parquet()[:-30], "", "damaged Parquet"),
        (PARQUET, PLAIN_CSV, "", "damaged Parquet"),
        (
            PARQUET,
            parquet(TABLE.set_column(1, "rail_bar", [["x"] * 60])),
            "/rail_bar",
            "holds string",
        ),
        (ARROW_FILE, b"ARROW1", "", "damaged Arrow IPC"),
        (ARROW_FILE, arrow_file()[:-30], "", "damaged Arrow IPC"),
        (ARROW_STREAM, arrow_stream()[:200], "", "damaged Arrow IPC"),
        (ARROW_STREAM, PLAIN_CSV, "", "damaged Arrow IPC"),
    ],
)
def test_what_cannot_be_read_is_refused_in_words(
    media_type: str, content: bytes, pointer: str, words: str
) -> None:
    with pytest.raises(InvalidInputError) as caught:
        read(content, media_type)

    assert caught.value.problems[0].pointer == pointer
    assert words in caught.value.problems[0].detail


def test_problems_are_at_the_senders_own_names() -> None:
    bad = rows(",", "time_s,rail_mpa", lambda t, p: f"{t!r},{'nan' if t == 0.5 else p / 10}")
    with pytest.raises(InvalidInputError) as caught:
        read(bad, CSV)

    assert caught.value.problems[0].pointer == "/rail_mpa/10"


def test_csv_and_parquet_need_the_kind_said() -> None:
    with pytest.raises(InvalidInputError, match="/kind: is needed"):
        read_trace(PLAIN_CSV, CSV)


def test_more_rows_than_a_trace_has_are_refused_before_they_are_read() -> None:
    zeros = pa.array(np.zeros(3_000_002))
    many = pa.table({"time_s": zeros, "rail_bar": zeros})
    for content, media_type in (
        (parquet(many), PARQUET),
        (arrow_file(many), ARROW_FILE),
        (arrow_stream(many, None), ARROW_STREAM),
        (b"time_s,rail_bar\n" + b"1,1\n" * 3_000_002, CSV),
    ):
        with pytest.raises(InvalidInputError, match=r"more than 3,000,001 rows|3,000,002 rows"):
            read(content, media_type)


def test_content_that_unpacks_to_too_much_is_never_held(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpacking, "MOST_BYTES", 1 << 20)
    bomb = gzip.compress(bytes(64 << 20))

    assert len(bomb) < 1 << 17
    with pytest.raises(InvalidInputError, match="more than 1 MiB once unpacked"):
        read(bomb, CSV)


def test_a_page_that_claims_a_huge_size_is_refused_by_its_header() -> None:
    # Zeros pack to nearly nothing: only the pages' headers tell.
    zeros = pa.array(np.zeros(2_900_000))
    content = parquet(
        pa.table({"time_s": zeros, "rail_bar": zeros}),
        compression="zstd",
        use_dictionary=False,
    )
    with pytest.raises(InvalidInputError, match="more than 20 MiB once unpacked"):
        require_small_pages(content, {"time_s", "rail_bar"}, 20 << 20)
    require_small_pages(content, {"time_s", "rail_bar"}, 64 << 20)
    require_small_pages(content, {"nothing"}, 0)


def test_a_packed_buffer_that_claims_a_huge_size_is_refused_by_its_prefix() -> None:
    content = bytearray(arrow_file(compression="zstd"))
    # Each packed buffer begins with its unpacked length: 60 numbers of 8 bytes.
    at = content.index(struct.pack("<q", 480))
    content[at : at + 8] = struct.pack("<q", 1 << 40)

    with pytest.raises(InvalidInputError, match="more than 256 MiB once unpacked"):
        read(bytes(content), ARROW_FILE)


SMALL = {
    CSV: PLAIN_CSV,
    JSON: PLAIN_JSON,
    PARQUET: parquet(compression="zstd"),
    ARROW_FILE: arrow_file(),
    ARROW_STREAM: arrow_stream(),
}


@given(
    media_type=st.sampled_from(sorted(SMALL)),
    changes=st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=6)), max_size=6),
    cut=st.floats(0.5, 1.0),
)
def test_damaged_content_is_read_or_refused_and_nothing_else(
    media_type: str, changes: list[tuple[float, bytes]], cut: float
) -> None:
    content = bytearray(SMALL[media_type])
    for place, replacement in changes:
        at = int(place * len(content))
        content[at : at + len(replacement)] = replacement
    content = content[: int(cut * len(content))] if cut < 0.9 else content
    try:
        read(bytes(content), media_type)
    except InvalidInputError as error:
        # The further it got, the longer it had a say.
        target(float(len(str(error))))


@given(content=st.binary(max_size=300), media_type=st.sampled_from(sorted(SMALL)))
def test_any_bytes_are_read_or_refused_and_nothing_else(content: bytes, media_type: str) -> None:
    with pytest.raises(InvalidInputError):
        read(content, media_type)
