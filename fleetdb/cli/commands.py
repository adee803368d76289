"""The ``fleetdb`` command: its sub-commands, and what each kind of failure ends with.

Exit codes: 0 all done, 1 an error, 2 wrong usage, 3 some documents refused, 130 interrupted.
"""

from __future__ import annotations

import os
import sys
from importlib.metadata import entry_points, version
from pkgutil import resolve_name

import click
from sqlalchemy.exc import OperationalError

from fleetdb.cli.exit_codes import EXIT_ERROR, EXIT_INTERRUPTED, EXIT_USAGE
from fleetdb.cli.interrupts import leaving_at_once
from fleetdb.cli.invocation import Invocation
from fleetdb.errors import FleetDbError, InvalidInputError

_OWN_COMMANDS = {
    "assess": "fleetdb.cli.assess:assess",
    "backtest": "fleetdb.cli.backtest:backtest",
    "fleet": "fleetdb.cli.fleet:fleet",
    "history": "fleetdb.cli.history:history",
    "kits": "fleetdb.cli.kits:kits",
    "load": "fleetdb.cli.load:load",
    "migrate": "fleetdb.cli.migrate:migrate",
    "mirror": "fleetdb.cli.mirror:mirror",
    "recompute": "fleetdb.cli.recompute:recompute",
    "token": "fleetdb.cli.token:token",
    "trace": "fleetdb.cli.trace:trace",
    "verdicts": "fleetdb.cli.verdicts:verdicts",
    "void": "fleetdb.cli.void:void",
}


class _Commands(click.Group):
    """Imports a command when it is called, so that `load` need not wait for the API's imports."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        added = entry_points(group="fleetdb.commands").names
        return sorted({*_OWN_COMMANDS, *added})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        with leaving_at_once():
            if cmd_name in _OWN_COMMANDS:
                return resolve_name(_OWN_COMMANDS[cmd_name])
            # Rooms above this one add theirs: fleetdb imports neither api nor demo_fleet.
            for entry in entry_points(group="fleetdb.commands", name=cmd_name):
                return entry.load()
        return None


@click.group(cls=_Commands)
@click.option("--fleet", "fleet_name", metavar="NAME", help="Fleet meant, when there are several.")
@click.version_option(version("fleetdb"), prog_name="fleetdb")
@click.pass_context
def cli(context: click.Context, fleet_name: str | None) -> None:
    """Keep every high-pressure pump test of a fleet, and say which pumps to act on.

    What it says is advice: it never declares a vehicle safe.
    """
    context.obj = Invocation(fleet_name)


def run_with(arguments: list[str]) -> int:
    """Run the command line on ``arguments`` and return the exit code."""
    try:
        code = cli.main(arguments, prog_name="fleetdb", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except click.Abort:
        click.echo("interrupted", err=True)
        return EXIT_INTERRUPTED
    except InvalidInputError as error:
        for problem in error.problems:
            where = f"{problem.pointer}: " if problem.pointer else ""
            click.echo(f"Error: {where}{problem.detail}", err=True)
        return EXIT_USAGE
    except BrokenPipeError:
        # Whoever read the output has seen enough. What is left in the buffer goes nowhere, so
        # that Python does not fail at its end in trying to write it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_ERROR
    except OperationalError as error:
        click.echo(f"Error: the database cannot be used now: {error.orig}", err=True)
        return EXIT_ERROR
    except FleetDbError as error:
        click.echo(f"Error: {error}", err=True)
        return EXIT_ERROR
    return code if isinstance(code, int) else 0
