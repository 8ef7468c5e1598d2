"""What the sensitivity of species hides from the public, for the keeper who sets it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.fieldwork.closed_cells import STEP_WORDS, effect_of_list, effect_of_steps
from layers.fieldwork.generalising import positions
from layers.plurals import counted
from service.records import Needed, Selection

if TYPE_CHECKING:
    import pandas as pd

    from service.store import Store

__all__ = ["sentences_of_effect"]

_SAID = ("sensitivity", "sensitive_from", "sensitive_until")
_NEEDED = Needed(
    tables=frozenset({"catches", "lengths"}), columns=frozenset({"set_at", "lifted_at", "timezone"})
)


def sentences_of_effect(store: Store, changes: pd.DataFrame | None = None) -> list[str]:
    """Say what each step of each sensitive species would hide, and what the whole list hides.

    `changes` are rows of a species list that are stored, or about to be: `species`, and any of the
    columns on sensitivity. What is stored of other species and columns counts too. Returns the
    lines of a table; none where no species is sensitive.
    """
    species = store.species()[list(_SAID)]
    if changes is not None:
        given = changes.set_index("species")[[name for name in _SAID if name in changes]]
        species = species.reindex(species.index.union(given.index, sort=False))
        species.loc[given.index, given.columns] = given
    sensitive = species[~species["sensitivity"].fillna("none").isin(["none", ""])]
    if sensitive.empty:
        return []
    records = store.records(Selection(species=tuple(map(str, sensitive.index))), _NEEDED)
    if records.placements.empty:
        words = "There are no placements yet; once there are, --check says what each step hides."
        return [words]
    xy = positions(records.placements.geometry)
    inputs = (records.placements, xy, records.catches, records.lengths, species)
    steps, whole = effect_of_steps(*inputs), effect_of_list(*inputs)
    return [*_table(steps), _of_list(whole)]


def _table(steps: pd.DataFrame) -> list[str]:
    """Write how many placements each step hides, a line for each species that was caught."""
    total = int(steps["placements"].iloc[0])
    hidden = steps["squares"] + steps["left_out"]
    share = (hidden / total).map("{:.0%}".format)
    words = hidden.map("{:,}".format) + " (" + share + ")" + steps["as_listed"].map({True: "*"})
    said = steps.assign(words=words.fillna(hidden.map("{:,}".format) + " (" + share + ")"))
    table = said.pivot_table("words", ["species", "catching"], "step", "first", sort=False)
    caught = table[table.index.get_level_values("catching") > 0].reset_index()
    never = steps.loc[steps["catching"] == 0, "species"].unique()
    lines = []
    if len(caught):
        heads = {"species": "Species", "catching": "Caught in"}
        heads |= {step: f"{step} km" for step in STEP_WORDS if step != "withheld"}
        head = (
            f"Of {counted(total, 'placement')}, so many would not be shown exactly, were "
            "each species "
            "sensitive alone, at each step (* as listed):"
        )
        lines = [head, *caught.rename(columns=heads).to_string(index=False).splitlines()]
    return [*lines, f"Never caught in season: {', '.join(never)}."] if len(never) else lines


def _of_list(whole: dict[str, int]) -> str:
    total = whole["placements"]
    return (
        f"All as listed: {whole['exact']:,} of {counted(total, 'placement')} shown exactly "
        f"({whole['exact'] / total:.0%}), {whole['squares']:,} as squares, "
        f"{whole['left_out']:,} left out."
    )
