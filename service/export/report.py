"""The readable account of a hand-over: one HTML page that needs nothing but itself."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
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
from service.answers.methods_texts import ASSUMES, METHODS_TEXTS
from service.columns import public_words
from service.export.documents import environment
from service.export.eml import withheld_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.export.contents import Contents

__all__ = ["account_page"]

# Summaries whose figures a hand-over holds.
_SUMMARIES: Final = (
    "placement_reaches",
    "occurrence",
    "effort",
    "sampled_length",
    "coverage",
    "gaps",
)
_OUTCOMES: Final = {
    "caught": "caught fish",
    "nil": "fished properly and caught nothing (nil catches)",
    "lost": "lost",
    "disturbed": "disturbed",
    "unrecorded": "without a record of the catch",
}
# What stands to the right of its column: numbers, also those written as text.
_NUMBER: Final = re.compile(r"(≥ )?-?[\d,]+(\.\d+)?( ?%)?")


def account_page(
    contents: Contents,
    *,
    crs: str,
    transformation: tuple[str, float],
    members: Sequence[tuple[str, str]],
) -> bytes:
    """Write the account.

    `crs` is that of the GeoPackage, `transformation` the name of the operation from the store's CRS
    and its stated accuracy [m]; `members` are the name of each file and what it is.
    """
    placements, reaches = contents.records.placements, contents.layers["reaches"]
    cells = contents.generalised.notna()
    used = contents.methods[contents.methods.index.isin(placements["method"])]
    page = environment().get_template("account.html")
    return page.render(
        methods_texts={name: METHODS_TEXTS[name] for name in _SUMMARIES},
        assumes=ASSUMES,
        contents=contents,
        members=members,
        # Words
        style=asset_text("colours.css")
        + files("service.export").joinpath("account.css").read_text(),
        made_by=_program(),
        withheld=withheld_words(contents.facts),
        outcome_words=_OUTCOMES,
        cautions=[
            (label, texts) for label, texts in zip(used["label"], used["cautions"], strict=True)
        ],
        counted=counted,
        plural=plural,
        public_words=public_words,
        # Figures
        placements=len(placements),
        outcomes=placements["outcome"].value_counts().to_dict(),
        undated=int(local_dates(placements).isna().sum()),
        table=_columns,
        surveys=_surveys(contents),
        methods=_methods(contents),
        effort=_effort(contents),
        effort_plot=_effort_plot(contents),
        found=_found(contents),
        sampled=_sampled(contents),
        reaches=len(reaches),
        touched=int((reaches["sampled_fraction"] > 0).sum()),
        visited=int((reaches["state"].notna() & (reaches["state"] != STATES[0])).sum()),
        gaps_m=contents.layers["gaps"]["length_m"],
        left_out=contents.inputs.get("sampled_length_all", {}).get("left_out", {}),
        # Positions
        exact=int((~cells).sum()),
        uncertainty_m=placements.loc[~cells, "position_uncertainty_m"].dropna(),
        cells_m=placements.loc[cells].get("coordinate_uncertainty_m", pd.Series(dtype=float)),
        offsets_m=contents.records.snaps["offset_m"].dropna(),
        crs=crs,
        crs_name=lambda code: read_crs(code).name,
        transformation=transformation,
        operations=sorted(placements["transformation"].dropna().unique()),
    ).encode()


def _program() -> str:
    try:
        return f"Rifflebook {version('rifflebook')}"
    except PackageNotFoundError:  # run from a folder, not installed
        return "Rifflebook"


def _columns(frame: pd.DataFrame) -> list[tuple[str, bool, list[str]]]:
    """Name of each column, whether it stands to the right as numbers do, and its cells."""
    columns = [(str(name), list(map(_cell, frame[name].tolist()))) for name in frame]
    return [
        (name, all(not cell or _NUMBER.fullmatch(cell) for cell in cells), cells)
        for name, cells in columns
    ]


def _cell(value: Any) -> str:  # noqa: ANN401 - whatever a frame holds
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return ""
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool):
        return f"{value:,}"
    return str(value)


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
            "Method": known["method"].map(contents.methods["label"]),
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
        "Method": contents.methods["label"].reindex(used).to_numpy(),
        "Placements": counts.reindex(used).to_numpy(),
        "Fished properly": fished.reindex(used, fill_value=0).to_numpy(),
    }
    if contents.keeps_places:
        exact = placements[contents.generalised.isna()].groupby("method").size()
        columns["Shown exactly"] = exact.reindex(used, fill_value=0).to_numpy()
    return pd.DataFrame(columns)


def _effort_plot(contents: Contents) -> Markup | None:
    """Effort by year, each method in its main unit."""
    totals = _effort_totals(contents, by_year=True)
    if totals["effort"].isna().all():
        return None
    own = totals[totals["main_unit"]]
    drawn = figures.effort_by_method_and_year(own, labels=contents.methods["label"].to_dict())
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
