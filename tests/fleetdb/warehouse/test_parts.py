import math
from itertools import pairwise
from pathlib import Path

import pyarrow as pa
import pytest

from fleetdb.warehouse import parts as parts_module
from fleetdb.warehouse.buckets import bucket_of
from fleetdb.warehouse.manifest import Part
from fleetdb.warehouse.mirror_tables import MIRROR_TABLES
from fleetdb.warehouse.parts import file_sha256, grow, read_part

RECORDS = MIRROR_TABLES["test_records"]
VOIDED = MIRROR_TABLES["voided_records"]


def records(first: int, n: int) -> pa.Table:
    ids = range(first, first + n)
    rows = [{"row_id": i, "record_id": f"r{i}", "vehicle": f"V{i % 40}"} for i in ids]
    return pa.Table.from_pylist(rows, schema=RECORDS.schema)


def voided(first: int, n: int) -> pa.Table:
    rows = [{"row_id": i, "record_id": f"r{i}"} for i in range(first, first + n)]
    return pa.Table.from_pylist(rows, schema=VOIDED.schema)


def row_ids(folder: Path, parts: list[Part]) -> list[int]:
    return sorted(i for part in parts for i in read_part(folder, part)["row_id"].to_pylist())


def test_a_table_without_rows_has_one_empty_file(tmp_path: Path) -> None:
    (part,) = grow(tmp_path, VOIDED, [], [])
    assert part.rows == 0
    assert read_part(tmp_path, part).schema.equals(VOIDED.schema)
    assert grow(tmp_path, VOIDED, [part], []) == [part]


def test_many_small_additions_leave_few_files(tmp_path: Path) -> None:
    parts: list[Part] = []
    for first in range(0, 300, 3):
        parts = grow(tmp_path, VOIDED, parts, [voided(first, 3)])
        sizes = sorted(part.rows for part in parts)
        assert all(big > 2 * small for small, big in pairwise(sizes))
        assert len(parts) <= 1 + math.log2(first + 3)
    assert row_ids(tmp_path, parts) == list(range(300))


def test_a_file_records_its_size_and_digest(tmp_path: Path) -> None:
    (part,) = grow(tmp_path, VOIDED, [], [voided(0, 5)])
    assert part.rows == 5
    assert part.size_bytes == (tmp_path / part.path).stat().st_size
    assert part.sha256 == file_sha256(tmp_path / part.path)


def test_files_are_never_edited(tmp_path: Path) -> None:
    (part,) = grow(tmp_path, VOIDED, [], [voided(0, 5)])
    before = (tmp_path / part.path).read_bytes()
    grow(tmp_path, VOIDED, [part], [voided(5, 5)])
    assert (tmp_path / part.path).read_bytes() == before


def test_few_records_gather_in_the_fresh_group(tmp_path: Path) -> None:
    parts = grow(tmp_path, RECORDS, [], [records(0, 10)])
    parts = grow(tmp_path, RECORDS, parts, [records(10, 1)])
    assert {part.group for part in parts} == {"fresh"}
    assert row_ids(tmp_path, parts) == list(range(11))


def test_many_fresh_records_move_to_the_buckets_of_their_vehicles(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parts_module, "FRESH_ROWS", 100)
    parts: list[Part] = []
    for first in range(0, 400, 40):
        parts = grow(tmp_path, RECORDS, parts, [records(first, 20), records(first + 20, 20)])
        assert sum(part.rows for part in parts if part.group == "fresh") <= 100
    assert row_ids(tmp_path, parts) == list(range(400))
    bucketed = [part for part in parts if part.group != "fresh"]
    assert bucketed
    for part in bucketed:
        vehicles = read_part(tmp_path, part)["vehicle"].to_pylist()
        assert {f"b{bucket_of(vehicle):02}" for vehicle in vehicles} == {part.group}


def test_rows_of_a_file_are_sorted_by_vehicle_and_time(tmp_path: Path) -> None:
    (part,) = grow(tmp_path, RECORDS, [], [records(5, 95), records(0, 5)])
    table = read_part(tmp_path, part)
    keys = list(zip(table["vehicle"].to_pylist(), table["row_id"].to_pylist(), strict=True))
    assert keys == sorted(keys)
