"""One fleet never has to be named; several do."""

import pytest

from fleetdb.errors import ConflictError, InvalidInputError, NotFoundError
from fleetdb.settings import Settings
from fleetdb.store.engine import Store, open_store
from fleetdb.store.fleets import add_fleet, list_fleets, resolve_fleet


def test_the_only_fleet_need_not_be_named(store: Store) -> None:
    with store.read() as session:
        assert resolve_fleet(session, None).fleet == "fleet"
        assert resolve_fleet(session, "fleet").id == 1
        with pytest.raises(NotFoundError, match="no fleet called 'south'"):
            resolve_fleet(session, "south")


def test_of_several_fleets_one_must_be_named_and_all_are_told(store: Store) -> None:
    with store.write() as session:
        south = add_fleet(session, "south", "tests")
        assert resolve_fleet(session, "south").id == south.id
        with pytest.raises(InvalidInputError, match="name one: fleet, south"):
            resolve_fleet(session, None)


def test_a_name_is_taken_once(store: Store) -> None:
    with store.write() as session:
        add_fleet(session, "south", "tests")
    with pytest.raises(ConflictError, match="already a fleet"), store.write() as session:
        add_fleet(session, "south", "tests")


@pytest.mark.parametrize("name", ["", " south", "so\nuth", "\u0000", "x" * 81])
def test_a_name_is_one_clean_line(store: Store, name: str) -> None:
    with pytest.raises(InvalidInputError), store.write() as session:
        add_fleet(session, name, "tests")


def test_who_names_the_first_fleet_gets_no_other(settings: Settings) -> None:
    store = open_store(settings, create_default_fleet=False)
    with store.write() as session:
        with pytest.raises(NotFoundError):
            resolve_fleet(session, None)
        add_fleet(session, "south", "tests")
    store.close()

    store = open_store(settings)
    with store.read() as session:
        assert [fleet.fleet for fleet in list_fleets(session)] == ["south"]
    store.close()
