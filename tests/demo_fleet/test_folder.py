import json
from dataclasses import replace

import pytest

from demo_fleet.folder import DemoFolder
from demo_fleet.options import FleetOptions
from fleetdb.errors import ConflictError

OPTIONS = FleetOptions(vehicles=3, years=0.5, seed=1)


def no_progress(_):
    pass


def test_a_new_folder_gets_documents_and_truth(tmp_path):
    folder = DemoFolder(tmp_path / "demo")
    done = []
    assert folder.prepare(OPTIONS, done.append)
    assert done == [1, 2, 3]
    assert len(list(folder.documents.glob("*.ndjson"))) == 6
    assert 1 <= len(list(folder.documents.glob("traces-*.csv"))) <= 3
    assert (folder.truth / "pumps.parquet").exists()


def test_the_same_demo_again_finds_everything_there(tmp_path):
    folder = DemoFolder(tmp_path / "demo")
    folder.prepare(OPTIONS, no_progress)
    before = {p.name: p.stat().st_mtime_ns for p in folder.documents.iterdir()}
    assert not folder.prepare(OPTIONS, no_progress)
    assert {p.name: p.stat().st_mtime_ns for p in folder.documents.iterdir()} == before


def test_an_interrupted_demo_starts_again(tmp_path):
    folder = DemoFolder(tmp_path / "demo")

    def interrupt(done):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        folder.prepare(OPTIONS, interrupt)
    assert not folder.documents.exists()
    assert folder.prepare(OPTIONS, no_progress)


def test_another_demo_in_the_same_folder_is_refused(tmp_path):
    folder = DemoFolder(tmp_path / "demo")
    folder.prepare(OPTIONS, no_progress)
    with pytest.raises(ConflictError, match='"seed": 1'):
        folder.prepare(replace(OPTIONS, seed=2), no_progress)


@pytest.mark.parametrize("marker", [None, "not json", json.dumps({"vehicles": 3})])
def test_a_folder_with_other_things_in_it_is_left_alone(tmp_path, marker):
    (tmp_path / "letter.txt").write_text("dear all")
    if marker is not None:
        (tmp_path / "demo.json").write_text(marker)
    with pytest.raises(ConflictError, match="--folder"):
        DemoFolder(tmp_path).prepare(OPTIONS, no_progress)
    assert not (tmp_path / "documents").exists()
