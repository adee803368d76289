from pathlib import Path

import pytest

from fleetdb.warehouse.durable import write_text, write_whole


def test_a_new_text_takes_the_place_of_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_text(path, "old")
    write_text(path, "new")
    assert path.read_text() == "new"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.txt"]


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_text(path, "old")

    def half(temporary: Path) -> None:
        temporary.write_text("ne")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        write_whole(path, half)
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.txt"]


def test_a_failed_rename_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    write_text(path, "old")

    def fail(*_: object) -> None:
        raise OSError("no")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OSError, match="no"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.txt"]
