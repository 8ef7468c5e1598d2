"""The readable account of a hand-over: one HTML page that needs nothing but itself."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from jinja2 import Environment
from markupsafe import Markup, escape

from layers import figures
from layers.crs import read_crs
from layers.effort import EFFORT_UNITS, effort_of
from layers.looking import local_dates, looked
from layers.record_features import species_caught
from service.export.contents import dates_of
from service.export.eml import TERM_LISTS, withheld_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.export.contents import Contents

__all__ = ["account_page"]

_OUTCOMES: Final = {
    "caught": "caught fish",
    "nil": "fished properly and caught nothing",
    "lost": "lost",
    "disturbed": "disturbed",
    "unrecorded": "without a record of the catch",
}
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
    text = files("service.export").joinpath("account.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True, trim_blocks=True).from_string(text)
    return page.render(
        title=contents.title,
        made_on=contents.made_on,
        audience=contents.audience,
        withheld=withheld_words(contents),
        dates=dates_of(placements),
        placements=len(placements),
        outcomes=[(_OUTCOMES.get(str(key), key), int(held)) for key, held in outcomes.items()],
        asked=_asked_words(contents),
        table=_table,
        surveys=_surveys(contents),
        methods=_methods(contents),
        effort_plot=_effort_plot(contents),
        found=_found(contents),
        sampled=_sampled(contents),
        coverage_words=_coverage_words(contents),
        left_out=_left_out(contents),
        position_words=_position_words(contents),
        crs_lines=_crs_lines(contents, crs, transformation),
        cautions=[*_method_cautions(contents), *_GENERAL_CAUTIONS],
        licence=contents.licence,
        files=members,
        terms=TERM_LISTS,
    ).encode()


def _table(caption: str, frame: pd.DataFrame) -> Markup:
    """Write a frame as an HTML table; numbers to the right, missing as a dash."""
    if frame.empty:
        return Markup("<p>{}: none.</p>").format(caption)
    numeric = [pd.api.types.is_numeric_dtype(frame[name].dtype) for name in frame.columns]
    marks = [Markup(' class="number"') if is_number else "" for is_number in numeric]
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(mark, name)
        for mark, name in zip(marks, frame.columns, strict=True)
    )
    body = Markup("").join(
        Markup("<tr>{}</tr>").format(
            Markup("").join(
                Markup("<td{}>{}</td>").format(mark, _cell(value))
                for mark, value in zip(marks, row, strict=True)
            )
        )
        for row in frame.itertuples(index=False, name=None)
    )
    return Markup(
        '<div class="wide"><table><caption>{}</caption><thead><tr>{}</tr></thead>'
        "<tbody>{}</tbody></table></div>"
    ).format(caption, head, body)


def _cell(value: Any) -> Markup:  # noqa: ANN401 - whatever a frame holds
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return Markup("&ndash;")
    if isinstance(value, float):
        return escape(
            f"{value:,.0f}" if value == round(value) or abs(value) >= 100 else f"{value:.3g}"
        )
    return escape(str(value))


def _asked_words(contents: Contents) -> str:
    asked = contents.selection
    parts = [
        f"{name} {', '.join(chosen)}"
        for name, chosen in (
            ("surveys", asked.surveys), ("methods", asked.methods),
            ("species", asked.species), ("catchments", asked.catchments),
        )
        if chosen
    ]  # fmt: skip
    parts += [f"from {asked.since}"] if asked.since else []
    parts += [f"until {asked.until}"] if asked.until else []
    return "; ".join(parts)


def _surveys(contents: Contents) -> pd.DataFrame:
    placements = contents.records.placements
    days = local_dates(placements).dt.strftime("%Y-%m-%d")
    named = placements["survey"].fillna("(not told)")
    spans = days.groupby(named).agg(["min", "max", "size"]).rename_axis("survey").reset_index()
    listed = contents.sheets["surveys"].set_index("survey")
    columns = {"Survey": spans["survey"]}
    for name, label in (("name", "Name"), ("leader", "Leader"), ("permit", "Permit")):
        told = listed[name].reindex(spans["survey"]).reset_index(drop=True)
        if told.notna().any():
            columns[label] = told
    return pd.DataFrame(
        columns | {"First": spans["min"], "Last": spans["max"], "Placements": spans["size"]}
    )


def _effort_by_year(contents: Contents) -> pd.DataFrame:
    """Effort in each method's first unit, by method and local year, of gear that fished."""
    placements, methods = contents.records.placements, contents.methods
    first = methods["effort_units"].map(lambda units: units[:1])
    effort = effort_of(placements, methods.assign(effort_units=first)).dropna(subset=["effort"])
    own = placements.reindex(effort["placement_id"])
    fished = looked(own)
    frame = pd.DataFrame(
        {
            "method": own["method"].to_numpy(),
            "year": local_dates(own).dt.year.to_numpy(float, na_value=np.nan),
            "effort_unit": effort["effort_unit"].to_numpy(),
            "effort": effort["effort"].to_numpy(),
        }
    )[fished]
    return pd.DataFrame(
        frame.groupby(["method", "year", "effort_unit"], as_index=False)["effort"].sum()
    )


