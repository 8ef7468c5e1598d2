"""Darwin Core Archive: an event core, occurrences, measurements and the Humboldt table.

TDWG Darwin Core text guide; terms of Darwin Core and of the Humboldt Extension for Ecological
Inventories. A survey holds visits, a visit holds placements, by parentEventID. A visit is the
work of one survey on one local date at one site, or on one stream where no site is named.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from layers.crs import DEGREE_DECIMALS
from layers.drawing.geojson import to_wgs84
from layers.drawing.record_features import effort_words
from layers.fieldwork.effort import EFFORT_UNITS, effort_of, main_units
from layers.fieldwork.looking import catch_numbers, local_dates
from service.answers.writing import zip_members
from service.export.absences import scope_of
from service.export.documents import environment
from service.export.eml import eml_document
from service.export.humboldt import humboldt_table
from service.export.occurrence_ids import absence_ids, fish_ids, occurrence_ids, occurrences_of_fish

if TYPE_CHECKING:
    from collections.abc import Callable

    from layers.arrays import Floats
    from service.export.absences import Scope
    from service.export.contents import Contents

__all__ = ["archive_tables", "write_archive"]

_WORDS: Final = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))


def write_archive(
    path: Path,
    contents: Contents,
    *,
    progress: Callable[[str, int, int, str], None] = lambda *_: None,
) -> None:
    """Write the archive as one zip; `progress` is called as `service.progress.report` is."""
    tables = archive_tables(contents)
    members: dict[str, bytes | Path] = {
        "meta.xml": _meta(tables).encode(),
        "eml.xml": eml_document(contents.facts).encode(),
    }
    total, done = sum(map(len, tables.values())), 0
    for name, table in tables.items():
        members[f"{name}.txt"] = _text(table)
        done += len(table)
        progress("writing", done, total, "row")
    zip_members(path, members)


def archive_tables(contents: Contents) -> dict[str, pd.DataFrame]:
    """Tables `event`, `occurrence`, `measurement` and `humboldt`, columns named by term.

    The first column of each is the event's identifier.
    """
    placements = contents.records.placements
    event_id = "placement:" + placements.index.to_series().astype("str")
    scope = scope_of(contents)
    effort = _main_effort(contents)
    return {
        "event": _events(contents, event_id, effort),
        "occurrence": _occurrences(contents, event_id, scope),
        "measurement": _measurements(contents, event_id),
        "humboldt": humboldt_table(contents, event_id, scope, effort),
    }


def _main_effort(contents: Contents) -> pd.DataFrame:
    """Effort of each placement in its method's main unit: `value`, `unit`; and all in `words`."""
    placements, methods = contents.records.placements, contents.methods
    known = effort_of(placements, methods).dropna(subset=["effort"])
    unit = known["effort_unit"].map({key: each.unit for key, each in EFFORT_UNITS.items()})
    main = placements["method"].map(main_units(placements, known))
    own = known[known["effort_unit"].to_numpy() == main.reindex(known["placement_id"]).to_numpy()]
    own = own.assign(unit=unit.reindex(own.index)).set_index("placement_id")
    frame: pd.DataFrame = (
        own[["effort", "unit"]].rename(columns={"effort": "value"}).reindex(placements.index)
    )
    frame["words"] = effort_words(placements.index, known)
    return frame


def _events(contents: Contents, event_id: pd.Series, effort: pd.DataFrame) -> pd.DataFrame:
    placements = contents.records.placements
    sheet = contents.sheets["placements"].set_index(placements.index)
    exact = contents.generalised.isna()
    days = local_dates(placements).dt.strftime("%Y-%m-%d")
    survey_id = ("survey:" + placements["survey"].astype("str")).where(placements["survey"].notna())
    where = placements["site"].fillna(placements["stream_name"]).fillna("elsewhere")
    visit_id = ("visit:" + placements["survey"].astype("str") + "/" + where + "/" + days).where(
        exact & placements["survey"].notna() & days.notna()
    )
    placed = to_wgs84(np.asarray(placements.geometry, dtype=object), placements.crs)
    rows = pd.DataFrame(
        {
            "eventID": event_id,
            "parentEventID": visit_id.fillna(survey_id),
            "eventType": "gear placement",
            "eventDate": _event_dates(placements, sheet),
            "samplingProtocol": placements["method"].map(contents.methods["label"]),
            "sampleSizeValue": effort["value"],
            "sampleSizeUnit": effort["unit"],
            "samplingEffort": effort["words"],
            "fieldNumber": placements.index,
            "waterBody": placements["stream_name"],
            "locality": placements["site"],
            "decimalLatitude": shapely.get_y(placed),
            "decimalLongitude": shapely.get_x(placed),
            "geodeticDatum": pd.Series("EPSG:4326", index=placements.index).where(
                ~shapely.is_missing(placed)
            ),
            **_uncertainty(contents),
            **_footprints(contents, exact),
            "eventRemarks": _remarks(placements),
        },
        index=placements.index,
    )
    visits = _visits(rows, visit_id, survey_id, days)
    surveys = _surveys(contents, survey_id, days)
    events = pd.concat([surveys, visits, rows], ignore_index=True)
    return events.reindex(columns=list(rows.columns))


