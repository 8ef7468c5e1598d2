"""What to write instead of a name that the species list lacks.

No advice is better than a wrong one, which would be followed in a hurry: a species is only offered
where its own name stands in the cell, misspelt or in the vernacular. Fish not taken to species are
answered with an entry of their genus.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pandas as pd

from service.intake.columns import plain
from service.reference.spelling import misspelt

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["name_remedy"]

_MOST_NAMED: Final = 4
_NO_FISH: Final = ("none", "nil", "nothing", "nofish", "nocatch", "zero", "empty", "0")
# Signs of open nomenclature that end what is known of a name: Cottus sp., Salmo cf. trutta.
_OPEN: Final = re.compile(
    r"\s+(?:sp|spp|ssp|species|indet|cf|aff)\b\.?.*|\s*\?|^(?:unid\w*|unknown)\b\.?\s+",
    re.IGNORECASE,
)
_STAGE: Final = re.compile(
    r"(?P<name>.+?)[\s,(]+(?P<stage>fry|parr|smolts?|juv(?:enile)?s?\.?|adults?|larvae?|"
    r"ammocoetes?|elvers?|yoy|0\+)\)?",
    re.IGNORECASE,
)
_HYBRID: Final = re.compile(r".*(?:\s[x×]\s|×|hybrid).*", re.IGNORECASE)
_OF_A_FAMILY: Final = re.compile(r"[a-z]{3,}ids?", re.IGNORECASE)  # cyprinids, salmonid
_NOT_LISTED: Final = "not in the species list"


@dataclass(frozen=True)
class _Listed:
    """A species list by what people write: names, vernaculars, and the last word of these."""

    names: tuple[str, ...]
    common: dict[str, list[str]]
    groups: dict[str, list[str]]  # species alone: loach of stone loach
    family: dict[str, str]

    def entry_above(self, within: Sequence[str]) -> str:
        """Genus, or else family, of all these species, if it is in the list itself; else ''."""
        genera = {name.split()[0] for name in within}
        families = {self.family.get(name, "") for name in within}
        for above in (genera, families):
            if len(above) == 1 and above <= set(self.names):
                return next(iter(above))
        return ""

    def group(self, words: str) -> list[str]:
        """Species whose vernacular ends in a word, be it plural."""
        word = plain(words)
        return self.groups.get(word) or self.groups.get(word.removesuffix("s"), [])


def name_remedy(species: pd.DataFrame) -> Callable[[str], str]:
    """Make the remedy for names that are not in a species list.

    Parameters
    ----------
    species
        Index `species`: `vernacular_name`, and `family` if there.
    """
    if not len(species):
        return lambda _: "the store has no species list yet; load one first"
    common: dict[str, list[str]] = {}
    groups: dict[str, list[str]] = {}
    for name, vernacular in species["vernacular_name"].dropna().items():
        common.setdefault(plain(vernacular), []).append(str(name))
        if " " in str(name):
            groups.setdefault(plain(vernacular.split(" ")[-1]), []).append(str(name))
    families = species["family"].dropna() if "family" in species else pd.Series(dtype="str")
    family = {str(name): str(of) for name, of in families.items()}
    listed = _Listed(tuple(map(str, species.index)), common, groups, family)
    return lambda value: _remedy(value, listed)


def _remedy(value: str, listed: _Listed) -> str:
    if plain(value) in _NO_FISH:
        return "no fish is no catch row; take the row out, and declare nil for the placement"
    if plain(value) in listed.common:
        return f"give the scientific name: {' or '.join(listed.common[plain(value)])}"
    stage = _STAGE.fullmatch(value)
    if stage:
        name = stage["name"]
        answer = f"write {name}" if name in listed.names else _remedy(name, listed)
        return f"{answer}; {stage['stage']} goes into the column life_stage of the catch sheet"
    if _HYBRID.fullmatch(value):
        return f"{_NOT_LISTED}; add hybrids there under a name of their own"
    stem = _OPEN.sub("", value).strip()
    if stem != value or _OF_A_FAMILY.fullmatch(stem):
        return _not_to_species(stem, listed)
    near = _scientific(value, listed.names)
    if near:
        return f"{_NOT_LISTED}; nearest: {', '.join(near)}"
    wider = _wider(value, listed)
    if wider:
        return wider
    genus = value.split(" ", maxsplit=1)[0]
    if genus in listed.names and re.fullmatch(r"[a-z\-]{3,}\b.*", value[len(genus) + 1 :]):
        return f"{_NOT_LISTED}; add it there, or write {genus}, its genus, which is listed"
    return _vernacular(value, listed)


def _scientific(value: str, names: Sequence[str]) -> list[str]:
    """Names of the list that were misspelt, cut short, or written with their author."""
    written = value.casefold().split()
    shortened = [
        name
        for name in names
        if len(written) > 1
        and re.fullmatch(r"[a-z]\.", written[0])
        and name.casefold().split()[1:] == written[1:2]
        and name[0].casefold() == written[0][0]
    ]
    if shortened:
        return shortened
    same = [
        name
        for name in names
        if len(name.split()) <= len(written)
        and all(map(misspelt, written, name.casefold().split()))
        and (len(name.split()) > 1 or len(written) == 1)
    ]
    return same[:_MOST_NAMED]


def _wider(value: str, listed: _Listed) -> str:
    """Answer a genus or family that the list lacks: a species would say more than was seen."""
    kind = "family" if re.fullmatch(r"[A-Z][a-z]+idae", value) else "genus"
    within = [n for n in listed.names if n.casefold().startswith(f"{value.casefold()} ")]
    if kind == "genus" and not within:
        return ""
    why = f"the species list has no entry for this {kind}"
    return _not_taken_further(why, kind, within, listed)


def _not_taken_further(why: str, kind: str, within: Sequence[str], listed: _Listed) -> str:
    above = listed.entry_above(within)
    entry = f"write {above}, which it has, or " if above else ""
    known = f" ({_some(within)})" if within else ""
    return (
        f"{why}; for fish not taken further {entry}load one of rank {kind}, or name the species "
        f"where it is known{known}"
    )


def _not_to_species(stem: str, listed: _Listed) -> str:
    """Answer fish not taken to species: Cottus sp., sculpin spp., Salmo cf. trutta, cyprinids."""
    genus = stem.split(" ", maxsplit=1)[0] if stem else ""
    family = f"{genus.casefold().removesuffix('s')}ae"
    same = [n for n in listed.names if n.casefold() in (genus.casefold(), family)]
    same += [n for n in listed.names if " " not in n and genus and misspelt(genus, n)]
    if same:
        return f"write {same[0]}, which the list has for fish not taken to species"
    wider = _wider(genus, listed) if genus else ""
    if wider:
        return wider
    why = f"{_NOT_LISTED}, which has no entry of this name"
    return _not_taken_further(why, "genus or family", listed.group(stem), listed)


def _vernacular(value: str, listed: _Listed) -> str:
    word = plain(value)
    near = next((of for of in listed.groups if len(word) > 4 and misspelt(word, of)), word)
    within = listed.group(near)
    if within:
        above = listed.entry_above(within)
        wider = f", and {above} for fish not taken further" if above else ""
        return f"give the scientific name; the list has {_some(within)} of this name{wider}"
    meant = [n for of, names in listed.common.items() if misspelt(word, of) for n in names]
    if meant:
        return f"{_NOT_LISTED}; did you mean {' or '.join(meant[:_MOST_NAMED])}?"
    return (
        f"{_NOT_LISTED} and not near any name in it; add it there; a genus or family may be used "
        "where the list has it"
    )


def _some(names: Sequence[str]) -> str:
    more = " and others" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more