def _methods(contents: Contents) -> pd.DataFrame:
    placements = contents.records.placements
    labels = contents.methods["label"]
    effort = effort_of(placements, contents.methods).dropna(subset=["effort"])
    own = placements.reindex(effort["placement_id"])
    effort["method"] = own["method"].to_numpy()
    sums = effort[looked(own)].groupby(["method", "effort_unit"], as_index=False, sort=False)
    totals: dict[str, list[str]] = {}
    for method, unit, total in sums["effort"].sum().itertuples(index=False, name=None):
        totals.setdefault(str(method), []).append(f"{total:,.4g} {EFFORT_UNITS[str(unit)].unit}")
    counts = placements.groupby("method").size()
    fished = placements[looked(placements)].groupby("method").size()
    return pd.DataFrame(
        {
            "Method": [labels.get(name, name) for name in counts.index],
            "Placements": counts.to_numpy(),
            "Fished properly": fished.reindex(counts.index, fill_value=0).to_numpy(),
            "Effort": [
                "; ".join(totals.get(str(name), ["not on record"])) for name in counts.index
            ],
        }
    )


def _labels(contents: Contents) -> dict[str, str]:
    return {str(name): str(label) for name, label in contents.methods["label"].items()}


def _effort_plot(contents: Contents) -> Markup | None:
    totals = _effort_by_year(contents)
    if totals.empty:
        return None
    drawn = figures.effort_by_method_and_year(totals, labels=_labels(contents))
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
                "All methods together" if name == "all" else labels.get(name, name)
                for name in whole["method"]
            ],
            "Placements": whole["placements"],
            "Sampled length (km)": (whole["sampled_length_m"] / 1000).round(3),
            "Effort length (km)": (whole["effort_length_m"] / 1000).round(3),
            "Share of network": whole["network_share"].map("{:.1%}".format),
        }
    )


def _coverage_words(contents: Contents) -> str:
    reaches, gaps = contents.layers["reaches"], contents.layers["gaps"]
    if reaches.empty:
        return "No stream network is loaded."
    touched = int((reaches["sampled_fraction"] > 0).sum())
    words = f"{touched} of {len(reaches)} reaches were sampled at least in part."
    if gaps.empty:
        return f"{words} No gap remains."
    longest = gaps["length_m"].max() / 1000
    return f"{words} {len(gaps)} gaps remain; the longest has {longest:,.1f} km of stream."


def _left_out(contents: Contents) -> str:
    reasons = contents.inputs.get("sampled_length_all", {}).get("left_out", {})
    return "; ".join(f"{count} placements ({reason})" for reason, count in reasons.items())


def _position_words(contents: Contents) -> str:
    placements = contents.records.placements
    name = "coordinate_uncertainty_m"
    known = placements[name if name in placements else "position_uncertainty_m"].dropna()
    if known.empty:
        stated = "No uncertainty of position is on record."
    else:
        stated = (
            f"Uncertainty of position is on record for {len(known)} of {len(placements)} "
            "placements: "
            f"{known.min():,.0f} to {known.max():,.0f} m, median {known.median():,.0f} m."
        )
    snapped = contents.records.snaps["offset_m"].dropna()
    if snapped.empty:
        return stated
    return (
        f"{stated} {len(snapped)} placements were referred to their nearest reach, at a median "
        f"distance of {snapped.median():,.1f} m and at most {snapped.max():,.1f} m."
    )


def _crs_lines(contents: Contents, crs: str, transformation: tuple[str, float]) -> list[str]:
    how, accuracy = transformation
    lines = [
        "GeoJSON: WGS 84 longitude and latitude (RFC 7946).",
        f"GeoPackage: {crs}, {read_crs(crs).name}.",
        f"Store and lengths: {contents.crs}, {read_crs(contents.crs).name}.",
    ]
    if how != "none needed":
        told = f"{accuracy:g} m" if np.isfinite(accuracy) else "not stated"
        lines.append(f"Transformation to the GeoPackage's CRS: {how}; stated accuracy {told}.")
    used = contents.records.placements["transformation"].dropna()
    lines += [f"From the field to the store: {name}." for name in sorted(set(used))]
    return lines


def _method_cautions(contents: Contents) -> list[str]:
    used = contents.methods[contents.methods.index.isin(contents.records.placements["method"])]
    return [f"{label}: {text}" for label, texts in zip(used["label"], used["cautions"], strict=True)
            for text in (texts if isinstance(texts, list) else [])]  # fmt: skip
