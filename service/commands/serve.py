"""`rifflebook serve`: serve the pages of a store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from service.commands.options import opened, store_argument
from service.settings import read_settings

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["host_option", "port_option", "serve"]

host_option = click.option("--host", help="Address to serve on; 127.0.0.1.")
port_option = click.option("--port", type=click.IntRange(1, 65_535), help="Port; 8765.")


@click.command()
@store_argument
@host_option
@port_option
def serve(store: Path, host: str | None, port: int | None) -> None:
    """Serve the map and the other pages of STORE to a browser on this machine.

    Example: rifflebook serve island.gpkg --port 8080
    """
    serve_path(store, host, port)


def serve_path(path: Path, host: str | None, port: int | None) -> None:
    """Open a store and serve it until Ctrl+C."""
    from service.web.serving import serve_store

    settings = read_settings()
    with opened(path) as held:
        serve_store(
            held,
            settings,
            host=host or settings.host,
            port=port or settings.port,
            tell=lambda address: click.echo(f"{path} is at {address} (stop with Ctrl+C)"),
        )
