"""Metadata of a hand-over as EML 2.2.0, the Ecological Metadata Language."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

import pandas as pd

from layers.fieldwork.effort import EFFORT_UNITS
from layers.plurals import counted, plural

if TYPE_CHECKING:
    from service.export.contents import Facts

__all__ = ["EML_NAMESPACE", "TERM_LISTS", "eml_document", "withheld_words"]

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
    said = facts.generalised
    kinds = " ".join(f"{counted(said[words], 'placement')}: {words}" for words in sorted(said))
    total = sum(said.values())
    so = f"{counted(total, 'placement')} {plural(total, 'is', 'are')} shown so."
    places = f"{so} {kinds} " if said else ""
    return (
        "Some cells of a grid of 1, 10 or 50 km are closed: every placement in a closed cell, of "
        "any year, is shown as the cell, or not at all. Why a cell is closed is not told. "
        f"{places}Names of people, permits, certificates and remarks on "
        "surveys are withheld. Absences of sensitive species are withheld, since they would tell "
        "where the species was found."
    )


def _paragraphs(parent: ET.Element, tag: str, *texts: str) -> None:
    node = ET.SubElement(parent, tag)
    for text in texts:
        ET.SubElement(node, "para").text = _xml_text(text)


def _xml_text(text: str) -> str:
    """Leave out what XML 1.0 has no way to write."""
    return "".join(
        sign for sign in text if sign in "\t\n\r" or " " <= sign < "\ud800" or sign > "\udfff"
    )


def eml_document(facts: Facts) -> str:
    """Describe a hand-over: what, who, when, where, which species, how, under which licence."""
    ET.register_namespace("eml", EML_NAMESPACE)
    identity = f"{facts.title}|{facts.selection}|{facts.audience}|{facts.made_on}"
    package = uuid.uuid5(uuid.NAMESPACE_URL, identity)
    root = ET.Element(
        f"{{{EML_NAMESPACE}}}eml",
        {"packageId": str(package), "system": "urn:uuid", "scope": "system", "xml:lang": "en"},
    )
    dataset = ET.SubElement(root, "dataset")
    ET.SubElement(dataset, "title").text = _xml_text(facts.title)
    for role in ("creator", "metadataProvider"):
        who = ET.SubElement(dataset, role)
        ET.SubElement(who, "positionName").text = "Keeper of these records"
    ET.SubElement(dataset, "pubDate").text = facts.made_on.isoformat()
    ET.SubElement(dataset, "language").text = "en"
    _paragraphs(
        dataset,
        "abstract",
        f"{counted(facts.placements, 'gear placement')} in fresh water with effort and "
        f"catch, {counted(facts.catch_rows, 'catch row')}. A nil catch is an event whose "
        "species looked for were not found; lost and disturbed gear looked for nothing.",
    )
    _paragraphs(dataset, "additionalInfo", TERM_LISTS, withheld_words(facts))
    _paragraphs(dataset, "intellectualRights", facts.licence)
    _coverage(dataset, facts)
    contact = ET.SubElement(dataset, "contact")
    ET.SubElement(contact, "positionName").text = "Keeper of these records"
    if len(facts.used):
        _methods(dataset, facts)
    body = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _methods(dataset: ET.Element, facts: Facts) -> None:
    steps = ET.SubElement(dataset, "methods")
    for label, names in facts.used[["label", "effort_units"]].itertuples(index=False, name=None):
        step = ET.SubElement(steps, "methodStep")
        units = [EFFORT_UNITS[name] for name in names]
        counted = ", ".join(f"{unit.unit} ({unit.computed_from})" for unit in units)
        words = f"{label}. Effort is counted in {counted}." if counted else f"{label}."
        _paragraphs(step, "description", words)


def _coverage(dataset: ET.Element, facts: Facts) -> None:
    box, days = facts.extent, facts.dates
    if box is None and days is None:
        return
    coverage = ET.SubElement(dataset, "coverage")
    if box is not None:
        place = ET.SubElement(coverage, "geographicCoverage")
        ET.SubElement(place, "geographicDescription").text = "All placements"
        bounds = ET.SubElement(place, "boundingCoordinates")
        west, south, east, north = box
        for side, value in (("west", west), ("east", east), ("north", north), ("south", south)):
            ET.SubElement(bounds, f"{side}BoundingCoordinate").text = f"{value:.5f}"
    if days is not None:
        span = ET.SubElement(coverage, "temporalCoverage")
        dates = ET.SubElement(span, "rangeOfDates")
        for name, day in zip(("beginDate", "endDate"), days, strict=True):
            at = ET.SubElement(dates, name)
            ET.SubElement(at, "calendarDate").text = day.isoformat()
    if len(facts.found):
        taxa = ET.SubElement(coverage, "taxonomicCoverage")
        for name, rank, common in facts.found.itertuples(name=None):
            entry = ET.SubElement(taxa, "taxonomicClassification")
            for tag, text in (
                ("taxonRankName", rank), ("taxonRankValue", name), ("commonName", common),
            ):  # fmt: skip
                if pd.notna(text):
                    ET.SubElement(entry, tag).text = _xml_text(text)
