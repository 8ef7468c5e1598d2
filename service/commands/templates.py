"""`rifflebook templates`: write empty field sheets."""

from __future__ import annotations

from pathlib import Path

import click

from service.commands.options import in_file, opened
from service.intake.templates import write_templates
from service.reference.method_files import shipped_methods

__all__ = ["templates"]


@click.command()
@click.argument("directory", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")
@click.option(
    "--store",
    type=in_file,
    help="Offer the methods of this store, not only those that every store begins with.",
)
def templates(directory: Path, store: Path | None) -> None:
    """Write empty field sheets into DIR: CSV, one workbook, and what every column means."""
    if store is None:
        methods = shipped_methods()
    else:
        with opened(store, read_only=True) as opened_store:
            methods = opened_store.methods()
    try:
        written = write_templates(directory, [str(name) for name in methods.index])
    except OSError as problem:
        raise click.ClickException(str(problem)) from problem
    for path in written:
        click.echo(str(path))
