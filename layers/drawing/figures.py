"""Small figures as SVG text: lengths, accumulation, effort, catch per unit effort.

Every figure reads without colour (hatches, line styles, markers), names units on its axes,
carries a title and a description for screen readers, and comes out the same for the same
records, byte by byte.
"""

from __future__ import annotations

import io
import re
from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from layers.drawing.colours import COLOURS
from layers.fieldwork.effort import EFFORT_UNITS
from layers.frames import reads
from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Mapping
    from contextlib import AbstractContextManager

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

__all__ = [
    "accumulation_curve",
    "catch_per_unit_effort",
    "change_over_years",
    "class_width_mm",
    "effort_by_method_and_year",
    "length_frequency",
]

# Five greys-to-blues that keep their order in greyscale, each with a hatch of its own.
_FILLS: Final = tuple(COLOURS[f"figure-{n}"] for n in range(1, 8))
_HATCHES: Final = ("", "//", "..", "", "xx", "\\\\", "--")
_INK: Final = COLOURS["figure-ink"]
_SETTINGS: Final = {
    "svg.hashsalt": "rifflebook",
    "svg.fonttype": "none",
    "font.family": ["sans-serif"],
    "font.size": 9.0,
    "axes.edgecolor": _INK,
    "axes.labelcolor": _INK,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "hatch.linewidth": 0.6,
    "text.color": _INK,
    "text.parse_math": False,  # a dollar sign in a place name is no formula
    "xtick.color": _INK,
    "ytick.color": _INK,
}
_WORDS: Final = "No records to draw."
_FEWEST_FISH: Final = 5  # common practice, no source
_MOST_PLACES: Final = 30  # in one figure


# matplotlib is heavy, and a service that draws nothing is better off without: it is loaded when
# the first figure is drawn.
def _drawing() -> AbstractContextManager[None]:
    """Use our settings while a figure is drawn and written, without touching the user's."""
    import matplotlib as mpl

    return mpl.rc_context(_SETTINGS)  # type: ignore[arg-type]


def _sheet(width_in: float, height_in: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def _new(height_in: float = 3.1) -> tuple[Figure, Axes]:
    figure = _sheet(5.2, height_in)
    return figure, figure.add_subplot()


def _whole_numbers(most: int = 10) -> MaxNLocator:
    """Place ticks at whole numbers, `most` + 1 of them or fewer."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=most, integer=True)


def _svg(figure: Figure, title: str, description: str) -> str:
    """Write a figure as SVG with an accessible name; no date, no clock, no random ids."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    target = io.StringIO()
    FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
        target, metadata={"Date": None, "Creator": None, "Type": None, "Format": None}
    )
    text = target.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    opening, rest = text.split(">", 1)
    label = f'{opening} role="img"><title>{escape(title)}</title><desc>{escape(description)}</desc>'
    return label + rest


def _blank(title: str, words: str = _WORDS) -> str:
    with _drawing():
        figure, axes = _new(height_in=1.2)
        axes.axis("off")
        axes.text(0.5, 0.5, words, ha="center", va="center", transform=axes.transAxes)
        return _svg(figure, title, words)


def _labels(names: pd.Index, labels: Mapping[Any, str] | None) -> list[str]:
    chosen = labels or {}
    return [chosen.get(str(name), str(name).replace("_", " ").capitalize()) for name in names]


@reads(lengths="species length_mm")
def class_width_mm(lengths: pd.DataFrame, species: str) -> float:
    """Width of length classes that suits how many fish were measured: 1, 2, 5, 10, … [mm].

    It is the narrowest that will do: the middle nine tenths of n fish fall into at most 2√n
    classes and no fewer than 8 are allowed (common practice, no source); all of them into at
    most 60.

    Examples
    --------
    >>> fish = pd.DataFrame({"species": "Esox lucius", "length_mm": [110.0, 640.0]})
    >>> class_width_mm(fish, "Esox lucius")
    100.0
    """
    own = lengths.loc[lengths["species"] == species, "length_mm"].dropna().to_numpy(np.float64)
    if not own.size:
        return 5.0
    low, high = np.quantile(own, [0.05, 0.95])
    narrowest = max((high - low) / max(8.0, 2.0 * np.sqrt(own.size)), np.ptp(own) / 60.0)
    widths = [step * 10.0**power for power in range(6) for step in (1, 2, 5)]
    return next((width for width in widths if width >= narrowest), widths[-1])


