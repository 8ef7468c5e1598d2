"""Species by catchment as a table: occurrence arranged in rows that nest and columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from layers.estimates.richness import without_wider_entries
from layers.plurals import counted as count_words
from service import reference
from service.answers import summaries
from service.cache import cached
from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from service.records import Selection, Viewer
    from service.store import Store

__all__ = [
    "COLUMN_ORDERS",
    "ROW_ORDERS",
    "Chances",
    "Column",
    "Row",
    "Table",
    "chances",
    "looking_words",
    "occurrence_table",
]

ROW_ORDERS: Final = ("name", "found", "looked", "last")
COLUMN_ORDERS: Final = ("name", "vernacular", "found")
# In how many catchments a species must have been found to have a column.
FOLDS: Final = {"nothing": 0, "unseen": 1, "rare": 3}
Key = tuple[float, str, str]  # what a catchment is ordered by
MOST_CELLS: Final = 1_500  # about 1 MB before it is packed: a page that a phone opens at once


class Cell(NamedTuple):
    """One species in one catchment; the words are those of the summary."""

    state: str
    individuals: float
    lower_bound: bool
    placements: int
    placements_found: int
    reaches: int
    last_year: int | None
    note: str
    looking: str  # first and last date, gear, visits and effort of looking, in words
    years: str  # of looking


@dataclass(frozen=True)
class Column:
    """One species, or a genus or family not taken further."""

    species: str
    vernacular_name: str
    rank: str
    found_in: int


@dataclass(frozen=True)
class Row:
    """One catchment."""

    catchment: str
    name: str
    depth: int
    parent: str
    nested: int  # rows nested directly in it, shown below
    left_out: int  # catchments within it that have no row here, for want of room
    found: int
    cells: tuple[Cell | None, ...]  # None: no record of a genus or family


@dataclass(frozen=True)
class Table:
    """All of it, or one page of its rows, and what it was computed from."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    start: int  # rows before these
    on_all_pages: int
    page_rows: int  # at most on one page
    all_rows: int  # catchments, also those that have no row
    folded: int  # columns left out
    inputs: dict[str, Any]


@dataclass(frozen=True)
class Chances:
    """Chance that a species lives in visited units though nobody found it.

    `cells` has, per catchment and species with a chance, it, the ends of its 95 % interval, how
    many units were visited and in the season of which year.
    """

    cells: dict[str, dict[str, tuple[float, float, float, int, int]]]
    assumes: str


