"""Species lists as people have them: names in several languages, ranks in words, parents."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.plurals import counted

if TYPE_CHECKING:
    from collections.abc import Collection

__all__ = ["language_names", "with_names", "with_parents"]

_OF_A_LANGUAGE: Final = re.compile(
    r"(?:vernacular[ _]?names?|common[ _]?names?|name)[ _:-]+\(?(?P<language>[a-z]{2,3})\)?",
    re.IGNORECASE,
)
_LANGUAGES: Final = {
    "en": ("english", "englisch", "englischer", "anglais", "engels", "engelse", "engelsk"),
    "de": ("german", "deutsch", "deutscher", "allemand", "duits", "duitse", "tysk"),
    "fr": ("french", "français", "französisch", "französischer", "frans", "franse", "fransk"),
    "nl": ("dutch", "nederlands", "nederlandse", "niederländisch", "néerlandais"),
    "da": ("danish", "dansk", "dänisch", "danois"),
    "no": ("norwegian", "norsk", "norwegisch", "norvégien"),
    "sv": ("swedish", "svensk", "svenskt", "schwedisch", "suédois"),
    "es": ("spanish", "español", "spanisch", "espagnol", "spaans"),
}
_NAME_WORDS: Final = {
    "name", "names", "naam", "nom", "navn", "namn", "nombre", "vernacular", "common",
    "vernaculaire", "común", "trivialname",
}  # fmt: skip
_RANKS: Final = {
    "sp": "species", "sp.": "species", "gen": "genus", "gen.": "genus", "fam": "family",
    "fam.": "family", "art": "species", "espèce": "species", "soort": "species",
    "especie": "species", "gattung": "genus", "genre": "genus", "geslacht": "genus",
    "slekt": "genus", "slægt": "genus", "släkte": "genus", "género": "genus",
    "familie": "family", "famille": "family", "familia": "family", "familj": "family",
}  # fmt: skip
# Who named a taxon stands behind its name, with a year, in brackets or shortened by a full stop
# (International Code of Zoological Nomenclature, article 51).
_AUTHORITY: Final = re.compile(
    r"(?P<name>[A-Z][a-z]+(?: [a-z][a-z-]+){0,2}) "
    r"(?P<by>\([A-Z][^()]*\)|\(?(?:[a-z]{2,3} )?[A-Z][^()0-9]*,? ?[12][0-9]{3}\)?|[A-Z][a-z]*\.)"
)
_OPEN: Final = re.compile(r"[A-Z][a-z]+ spp?\.?")
_BETWEEN: Final = re.compile(r"\S+(?:inae|oidea|iformes)")


def with_names(
    raw: pd.DataFrame, stored: pd.DataFrame | None = None
) -> tuple[pd.DataFrame, list[str]]:
    """Gather names by language, and read ranks; says what was taken how.

    Columns such as `vernacular_name_de` (the code of a language after ISO 639) become
    `vernacular_names`. Where there is no `vernacular_name`, the first language is taken for it.
    Without any rank, a name of two words is a species, one that ends in -idae a family
    (International Code of Zoological Nomenclature, article 29.2), another a genus. Of species of
    `stored`, the list of the store, neither is taken so, and names in other languages stay.

    Examples
    --------
    >>> raw = pd.DataFrame({"species": ["Cottus gobio", "Cottus"], "name_de": ["Groppe", None]})
    >>> frame, said = with_names(raw)
    >>> frame["vernacular_names"].iloc[0], frame["rank"].tolist()
    ('de: Groppe', ['species', 'genus'])
    """
    said: list[str] = []
    frame = raw.copy()
    if "species" in frame:
        frame["species"] = _bare_names(frame["species"], said)
    found = {code: column for column in frame.columns if (code := _language_of(str(column)))}
    if found and "vernacular_names" not in frame:
        cells = {code: frame[column].fillna("").astype("str") for code, column in found.items()}
        rows = zip(*(text.str.strip().tolist() for text in cells.values()), strict=True)
        joined = [
            "; ".join(
                [*kept, *(f"{code}: {name}" for code, name in zip(cells, row, strict=True) if name)]
            )
            for kept, row in zip(_other_languages(frame, stored, found), rows, strict=True)
        ]
        frame["vernacular_names"] = pd.Series(joined, index=frame.index).replace("", None)
        worded = [str(c) for c in found.values() if not _OF_A_LANGUAGE.fullmatch(str(c))]
        columns = f" (columns {', '.join(worded)})" if worded else ""
        said.append(f"Names by language: {', '.join(found)}{columns}.")
        if "vernacular_name" not in frame:
            first = frame[next(iter(found.values()))]
            frame["vernacular_name"] = _as_stored(frame, stored, "vernacular_name", first)
        frame = frame.drop(columns=list(found.values()))
    if "rank" in frame and frame["rank"].notna().any():
        rank = frame["rank"].astype("str").str.strip().str.lower()
        told = frame["species"].map(_rank_of, na_action="ignore") if "species" in frame else None
        if told is not None and frame["rank"].isna().any():
            said.append("Ranks that are not given are told by the names.")
        frame["rank"] = rank.replace(_RANKS).where(frame["rank"].notna(), told)
    elif "species" in frame:
        names = frame["species"].fillna("").astype("str").str.strip()
        rank = names.map(_rank_of)
        frame["rank"] = _as_stored(frame, stored, "rank", rank.where(names.ne(""), None))
        said.append("No rank is given: that of new species is told by the names.")
    return frame, said


def _as_stored(
    frame: pd.DataFrame, stored: pd.DataFrame | None, column: str, new: pd.Series
) -> pd.Series:
    """Take what is stored of a column, and of species that are not stored what is new."""
    if stored is None or "species" not in frame:
        return new
    names = frame["species"]
    return new.where(~names.isin(stored.index), names.map(stored[column].to_dict()))


def _other_languages(
    frame: pd.DataFrame, stored: pd.DataFrame | None, codes: Collection[str]
) -> list[list[str]]:
    """Names that are stored of each row in other languages than these, as `de: Groppe`."""
    none = pd.Series("", index=frame.index)
    texts = _as_stored(frame, stored, "vernacular_names", none).fillna("").astype("str")
    each = [[own.strip() for own in text.split(";") if own.strip()] for text in texts]
    return [[own for own in row if own.partition(":")[0].strip() not in codes] for row in each]


def _bare_names(column: pd.Series, said: list[str]) -> pd.Series:
    """Take who named it off scientific names; says so."""
    names = column.astype("str").str.strip()
    texts = names.dropna().unique()
    fits = {text: fit["name"] for text in texts if (fit := _AUTHORITY.fullmatch(text))}
    if fits:
        first = ", ".join(list(fits)[:3]) + " …" * (len(fits) > 3)
        said.append(f"Who named it is left out in {counted(len(fits), 'name')}: {first}.")
    return names.replace(fits)


def _language_of(column: str) -> str:
    """Find the code of the language whose names a column has; '' where it has none."""
    fit = _OF_A_LANGUAGE.fullmatch(column)
    if fit:
        return str(fit["language"]).lower()
    words = set(re.findall(r"\w+", column.casefold().replace("_", " "))) - _NAME_WORDS
    word = words.pop() if len(words) == 1 else ""
    return next((code for code, listed in _LANGUAGES.items() if word in listed), "")


def _rank_of(name: str) -> str:
    if _BETWEEN.fullmatch(name):
        return "a rank between"
    if _OPEN.fullmatch(name):
        return "genus"
    if " " in name:
        return "species"
    return "family" if name.endswith("idae") else "genus"


def with_parents(frame: pd.DataFrame, stored: Collection[str]) -> tuple[pd.DataFrame, list[str]]:
    """Add the genus and family of each species that neither list nor store has; says which."""
    rank = frame.get("rank", pd.Series("species", index=frame.index)).fillna("species")
    species = frame[rank == "species"]
    genera = species["species"].str.split(" ").str[0]
    above = pd.DataFrame({"species": genera, "rank": "genus"}, index=species.index)
    for column in ("family", "group"):
        if column in frame:
            above[column] = species[column]
    families = above.dropna(subset="family") if "family" in above else above.iloc[:0]
    if len(families):
        families = families.assign(species=families["family"], rank="family")
    known = {*frame["species"], *stored}
    new = pd.concat([above, families]).drop_duplicates("species")
    new = new[~new["species"].isin(known)]
    return pd.concat([frame, new], ignore_index=True), sorted(new["species"])


def language_names(species: pd.DataFrame) -> pd.Series:
    """Return every vernacular name of a list, indexed by species; one row for each name."""
    own = [species["vernacular_name"].dropna()] if "vernacular_name" in species else []
    if "vernacular_names" in species:
        several = species["vernacular_names"].dropna().astype("str").str.split(";").explode()
        own.append(several.str.replace(r"^[^:]*:", "", regex=True).str.strip())
    if not own:
        return pd.Series(dtype="str")
    names: pd.Series = pd.concat(own).astype("str")
    return names[names != ""]
