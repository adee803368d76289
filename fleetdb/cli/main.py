"""Where the ``fleetdb`` command begins: it imports the rest when Ctrl-C can end it cleanly."""

from __future__ import annotations

import sys

from fleetdb.cli.interrupts import leaving_at_once


def run() -> None:
    """Run the command line and leave with its exit code."""
    with leaving_at_once():
        from fleetdb.cli.commands import run_with
    sys.exit(run_with(sys.argv[1:]))