def _event_dates(placements: pd.DataFrame, sheet: pd.DataFrame) -> pd.Series:
    began, ended = sheet["set_at"].astype("str"), sheet["lifted_at"].astype("str")
    both = began.where(ended.isna() | (ended == began), began + "/" + ended)
    if "year" not in placements:
        return both
    years = placements["year"].map("{:.0f}".format, na_action="ignore").astype("str")
    return both.fillna(years)


def _uncertainty(contents: Contents) -> dict[str, Any]:
    placements = contents.records.placements
    name = "coordinate_uncertainty_m"
    metres = placements[name if name in placements else "position_uncertainty_m"].astype("float64")
    said = contents.generalised
    withheld = "Names of people and permits." if contents.audience == "public" else None
    return {
        # Zero is not valid: it would say that the place is known without any doubt.
        "coordinateUncertaintyInMeters": np.ceil(metres.where(metres > 0)),
        "dataGeneralizations": said,
        "informationWithheld": pd.Series(withheld, index=placements.index, dtype="str").where(
            said.isna(), "All details but method, outcome, year and catch by species."
        ),
    }


def _footprints(contents: Contents, exact: pd.Series) -> dict[str, Any]:
    placements = contents.records.placements
    shapes = to_wgs84(placements["shape"].to_numpy(object), placements.crs)
    drawn = ~shapely.is_missing(shapes) & exact.to_numpy(bool)
    wkt = np.full(len(placements), None, dtype=object)
    wkt[drawn] = shapely.to_wkt(shapes[drawn], rounding_precision=DEGREE_DECIMALS)
    columns: dict[str, Any] = {
        "footprintWKT": wkt,
        "footprintSRS": pd.Series("EPSG:4326", index=placements.index).where(drawn),
    }
    if contents.audience == "precise":
        known = placements["original_x"].notna() & placements["original_y"].notna()
        x, y = (placements[name].map(str) for name in ("original_x", "original_y"))
        columns["verbatimCoordinates"] = (x + " " + y).where(known)
        columns["verbatimSRS"] = placements["original_crs"].where(known)
        columns["georeferenceRemarks"] = placements["transformation"]
    return columns


def _remarks(placements: pd.DataFrame) -> pd.Series:
    notes = placements["notes"].astype("str").fillna("")
    said = placements["outcome"].map(_WORDS["unfished"]).astype("str").fillna("")
    both = (said + " " + notes).str.strip()
    return both.where(both != "")


def _visits(
    rows: pd.DataFrame, visit_id: pd.Series, survey_id: pd.Series, days: pd.Series
) -> pd.DataFrame:
    known = visit_id.notna()
    frame = pd.DataFrame(
        {
            "eventID": visit_id[known],
            "parentEventID": survey_id[known],
            "eventType": "visit",
            "eventDate": days[known],
            "waterBody": rows.loc[known, "waterBody"],
            "locality": rows.loc[known, "locality"],
        }
    )
    return frame.drop_duplicates("eventID")


def _surveys(contents: Contents, survey_id: pd.Series, days: pd.Series) -> pd.DataFrame:
    spans = days.groupby(survey_id).agg(["min", "max"])
    span = spans["min"].where(spans["min"] == spans["max"], spans["min"] + "/" + spans["max"])
    listed = contents.sheets["surveys"].set_index("survey")["name"]
    names = listed.reindex(span.index.str.removeprefix("survey:")).to_numpy()
    frame = pd.DataFrame({"eventID": span.index, "eventDate": span.to_numpy()})
    return frame.assign(eventType="survey", eventRemarks=names)


def _caught(contents: Contents) -> pd.DataFrame:
    """Catch rows that are an occurrence."""
    catches = contents.records.catches
    number, _ = catch_numbers(catches)
    return catches[number > 0].reset_index(drop=True)


