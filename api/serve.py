"""Running the server: the ``serve`` command, and the function behind it."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
from dataclasses import replace

import click
import uvicorn
from fastapi import FastAPI
from uvicorn.supervisors import Multiprocess

from api.app import create_app
from fleetdb.errors import FleetDbError
from fleetdb.settings import Settings
from fleetdb.store.engine import open_store

_APP = "api.serve:app_from_environment"
_STOP_WITHIN_S = 10


def app_from_environment() -> FastAPI:
    """Build the application from the environment: how each server process gets its own."""
    return create_app(Settings.from_environment())


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _bind(host: str, port: int) -> socket.socket:
    try:
        address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, kind, protocol, _, target = address[0]
        listener = socket.socket(family, kind, protocol)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(target)
    except OSError as error:
        raise FleetDbError(
            f"cannot serve on {host} port {port}: {error.strerror}; "
            "stop what is using it, or choose another with --port"
        ) from error
    listener.listen()
    listener.set_inheritable(True)
    return listener


def _hand_on(settings: Settings) -> None:
    # Worker processes are started afresh and know only the environment.
    os.environ.update(settings.environment())


def run_server(settings: Settings, host: str, port: int, workers: int = 1) -> None:
    """Serve the pages and the API on ``host`` and ``port`` until SIGINT or SIGTERM; then return.

    Raises
    ------
    FleetDbError
        The store cannot be opened, the address is taken, or the application did not start.
    """
    # Opened once here, so that what is wrong with it is told plainly, and an
    # embedded database is migrated before several processes want it.
    open_store(settings).close()
    _hand_on(settings)
    with contextlib.closing(_bind(host, port)) as listener:
        shown = f"[{host}]" if ":" in host else host
        click.echo(f"serving on http://{shown}:{listener.getsockname()[1]}", err=True)
        config = uvicorn.Config(
            _APP,
            factory=True,
            host=host,
            port=port,
            workers=workers,
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=_STOP_WITHIN_S,
        )
        if workers > 1:
            Multiprocess(config, sockets=[listener]).run()
            return
        server = uvicorn.Server(config)
        # The server stops cleanly, then raises the signal again: nothing is left to do.
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[listener])
        if not server.started:
            raise FleetDbError("the server did not start; the log above says why")


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65_535))
@click.option(
    "--workers",
    default=1,
    show_default=True,
    type=click.IntRange(1, 64),
    help="Server processes sharing the address.",
)
@click.option(
    "--behind-tls",
    is_flag=True,
    help="Allow an address others can reach: a proxy in front of it speaks TLS, "
    "without which tokens would travel in the clear.",
)
def serve(host: str, port: int, workers: int, behind_tls: bool) -> None:
    """Serve the pages and the REST API until Ctrl-C."""
    if not _is_loopback(host) and not behind_tls:
        raise click.UsageError(
            f"{host} can be reached from other machines, and bearer tokens would cross the "
            "network in the clear. Serve on 127.0.0.1, or put a TLS proxy in front and say "
            "so with --behind-tls."
        )
    settings = Settings.from_environment()
    if behind_tls:
        settings = replace(settings, behind_tls=True)
    run_server(settings, host, port, workers)
