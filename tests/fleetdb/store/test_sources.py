"""Files are found by name, and what cannot be loaded is told before anything is."""

from pathlib import Path
from uuid import UUID

import pytest

from fleetdb.errors import InvalidInputError
from fleetdb.records.documents import Kind
from fleetdb.store.sources import find_sources, kind_of, recording_of


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("test_records.ndjson", Kind.TEST_RECORDS),
        ("test-records-2024.ndjson", Kind.TEST_RECORDS),
        ("vehicles_north.ndjson", Kind.VEHICLES),
        ("Vehicles.north.ndjson", Kind.VEHICLES),
        ("findings2.ndjson", Kind.FINDINGS),
        ("pump-families.ndjson", Kind.PUMP_FAMILIES),
        ("kit_calibrations.ndjson", Kind.KIT_CALIBRATIONS),
        ("fitmentsold.ndjson", None),
        ("records.ndjson", None),
        ("my_vehicles.ndjson", None),
    ],
)
def test_a_files_name_begins_with_what_it_holds(name: str, kind: Kind | None) -> None:
    assert kind_of(Path(name)) is kind


def test_files_come_in_loading_order_each_once(tmp_path: Path) -> None:
    for kind in Kind:
        (tmp_path / f"{kind.value}.ndjson").touch()
    (tmp_path / "test_records-1.ndjson").touch()
    paths = [tmp_path / "findings.ndjson", tmp_path, tmp_path / "." / "vehicles.ndjson"]

    sources = find_sources(paths)

    assert [source.kind for source in sources.files] == [
        Kind.PUMP_FAMILIES,
        Kind.VEHICLES,
        Kind.KIT_CALIBRATIONS,
        Kind.FITMENTS,
        Kind.TEST_RECORDS,
        Kind.TEST_RECORDS,
        Kind.FINDINGS,
    ]


def test_refused_lines_and_other_files_in_a_folder_are_left_aside(tmp_path: Path) -> None:
    for name in ("vehicles.ndjson", "refused-20240603T083000Z.ndjson", "notes.txt", ".hidden"):
        (tmp_path / name).touch()
    (tmp_path / "elsewhere").symlink_to(tmp_path)

    sources = find_sources([tmp_path])

    assert [source.path.name for source in sources.files] == ["vehicles.ndjson"]
    assert {path.name for path in sources.left_aside} == {
        "refused-20240603T083000Z.ndjson",
        "notes.txt",
        "elsewhere",
    }


def test_folders_in_a_folder_are_read_too(tmp_path: Path) -> None:
    deep = tmp_path / "north" / "2024"
    deep.mkdir(parents=True)
    (tmp_path / ".git").mkdir()
    files = [tmp_path / "vehicles.ndjson", deep / "test_records.ndjson"]
    others = [deep / "photo.jpg", tmp_path / "north" / "refused-1.ndjson"]
    for path in (*files, *others, tmp_path / ".git" / "vehicles.ndjson"):
        path.touch()

    sources = find_sources([tmp_path])

    assert [source.path for source in sources.files] == files
    assert set(sources.left_aside) == set(others)


def test_a_misnamed_file_deep_in_a_folder_is_named(tmp_path: Path) -> None:
    deep = tmp_path / "north" / "2024"
    deep.mkdir(parents=True)
    (deep / "bus.ndjson").touch()
    (tmp_path / "vehicles.ndjson").touch()

    with pytest.raises(InvalidInputError, match=r"north/2024/bus\.ndjson"):
        find_sources([tmp_path])


def test_every_path_that_cannot_be_loaded_is_named(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "fleet").mkdir()
    (tmp_path / "fleet" / "bus.ndjson").touch()
    (tmp_path / "vehicles.csv").touch()
    (tmp_path / "findings.ndjson").touch()
    names = ["empty", "fleet", "vehicles.csv", "missing.ndjson", "findings.ndjson", "nowhere"]

    with pytest.raises(InvalidInputError) as caught:
        find_sources([tmp_path / name for name in names])

    details = [problem.detail for problem in caught.value.problems]
    assert [detail.removeprefix(str(tmp_path)).split(":")[0] for detail in details] == [
        "/empty",
        "/fleet/bus.ndjson",
        "/vehicles.csv",
        "/missing.ndjson",
        "/nowhere",
    ]
    assert "holds no .ndjson file" in details[0]
    assert "must begin with what it holds" in details[1]


RECORD = "018f3c1e-7a2b-7c3d-8e4f-5a6b7c8d9e0f"


@pytest.mark.parametrize(
    ("name", "kind", "unplugged"),
    [
        (f"traces-{RECORD}-proof.csv", "proof", None),
        (f"trace_{RECORD.upper()}_duty_sweep.PARQUET", "duty_sweep", None),
        (f"traces-{RECORD}-start-up-unplugged.csv", "start_up", True),
        (f"traces-{RECORD}-start_up_connected_2.arrow", "start_up", False),
        (f"traces-{RECORD}-hold-after lunch.csv", "hold", None),
        (f"traces-{RECORD}-proof.ndjson", None, None),
        (f"traces-{RECORD}.csv", None, None),
        (f"traces-{RECORD}-proofs.csv", None, None),
        (f"traces-{RECORD[:-1]}-proof.csv", None, None),
        (f"my-traces-{RECORD}-proof.csv", None, None),
        (f"traces-{RECORD}-proof.xlsx", None, None),
    ],
)
def test_a_recording_is_named_after_its_record_and_kind(
    name: str, kind: str | None, unplugged: bool | None
) -> None:
    recording = recording_of(Path(name))

    if kind is None:
        assert recording is None
    else:
        assert recording is not None
        assert recording.record_id == UUID(RECORD)
        assert (recording.kind.value, recording.inlet_valve_unplugged) == (kind, unplugged)
