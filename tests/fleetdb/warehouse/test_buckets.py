from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from fleetdb.warehouse.buckets import BUCKETS, Spill, bucket_of, buckets_of

SCHEMA = pa.schema([("row_id", pa.int64()), ("vehicle", pa.string())])


def rows(first: int, n: int) -> pa.Table:
    ids = range(first, first + n)
    return pa.table([pa.array(ids), [f"V{i % 50}" for i in ids]], schema=SCHEMA)


def test_the_bucket_is_crc32_modulo_the_number_of_buckets() -> None:
    # The check value of CRC-32 over "123456789" is CBF43926 hexadecimal
    # (common practice, no source).
    assert bucket_of("123456789") == 0xCBF43926 % BUCKETS


def test_a_column_gives_the_same_buckets_as_its_values() -> None:
    column = pa.chunked_array([["V1", "V2", "V1"], ["Wagen Ä"]])
    expected = [bucket_of(vehicle) for vehicle in column.to_pylist()]
    assert buckets_of(column).tolist() == expected


def test_vehicles_spread_over_all_buckets() -> None:
    counts = np.bincount([bucket_of(f"V{i}") for i in range(3200)], minlength=BUCKETS)
    assert counts.min() > 50
    assert counts.max() < 200


@pytest.mark.parametrize("keep_rows", [0, 250, 10_000])
def test_every_row_comes_back_once_from_its_own_bucket(tmp_path: Path, keep_rows: int) -> None:
    with Spill(tmp_path, SCHEMA, keep_rows) as spill:
        for first in range(0, 1000, 100):
            spill.add(rows(first, 100))
        assert spill.rows == 1000
        found: list[int] = []
        for bucket in range(BUCKETS):
            table = spill.rows_of(bucket)
            assert {bucket_of(vehicle) for vehicle in table["vehicle"].to_pylist()} <= {bucket}
            found += table["row_id"].to_pylist()
    assert sorted(found) == list(range(1000))


def test_few_rows_stay_in_memory(tmp_path: Path) -> None:
    with Spill(tmp_path, SCHEMA, keep_rows=100) as spill:
        spill.add(rows(0, 100))
        assert spill.all_rows().equals(rows(0, 100))
        assert list(tmp_path.iterdir()) == []


def test_the_temporary_folder_is_removed_after_a_failure(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), Spill(tmp_path, SCHEMA, keep_rows=0) as spill:
        spill.add(rows(0, 10))
        assert list(tmp_path.iterdir()) != []
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []
