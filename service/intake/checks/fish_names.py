"""What to write instead of a name that the species list lacks.

No advice is better than a wrong one, which would be followed in a hurry: a species is only offered
where its own name stands in the cell, misspelt or in the vernacular. Fish not taken to species are
answered with an entry of their genus.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from service.intake.columns import plain
from service.reference.spelling import misspelt

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

__all__ = ["name_remedy"]

_MOST_NAMED: Final = 4
_NO_FISH: Final = ("none", "nil", "nothing", "nofish", "nocatch", "zero", "empty", "0")
# Signs of open nomenclature that end what is known of a name: Cottus sp., Salmo cf. trutta.
_OPEN: Final = re.compile(
    r"\s+(?:sp|spp|ssp|species|indet|cf|aff)\b\.?.*|\s*\?|^(?:unid\w*|unknown)\b\.?\s+",
    re.IGNORECASE,
)
_HYBRID: Final = re.compile(r".*(?:\s[x×]\s|×|hybrid).*", re.IGNORECASE)
_OF_A_FAMILY: Final = re.compile(r"[a-z]{3,}ids?", re.IGNORECASE)  # cyprinids, salmonid
_NOT_LISTED: Final = "not in the species list"


def name_remedy(species: pd.DataFrame) -> Callable[[str], str]:
    """Make the remedy for names that are not in a species list.

    Parameters
    ----------
    species
        Index `species`: `vernacular_name`.
    """
    names = [str(name) for name in species.index]
    if not names:
        return lambda _: "the store has no species list yet; load one first"
    common: dict[str, list[str]] = {}
    groups: dict[str, list[str]] = {}  # by the last word: loach of stone loach
    for name, vernacular in species["vernacular_name"].items():
        if isinstance(vernacular, str) and vernacular.strip():
            common.setdefault(plain(vernacular), []).append(str(name))
            groups.setdefault(plain(vernacular.split()[-1]), []).append(str(name))

    def remedy(value: str) -> str:
        if plain(value) in _NO_FISH:
            return "no fish is no catch row; take the row out, and declare nil for the placement"
        if plain(value) in common:
            return f"give the scientific name: {' or '.join(common[plain(value)])}"
        if _HYBRID.fullmatch(value):
            return f"{_NOT_LISTED}; add hybrids there under a name of their own"
        stem = _OPEN.sub("", value).strip()
        if stem != value or _OF_A_FAMILY.fullmatch(stem):
            return _not_to_species(stem, names, groups)
        near = _scientific(value, names)
        if near:
            return f"{_NOT_LISTED}; nearest: {', '.join(near)}"
        wider = _wider(value, names)
        if wider:
            return wider
        genus = value.split(" ", maxsplit=1)[0]
        if genus in names and re.fullmatch(r"[a-z\-]{3,}\b.*", value[len(genus) + 1 :]):
            return f"{_NOT_LISTED}; add it there, or write {genus}, its genus, which is listed"
        return _vernacular(value, common, groups)

    return remedy


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


def _wider(value: str, names: Sequence[str]) -> str:
    """Answer a genus or family that the list lacks: a species would say more than was seen."""
    kind = "family" if re.fullmatch(r"[A-Z][a-z]+idae", value) else "genus"
    within = [name for name in names if name.casefold().startswith(f"{value.casefold()} ")]
    if kind == "genus" and not within:
        return ""
    return _load_wider(f"the species list has no entry for this {kind}", kind, within)


def _load_wider(why: str, kind: str, within: Sequence[str]) -> str:
    known = f" ({_some(within)})" if within else ""
    return (
        f"{why}; load one of rank {kind} for fish not taken further, or name the species where it "
        f"is known{known}"
    )


def _not_to_species(stem: str, names: Sequence[str], groups: dict[str, list[str]]) -> str:
    """Answer fish not taken to species: Cottus sp., sculpin spp., Salmo cf. trutta."""
    genus = stem.split(" ", maxsplit=1)[0] if stem else ""
    family = f"{genus.casefold().removesuffix('s')}ae"
    listed = [name for name in names if name.casefold() in (genus.casefold(), family)]
    listed += [name for name in names if " " not in name and misspelt(genus.casefold(), name)]
    if listed:
        return f"write {listed[0]}, which the list has for fish not taken to species"
    wider = _wider(genus, names) if genus else ""
    if wider:
        return wider
    within = groups.get(plain(stem), []) + groups.get(f"{plain(stem)}s", [])
    entries = [name for name in dict.fromkeys(n.split()[0] for n in within) if name in names]
    if entries:
        return f"give the scientific name of the genus: {' or '.join(entries)}"
    why = f"{_NOT_LISTED}, which has no entry for such fish"
    return _load_wider(why, "genus or family", within)


def _vernacular(value: str, common: dict[str, list[str]], groups: dict[str, list[str]]) -> str:
    word = plain(value)
    for of, names in groups.items():
        if word in (of, f"{of}s") or (misspelt(word, of) and len(word) > 4):
            return f"give the scientific name; the list has {_some(names)} of this name"
    near = [name for of, names in common.items() if misspelt(word, of) for name in names]
    if near:
        return f"{_NOT_LISTED}; did you mean {' or '.join(near[:_MOST_NAMED])}?"
    return (
        f"{_NOT_LISTED} and not near any name in it; add it there; a genus or family may be used "
        "where the list has it"
    )


def _some(names: Sequence[str]) -> str:
    more = " and others" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more
