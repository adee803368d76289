"""What every command shares: the settings, and the fleet the caller means."""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import click

from fleetdb.settings import Settings

# Database and migrations take a second or more to import, and not every command opens a store.
if TYPE_CHECKING:
    from fleetdb.store.engine import Store
    from fleetdb.store.tables import Fleet


@dataclass
class Invocation:
    """One call of the command line. ``fleet_name`` is None when there is only one fleet."""

    fleet_name: str | None = None

    @cached_property
    def settings(self) -> Settings:
        """The settings from the environment, read when first needed."""
        return Settings.from_environment()

    @property
    def actor(self) -> str:
        """Who is calling, for the audit trail."""
        try:
            return f"cli:{getpass.getuser()}"
        except (KeyError, OSError):  # a container may run under a number without a name
            return "cli"

    @contextmanager
    def open_store(self, *, create_default_fleet: bool = True) -> Iterator[Store]:
        """Open the store and close it at the end."""
        from fleetdb.store.engine import open_store

        store = open_store(self.settings, create_default_fleet=create_default_fleet)
        try:
            yield store
        finally:
            store.close()

    @contextmanager
    def open_fleet(self) -> Iterator[tuple[Store, Fleet]]:
        """Open the store and find the fleet meant; close the store at the end."""
        from fleetdb.store.fleets import resolve_fleet

        with self.open_store() as store:
            with store.read() as session:
                fleet = resolve_fleet(session, self.fleet_name)
            yield store, fleet


pass_invocation = click.make_pass_decorator(Invocation, ensure=True)
