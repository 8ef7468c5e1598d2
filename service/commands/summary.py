"""`rifflebook summary`: print what the records say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import click

from layers.estimates.covariates import COVARIATES
from layers.estimates.seasons import SEGMENT_M, UNITS
from layers.fieldwork.counted_water import COUNTS
from service.answers import methods_texts as texts_of_methods
from service.answers.request_words import read_day, read_season, read_whole
from service.answers.tables import (
    FORMATS,
    summary_csv,
    summary_geojson,
    summary_json,
    summary_words,
)
from service.commands.options import opened, output_option, store_argument, write_out
from service.commands.selecting import selection_of, selection_options
from service.errors import RequestError
from service.records import LOCAL_KEEPER

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import pandas as pd

    from service.records import Selection
    from service.store import Store

__all__ = ["SUMMARIES", "summary"]

# Each summary: its function of service.answers.summaries, and which of its parameters are options.
SUMMARIES: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "nearest-reach": ("placement_reaches", ("per", "every_reach")),
    "sampled-length": ("sampled_length", ("by",)),
    "occurrence": ("occurrence", ("by",)),
    "effort": ("effort", ("units",)),
    "coverage": ("coverage", ("as_of", "represents_m")),
    "streams": ("streams", ("represents_m",)),
    "gaps": ("gaps", ("count", "min_order", "represents_m")),
    "next-places": ("next_places", ("count", "within_m", "counts", "weight", "represents_m")),
    "depletion": ("depletion", ("all_estimators",)),
    "detection": ("detection", ("per", "unit", "years", "days", "segment_m", "covariates")),
    "richness": ("richness", ("per", "coverage")),
    "lengths": ("lengths", ("per", "class_mm")),
    "returns": ("returns", ()),
    "change": ("change", ("per", "by", "unit", "days")),
}
_PER: Final[dict[str, dict[str, str]]] = {
    "detection": {"method": "detection", "catchment": "chance_present"},
    "nearest-reach": {"placement": "placement_reaches", "reach": "reach_summary"},
    "lengths": {"species": "lengths", "class": "length_classes", "fish": "fish_condition"},
    "richness": {"catchment": "richness", "gear": "standard_richness"},
    "change": {"species": "change", "year": "change_by_year"},
}
# Reference layer: the summaries that go by it.
_GOES_BY: Final[dict[str, str]] = {
    "reaches": "nearest-reach sampled-length coverage streams gaps next-places detection",
    "catchments": "occurrence richness",
    "species": "occurrence effort detection richness",
}


@click.command()
@store_argument
@click.argument("what", type=click.Choice(list(SUMMARIES)), metavar="WHAT")
@click.option("--format", "form", type=click.Choice(FORMATS), default="csv", show_default=True)
@output_option
@selection_options
@click.option(
    "--per",
    type=click.Choice(list(dict.fromkeys(per for forms in _PER.values() for per in forms))),
    help="nearest-reach: one row for each placement or reach; "
    "lengths: for each species, class of length or weighed fish; change: species or year; "
    "richness: catchment, or gear and group at equal coverage; "
    "detection: method, or catchment with the chance that it holds what nobody found there.",
)
@click.option(
    "--coverage",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    help="richness --per gear: share of finds at which catchments are compared.",
)
@click.option(
    "--class-mm",
    type=click.FloatRange(0, min_open=True),
    metavar="MM",
    help="lengths --per class: width of a class; 10.",
)
@click.option(
    "--every-reach",
    is_flag=True,
    help="nearest-reach --per reach: also reaches without a placement.",
)
@click.option(
    "--by",
    metavar="LIST",
    help="sampled-length: any of catchment, strahler, reach, year, survey, with commas; "
    "occurrence: one of catchment, stream, reach, site, year; change: catchment or stream.",
)
@click.option(
    "--effort-unit",
    "units",
    multiple=True,
    metavar="METHOD=UNIT",
    help="effort: another unit than the method's first.",
)
@click.option("--as-of", metavar="DATE", help="coverage: the day to count years from; today.")
@click.option(
    "--min-order", type=click.IntRange(1), help="gaps: leave out reaches of a lower Strahler order."
)
@click.option(
    "--count",
    metavar="visited|sampled|N",
    help="gaps: which water fills a gap, visited; next-places: how many, 10.",
)
@click.option(
    "--fill",
    "counts",
    type=click.Choice(COUNTS),
    help="next-places: which water is open no more; visited.",
)
@click.option(
    "--weight", metavar="COLUMN", help="next-places: numbers of the reaches to weigh a metre by."
)
@click.option(
    "--represents",
    "represents_m",
    type=click.FloatRange(0, min_open=True),
    metavar="METRES",
    help="Visited water up and down of a placement without a stretch; else as its method says.",
)
@click.option(
    "--within",
    "within_m",
    type=click.FloatRange(0, min_open=True),
    metavar="METRES",
    help="next-places: distance along the network that a place stands for; 1000.",
)
@click.option(
    "--all-estimators",
    is_flag=True,
    help="depletion: also joint over placements, weighted and two-pass, for comparison.",
)
@click.option(
    "--unit",
    type=click.Choice(UNITS),
    help="detection: what is occupied or not; reach. change: what was visited again, reach or "
    "site; site where half of the placements have one, else reach.",
)
@click.option(
    "--segment-length",
    "segment_m",
    type=click.FloatRange(0, min_open=True),
    metavar="METRES",
    help=f"detection --unit segment: length of the pieces of reaches; {SEGMENT_M:.0f}.",
)
@click.option(
    "--season",
    "days",
    metavar="MM-DD:MM-DD",
    help="detection, change: first and last day of each year's season; the calendar year.",
)
@click.option(
    "--covariates",
    metavar="LIST",
    help="detection: what occupancy and detection may depend on, chosen by AICc; any of "
    f"{', '.join(COVARIATES)}, with commas.",
)
@click.option(
    "--year",
    "years",
    multiple=True,
    type=int,
    help="detection: the season that began in this year; all.",
)
@click.option(
    "--methods-text", is_flag=True, help="Print how it was computed, with sources, instead."
)
def summary(
    path: Path,
    what: str,
    form: str,
    output: Path | None,
    methods_text: bool,
    **given: Any,  # noqa: ANN401
) -> None:
    """Print a summary of the records in STORE.

    WHAT is one of nearest-reach, sampled-length, occurrence, effort, coverage, streams, gaps,
    next-places, depletion, detection, richness, lengths, returns, change. Their columns are listed
    in the guide, on the page about figures.

    Example: rifflebook summary island.gpkg sampled-length --by catchment,year
    """
    selection = selection_of(given)
    options = {name: value for name, value in given.items() if value not in (None, (), False)}
    _refuse_foreign(what, options)
    with opened(path, read_only=True) as store:
        frame = _summary(store, what, selection, options)
        text: Iterable[bytes]
        if methods_text:
            text = [texts_of_methods.methods_text(frame).encode()]
        elif form == "csv":
            text = summary_csv(frame)
        elif form == "json":
            text = [summary_json(frame, what)]
        else:
            text = summary_geojson(frame, what, catchments=store.catchments())
        words = [*summary_words(frame), *_lacking(store, what, frame)]
    write_out(text, output)
    for sentence in words:
        click.echo(sentence, err=True)


def _lacking(store: Store, what: str, frame: pd.DataFrame) -> list[str]:
    """Name the reference layers that this summary goes by and the store lacks."""
    from service import reference

    stored = {
        "reaches": len(reference.network(store).reaches),
        "catchments": len(reference.catchments(store)),
        "species": len(reference.species(store)),
    }
    return [
        f"The store holds no {layer}; rifflebook load {layer} brings them in."
        for layer, wanted_by in _GOES_BY.items()
        if what in wanted_by.split()
        and not stored[layer]
        and (layer != "catchments" or "catchment" in frame)
    ]


def _refuse_foreign(what: str, options: dict[str, Any]) -> None:
    per = options.get("per")
    for option in summary.params:
        name = str(option.name)
        if name in options and name not in SUMMARIES[what][1]:
            owners = [key for key, (_, own) in SUMMARIES.items() if name in own]
            raise RequestError(
                f"{option.opts[0]} belongs to {', '.join(owners)}, not to {what}; leave it out."
            )
        if name in options.keys() & {"unit", "segment_m", "covariates"} and per == "catchment":
            raise RequestError(
                f"--per catchment counts reaches, all alike; leave out {option.opts[0]}."
            )
    if per not in _PER.get(what, {None: ""}) and per is not None:
        raise RequestError(f"--per {per}: {what} has one row per {' or '.join(_PER[what])}.")
    for name, form in (("coverage", "gear"), ("class_mm", "class"), ("every_reach", "reach")):
        if name in options and per != form:
            raise RequestError(f"--{name.replace('_', '-')} needs --per {form}.")


def _summary(
    store: Store, what: str, selection: Selection, options: dict[str, Any]
) -> pd.DataFrame:
    from service.answers import summaries

    name = SUMMARIES[what][0]
    wanted = dict(options)
    if "per" in wanted:
        name = _PER[what][wanted.pop("per")]
    if "by" in wanted and what not in ("occurrence", "change"):
        wanted["by"] = _parts(wanted["by"])
    if "count" in wanted:
        wanted |= _counting(what, wanted.pop("count"))
    if "as_of" in wanted:
        wanted["as_of"] = read_day(wanted["as_of"], "--as-of", last=False)
    if "days" in wanted:
        wanted["days"] = read_season(wanted["days"], "--season")
    if "covariates" in wanted:
        wanted["covariates"] = _parts(wanted["covariates"])
    if "units" in wanted:
        wanted["units"] = _pairs(wanted["units"])
    frame: pd.DataFrame = getattr(summaries, name)(store, selection, LOCAL_KEEPER, **wanted)
    return frame


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _counting(what: str, text: str) -> dict[str, Any]:
    if what == "gaps":
        if text not in COUNTS:
            raise RequestError(f"--count {text!r}: gaps count what was {' or '.join(COUNTS)}.")
        return {"counts": text}
    return {"count": read_whole(text, "--count", least=1)}


def _pairs(texts: tuple[str, ...]) -> dict[str, str]:
    pairs = {}
    for text in texts:
        method, equals, unit = (part.strip() for part in text.partition("="))
        if not (method and equals and unit):
            raise RequestError(f"--effort-unit {text!r}: write METHOD=UNIT, as kick_net=minute.")
        pairs[method] = unit
    return pairs
