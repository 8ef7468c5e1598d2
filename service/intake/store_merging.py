"""Taking another store in: what is new in it, the same, and known here with other content."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from service.errors import RequestError
from service.intake.cell_texts import as_typed
from service.intake.importing import check, take
from service.intake.sheets import sheets_from_frames
from service.intake.stored_sheets import field_sheets
from service.records import Selection

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from service.intake.importing import CheckResult
    from service.records import Batch
    from service.store import Store

__all__ = ["CHOICES", "CLASH_COLUMNS", "Merged", "merge"]

CHOICES: Final = ("ours", "theirs", "prefix")
CLASH_COLUMNS: Final = ("kind", "id", "column", "ours", "theirs", "choice")
# Why a species' places are closed is nothing to be settled by what one side leaves empty.
_SENSITIVE: Final = ("sensitivity", "sensitive_from", "sensitive_until")
_KINDS: Final = ("species", "method", "survey", "site", "placement")
_RENAMED: Final = ("survey", "site", "placement")  # species and methods are the same everywhere


@dataclass
class Merged:
    """What came of a merge.

    Attributes
    ----------
    clashes
        Columns `CLASH_COLUMNS`: what both stores have under one id with other content, and
        nothing settles. Any of them refuses the whole.
    result
        Of the check of the other store's placements.
    added
        How many of each kind are new, by kind.
    batch
        Of the new placements, once they are stored.
    """

    clashes: list[tuple[str, ...]] = field(default_factory=list)
    result: CheckResult | None = None
    added: dict[str, int] = field(default_factory=dict)
    batch: Batch | None = None

    @property
    def stored(self) -> bool:
        """Whether nothing stands against the merge."""
        return not self.clashes and self.result is not None and not self.result.refused


class _Undone(Exception):  # noqa: N818  no error: it ends a transaction that is not to be kept
    pass


def merge(
    store: Store,
    other: Store,
    who: str,
    *,
    prefix: str = "",
    choices: pd.DataFrame | None = None,
    check_only: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Merged:
    """Take all surveys, sites, species, methods and placements of another store in, or nothing.

    One transaction: nobody else writes to `store` meanwhile. Placements go through the checks of
    an import and are snapped to the network of `store`; what their history was in `other` stands
    before the entry of the merge. Accounts, network, settings, imports and gear in the water are
    not taken.

    Parameters
    ----------
    prefix
        Put before those ids of surveys, sites and placements that `store` has with other content.
    choices
        Text columns `kind`, `id`, `choice`: whose content is kept, or `prefix`.
    check_only
        Say what would come of it; nothing is stored.

    Raises
    ------
    RequestError
        A choice is none, or two are made for one id.
    """
    merged = Merged()
    merging = _Merging(store, other, prefix, _choices_of(choices), merged, progress)
    try:
        with store.together():
            merging.lists(who)
            merged.result = merging.placements()
            if not merged.stored:
                raise _Undone
            if check_only:
                raise _Undone
            progress("storing")
            names = merging.names_there
            new = merged.result.records.placements.index if merged.result.records else []
            store.add_history_of(other, {str(name): names[str(name)] for name in new})
            merged.batch = take(merged.result, store, who)
    except _Undone:
        pass
    return merged


def _choices_of(choices: pd.DataFrame | None) -> dict[tuple[str, str], str]:
    chosen: dict[tuple[str, str], str] = {}
    rows = [] if choices is None else choices[["kind", "id", "choice"]].to_numpy(str).tolist()
    for kind, name, choice in rows:
        own = f"{kind} {name}"
        if choice and kind not in _KINDS:
            raise RequestError(f"{kind!r} is no kind, for {name}; give {', '.join(_KINDS)}.")
        if choice and choice not in CHOICES:
            raise RequestError(f"{choice!r} is no choice for {own}; give {', '.join(CHOICES)}.")
        if choice and chosen.setdefault((kind, name), choice) != choice:
            raise RequestError(f"Two choices are made for {own}; make one.")
        if choice == "prefix" and kind not in _RENAMED:
            raise RequestError(f"{own} cannot go under another name; choose ours or theirs.")
    return chosen


class _Merging:
    """One merge, step by step."""

    def __init__(
        self,
        store: Store,
        other: Store,
        prefix: str,
        choices: dict[tuple[str, str], str],
        merged: Merged,
        progress: Callable[[str], None],
    ) -> None:
        self.store, self.other, self.prefix = store, other, prefix
        self.choices, self.merged, self.progress = choices, merged, progress
        self.renamed: dict[str, dict[str, str]] = {kind: {} for kind in _RENAMED}
        self.names_there: dict[str, str] = {}  # of placements: name in the other store, by ours

    def choice(self, kind: str, name: str) -> str:
        """Tell what is chosen for an id that clashes; '' where nothing is."""
        by_prefix = "prefix" if self.prefix and kind in _RENAMED else ""
        chosen = self.choices.get((kind, name), by_prefix)
        if chosen == "prefix" and not self.prefix:
            raise RequestError(f"{kind} {name} is to get a prefix, and none is given.")
        return chosen

    def lists(self, who: str) -> None:
        """Take in what people name: species, methods, surveys, sites."""
        for kind, table in (
            ("species", "species"), ("method", "methods"), ("survey", "surveys"), ("site", "sites")
        ):  # fmt: skip
            self.progress(f"comparing {table}")
            ours = getattr(self.store, table)()
            theirs = getattr(self.other, table)()
            if kind == "site":
                theirs["survey"] = theirs["survey"].replace(self.renamed["survey"])
            kept = self._settled(kind, ours, theirs)
            added, _ = getattr(self.store, f"put_{table}")(kept, who=who)
            self.merged.added[table] = added

    def _settled(self, kind: str, ours: pd.DataFrame, theirs: pd.DataFrame) -> pd.DataFrame:
        """Rows of theirs to be put: new ones, and those that are chosen before ours."""
        put: dict[str, str] = {}  # name here, by that there
        for name in map(str, theirs.index):
            here, clash = name, _unlike(ours, theirs, name, name)
            chosen = self.choice(kind, name) if clash else ""
            if chosen == "prefix":
                here = self.renamed[kind][name] = f"{self.prefix}{name}"
                clash, chosen = _unlike(ours, theirs, here, name), ""
            if here not in ours.index or chosen == "theirs":
                put[name] = here
            elif chosen != "ours":
                self.merged.clashes += [(kind, name, *one, "") for one in clash]
        return theirs.loc[list(put)].rename(index=put)

    def placements(self) -> CheckResult:
        """Check the other store's placements as sheets; clashes are settled or listed."""
        self.progress(f"reading {self.other.path.name}")
        records = self.other.records(Selection())
        if not len(records.placements):
            raise RequestError(f"{self.other.path.name} has no placements; nothing was stored.")
        sheets = field_sheets(
            records, self.other.surveys(), self.other.sites(), self.other.operations()
        )
        frames = {
            name: sheets[name].map(as_typed).astype("str")
            for name in ("placements", "catches", "lengths")
        }
        for kind in ("survey", "site"):
            frames["placements"][kind] = frames["placements"][kind].replace(self.renamed[kind])
        result = self._checked(frames)
        clashing = dict.fromkeys(result.changes["placement_id"]) if result.changed else {}
        removed = self.store.removed_placements([*frames["placements"]["placement_id"]])
        chosen = {name: self.choice("placement", name) for name in (*clashing, *removed)}
        left_out = {name for name, own in chosen.items() if own == "ours"}
        renamed = {n: f"{self.prefix}{n}" for n, own in chosen.items() if own == "prefix"}
        self.merged.clashes += [
            ("placement", *map(str, row), "")
            for row in result.changes.to_numpy(str)
            if not chosen[str(row[0])]
        ]
        self.merged.clashes += [
            ("placement", name, "", f"removed {at:%Y-%m-%d %H:%M} UTC", "stored", "")
            for name, at in removed.items()
            if not chosen[name]
        ]
        if left_out or renamed:
            for name, frame in frames.items():
                kept = frame[~frame["placement_id"].isin(left_out)]
                own = kept["placement_id"].replace(renamed)
                frames[name] = kept.assign(placement_id=own)
            result = self._checked(frames)
            again = {*result.changed} - {n for n, own in chosen.items() if own == "theirs"}
            self.merged.clashes += [
                ("placement", *map(str, row), "")
                for row in result.changes.to_numpy(str)
                if row[0] in again
            ]
        there = {under: name for name, under in renamed.items()}
        self.names_there = {n: there.get(n, n) for n in frames["placements"]["placement_id"]}
        return result

    def _checked(self, frames: dict[str, pd.DataFrame]) -> CheckResult:
        # As a form: what is stored is no sign for something else, such as n/a for an empty cell.
        given = sheets_from_frames(frames, file=self.other.path.name, audience="form")
        return check(given, self.store, update=True, in_full=True, progress=self.progress)


def _unlike(
    ours: pd.DataFrame, theirs: pd.DataFrame, name: str, there: str
) -> list[tuple[str, str, str]]:
    """Columns in which both have another value; of what closes places, also where one has none."""
    if name not in ours.index:
        return []
    pairs = [
        (str(column), as_typed(ours.at[name, column]), as_typed(theirs.at[there, column]))
        for column in theirs.columns.intersection(ours.columns)
    ]
    return [
        (column, own, other)
        for column, own, other in pairs
        if own != other and ((own and other) or column in _SENSITIVE)
    ]
