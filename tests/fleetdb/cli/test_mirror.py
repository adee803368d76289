from __future__ import annotations

from typing import Any

from fleetdb.warehouse.layout import mirror_folder


def test_sync_says_what_was_copied_and_then_that_nothing_is_new(run: Any, fleet: Any) -> None:
    fleet.add_records(3)
    first = run("mirror", "sync")
    assert first.code == 0
    assert "made anew: there was no mirror yet" in first.out
    assert ["test_records", "3", "3"] in [line.split() for line in first.out.splitlines()]
    assert first.err == ""
    second = run("mirror", "sync")
    assert second.code == 0
    assert second.out.startswith("nothing new\n")
    assert ["test_records", "0", "3"] in [line.split() for line in second.out.splitlines()]


def test_rebuild_copies_everything_again(run: Any, fleet: Any) -> None:
    fleet.add_records(3)
    run("mirror", "sync")
    result = run("mirror", "rebuild")
    assert result.code == 0
    assert "made anew: asked for" in result.out
    assert ["test_records", "3", "3"] in [line.split() for line in result.out.splitlines()]


def test_check_ends_with_0_when_equal_and_1_when_not(run: Any, fleet: Any) -> None:
    fleet.add_records(3)
    without = run("mirror", "check")
    assert (without.code, without.out) == (
        1,
        "there is no mirror yet: run `fleetdb mirror sync`\n",
    )
    run("mirror", "sync")
    equal = run("mirror", "check")
    assert (equal.code, equal.out) == (0, "the mirror equals the database\n")
    (path,) = (mirror_folder(fleet.home, fleet.fleet_id) / "test_records").glob("*.parquet")
    path.unlink()
    differing = run("mirror", "check")
    assert differing.code == 1
    assert differing.out == f"test_records/{path.name} is missing\n"


def test_with_several_fleets_the_one_meant_must_be_named(run: Any, fleet: Any) -> None:
    run("fleet", "add", "other")
    unnamed = run("mirror", "sync")
    assert unnamed.code == 2
    assert "several fleets" in unnamed.err
    assert run("--fleet", "other", "mirror", "sync").code == 0
