"""Taking another store in: what is new in it, the same, and known here with other content."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import pandas as pd

from layers.fieldwork.looking import local_times
from service.errors import RequestError
from service.intake.cell_texts import as_typed
from service.intake.importing import check, take
from service.intake.sheets import sheets_from_frames
from service.intake.stored_sheets import field_sheets
from service.intake.updating import differences
from service.records import IN_THE_WATER, Selection

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from service.intake.importing import CheckResult
    from service.records import Batch, FieldRecords, Records
    from service.store import Store

__all__ = ["CLASH_COLUMNS", "Merged", "merge"]

CHOICES: Final = ("ours", "theirs", "prefix")
CLASH_COLUMNS: Final = ("kind", "id", "column", "ours", "theirs", "choice")
# Why a species' places are closed is nothing to be settled by what one side leaves empty.
_SENSITIVE: Final = ("sensitivity", "sensitive_from", "sensitive_until")
_SAME_PLACE_M: Final = 10.0  # common practice, no source: what a handheld is off by
_KINDS: Final = ("species", "method", "survey", "site", "placement")
_RENAMED: Final = ("survey", "site", "placement")  # species and methods are the same everywhere
# One row of a clash: id, column, ours, theirs.
_Clash = tuple[str, str, str, str]


@dataclass
class Merged:
    """What came of a merge.

    Attributes
    ----------
    clashes
        Columns `CLASH_COLUMNS`: what both stores have under one id with other content, and
        nothing settles. Any of them refuses the whole.
    result
        Of the check of the other store's placements; None where nothing of them is to be taken.
    added
        How many of each kind are new, by kind.
    lifted_here
        Gear that the other store has in the water still, and that was lifted here.
    batch
        Of the new placements, once they are stored.
    twins
        New placements, and those here under another id that are the same by gear, place, day and
        catch: both are stored.
    """

    clashes: list[tuple[str, ...]] = field(default_factory=list)
    result: CheckResult | None = None
    added: dict[str, int] = field(default_factory=dict)
    lifted_here: list[str] = field(default_factory=list)
    batch: Batch | None = None
    twins: list[tuple[str, str]] = field(default_factory=list)

    @property
    def new(self) -> list[str]:
        """Ids of placements and of gear in the water that are stored anew or changed."""
        records = self.result.records if self.result else None
        if records is None:
            return []
        gear = [] if records.in_the_water is None else records.in_the_water.index.tolist()
        return [*map(str, records.placements.index), *map(str, gear)]

    @property
    def stored(self) -> bool:
        """Whether nothing stands against the merge."""
        return not self.clashes and not (self.result and self.result.refused)


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
    """Take the records and lists of another store in, or nothing.

    These are surveys, sites, species, methods, placements and gear in the water.

    One transaction: nobody else writes to `store` meanwhile. Placements go through the checks of
    an import and are snapped to the network of `store`; what their history was in `other` stands
    before the entry of the merge. Gear that one of the stores has in the water, and the other
    lifted, is lifted. Accounts, network, settings and imports are not taken.

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
        A choice is none, two are made for one id, or one is made where nothing clashes.
    """
    merged = Merged()
    merging = _Merging(store, other, who, prefix, _choices_of(choices), merged, progress)
    try:
        with store.together():
            merging.lists()
            merged.result = merging.placements()
            merged.twins = _twins(merged.result, store) if merged.result else []
            merging.refuse_needless_choices()
            if check_only or not merged.stored:
                raise _Undone
            progress("storing")
            if merged.result is None:
                return merged
            names = merging.names_there
            store.add_history_of(other, {name: names[name] for name in merged.new})
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


@dataclass
class _Merging:
    """One merge, step by step."""

    store: Store
    other: Store
    who: str
    prefix: str
    choices: dict[tuple[str, str], str]
    merged: Merged
    progress: Callable[[str], None]
    renamed: dict[str, dict[str, str]] = field(default_factory=lambda: {k: {} for k in _RENAMED})
    names_there: dict[str, str] = field(default_factory=dict)  # placements: name there, by ours
    clashing: set[tuple[str, str]] = field(default_factory=set)
    same: set[tuple[str, str]] = field(default_factory=set)

    def choice(self, kind: str, name: str) -> str:
        """Tell what is chosen for an id that clashes; '' where nothing is."""
        self.clashing.add((kind, name))
        by_prefix = "prefix" if self.prefix and kind in _RENAMED else ""
        chosen = self.choices.get((kind, name), by_prefix)
        if chosen == "prefix" and not self.prefix:
            raise RequestError(f"{kind} {name} is to get a prefix, and none is given.")
        return chosen

    def refuse_needless_choices(self) -> None:
        """Refuse choices for ids that do not clash; one that a merge before settled is none."""
        needless = [
            f"{kind} {name}"
            for (kind, name), choice in self.choices.items()
            if (kind, name) not in self.clashing
            and not (choice != "prefix" and (kind, name) in self.same)
        ]
        if needless:
            raise RequestError(
                f"Choices are made where nothing clashes, for {', '.join(needless)}; take them out."
            )

    def lists(self) -> None:
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
            added, _ = getattr(self.store, f"put_{table}")(kept, who=self.who)
            self.merged.added[table] = added

    def _settled(self, kind: str, ours: pd.DataFrame, theirs: pd.DataFrame) -> pd.DataFrame:
        """Rows of theirs to be put: new ones, and those that are chosen before ours."""
        put: dict[str, str] = {}  # name here, by that there
        for name in map(str, theirs.index):
            here, clash = name, _unlike(ours, theirs, name, name)
            if name in ours.index and not clash:
                self.same.add((kind, name))
            chosen = self.choice(kind, name) if clash else ""
            if chosen == "prefix":
                here = self.renamed[kind][name] = f"{self.prefix}{name}"
                clash, chosen = _unlike(ours, theirs, here, name), ""
            if here not in ours.index or chosen == "theirs":
                put[name] = here
            elif chosen != "ours":
                self.merged.clashes += [(kind, name, *one, "") for one in clash]
        return theirs.loc[list(put)].rename(index=put)

    def placements(self) -> CheckResult | None:
        """Check the other store's placements as sheets; clashes are settled or listed.

        None where no placement is left to be taken.
        """
        self.progress(f"reading {self.other.path.name}")
        frames = self._theirs()
        of_gear = self._gear(frames)
        if not len(frames["placements"]):
            return None
        result = self._checked(frames)
        clashing = dict.fromkeys(result.changes["placement_id"]) if result.changed else {}
        removed = self.store.removed_placements([*frames["placements"]["placement_id"]])
        chosen = {name: self.choice("placement", name) for name in (*clashing, *removed)}
        self.same |= {("placement", name) for name in result.unchanged}
        left_out = {name for name, own in chosen.items() if own == "ours"}
        renamed = {n: f"{self.prefix}{n}" for n, own in chosen.items() if own == "prefix"}
        self._clash(row for row in result.changes.to_numpy(str) if not chosen[str(row[0])])
        zone = ZoneInfo(self.store.settings.timezone)
        self._clash(
            (name, "", f"removed {at.astimezone(zone):%Y-%m-%d %H:%M} ({zone})", "stored")
            for name, at in removed.items()
            if not chosen[name]
        )
        if left_out or renamed:
            _take_out(frames, left_out, renamed)
            if not len(frames["placements"]):
                return None
            result = self._checked(frames)
            again = {*result.changed} - {n for n, own in chosen.items() if own == "theirs"}
            self._clash(row for row in result.changes.to_numpy(str) if row[0] in again)
        there = {under: name for name, under in (of_gear | renamed).items()}
        self.names_there = {n: there.get(n, n) for n in frames["placements"]["placement_id"]}
        return result

    def _clash(self, rows: Iterable[Iterable[str]]) -> None:
        """List placements that clash: id, column, ours, theirs."""
        self.merged.clashes += [("placement", *map(str, row), "") for row in rows]

    def _theirs(self) -> dict[str, pd.DataFrame]:
        """Placements, gear in the water among them, catches and lengths as sheets."""
        records, gear = self.other.records(Selection()), self.other.in_the_water()
        if not len(records.placements) and gear.empty:
            raise RequestError(f"{self.other.path.name} has no placements; nothing was stored.")
        sheets = field_sheets(
            records, self.other.surveys(), self.other.sites(), self.other.operations()
        )
        frames = {
            name: sheets[name].map(as_typed).fillna("").astype("str")
            for name in ("placements", "catches", "lengths")
        }
        standing = pd.DataFrame(gear["cells"].tolist(), dtype="str")
        whole = frames["placements"]
        standing = standing.reindex(columns=whole.columns, fill_value="").fillna("")
        frames["placements"] = whole = pd.concat([whole, standing], ignore_index=True)
        for kind in ("survey", "site"):
            whole[kind] = whole[kind].replace(self.renamed[kind])
        return frames

    def _gear(self, frames: dict[str, pd.DataFrame]) -> dict[str, str]:
        """Settle or list what clashes with gear in the water, of either store.

        Returns placements that go under another name, by their own.
        """
        ours = {str(k): cells for k, cells in self.store.in_the_water()["cells"].items()}
        done, clashes = self._standing(frames["placements"], ours, {})
        self.same |= {("placement", name) for name in done}
        self.merged.lifted_here += sorted(done)
        chosen = {name: self.choice("placement", name) for name, *_ in clashes}
        renamed = {n: f"{self.prefix}{n}" for n, own in chosen.items() if own == "prefix"}
        # What is not settled is listed, and kept from the check, which would refuse it again.
        left_out = {*done, *(name for name, own in chosen.items() if own in ("", "ours"))}
        _take_out(frames, left_out, renamed)
        again, others = self._standing(frames["placements"], ours, renamed)
        left = [one for one in others if chosen.get(one[0]) != "theirs"]
        self.merged.lifted_here += sorted(again)
        _take_out(frames, {*again, *(name for name, *_ in left)}, {})
        unsettled = [one for one in clashes if not chosen[one[0]]]
        self._clash((*unsettled, *left))
        standing = set(frames["placements"].query("outcome == @IN_THE_WATER")["placement_id"])
        for name in (name for name, own in chosen.items() if own == "theirs"):
            if name not in ours:
                raise RequestError(
                    f"Placement {name} was lifted here, and cannot be put back into the water; "
                    "choose ours or prefix."
                )
            if name in standing:
                self.store.remove_from_the_water(name, who=self.who)
        return renamed

    def _standing(
        self, sheet: pd.DataFrame, ours: Mapping[str, Mapping[str, str]], renamed: Mapping[str, str]
    ) -> tuple[set[str], list[_Clash]]:
        """Compare placements with gear in the water here, and gear in the water with both here.

        Returns gear that was in the water here just so, and was lifted since; and what differs.
        """
        there = {under: name for name, under in renamed.items()}
        stands = sheet["outcome"] == IN_THE_WATER
        lifted = set(self.store.known_placements(sheet.loc[stands, "placement_id"].tolist()).index)
        both = sheet[sheet["placement_id"].isin({*ours, *lifted})]
        done: set[str] = set()
        clashes: list[_Clash] = []
        for row in both.to_dict("records"):
            name = row["placement_id"]
            theirs = {str(column): text for column, text in row.items() if text}
            if name in ours and theirs.get("outcome") == IN_THE_WATER:
                clashes += [(name, *one) for one in differences(ours[name], theirs)]
            elif name in ours:
                if not self._stood(self.other, there.get(name, name), ours[name]):
                    clashes.append((name, "outcome", IN_THE_WATER, theirs.get("outcome", "")))
            elif theirs.get("outcome") == IN_THE_WATER:
                if self._stood(self.store, name, theirs):
                    done.add(name)
                else:
                    own = self.store.document(name) or {}
                    clashes.append((name, "outcome", str(own.get("outcome", "")), IN_THE_WATER))
        return done, clashes

    def _stood(self, store: Store, name: str, cells: Mapping[str, str]) -> bool:
        """Tell whether gear of this content was in the water in a store, whatever its name."""

        def content(own: Mapping[str, Any]) -> dict[str, Any]:
            renamed = {
                kind: self.renamed[kind].get(own.get(kind, ""), own.get(kind, ""))
                for kind in ("survey", "site")
                if store is self.other
            }
            whole = {**own, **renamed, "placement_id": ""}
            return {column: text for column, text in whole.items() if text}

        entries = store.history("in_the_water", name)
        wanted = {column: text for column, text in cells.items() if column != "placement_id"}
        return any(content(one.after["cells"]) == wanted for one in entries if one.after)

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
    both = theirs.columns.intersection(ours.columns)
    own, other = ours[both].loc[name].to_dict(), theirs[both].loc[there].to_dict()
    return [one for one in differences(own, other) if all(one[1:]) or one[0] in _SENSITIVE]


def _twins(result: CheckResult, store: Store) -> list[tuple[str, str]]:
    """List new placements that are stored under another id: same gear, place, day and catch."""
    if result.records is None:
        return []
    known = store.records(Selection())
    new = result.records.placements.index.difference(known.placements.index)
    places: dict[tuple[object, ...], list[str]] = {}
    for name, content in _contents(known, list(known.placements.index)).items():
        places.setdefault(content, []).append(name)
    found = _contents(result.records, list(new))
    ours, theirs = known.placements.geometry, result.records.placements.geometry
    return [
        (name, other)
        for name, content in found.items()
        for other in places.get(content, ())
        if theirs[name].distance(ours[other]) <= _SAME_PLACE_M
    ]


def _contents(records: Records | FieldRecords, names: list[str]) -> dict[str, tuple[object, ...]]:
    """Gear, day, outcome and catch of placements, by id."""
    days = local_times(records.placements, "set_at").dt.date
    own = records.catches[records.catches["placement_id"].isin(names)]
    fish: dict[str, list[str]] = {}
    columns = ["species", "count", "pass_no", "life_stage"]
    for name, row in zip(
        own["placement_id"], own.reindex(columns=columns).to_numpy(object), strict=True
    ):
        fish.setdefault(name, []).append("|".join(map(as_typed, row)))
    frame = records.placements.loc[names, ["method", "outcome"]].assign(day=days.loc[names])
    caught = (tuple(sorted(fish.get(name, []))) for name in names)
    rows = frame.to_numpy(object).tolist()
    return {n: (*row, f) for n, row, f in zip(names, rows, caught, strict=True)}


def _take_out(frames: dict[str, pd.DataFrame], names: set[str], renamed: Mapping[str, str]) -> None:
    """Take placements out of sheets, or let them go under another name."""
    for sheet, frame in frames.items():
        kept = frame[~frame["placement_id"].isin(names)]
        frames[sheet] = kept.assign(placement_id=kept["placement_id"].replace(dict(renamed)))
