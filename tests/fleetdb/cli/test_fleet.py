"""`fleetdb fleet` adds and lists fleets."""

from tests.fleetdb.cli.conftest import Run


def test_fleets_are_added_and_listed(run: Run) -> None:
    assert run("fleet", "list").out == ""
    assert run("fleet", "add", "south").out == "added fleet south\n"
    assert run("fleet", "add", "north").code == 0
    assert run("fleet", "list").out == "north\nsouth\n"


def test_a_fleet_is_added_once_and_under_a_clean_name(run: Run) -> None:
    run("fleet", "add", "south")

    assert run("fleet", "add", "south").code == 1
    assert run("fleet", "add", " ").code == 2
