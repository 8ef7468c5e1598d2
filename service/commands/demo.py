"""`rifflebook demo`: an invented island with its records, to look at and to try things on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.serve import host_option, port_option, serve_path

if TYPE_CHECKING:
    from service.faces import Faces

__all__ = ["demo"]


@click.command()
@click.option(
    "--dir",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Where the store of the demonstration goes; a folder for this program when not given.",
)
@host_option
@port_option
@click.option("--build-only", is_flag=True, help="Make the store, print where it is, and stop.")
@click.pass_obj
def demo(
    faces: Faces, /, folder: Path | None, host: str | None, port: int | None, *, build_only: bool
) -> None:
    """Show an invented island: its streams, five years of field sheets, and what they say.

    The first time, the store is made from files that came with the program; later what you
    changed in it is still there. Delete the file to begin anew.
    """
    from service.commands.demo_store import build_demo

    place = folder or Path(click.get_app_dir("rifflebook"))
    path = build_demo(place, tell=lambda step: click.echo(f"… {step}", err=True))
    if build_only:
        click.echo(str(path))
        return
    serve_path(faces, path, host, port)
