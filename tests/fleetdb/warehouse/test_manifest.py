from pathlib import Path

import pytest

from fleetdb.store.feed import Mark
from fleetdb.warehouse.manifest import (
    Dropped,
    Manifest,
    Part,
    UnusableManifestError,
    read_manifest,
)

MANIFEST = Manifest(
    mark=Mark("4a0c", 12, "entry", 700, 705, (9, 11)),
    schema="abcd",
    mirrored_at="2026-03-01T00:00:00Z",
    parts=(
        Part("test_records/b00-1.parquet", "test_records", "b00", 10, 100, "00"),
        Part("test_records/b01-1.parquet", "test_records", "b01", 5, 100, "00"),
        Part("findings/all-1.parquet", "findings", "all", 0, 100, "00"),
    ),
    dropped=(Dropped("test_records/b00-0.parquet", 5.0),),
)


def test_a_manifest_comes_back_as_it_was_written(tmp_path: Path) -> None:
    MANIFEST.write(tmp_path)
    assert read_manifest(tmp_path) == MANIFEST


def test_rows_are_counted_per_table() -> None:
    assert MANIFEST.rows == {"test_records": 15, "findings": 0}


def test_there_is_none_in_an_empty_folder(tmp_path: Path) -> None:
    assert read_manifest(tmp_path) is None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "{}", '{"format": 1}', '{"format": 99}', "\x00" * 40]
)
def test_a_damaged_or_foreign_manifest_is_refused_with_its_path(tmp_path: Path, text: str) -> None:
    path = tmp_path / "manifest.json"
    path.write_text(text)
    with pytest.raises(UnusableManifestError, match="manifest"):
        read_manifest(tmp_path)
