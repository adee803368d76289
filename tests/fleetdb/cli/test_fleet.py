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


def test_a_fleet_sets_what_it_names_and_keeps_the_rest(run: Run) -> None:
    run("fleet", "add", "south")
    run("fleet", "add", "north")

    assert run("fleet", "show").code == 2
    told = run("--fleet", "south", "fleet", "set", "--horizon-days", "90").out
    assert "90 days ahead" in told and "2.8 mm2/s at 40 °C" in told
    fuel = ("--fuel-viscosity", "100", "1", "--fuel-viscosity", "40", "2.2")
    assert run("--fleet", "south", "fleet", "set", *fuel).code == 0
    told = run("--fleet", "south", "fleet", "show").out
    assert "90 days ahead" in told
    assert "2.2 mm2/s at 40 °C, 1 mm2/s at 100 °C" in told
    assert "60 days ahead" in run("--fleet", "north", "fleet", "show").out


def test_a_fleet_that_sets_nothing_or_nonsense_is_told(run: Run) -> None:
    run("fleet", "add", "south")

    assert run("fleet", "set").code == 2
    assert run("fleet", "set", "--fuel-viscosity", "40", "2.2").code == 2
    refused = run("fleet", "set", "--horizon-days", "5")
    assert refused.code == 2 and "5 is not between 15 and 365" in refused.err
    assert "60 days ahead" in run("fleet", "show").out
