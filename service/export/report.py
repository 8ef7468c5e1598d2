"""The readable account of a hand-over: one HTML page that needs nothing but itself."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from jinja2 import Environment
from markupsafe import Markup

from layers.crs import read_crs
from layers.drawing import figures
from layers.drawing.map_assets import asset_text
from layers.drawing.record_features import species_caught
from layers.estimates.coverage import STATES
from layers.fieldwork.effort import EFFORT_UNITS, effort_of, effort_totals
from layers.fieldwork.looking import local_dates, looked
from layers.fieldwork.stretches import stretch_lengths
from layers.plurals import counted, plural
from layers.totals import ALL
from service.columns import public_words
from service.export.contents import dates_of
from service.export.eml import withheld_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.export.contents import Contents

__all__ = ["account_page"]

_OUTCOMES: Final = {
    "caught": "caught fish",
    "nil": "fished properly and caught nothing (nil catches)",
    "lost": "lost",
    "disturbed": "disturbed",
    "unrecorded": "without a record of the catch",
}
# What stands to the right of its column: numbers, also those written as text.
_NUMBER: Final = re.compile(r"(≥ )?-?[\d,]+(\.\d+)?( ?%)?")
_GENERAL_CAUTIONS: Final = (
    (
        "Work in and beside water, by night, alone or with electric current is dangerous; local "
        "codes, permits and licensed practice decide who may do it and how."
    ),
    (
        "Each method misses each species at its own rate; figures of different methods cannot "
        "be added."
    ),
)


def account_page(
    contents: Contents,
    *,
    crs: str,
    transformation: tuple[str, float],
    members: Sequence[tuple[str, str]],
) -> bytes:
    """Write the account.

    Parameters
    ----------
    contents
        The hand-over.
    crs
        CRS of the GeoPackage.
    transformation
        Name of the operation from the store's CRS to that one, and its stated accuracy [m].
    members
        Name of each file of the hand-over, and what it is.
    """
    placements = contents.records.placements
    outcomes = placements["outcome"].value_counts()
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    page = environment.from_string(_own("account.html"))
    return page.render(
        style=asset_text("colours.css") + _own("account.css"),
        counted=counted,
        title=contents.title,
        made_on=contents.made_on,
        made_by=_program(),
        audience=contents.audience,
        withheld=withheld_words(contents.facts),
        dates=dates_of(placements),
        undated=int(local_dates(placements).isna().sum()),
        placements=len(placements),
        outcomes=[f"{count:,} {_OUTCOMES.get(str(key), key)}" for key, count in outcomes.items()],
        only=contents.only,
        table=_table,
        surveys=_surveys(contents),
        methods=_methods(contents),
        effort=_effort(contents),
        effort_plot=_effort_plot(contents),
        found=_found(contents),
        sampled=_sampled(contents),
        coverage_words=_coverage_words(contents),
        left_out=_left_out(contents),
        keeps_places=contents.keeps_places,
        public_words=public_words,
        position_words=_position_words(contents),
        crs_lines=_crs_lines(contents, crs, transformation),
        cautions=_method_cautions(contents),
        general_cautions=_GENERAL_CAUTIONS,
        licence=contents.licence,
        files=members,
    ).encode()


def _own(name: str) -> str:
    return files("service.export").joinpath(name).read_text(encoding="utf-8")


def _program() -> str:
    try:
        return f"Rifflebook {version('rifflebook')}"
    except PackageNotFoundError:  # run from a folder, not installed
        return "Rifflebook"


def _table(caption: str, frame: pd.DataFrame) -> Markup:
    """Write a frame as an HTML table; numbers to the right, missing as a dash."""
    if frame.empty:
        return Markup("<p>{}: none.</p>").format(caption)
    rows = [[_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    marks = [
        Markup(' class="number"') if all(map(_is_number, column)) else ""
        for column in zip(*rows, strict=True)
    ]
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(mark, name)
        for mark, name in zip(marks, frame.columns, strict=True)
    )
    body = Markup("").join(
        Markup("<tr>{}</tr>").format(
            Markup("").join(
                Markup("<td{}>{}</td>").format(mark, cell or Markup("&ndash;"))
                for mark, cell in zip(marks, row, strict=True)
            )
        )
        for row in rows
    )
    # Whoever has no pointer to scroll with reaches a wide table by the keyboard.
    return Markup(
        '<div class="wide" role="region" tabindex="0" aria-label="{}"><table><caption>{}</caption>'
        "<thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>"
    ).format(caption, caption, head, body)


def _cell(value: Any) -> str:  # noqa: ANN401 - whatever a frame holds
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return ""
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool):
        return f"{value:,}"
    return str(value)


def _is_number(cell: str) -> bool:
    return not cell or _NUMBER.fullmatch(cell) is not None


def _surveys(contents: Contents) -> pd.DataFrame:
    placements = contents.records.placements
    days = local_dates(placements).dt.strftime("%Y-%m-%d")
    unnamed = contents.generalised.notna().map({True: "(withheld)", False: "(none on record)"})
    named = placements["survey"].fillna(unnamed)
    spans = days.groupby(named).agg(["min", "max", "size"]).rename_axis("survey").reset_index()
    listed = contents.sheets["surveys"].set_index("survey")
    columns = {"Survey": spans["survey"]}
    for name, label in (("name", "Name"), ("leader", "Leader"), ("permit", "Permit")):
        stated = listed[name].reindex(spans["survey"]).reset_index(drop=True)
        if stated.notna().any():
            columns[label] = stated
    return pd.DataFrame(
        columns | {"First": spans["min"], "Last": spans["max"], "Placements": spans["size"]}
    )


def _effort_totals(contents: Contents, *, by_year: bool = False) -> pd.DataFrame:
    """Effort of gear that fished, by method and unit, as the summaries count it."""
    records = contents.records
    totals = effort_totals(
        records.placements,
        effort_of(records.placements, contents.methods, stretch_lengths(records.stretches)),
        catchment_of=pd.Series(None, index=records.placements.index, dtype="str"),
        ancestors=pd.DataFrame({"catchment_id": [], "ancestor_id": []}, dtype="str"),
        by_year=by_year,
    )
    units = contents.methods["effort_units"].explode().dropna()
    order = pd.MultiIndex.from_arrays([units.index, units])
    rank = order.get_indexer(pd.MultiIndex.from_frame(totals[["method", "effort_unit"]]))
    return totals.assign(
        known=totals["placements"] - totals["placements_without_effort"], rank=rank
    ).sort_values("rank", kind="stable", ignore_index=True)


def _effort(contents: Contents) -> pd.DataFrame:
    """Effort in each unit, beside the number of placements that it is known of."""
    known = _effort_totals(contents).query("known > 0")
    return pd.DataFrame(
        {
            "Method": known["method"].map(_labels(contents)),
            "Counted in": [EFFORT_UNITS[unit].unit for unit in known["effort_unit"]],
            "Effort": [
                f"{total:,.4g}" if total < 1000 else f"{total:,.0f}" for total in known["effort"]
            ],
            "Known of": known["known"],
            "Placements that fished": known["placements"],
        }
    )


def _methods(contents: Contents) -> pd.DataFrame:
    placements = contents.records.placements
    counts = placements.groupby("method").size()
    used = [name for name in contents.methods.index if name in counts.index]
    fished = placements[looked(placements)].groupby("method").size()
    columns = {
        "Method": [_labels(contents)[str(name)] for name in used],
        "Placements": counts.reindex(used).to_numpy(),
        "Fished properly": fished.reindex(used, fill_value=0).to_numpy(),
    }
    if contents.keeps_places:
        exact = placements[contents.generalised.isna()].groupby("method").size()
        columns["Shown exactly"] = exact.reindex(used, fill_value=0).to_numpy()
    return pd.DataFrame(columns)


def _labels(contents: Contents) -> dict[str, str]:
    return {str(name): str(label) for name, label in contents.methods["label"].items()}


def _effort_plot(contents: Contents) -> Markup | None:
    """Effort by year, each method in its main unit."""
    totals = _effort_totals(contents, by_year=True)
    if totals["effort"].isna().all():
        return None
    own = totals[totals["main_unit"]]
    drawn = figures.effort_by_method_and_year(own, labels=_labels(contents))
    return Markup(drawn)  # noqa: S704 - our own SVG, its texts escaped where it is drawn


def _found(contents: Contents) -> pd.DataFrame:
    caught = species_caught(contents.records.catches)
    totals = caught.groupby("species", as_index=False).agg(
        placements=("placement_id", "nunique"),
        fish=("individuals", "sum"),
        lower=("lower_bound", "any"),
    )
    common = contents.species["vernacular_name"].reindex(totals["species"]).to_numpy()
    words = totals["fish"].map("{:,.0f}".format).astype("str")
    return pd.DataFrame(
        {
            "Species": totals["species"],
            "Common name": common,
            "Placements": totals["placements"],
            "Fish": words.where(~totals["lower"], "≥ " + words),
        }
    )


def _sampled(contents: Contents) -> pd.DataFrame:
    whole = contents.tables["sampled_length_all"]
    labels = contents.methods["label"]
    return pd.DataFrame(
        {
            "Method": [
                "All methods together" if name == ALL else labels.get(name, name)
                for name in whole["method"]
            ],
            "Placements": whole["placements"],
            "Sampled length (km)": (whole["sampled_length_m"] / 1000).map("{:,.2f}".format),
            "Effort length (km)": (whole["effort_length_m"] / 1000).map("{:,.2f}".format),
            "Share of network": whole["network_share"].map("{:.1%}".format),
        }
    )


def _coverage_words(contents: Contents) -> str:
    reaches, gaps = contents.layers["reaches"], contents.layers["gaps"]
    if reaches.empty:
        return "No stream network is loaded."
    touched = int((reaches["sampled_fraction"] > 0).sum())
    visited = int((reaches["state"].notna() & (reaches["state"] != STATES[0])).sum())
    words = (
        f"{visited} of {counted(len(reaches), 'reach')} {plural(visited, 'was', 'were')} visited; "
        f"on {touched} of these a length was sampled."
    )
    if gaps.empty:
        return f"{words} No gap remains."
    longest = gaps["length_m"].max() / 1000  # connected parts that nobody visited
    remain = f"{counted(len(gaps), 'gap')} {plural(len(gaps), 'remains', 'remain')}"
    return f"{words} {remain}; the longest has {longest:,.1f} km of stream that nobody visited."


def _left_out(contents: Contents) -> str:
    reasons = contents.inputs.get("sampled_length_all", {}).get("left_out", {})
    return "; ".join(
        f"{counted(count, 'placement')} ({reason})" for reason, count in reasons.items()
    )


def _position_words(contents: Contents) -> list[str]:
    placements = contents.records.placements
    cells = contents.generalised.notna()
    exact = placements[~cells]
    known = exact["position_uncertainty_m"].dropna()
    if known.empty:
        words = ["No uncertainty of position is on record."]
    else:
        shown = " shown exactly" if cells.any() else ""
        stated = (
            f"Uncertainty of position is on record for {len(known):,} of "
            f"{counted(len(exact), 'placement')}{shown}: {known.min():,.0f} to "
            f"{known.max():,.0f} m, median "
            f"{known.median():,.0f} m."
        )
        words = [stated]
    if cells.any():
        within = placements.loc[cells, "coordinate_uncertainty_m"]
        words.append(
            f"{counted(cells.sum(), 'placement')} "
            f"{plural(cells.sum(), 'stands', 'stand')} at the centre "
            "of a grid cell, not where the gear "
            f"was: it lay within {within.min():,.0f} to {within.max():,.0f} m of that point, "
            "by the size of the cell."
        )
    snapped = contents.records.snaps["offset_m"].dropna()
    if not snapped.empty:
        words.append(
            f"{counted(len(snapped), 'placement')} {plural(len(snapped), 'was', 'were')} "
            "referred to "
            f"{plural(len(snapped), 'its', 'their')} nearest reach, at a median "
            f"distance of {snapped.median():,.1f} m and at most {snapped.max():,.1f} m."
        )
    return words


def _crs_lines(contents: Contents, crs: str, transformation: tuple[str, float]) -> list[str]:
    how, accuracy = transformation
    lines = [
        "GeoJSON: WGS 84 longitude and latitude (RFC 7946).",
        f"GeoPackage: {crs}, {read_crs(crs).name}.",
        f"Store and lengths: {contents.crs}, {read_crs(contents.crs).name}.",
    ]
    if how != "none needed":
        stated = f"{accuracy:g} m" if np.isfinite(accuracy) else "not stated"
        lines.append(f"Transformation to the GeoPackage's CRS: {how}; stated accuracy {stated}.")
    used = contents.records.placements["transformation"].dropna()
    lines += [f"From the field to the store: {name}." for name in sorted(set(used))]
    return lines


def _method_cautions(contents: Contents) -> list[tuple[str, list[str]]]:
    used = contents.methods[contents.methods.index.isin(contents.records.placements["method"])]
    return [
        (str(label), texts)
        for label, texts in zip(used["label"], used["cautions"], strict=True)
        if isinstance(texts, list) and texts
    ]