@reads(lengths="species length_mm")
def length_frequency(lengths: pd.DataFrame, species: str, *, class_mm: float = 5.0) -> str:
    """Draw how many measured fish of a species fall into each length class of `class_mm` [mm].

    `lengths` is a frame of this kind (`layers.frames`). Of several kinds of length, that of most
    fish is drawn. Returns SVG; one that says so in words when fewer than five fish were measured.
    """
    fish = lengths[(lengths["species"] == species) & lengths["length_mm"].notna()]
    kind = ""
    if "length_type" in fish and len(fish):
        kinds = fish["length_type"].astype("str").fillna("")
        kind = str(kinds.mode().iloc[0])
        fish = fish[kinds == kind]
    own = fish["length_mm"].to_numpy(np.float64)
    title = f"Length frequency of {species}"
    if own.size < _FEWEST_FISH:
        return _blank(title, f"Fewer than {_FEWEST_FISH} fish measured.")
    low, high = np.floor(own.min() / class_mm), np.floor(own.max() / class_mm) + 1
    edges = np.arange(low, high + 1) * class_mm
    with _drawing():
        figure, axes = _new()
        axes.hist(own, edges.tolist(), color=_FILLS[1], edgecolor=_INK, linewidth=0.7)
        measured = f"{kind.capitalize()} length" if kind else "Length"
        axes.set_xlabel(f"{measured} (mm), classes of {class_mm:g} mm")
        axes.set_ylabel("Fish measured")
        axes.yaxis.set_major_locator(_whole_numbers())
        axes.set_title(f"{species}, n = {own.size}", fontsize=9, loc="left", style="italic")
        description = (
            f"{own.size} fish, {own.min():g} to {own.max():g} mm, median {np.median(own):g} mm."
        )
        return _svg(figure, title, description)


@reads("curve")
def accumulation_curve(
    curve: pd.DataFrame, *, place: str = "", estimate: float | None = None
) -> str:
    """Draw the species expected against the number of placements, with a band of ± one sd, as SVG.

    `curve` is what `layers.estimates.richness.accumulation` gave; `place` names the catchment in
    the title, `estimate` is the estimated number of species (Chao2), drawn as a line.
    """
    title = f"Species accumulation{f', {place}' if place else ''}"
    if curve.empty:
        return _blank(title)
    n, mean, sd = (curve[c].to_numpy(np.float64) for c in ("placements", "species", "species_sd"))
    with _drawing():
        figure, axes = _new()
        axes.fill_between(
            n, np.maximum(mean - sd, 0), mean + sd, color=COLOURS["figure-spread"], lw=0
        )
        marker = "o" if n.size <= 30 else ""
        axes.plot(n, mean, color=_FILLS[0], marker=marker, markersize=3.5, label="expected ± sd")
        if estimate is not None and np.isfinite(estimate):
            axes.axhline(estimate, color=_INK, linestyle="--", linewidth=1, label="Chao2 estimate")
        axes.set_xlabel("Placements")
        axes.set_ylabel("Species")
        axes.set_ylim(bottom=0)
        axes.xaxis.set_major_locator(_whole_numbers())
        axes.yaxis.set_major_locator(_whole_numbers())
        axes.legend(frameon=False, loc="lower right")
        axes.set_title(title, fontsize=9, loc="left")
        description = (
            f"{mean[-1]:g} species in {counted(n[-1], 'placement')}, {mean[0]:.1f} in one."
        )
        return _svg(figure, title, description)