def occurrence_table(
    store: Store,
    selection: Selection,
    viewer: Viewer,
    *,
    rows_by: str = "name",
    columns_by: str = "name",
    fold: str = "nothing",
    start: int = 0,
) -> Table:
    """Arrange the occurrence summary.

    At most about `MOST_CELLS` cells: where there are more, the innermost catchments have no row,
    and the row that holds them says how many; where the outermost are too many, the others are on
    further pages. RequestError for an unknown order or name, or no row left at `start`.

    Parameters
    ----------
    rows_by
        One of `ROW_ORDERS`, or a species: most of it first. Nested catchments stay under the
        one that holds them.
    columns_by
        One of `COLUMN_ORDERS`; genus and family entries come last.
    fold
        One of `FOLDS`: species found in fewer catchments have no column, unless none has one.
    start
        How many rows come before this page.
    """
    frame = summaries.occurrence(store, selection, viewer)
    inputs = frame.attrs["inputs"]
    columns = _columns(frame, reference.species(store), columns_by)
    if rows_by not in (*ROW_ORDERS, *(column.species for column in columns)):
        orders = ", ".join(ROW_ORDERS)
        raise RequestError(f"rows {rows_by!r} is no order; use {orders}, or a species shown.")
    tree = _Tree(
        reference.catchments(store),
        reference.catchment_names(store),
        sorted(frame["catchment"].unique()),
    )
    keys, found = _keys(frame, reference.species(store), tree.names, rows_by)
    shown = _unfolded(columns, fold)
    most = max(1, MOST_CELLS // max(1, len(shown)))
    listed = tree.listed(keys, most)
    if start >= max(1, len(listed)):
        raise RequestError(f"There is no row {start + 1}; the last is {len(listed)}.")
    here = listed[start : start + most]
    own = frame[frame["catchment"].isin([name for name, *_ in here])]
    cells = _cells(own, reference.methods(store)["label"].to_dict())
    rows = tuple(
        Row(
            catchment=name,
            name=tree.names[name],
            depth=depth,
            parent=tree.parents.get(name, ""),
            nested=nested,
            left_out=left_out,
            found=found.get(name, 0),
            cells=tuple(cells.get((name, column.species)) for column in shown),
        )
        for name, depth, nested, left_out in here
    )
    folded = len(columns) - len(shown)
    return Table(shown, rows, start, len(listed), most, len(tree.names), folded, inputs)


def _unfolded(columns: tuple[Column, ...], fold: str) -> tuple[Column, ...]:
    """Leave out the columns that are folded away, unless that were all."""
    if fold not in FOLDS:
        raise RequestError(f"fold {fold!r} is none of {', '.join(FOLDS)}.")
    kept = tuple(column for column in columns if column.found_in >= FOLDS[fold])
    return kept or columns


def _columns(frame: pd.DataFrame, species: pd.DataFrame, order: str) -> tuple[Column, ...]:
    if order not in COLUMN_ORDERS:
        raise RequestError(f"columns {order!r} is no order; use one of {', '.join(COLUMN_ORDERS)}.")
    found = frame["state"].eq("found").groupby(frame["species"]).sum()
    common = species["vernacular_name"].reindex(found.index).fillna("")
    ranks = species["rank"].reindex(found.index).fillna("species")
    columns = [
        Column(str(name), str(word), str(rank), int(count))
        for name, word, rank, count in zip(found.index, common, ranks, found, strict=True)
    ]

    def key(column: Column) -> tuple[object, ...]:
        first: object = ""
        if order == "vernacular":
            first = column.vernacular_name.casefold() or "\uffff"
        elif order == "found":
            first = -column.found_in
        return (column.rank != "species", first, column.species)

    return tuple(sorted(columns, key=key))


def _cells(frame: pd.DataFrame, labels: Mapping[Any, str]) -> dict[tuple[str, str], Cell]:
    years = frame["last_date"].dt.year.to_numpy(dtype=np.float64, na_value=np.nan)
    looking = looking_words(frame, labels)
    spans = _spans(frame["first_looked"], frame["last_looked"], "%Y", "\u2013")
    return {
        (catchment, species): Cell(
            state, individuals, lower, placements, found, reaches,
            None if np.isnan(year) else int(year), note, words, span,
        )
        for catchment, species, state, individuals, lower, placements, found, reaches, year, note,
        words, span in zip(
            frame["catchment"].tolist(), frame["species"].tolist(), frame["state"].tolist(),
            frame["individuals"].tolist(), frame["individuals_lower_bound"].tolist(),
            frame["placements"].tolist(), frame["placements_found"].tolist(),
            frame["reaches"].tolist(), years.tolist(), frame["note"].tolist(), looking, spans,
            strict=True,
        )
    }  # fmt: skip


def looking_words(frame: pd.DataFrame, labels: Mapping[Any, str]) -> list[str]:
    """Say of each row of the occurrence summary how one looked; empty where nobody did.

    `labels` are names of methods for people.
    """
    gear = {
        methods: ", ".join(labels.get(each, each) for each in methods.split(";"))
        for methods in frame["looked_methods"].unique()
    }
    return [
        "; ".join(
            part
            for part in (
                f"looked {span}" if span else "dates of looking not public",
                gear[methods],
                count_words(visits, "visit") if visits else "",
                effort,
            )
            if part
        )
        if placements
        else ""
        for span, methods, visits, effort, placements in zip(
            _spans(frame["first_looked"], frame["last_looked"], "%Y-%m-%d", " to "),
            frame["looked_methods"], frame["visits"], frame["effort"], frame["placements"],
            strict=True,
        )
    ]  # fmt: skip


def _spans(first: pd.Series, last: pd.Series, form: str, between: str) -> list[str]:
    """First and last day in a form, once where they agree; empty where neither is known."""
    starts, ends = (days.dt.strftime(form).fillna("").tolist() for days in (first, last))
    return [a if a == b else f"{a}{between}{b}" for a, b in zip(starts, ends, strict=True)]


def _keys(
    frame: pd.DataFrame, species: pd.DataFrame, names: dict[str, str], order: str
) -> tuple[dict[str, Key], dict[str, int]]:
    """Order of catchments, higher numbers first, then names; and how many species each has."""
    hit = frame["state"].eq("found")
    counted = without_wider_entries(frame.loc[hit, ["catchment", "species"]], species)
    found = counted["catchment"].value_counts().reindex(frame["catchment"].unique(), fill_value=0)
    if order == "found":
        first = found
    elif order == "looked":
        first = frame.groupby("catchment")["placements"].max()
    elif order == "last":
        days = frame["last_date"].groupby(frame["catchment"]).max()
        first = days.map(lambda day: day.toordinal() if day == day else 0)
    elif order == "name":
        first = pd.Series(0.0, index=found.index)
    else:
        own = frame[frame["species"] == order].set_index("catchment")
        first = own["individuals"] + own["placements_found"].gt(0)
    above = {str(name): float(number) for name, number in first.items()}
    keys = {name: (-above.get(name, 0.0), names[name].casefold(), name) for name in names}
    return keys, {str(name): int(number) for name, number in found.items()}


class _Tree:
    """Catchments as they nest."""

    def __init__(
        self, catchments: pd.DataFrame, names: dict[str, str], shown: Sequence[str]
    ) -> None:
        nested = catchments.reindex(list(shown))
        self.names = {name: names[name] for name in shown}
        self.parents: dict[str, str] = {
            name: parent
            for name, parent in zip(shown, nested["parent_id"], strict=True)
            if isinstance(parent, str) and parent in self.names
        }
        self.children: dict[str, list[str]] = {}
        for name in shown:
            self.children.setdefault(self.parents.get(name, ""), []).append(name)

    def listed(self, keys: dict[str, Key], most: int) -> list[tuple[str, int, int, int]]:
        """Catchments from the top down with depth, nested rows and nested ones left out."""
        depths: dict[str, int] = {}
        level = self.children.get("", [])
        depth = 0
        while level:
            if depth and len(depths) + len(level) > most:
                break
            depths.update(dict.fromkeys(level, depth))
            level = [child for name in level for child in self.children.get(name, [])]
            depth += 1
        rows: list[tuple[str, int, int, int]] = []
        waiting = sorted(self.children.get("", []), key=keys.__getitem__, reverse=True)
        while waiting:
            name = waiting.pop()
            inner = [child for child in self.children.get(name, []) if child in depths]
            left_out = len(self.children.get(name, [])) - len(inner)
            rows.append((name, depths[name], len(inner), left_out))
            waiting += sorted(inner, key=keys.__getitem__, reverse=True)
        return rows


def chances(
    store: Store, selection: Selection, viewer: Viewer, *, season: int | None = None
) -> Chances:
    """Chance that each species lives in each catchment where one looked in vain.

    Fitting takes seconds, so that pages ask for it apart; answers are cached. `season` is the year
    whose season counts; without it, for each catchment and species the latest with an estimate.
    """

    def make() -> Chances:
        years = [season] if season else None
        return _arranged(summaries.chance_present(store, selection, viewer, years=years))

    return cached(store, viewer, ("chances of presence", selection, season), make)


def _arranged(frame: pd.DataFrame) -> Chances:
    known = frame[frame["chance_present"].notna()]
    cells: dict[str, dict[str, tuple[float, float, float, int, int]]] = {}
    for catchment, species, chance, low, high, units, year in zip(
        known["catchment"].tolist(),
        known["species"].tolist(),
        known["chance_present"].tolist(),
        known["chance_present_low"].tolist(),
        known["chance_present_high"].tolist(),
        known["units"].tolist(),
        known["year"].tolist(),
        strict=True,
    ):
        cells.setdefault(catchment, {})[species] = (chance, low, high, units, year)
    return Chances(cells, str(frame.attrs["inputs"]["assumes"]))
