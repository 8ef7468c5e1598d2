"""What a name that the species list lacks can only mean, or what to write instead.

No advice is better than a wrong one, which would be followed in a hurry: a species is only offered
where its own name stands in the cell, misspelt or in the vernacular. Fish not taken to species are
answered with an entry of their genus.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import pandas as pd

from service.intake.columns import NO_FISH, STAGES, any_of, plain
from service.intake.headers import DENIED, spelt
from service.intake.wording import say
from service.reference.species_lists import language_names
from service.reference.spelling import misspelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.intake.wording import Wording

__all__ = ["ListedNames"]

_MOST_NAMED: Final = 4
# Signs of open nomenclature that end what is known of a name: Cottus sp., Salmo cf. trutta.
_OPEN: Final = re.compile(
    r"\s+(?:sp|spp|ssp|species|indet|cf|aff)\b\.?.*|\s*\?|^(?:unid\w*|unknown)\b\.?\s+",
    re.IGNORECASE,
)
_NOT_FURTHER: Final = re.compile(r"(?P<name>[A-Z][a-z]+)\s+spp?\.?")
_STAGE: Final = re.compile(
    rf"(?P<name>.+?)[\s,(]+(?P<stage>{any_of(sorted(STAGES, key=len, reverse=True))}\.?)\)?",
    re.IGNORECASE,
)
_HYBRID: Final = re.compile(r".*(?:\s[x×]\s|×|hybrid).*", re.IGNORECASE)
_OF_A_FAMILY: Final = re.compile(r"[a-z]{3,}ids?", re.IGNORECASE)  # cyprinids, salmonid


class ListedNames:
    """A species list by what people write: names, vernaculars, and the last word of these."""

    def __init__(self, species: pd.DataFrame) -> None:
        self.names = tuple(map(str, species.index))
        self.common: dict[str, list[str]] = {}
        self.groups: dict[str, list[str]] = {}  # species alone: loach of stone loach
        for name, vernacular in language_names(species).items():
            entries = self.common.setdefault(plain(vernacular), [])
            if str(name) in entries:  # the same word in two languages
                continue
            entries.append(str(name))
            if " " in str(name):
                last = self.groups.setdefault(plain(vernacular.split(" ")[-1]), [])
                last += [] if str(name) in last else [str(name)]
        families = species["family"].dropna() if "family" in species else pd.Series(dtype="str")
        self.family = {str(name): str(of) for name, of in families.items()}
        self._spelt = {" ".join(name.split()): name for name in self.names}
        self._plain = {plain(name) for name in self.names}

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

    def exact(self, value: str) -> str | None:
        """Find a scientific name, letter for letter but for white space."""
        return self._spelt.get(" ".join(value.split()))

    def meant(self, value: str) -> tuple[str, str] | None:
        """Find what a name that is not in the list can only mean.

        That is a vernacular name that one entry alone has, or an entry of genus or family with sp.
        or spp. behind it. Returns the entry and the variant of the sentence `read_as`.
        """
        entries = self.common.get(plain(value), [])
        if plain(value) in NO_FISH or plain(value) in self._plain:
            return None
        if len(entries) == 1:
            return entries[0], "vernacular"
        fit = _NOT_FURTHER.fullmatch(value)
        return (fit["name"], "genus") if fit and fit["name"] in self.names else None

    def remedy(self, value: str) -> Wording:
        """Say what to write instead of a name that is not in the list."""
        return _remedy(value, self) if self.names else say("species_unknown.no_list")


def _remedy(value: str, listed: ListedNames) -> Wording:
    if plain(value) in NO_FISH:
        return say("no_fish.species")
    if DENIED.match(spelt(value)):
        return say("no_fish_named.species")
    if plain(value) in listed.common:
        return say("species_unknown.vernacular", names=" or ".join(listed.common[plain(value)]))
    stage = _STAGE.fullmatch(value)
    if stage:
        name = stage["name"]
        answer = _remedy(name, listed)
        if name in listed.names:
            answer = say("species_unknown.write", name=name)
        return say("species_unknown.stage", answer=answer, stage=stage["stage"])
    if _HYBRID.fullmatch(value):
        return say("species_unknown.hybrid")
    stem = _OPEN.sub("", value).strip()
    if stem != value or _OF_A_FAMILY.fullmatch(stem):
        return _not_to_species(stem, listed)
    near = _scientific(value, listed.names)
    if near:
        return say("species_unknown.near", names=", ".join(near))
    wider = _wider(value, listed)
    if wider:
        return wider
    genus = value.split(" ", maxsplit=1)[0]
    if genus in listed.names and re.fullmatch(r"[a-z\-]{3,}\b.*", value[len(genus) + 1 :]):
        return say("species_unknown.of_genus", genus=genus)
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


def _wider(value: str, listed: ListedNames) -> Wording | None:
    """Answer a genus or family that the list lacks: a species would say more than was seen."""
    kind = "family" if re.fullmatch(r"[A-Z][a-z]+idae", value) else "genus"
    within = [n for n in listed.names if n.casefold().startswith(f"{value.casefold()} ")]
    if kind == "genus" and not within:
        return None
    why = say("species_unknown.no_entry", kind=kind)
    return _not_taken_further(why, kind, within, listed)


def _not_taken_further(
    why: Wording, kind: str, within: Sequence[str], listed: ListedNames
) -> Wording:
    above = listed.entry_above(within)
    entry = say("species_unknown.entry", above=above) if above else ""
    known = f" ({_some(within)})" if within else ""
    return say("species_unknown.not_further", why=why, entry=entry, kind=kind, known=known)


def _not_to_species(stem: str, listed: ListedNames) -> Wording:
    """Answer fish not taken to species: Cottus sp., sculpin spp., Salmo cf. trutta, cyprinids."""
    genus = stem.split(" ", maxsplit=1)[0] if stem else ""
    family = f"{genus.casefold().removesuffix('s')}ae"
    same = [n for n in listed.names if n.casefold() in (genus.casefold(), family)]
    same += [n for n in listed.names if " " not in n and genus and misspelt(genus, n)]
    if same:
        return say("species_unknown.for_others", name=same[0])
    wider = _wider(genus, listed) if genus else None
    if wider:
        return wider
    why = say("species_unknown.no_name")
    return _not_taken_further(why, "genus or family", listed.group(stem), listed)


def _vernacular(value: str, listed: ListedNames) -> Wording:
    word = plain(value)
    near = next((of for of in listed.groups if len(word) > 4 and misspelt(word, of)), word)
    within = listed.group(near)
    if within:
        above = listed.entry_above(within)
        wider = say("species_unknown.wider", above=above) if above else ""
        return say("species_unknown.of_this_name", names=_some(within), wider=wider)
    meant = [n for of, names in listed.common.items() if misspelt(word, of) for n in names]
    if meant:
        return say("species_unknown.meant", names=" or ".join(meant[:_MOST_NAMED]))
    return say("species_unknown.far")


def _some(names: Sequence[str]) -> str:
    more = " and others" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more