@reads("totals")
def effort_by_method_and_year(
    totals: pd.DataFrame, *, labels: Mapping[Any, str] | None = None
) -> str:
    """Draw effort per year as SVG, one panel per method, each in its own unit.

    `totals` is what `layers.fieldwork.effort.effort_totals` gave with `by_year`, narrowed to one
    catchment and one unit per method; `labels` are the names of methods for people. A year without
    effort on record shows no bar.
    """
    title = "Effort by method and year"
    known = totals.dropna(subset=["effort", "year"])
    if known.empty:
        return _blank(title)
    methods = pd.Index(known["method"].unique()).sort_values()
    years = np.arange(int(known["year"].min()), int(known["year"].max()) + 1)
    words = []
    with _drawing():
        columns = min(2, len(methods))
        rows = -(-len(methods) // columns)
        figure = _sheet(3.1 * columns, 1.75 * rows + 0.3)
        panels = figure.subplots(rows, columns, sharex=True, squeeze=False)
        names = _labels(methods, labels)
        for i, (axes, method, name) in enumerate(zip(panels.flat, methods, names, strict=False)):
            own = known[known["method"] == method].groupby("year")["effort"].sum()
            own = own.reindex(years)
            unit = EFFORT_UNITS[known.loc[known["method"] == method, "effort_unit"].iloc[0]].unit
            style = i % len(_FILLS)
            look: dict[str, Any] = {"color": _FILLS[style], "hatch": _HATCHES[style]}
            axes.bar(years, own.to_numpy(), edgecolor=_INK, linewidth=0.7, **look)
            axes.set_title(name, fontsize=9, loc="left")
            axes.set_ylabel(f"Effort ({unit})")
            axes.set_xlim(years[0] - 0.6, years[-1] + 0.6)
            axes.xaxis.set_major_locator(_whole_numbers(5))
            axes.tick_params(labelbottom=True)
            words.append(f"{name}: {own.sum():g} {unit}")
        for axes in panels.flat[len(methods) :]:
            axes.axis("off")
        for axes in panels[-1]:
            axes.set_xlabel("Year")
        return _svg(figure, title, f"{years[0]} to {years[-1]}. {'; '.join(words)}.")


@reads("rates")
def catch_per_unit_effort(
    rates: pd.DataFrame, species: str, *, labels: Mapping[Any, str] | None = None
) -> str:
    """Draw the catch per unit effort of one species as SVG, one panel per method.

    `rates` is what `layers.estimates.catch_rate.catch_per_unit_effort` gave; `labels` are the names
    of methods for people. Bars are 95 % intervals; a hollow mark has none, and ≥ marks a lower
    bound. Of very many catchments those with most placements are drawn.
    """
    title = f"Catch per unit effort of {species}"
    own = rates[(rates["species"] == species) & rates["cpue"].notna()]
    if own.empty:
        return _blank(title)
    places = own["catchment"].nunique()
    if places > _MOST_PLACES:
        placed = own.groupby("catchment")["placements"].sum()
        most = placed.sort_values(ascending=False, kind="stable").index[:_MOST_PLACES]
        own = own[own["catchment"].isin(most)]
    methods = pd.Index(own["method"].unique()).sort_values()
    heights = [int((own["method"] == method).sum()) for method in methods]
    with _drawing():
        figure = _sheet(5.2, 0.22 * sum(heights) + 0.85 * len(methods) + 0.5)
        panels = figure.subplots(
            len(methods), 1, squeeze=False, height_ratios=[h + 1 for h in heights]
        )
        for axes, method, name in zip(panels[:, 0], methods, _labels(methods, labels), strict=True):
            _rate_panel(axes, own[own["method"] == method].sort_values("catchment"))
            axes.set_title(name, fontsize=9, loc="left")
        figure.suptitle(species, fontsize=9, style="italic")
        note = "Bars: 95 % interval; hollow mark: none; n: placements."
        if own.get("individuals_lower_bound", pd.Series(False)).any():
            note += " ≥: at least so much; not all fish were counted."
        if places > _MOST_PLACES:
            note += f" {_MOST_PLACES} of {places} places, those with most placements."
        figure.supxlabel(note, fontsize=7.5)
        words = [
            f"{row.method} in {row.catchment}: {row.cpue:.3g} {row.cpue_unit}"
            for row in own.head(40).itertuples()
        ]
        return _svg(figure, title, "; ".join(words) + ".")


def change_over_years(
    years: pd.DataFrame, species: str, *, labels: Mapping[Any, str] | None = None
) -> str:
    """Draw occupancy and catch per effort of one species by year, with 95 % intervals, as SVG.

    `years` has the columns of `layers.estimates.change.YEAR_COLUMNS` for one place; a panel for
    occupancy and one for each gear with figures of two years.
    """
    title = f"Change over years of {species}"
    own = years[(years["species"] == species) & years["value"].notna()]
    groups = [(key, part) for key, part in own.groupby(["quantity", "method"]) if len(part) > 1]
    groups.sort(key=lambda one: one[0][0] != "occupancy")
    if not groups:
        return _blank(title, "Too little was visited again to draw a change.")
    said = []
    with _drawing():
        figure = _sheet(5.2, 1.9 * len(groups) + 0.4)
        panels = figure.subplots(len(groups), 1, squeeze=False)[:, 0]
        for axes, ((quantity, method), part) in zip(panels, groups, strict=True):
            year, value, low, high = (
                part[c].to_numpy(np.float64) for c in ("year", "value", "value_low", "value_high")
            )
            axes.vlines(year, low, high, color=_INK, linewidth=1.1)
            axes.plot(year, value, "o--", color=_FILLS[0], markersize=5, linewidth=0.8)
            name = f"Occupancy of units like those of {year.min():.0f}, all gears"
            if quantity != "occupancy":
                name = f"Catch per effort, {_labels(pd.Index([method]), labels)[0]}"
            axes.set_title(f"{name}, {part['units'].sum()} unit-years", fontsize=9, loc="left")
            axes.set_ylabel("Share, by the trend" if quantity == "occupancy" else "First year = 1")
            axes.set_ylim(bottom=0, top=1 if quantity == "occupancy" else None)
            axes.set_xlim(year.min() - 0.4, year.max() + 0.4)
            axes.xaxis.set_major_locator(_whole_numbers())
            words = [f"{at:.0f}: {v:.2g}" for at, v in zip(year, value, strict=True)]
            said.append(f"{name}: {', '.join(words)}")
        figure.suptitle(species, fontsize=9, style="italic")
        figure.supxlabel("Bars: 95 % interval.", fontsize=7.5)
        return _svg(figure, title, "; ".join(said) + ".")


def _rate_panel(axes: Axes, own: pd.DataFrame) -> None:
    at = np.arange(len(own))
    value, low, high = (own[c].to_numpy(np.float64) for c in ("cpue", "cpue_low", "cpue_high"))
    sure = np.isfinite(low) & np.isfinite(high)
    axes.hlines(at[sure], low[sure], high[sure], color=_INK, linewidth=1.1)
    axes.plot(value[sure], at[sure], "o", color=_FILLS[0], markersize=5)
    hollow: dict[str, Any] = {"markersize": 5, "markerfacecolor": COLOURS["white"]}
    axes.plot(value[~sure], at[~sure], "o", color=_FILLS[0], **hollow)
    lower = own.get("individuals_lower_bound", pd.Series(False, index=own.index))
    names = zip(lower, own["catchment"], own["placements"], strict=True)
    axes.set_yticks(at, [f"{'≥ ' if bound else ''}{name}, n = {n}" for bound, name, n in names])
    axes.set_ylim(len(own) - 0.4, -0.6)
    axes.set_xlim(left=0 if value.max() > 0 else None)
    axes.margins(x=0.06)
    if value.max() == 0 and not sure.any():
        axes.set_xlim(-0.02, 1)
    axes.set_xlabel(str(own["cpue_unit"].iloc[0]).capitalize())
    axes.grid(axis="x", color=COLOURS["figure-grid"], linewidth=0.6)
    axes.set_axisbelow(True)
