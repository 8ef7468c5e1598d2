"""`rifflebook merge`: take the records of another store in."""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from layers.plurals import counted
from service.commands.options import opened, store_argument, who_changes, write_out
from service.intake.lists import read_list
from service.intake.store_merging import CLASH_COLUMNS
from service.intake.store_merging import merge as merge_stores
from service.intake.stored_sheets import csv_text

__all__ = ["merge"]

_SHOWN = 40
_in = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@store_argument
@click.argument("other", type=_in, metavar="OTHER_STORE")
@click.option("--prefix", default="", help="Put before their ids that STORE has otherwise.")
@click.option("--choices", type=_in, help="CSV of clashes in which the column choice is filled in.")
@click.option(
    "--clashes",
    "listing",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write what clashes to this CSV, to be filled in and given as --choices.",
)
@click.option("--check-only", is_flag=True, help="Say what would come of it; store nothing.")
def merge(
    path: Path,
    other: Path,
    *,
    prefix: str,
    choices: Path | None,
    listing: Path | None,
    check_only: bool,
) -> None:
    """Take the records of OTHER_STORE into STORE, whole or not at all.

    Surveys, sites, species, methods, placements and gear in the water that STORE lacks are added,
    with their history; what is the same stays. What both have under one id with other content is
    listed, and nothing is stored until each is settled: by --prefix, under which theirs are stored
    beside ours, or by hand, with ours, theirs or prefix in the column choice of the file that
    --clashes writes.
    A second merge of the same changes nothing. OTHER_STORE is only read.
    """
    given = None if choices is None else read_list(choices)
    if given is not None and given.attrs["read_as"]:
        click.echo(given.attrs["read_as"])
    chosen = None if given is None else given.fillna("")
    if chosen is not None and not {"kind", "id", "choice"} <= {*chosen.columns}:
        raise click.BadParameter("it needs the columns kind, id and choice", param_hint="--choices")
    with opened(other, read_only=True) as theirs, opened(path) as store:
        merged = merge_stores(
            store, theirs, who_changes(), prefix=prefix, choices=chosen, check_only=check_only,
            progress=lambda said: click.echo(f"… {said}", err=True),
        )  # fmt: skip
    if listing is not None:
        frame = pd.DataFrame(merged.clashes, columns=[*CLASH_COLUMNS], dtype="str")
        write_out([csv_text(frame)], listing)
    for kind, name, column, ours, other_content, _ in merged.clashes[:_SHOWN]:
        said = f"{kind} {name}{f', {column}' if column else ''}"
        click.echo(
            f"clash    {said}: ours {ours or '(empty)'}; theirs {other_content or '(empty)'}"
        )
    if len(merged.clashes) > _SHOWN:
        click.echo(f"… and {len(merged.clashes) - _SHOWN} more, written by --clashes FILE")
    result = merged.result
    refused = [] if result is None else result.refused
    for fault in refused[:_SHOWN]:
        click.echo(f"refused  {fault}", err=True)
    if not merged.stored:
        raise click.ClickException(
            f"Clashes: {len(merged.clashes)}, values refused: {len(refused)}. Nothing was stored."
        )
    for name, stored in merged.twins[:_SHOWN]:
        click.echo(
            f"flagged  same_elsewhere: placement {name} has the gear, place, day and catch of "
            f"{stored}, which is here; if they are one, remove one of the two."
        )
    if len(merged.twins) > _SHOWN:
        click.echo(f"… and {len(merged.twins) - _SHOWN} more")
    changed, same = (0, 0) if result is None else (len(result.changed), len(result.unchanged))
    new = 0 if result is None or result.records is None else len(result.records.placements)
    parts = [counted(new - changed, "new placement"), f"{changed} changed to theirs"]
    parts += [f"{same} the same"]
    if len(merged.new) > new:
        parts.append(f"{len(merged.new) - new} new in the water")
    if merged.lifted_here:
        parts.append(f"{len(merged.lifted_here)} lifted here already")
    parts += [f"{number} new {kind}" for kind, number in merged.added.items() if number]
    done = "Checked only" if check_only else "Merged"
    batch = f" as import {merged.batch.batch_id}" if merged.batch is not None else ""
    click.echo(f"{done}{batch}: {', '.join(parts)}.")
