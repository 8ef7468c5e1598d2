"""Metadata of a hand-over as EML 2.2.0, the Ecological Metadata Language."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Final

from layers.fieldwork.effort import EFFORT_UNITS
from layers.plurals import counted, plural
from service.export.documents import xml_document

if TYPE_CHECKING:
    from service.export.contents import Facts

__all__ = ["EML_NAMESPACE", "eml_document", "withheld_words"]

EML_NAMESPACE: Final = "https://eml.ecoinformatics.org/eml-2.2.0"
TERM_LISTS: Final = (
    "Terms are those of the Darwin Core list of terms and of the Humboldt Extension for "
    "Ecological Inventories (TDWG). occurrenceStatus holds present or absent, as the lists from "
    "2017 to 2023 recommend; the list of 2026-05-26 recommends detected and notDetected instead, "
    "and is followed in eventType. Absent stands only where a placement that fished properly "
    "could have detected the species."
)


def withheld_words(facts: Facts) -> str:
    """Say what was withheld or generalised, and how."""
    if facts.audience == "precise":
        return (
            "Nothing was withheld or generalised: places are exact, those of sensitive species "
            "too. Do not pass these files on."
        )
    said = facts.holds.kinds
    kinds = " ".join(f"{counted(said[words], 'placement')}: {words}" for words in sorted(said))
    total = facts.holds.generalised
    so = f"{counted(total, 'placement')} {plural(total, 'is', 'are')} shown so."
    places = f"{so} {kinds} " if said else ""
    return (
        "Some cells of a grid of 1, 10 or 50 km are closed: every placement in a closed cell, of "
        "any year, is shown as the cell, or not at all. Why a cell is closed is not told. "
        f"{places}Names of people, permits, certificates and remarks on "
        "surveys are withheld. Absences of sensitive species are withheld, since they would tell "
        "where the species was found."
    )


def eml_document(facts: Facts) -> str:
    """Describe a hand-over: what, who, when, where, which species, how, under which licence."""
    identity = f"{facts.title}|{facts.selection}|{facts.audience}|{facts.made_on}"
    words = {key: f"{unit.unit} ({unit.computed_from})" for key, unit in EFFORT_UNITS.items()}
    taxa = facts.found.rename_axis("taxonRankValue").reset_index()
    taxa = taxa.rename(columns={"rank": "taxonRankName", "vernacular_name": "commonName"})
    return xml_document(
        "eml.xml",
        namespace=EML_NAMESPACE,
        package=uuid.uuid5(uuid.NAMESPACE_URL, identity),
        facts=facts,
        counted=counted,
        term_lists=TERM_LISTS,
        withheld=withheld_words(facts),
        taxa=[
            row.dropna().to_dict()
            for _, row in taxa[["taxonRankName", "taxonRankValue", "commonName"]].iterrows()
        ],
        methods=[
            (label, [words[unit] for unit in units])
            for label, units in zip(facts.used["label"], facts.used["effort_units"], strict=True)
        ],
    )
