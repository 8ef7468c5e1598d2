"""`rifflebook import`: take field sheets in, whole or not at all."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

import click
from tqdm import tqdm

from layers.plurals import counted, plural
from service.commands.options import (
    in_file,
    opened,
    out_file,
    store_argument,
    who_changes,
    write_out,
)
from service.intake.columns import SHEETS
from service.intake.findings import Findings
from service.intake.importing import check, missing_species, take
from service.intake.kept_mappings import mapping_file
from service.intake.sheets import read_sheets
from service.intake.stored_sheets import csv_text
from service.intake.suggesting import suggest_for
from service.intake.tables import read_tables

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import pandas as pd

    from service.errors import Fault
    from service.intake.importing import CheckResult
    from service.intake.sheets import Sheets
    from service.records import Reading
    from service.store import Store

__all__ = ["import_"]

_SHOWN: Final = 40  # findings on the screen; the file of findings has all
_WORDINGS: Final = 4  # of one flag shown apart: by day and by night is not the same danger


@click.command("import")
@store_argument
@click.argument("files", metavar="[SHEET]...", type=in_file, nargs=-1)
@click.option("--placements", type=in_file, help="Sheet of placements.")
@click.option("--catches", type=in_file, help="Sheet of catches.")
@click.option("--lengths", type=in_file, help="Sheet of fish measured.")
@click.option("--surveys", type=in_file, help="Sheet of surveys that the store does not know yet.")
@click.option("--sites", type=in_file, help="Sheet of sites that the store does not know yet.")
@click.option(
    "--mapping", default="", help="TOML that says how other columns become ours; or a kept name."
)
@click.option(
    "--suggest", type=out_file, help="Write a mapping for these sheets, to be read and corrected."
)
@click.option("--waypoints", type=in_file, help="GPX for the column waypoint.")
@click.option(
    "--date-order",
    type=click.Choice(["dmy", "mdy", "ymd"]),
    help="How dates such as 03/04/2024 are meant; without it they are refused.",
)
@click.option("--survey", default="", help="Survey of rows that name none.")
@click.option("--crs", default="", help="CRS of positions whose row names none.")
@click.option("--delimiter", help="Separator of CSV files, where the header does not tell.")
@click.option(
    "--update",
    is_flag=True,
    help="Change placements that are stored with other content, in place of refusing them.",
)
@click.option(
    "--remove-rows",
    is_flag=True,
    help="With --update: remove the catch, or fish measured, of placements whose sheet lists none.",
)
@click.option("--check-only", is_flag=True, help="Check and report; store nothing.")
@click.option("--findings", type=out_file, help="Write every finding to this CSV.")
@click.option(
    "--missing-species",
    "missing",
    type=out_file,
    help="Write names that are not in the species list to this CSV, ready to be loaded.",
)
def import_(
    path: Path,
    *,
    check_only: bool,
    update: bool,
    remove_rows: bool,
    findings: Path | None,
    missing: Path | None,
    suggest: Path | None,
    **given: Any,  # noqa: ANN401
) -> None:
    """Take field sheets into STORE, whole or not at all.

    Sheets are CSV, XLSX, GeoJSON or GeoPackage; `rifflebook templates` writes empty ones. What
    each SHEET is, is found by its columns; an option says it. Sheets laid out otherwise come in by
    a mapping: `--suggest FILE` writes one to read and correct, `--mapping FILE` follows it, and
    `rifflebook load mapping` keeps it under a name for the next season.

    Values that cannot be understood are refused, each with its row and what would be right, and
    nothing is stored. What could only mean one thing is read, and said. What looks odd is flagged
    and kept. The same file again changes nothing.

    Sheets that were exported and corrected come back by `--update`: it shows what is new, what is
    changed column by column and what is the same. What the sheets do not say stays; a sheet of
    catches that lists none of a placement which has some is refused, unless --remove-rows.
    """
    if given["delimiter"] in ("tab", "\\t"):
        given["delimiter"] = "\t"
    if given["delimiter"] and len(given["delimiter"]) != 1:
        raise click.BadParameter("give one character, or tab", param_hint="--delimiter")
    if not given["placements"] and not given["files"]:
        raise click.UsageError("Give the sheets, or at least the one of placements.")
    with opened(path, read_only=check_only or suggest is not None) as store:
        if suggest is not None:
            _suggest(given, store, suggest)
            return
        with mapping_file(store, given["mapping"]) as followed:
            sheets = _read(given | {"mapping": followed}, store)
        before = store.find_batch(sheets.digest)
        if before is not None and not update:
            click.echo(
                f"These files were taken in before, as import {before.batch_id} on "
                f"{before.at:%Y-%m-%d %H:%M} UTC; nothing is changed."
            )
            return
        result = check(
            sheets,
            store,
            update=update,
            remove_rows=remove_rows,
            progress=lambda said: click.echo(f"… {said}", err=True),
        )
        _report(result, findings)
        for name, column, was, after in result.changes.to_numpy(str).tolist():
            click.echo(f"changed  {name}, {column}: {was or '(empty)'} → {after or '(empty)'}")
        if missing is not None:
            _write_missing(sheets, store, missing)
        if result.records is None:
            if len(result.flagged):
                click.echo(
                    "What is flagged comes of the rows that could be read whole; there may be more "
                    "once the others are mended.",
                    err=True,
                )
            raise click.ClickException(
                f"Values refused: {len(result.refused)}. Nothing was stored."
            )
        if check_only:
            click.echo(f"Checked only: {_counted(result, 'would be stored')}.")
            return
        _take(result, store)


def _read(given: dict[str, Any], store: Store) -> Sheets:
    click.echo("… reading files", err=True)
    return read_sheets(**given, species=store.species())


def _suggest(given: dict[str, Any], store: Store, target: Path) -> None:
    """Write a mapping for sheets never seen before, and say what they are taken for."""
    paths = [*given["files"], *(given[sheet] for sheet in SHEETS if given[sheet])]
    findings = Findings()
    tables = [
        table
        for path in dict.fromkeys(paths)
        for table in read_tables(path, findings, delimiter=given["delimiter"])
    ]
    for fault in findings.refused:
        click.echo(f"refused  {fault}", err=True)
    _show_readings(findings.readings)
    suggestion = suggest_for(store, tables, order=given["date_order"])
    if not suggestion.text:
        raise click.ClickException(" ".join(suggestion.open_questions))
    target.write_text(suggestion.text, encoding="utf-8")
    for said in suggestion.said:
        click.echo(said)
    for question in suggestion.open_questions:
        click.echo(f"? {question}")
    click.echo(
        f"{target} is written. Read it through, correct it, then import the same sheets with "
        f"--mapping {target} --check-only."
    )


def _take(result: CheckResult, store: Store) -> None:
    with tqdm(total=None, unit=" placements", desc="storing", disable=None, leave=False) as bar:

        def advance(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        batch = take(result, store, who_changes(), progress=advance)
    if result.changed:
        click.echo(
            f"Changed: {counted(len(result.changed), 'placement')}; what they were is in the "
            "history."
        )
    if batch is None and result.changed:
        return
    if batch is None:
        click.echo("Every placement is in the store already; nothing is changed.")
        return
    click.echo(
        f"Import {batch.batch_id}: {_counted(result, 'stored')}. "
        f"To take it back: rifflebook undo STORE {batch.batch_id}"
    )


def _counted(result: CheckResult, done: str) -> str:
    """Count what is `done`, then what is changed and what stays."""
    assert result.records is not None  # noqa: S101  called only then
    records = result.records.of(result.records.placements.index.difference([*result.changed]))
    placements = len(records.placements)
    read = result.rows_read.get("placements", placements)
    folded = len(result.digests)
    numbers = {
        "placement": placements,
        "catch": len(records.catches),
        "length": len(records.lengths),
    }
    parts = ", ".join(counted(number, word) for word, number in numbers.items())
    if read != folded:
        parts += f" ({counted(read, 'row')} {plural(read, 'was', 'were')} folded into "
        parts += f"{counted(folded, 'placement')})"
    parts += f" {done}"
    if result.changed:
        parts += f"; {counted(len(result.changed), 'placement')} changed"
    if result.unchanged:
        known = counted(len(result.unchanged), "placement")
        parts += f"; {known} of these sheets stored already, left as they are"
    return parts


def _report(result: CheckResult, findings: Path | None) -> None:
    """Show refusals one by one, readings and flags by kind, and write all of them to a file."""
    if findings is not None:
        write_out([csv_text(result.findings)], findings)
    alike: dict[tuple[str, str, str, str], list[Fault]] = {}
    for fault in result.refused:
        alike.setdefault((fault.file, fault.column, fault.value, fault.remedy), []).append(fault)
    for faults in list(alike.values())[:_SHOWN]:
        others = len(faults) - 1
        more = f" (and in {counted(others, 'more row')})" if others else ""
        click.echo(f"refused  {faults[0]}{more}", err=True)
    if len(alike) > _SHOWN:
        where = f"in {findings}" if findings else "written by --findings FILE"
        click.echo(f"… and {len(alike) - _SHOWN} kinds more, {where}", err=True)
    _show_readings(result.readings)
    for place, own in result.flagged.groupby(["code", "file"], sort=False):
        if own["row"].any() and own["message"].nunique() > _WORDINGS:
            _show_flags(str(place[0]), own)
        elif own["row"].any():
            for _, alike_flags in own.groupby("message", sort=False):
                _show_flags(str(place[0]), alike_flags)
        else:  # said of a file, each something of its own
            for _, one in own.iterrows():
                _show_flags(str(place[0]), one.to_frame().T)


def _show_readings(readings: Iterable[Reading]) -> None:
    for reading in readings:
        where = f"{reading.file}, row {reading.row}" if reading.row else reading.file
        column = f", {reading.column}" if reading.column else ""
        click.echo(f"read as  {reading.code}: {where}{column}: {reading.message}")


def _show_flags(code: str, own: pd.DataFrame) -> None:
    first = own.iloc[0]
    where = f"{first['file']}, row {first['row']}" if first["row"] else str(first["file"])
    column = f", {first['column']}" if first["column"] else ""
    value = f" = {textwrap.shorten(str(first['value']), 40)}" if first["value"] else ""
    times = f"{len(own)} times, first in " if len(own) > 1 else ""
    click.echo(f"flagged  {code}: {times}{where}{column}{value}: {first['message']}")


def _write_missing(sheets: Sheets, store: Store, path: Path) -> None:
    lacking = missing_species(sheets, store)
    write_out([csv_text(lacking)], path)
    click.echo(
        f"{counted(len(lacking), 'name')} not in the species list, written to {path}. "
        "Look through the file, "
        f"then: rifflebook load species STORE {path}",
        err=True,
    )