def _occurrences(contents: Contents, event_id: pd.Series, scope: Scope) -> pd.DataFrame:
    rows = _caught(contents)
    kind = rows["count_kind"].fillna("exact")
    counted = rows["count"].where(kind != "present")
    present = pd.DataFrame(
        {
            "eventID": event_id.reindex(rows["placement_id"]).to_numpy(),
            "occurrenceID": occurrence_ids(event_id, rows),
            "scientificName": rows["species"],
            "occurrenceStatus": "present",
            "individualCount": counted.where(kind == "exact"),
            "organismQuantity": counted,
            "organismQuantityType": kind.map(_WORDS["quantity"]).where(counted.notna()),
            "lifeStage": rows["life_stage"],
        }
    )
    place, species = np.nonzero(scope.absent)
    events, names = event_id.iloc[place], scope.species.to_series().iloc[species]
    absent = pd.DataFrame(
        {
            "eventID": events.to_numpy(),
            "occurrenceID": absence_ids(
                events.reset_index(drop=True), names.reset_index(drop=True)
            ),
            "scientificName": names.to_numpy(),
            "occurrenceStatus": "absent",
            "individualCount": 0.0,
            "organismQuantity": 0.0,
            "organismQuantityType": "individuals",
        }
    )
    frame = pd.concat([present, absent], ignore_index=True)
    listed = contents.species.reindex(frame["scientificName"])
    frame.insert(2, "basisOfRecord", "HumanObservation")
    frame.insert(4, "taxonRank", listed["rank"].fillna("species").to_numpy())
    frame.insert(5, "vernacularName", listed["vernacular_name"].to_numpy())
    return frame


def _measurements(contents: Contents, event_id: pd.Series) -> pd.DataFrame:
    placements = contents.records.placements
    parts = []
    for column, (kind, unit) in _WORDS["measured"].items():
        known = placements[column].notna()
        events = event_id[known]
        values = placements.loc[known, column].to_numpy(float)
        parts.append(_measured(events, events + ":" + kind, kind, values, unit))
    frame = pd.concat([*parts, *_fish(contents, event_id)], ignore_index=True)
    return frame[list(_WORDS["measurement"])].astype(_WORDS["measurement"])


def _fish(contents: Contents, event_id: pd.Series) -> list[pd.DataFrame]:
    """Rows of measured fish: one that stands for the fish, and its measures under it."""
    lengths, caught = contents.records.lengths, _caught(contents)
    frame = lengths.assign(
        owner=event_id.reindex(lengths["placement_id"]).to_numpy(),
        id=fish_ids(event_id, lengths),
        occurrence=occurrences_of_fish(caught, occurrence_ids(event_id, caught), lengths),
        one=1.0,
    )
    parts = []
    for column, (what, unit) in _WORDS["measured_fish"].items():
        rows = frame[frame[column].notna()]
        own = rows["id"] if column == "one" else rows["id"] + ":" + what.split()[0]
        kinds = what + ", " + rows["species"]
        measured = _measured(rows["owner"], own, kinds, rows[column].to_numpy(float), unit)
        parent = None if column == "one" else rows["id"].to_numpy()
        occurrence = rows["occurrence"].to_numpy()
        parts.append(measured.assign(occurrenceID=occurrence, parentMeasurementID=parent))
    return parts


def _measured(
    events: pd.Series, ids: pd.Series, kind: str | pd.Series, values: Floats, unit: str
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "eventID": events.to_numpy(),
            "occurrenceID": None,
            "measurementID": ids.to_numpy(),
            "parentMeasurementID": None,
            "measurementType": kind if isinstance(kind, str) else kind.to_numpy(),
            "measurementValue": values,
            "measurementUnit": unit or None,
        }
    )


def _text(table: pd.DataFrame) -> bytes:
    """Tab-separated text; what would end a cell or a line is a space within one."""
    plain = table.copy()
    for name in plain.columns:
        column = plain[name]
        if pd.api.types.is_float_dtype(column.dtype):
            plain[name] = column.map(_number_text, na_action="ignore").astype("str")
        elif pd.api.types.is_bool_dtype(column.dtype):
            plain[name] = column.map({True: "true", False: "false"})
        else:
            cells = column.astype("str")
            plain[name] = cells.str.replace(
                r"[\t\r\n\v\f\x1c-\x1e\x85\u2028\u2029]+", " ", regex=True
            )
    text = plain.to_csv(
        index=False, sep="\t", lineterminator="\n", quoting=csv.QUOTE_NONE, escapechar=None
    )
    return text.encode()


def _number_text(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(round(float(value), 7))


def _meta(tables: dict[str, pd.DataFrame]) -> str:
    files = {name: (*_WORDS["files"][name], list(table.columns)) for name, table in tables.items()}
    return environment(xml=True).get_template("meta.xml").render(files=files)
