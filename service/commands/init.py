"""`rifflebook init`: make a new store with the shipped methods in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from layers.crs import crs_key, crs_label, read_crs, require_metres
from layers.network.length_scale import REFUSED_SHARE, crs_length_error
from layers.plurals import counted
from service.commands.options import store_argument, who_changes
from service.errors import RequestError
from service.records import StoreSettings, is_zone
from service.reference.method_files import shipped_methods
from service.store import create_store

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["init"]


@click.command()
@store_argument
@click.option(
    "--crs", required=True, help="Projected CRS in metres that all lengths are computed in."
)
@click.option(
    "--timezone", required=True, metavar="AREA/CITY", help="Zone of surveys that name none."
)
@click.option("--title", default="", help="What people read above the map.")
@click.option(
    "--tolerance",
    type=click.FloatRange(0, min_open=True),
    default=100.0,
    show_default=True,
    help="Metres from a reach within which a placement still belongs to it.",
)
@click.option(
    "--node-tolerance",
    type=click.FloatRange(0),
    default=0.5,
    show_default=True,
    help="Metres within which the ends of reaches are one node.",
)
def init(
    path: Path, crs: str, timezone: str, title: str, tolerance: float, node_tolerance: float
) -> None:
    """Make a new, empty store at STORE, a GeoPackage file with the methods already in it.

    Example: rifflebook init island.gpkg --crs EPSG:32629 --timezone Europe/Dublin
    """
    code = crs_key(require_metres(crs, what="the store"))
    if not is_zone(timezone):
        raise RequestError(
            f"There is no time zone {timezone!r}; give an IANA name such as Europe/Dublin."
        )
    if crs_length_error(code) > REFUSED_SHARE:
        click.echo(
            f"Warning: in parts of the area that {crs_label(read_crs(code))} is made for, lengths "
            "are off by more than 1 %. A UTM zone or a national grid of metres keeps them truer; "
            "`load reaches` refuses a network whose lengths are so far off.",
            err=True,
        )
    settings = StoreSettings(
        crs=code,
        timezone=timezone,
        title=title,
        snap_tolerance_m=tolerance,
        node_tolerance_m=node_tolerance,
    )
    made = create_store(path, settings)
    try:
        methods = shipped_methods()
        made.put_methods(methods, who=who_changes())
    finally:
        made.close()
    click.echo(
        f"Made {path}: {settings.crs} ({read_crs(settings.crs).name}), {timezone}, "
        f"{counted(len(methods), 'method')}. Next: rifflebook load reaches {path} FILE"
    )
