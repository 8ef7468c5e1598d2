"""`rifflebook serve`: serve the pages of a store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from service.commands.options import opened, store_argument

if TYPE_CHECKING:
    from pathlib import Path

    from service.faces import Faces

__all__ = ["host_option", "port_option", "serve", "serve_path"]

host_option = click.option("--host", help="Address to serve on; 127.0.0.1.")
port_option = click.option("--port", type=click.IntRange(1, 65_535), help="Port; 8765.")


@click.command()
@store_argument
@host_option
@port_option
@click.pass_obj
def serve(faces: Faces, /, path: Path, host: str | None, port: int | None) -> None:
    """Serve the map and the other pages of STORE to a browser on this machine.

    Example: rifflebook serve island.gpkg --port 8080
    """
    serve_path(faces, path, host, port)


def serve_path(faces: Faces, path: Path, host: str | None, port: int | None) -> None:
    """Open a store and serve it until Ctrl+C."""
    with opened(path) as store:
        faces.serve(
            store,
            host=host,
            port=port,
            report=lambda address: click.echo(f"{path} is at {address} (stop with Ctrl+C)"),
        )
