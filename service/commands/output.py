"""Where a command's text goes: to the terminal, or to a file that appears whole."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.answers.writing import written_whole

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["output_option", "write_out"]

output_option = click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write to this file, replacing it when all went well; else to the terminal.",
)


def write_out(pieces: Iterable[bytes], output: Path | None) -> None:
    """Write pieces of text.

    Raises
    ------
    StoreError
        The file cannot be written; what stood there stands there still.
    """
    if output is None or str(output) == "-":
        stream = sys.stdout.buffer
        for piece in pieces:
            stream.write(piece)
        stream.flush()
        return
    with written_whole(output, overwrite=True) as path, path.open("wb") as file:
        for piece in pieces:
            file.write(piece)
