"""The Darwin Core Archive: its form, its terms, its events, and absences only where known.

Terms: tests/references/darwin_core_terms.csv, an extract of the TDWG lists of terms for Darwin
Core (http://rs.tdwg.org/dwc/terms/) and its Humboldt Extension (http://rs.tdwg.org/eco/terms/),
checked against the lists of 2026-05-26. Form of the archive: TDWG Darwin Core text guide,
http://rs.tdwg.org/dwc/text/.
"""

import datetime as dt
import io
import re
import zipfile
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from dwca.read import DwCAReader

from layers.fieldwork.looking import detectable
from service.export.absences import scope_of
from service.export.contents import gather
from service.export.darwin_core import archive_tables
from service.export.occurrence_ids import occurrence_ids, occurrences_of_fish
from service.records import LOCAL_KEEPER, Selection
from tests.conftest import REFERENCES
from tests.handed_over import hand_over

DWC, ECO = "http://rs.tdwg.org/dwc/terms/", "http://rs.tdwg.org/eco/terms/"

# The registered extension whose rows may name an occurrence of their event. Its address as in
# archives and readers of others; that it is still the registered one is from memory.
MEASURED = "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact"


@pytest.fixture(scope="module", params=["public", "precise"])
def archive(request):
    return request.param, hand_over("dwca", request.param)


@pytest.fixture(scope="module")
def precise():
    return tables_of(hand_over("dwca", "precise"))


@pytest.fixture(scope="module")
def public():
    return tables_of(hand_over("dwca", "public"))


def tables_of(path):
    with zipfile.ZipFile(path) as held:
        return {
            name.removesuffix(".txt"): pd.read_csv(
                io.BytesIO(held.read(name)), sep="\t", dtype="str", keep_default_na=False, quoting=3
            )
            for name in held.namelist()
            if name.endswith(".txt")
        }


def test_the_reader_opens_the_archive_and_finds_every_row(archive):
    """python-dwca-reader, a general reader of such archives, sees the same rows as we wrote."""
    _, path = archive
    tables = tables_of(path)
    with DwCAReader(str(path)) as reader:
        assert reader.descriptor.core.type == f"{DWC}Event"
        rows = list(reader)
        assert [row.id for row in rows] == tables["event"]["eventID"].tolist()
        assert {ext.type for ext in reader.descriptor.extensions} == {
            f"{DWC}Occurrence", MEASURED, f"{ECO}Event",
        }  # fmt: skip
        told = {f"{DWC}Occurrence": 0, MEASURED: 0, f"{ECO}Event": 0}
        for row in rows:
            for extension in row.extensions:
                told[extension.rowtype] += 1
        assert told == {
            f"{DWC}Occurrence": len(tables["occurrence"]),
            MEASURED: len(tables["measurement"]),
            f"{ECO}Event": len(tables["humboldt"]),
        }
        assert reader.metadata is not None


def test_every_term_is_one_of_the_published_lists(archive):
    """meta.xml maps each column to the IRI of a term of the extract, in the right list."""
    known = pd.read_csv(REFERENCES / "darwin_core_terms.csv")
    iris = {
        "Event": set(known.loc[known["prefix"].eq("dwc") & known["record"].eq("event"), "iri"]),
        "Occurrence": set(known.loc[known["record"].eq("occurrence"), "iri"]),
        "ExtendedMeasurementOrFact": set(known.loc[known["record"].eq("measurement"), "iri"]),
        "eco": set(known.loc[known["prefix"].eq("eco"), "iri"]),
    }
    with zipfile.ZipFile(archive[1]) as held:
        meta = ET.fromstring(held.read("meta.xml"))
    space = {"t": "http://rs.tdwg.org/dwc/text/"}
    assert meta.attrib == {"metadata": "eml.xml"}
    nodes = [meta.find("t:core", space), *meta.findall("t:extension", space)]
    for node in nodes:
        kind = node.attrib["rowType"]
        wanted = iris["eco"] if kind.startswith(ECO) else iris[kind.rsplit("/", 1)[1]]
        terms = [field.attrib["term"] for field in node.findall("t:field", space)]
        assert set(terms) <= wanted, set(terms) - wanted
        assert len(terms) == len(set(terms))
        assert node.attrib["ignoreHeaderLines"] == "1"
    assert nodes[0].find("t:id", space) is not None
    assert all(node.find("t:coreid", space) is not None for node in nodes[1:])


def test_the_metadata_is_eml_and_names_the_term_lists(archive):
    """EML 2.2.0: its namespace, and title, creator and contact, which it asks for."""
    audience, path = archive
    with zipfile.ZipFile(path) as held:
        eml = ET.fromstring(held.read("eml.xml"))
    assert eml.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml"
    assert {"packageId", "system"} <= set(eml.attrib)
    dataset = eml.find("dataset")
    order = [child.tag for child in dataset]
    # Order in the schemas eml-resource (ResourceGroup) and eml-dataset of EML 2.2.0.
    assert order == [
        "title", "creator", "metadataProvider", "pubDate", "language", "abstract",
        "additionalInfo", "intellectualRights", "coverage", "contact", "methods",
    ]  # fmt: skip
    # Order in the schemas eml-coverage and eml-methods of EML 2.2.0, by hand: no package with
    # the schema is installed.
    coverage = dataset.find("coverage")
    assert [side.tag for side in coverage.find("geographicCoverage/boundingCoordinates")] == [
        f"{side}BoundingCoordinate" for side in ("west", "east", "north", "south")
    ]
    assert [end.tag for end in coverage.find("temporalCoverage/rangeOfDates")] == [
        "beginDate", "endDate",
    ]  # fmt: skip
    taxa = coverage.findall("taxonomicCoverage/taxonomicClassification")
    ordered = ["taxonRankName", "taxonRankValue", "commonName", "taxonId"]
    for taxon in taxa:
        tags = [part.tag for part in taxon]
        assert tags == [tag for tag in ordered if tag in tags]
        assert {"taxonRankName", "taxonRankValue"} <= set(tags)
    ranks = {taxon.findtext("taxonRankValue"): taxon.findtext("taxonRankName") for taxon in taxa}
    assert ranks["Salmo trutta"] == "species"
    assert ranks["Leuciscidae"] == "family"
    steps = [" ".join(step.itertext()) for step in dataset.findall("methods/methodStep")]
    assert any("trap-nights (local nights between set and lift" in step for step in steps)
    assert not any("trap_night" in step or "square_metre" in step for step in steps)
    said = " ".join(dataset.find("additionalInfo").itertext())
    assert "2017 to 2023" in said
    assert "2026-05-26" in said
    assert ("generalised" in said) == (audience == "public") or "Nothing was withheld" in said
    assert "CC BY 4.0" in "".join(dataset.find("intellectualRights").itertext())


def test_surveys_hold_visits_and_visits_hold_placements(precise, demo):
    """parentEventID leads from every placement over its visit to its survey."""
    events = precise["event"].set_index("eventID")
    assert events.index.is_unique
    placements = demo.records(Selection()).placements
    own = events[events["eventType"] == "gear placement"]
    assert sorted(own["fieldNumber"]) == sorted(placements.index)
    visits = events.loc[own["parentEventID"]]
    assert set(visits["eventType"]) == {"visit"}
    surveys = events.loc[visits["parentEventID"]]
    assert set(surveys["eventType"]) == {"survey"}
    assert (surveys["parentEventID"] == "").all()
    assert (
        surveys.index.str.removeprefix("survey:")
        == placements.loc[own["fieldNumber"], "survey"].to_numpy()
    ).all()
    # A local date of setting is the visit's date.
    assert (own["eventDate"].str[:10].to_numpy() == visits["eventDate"].to_numpy()).all()


def test_dates_are_iso_8601_intervals_with_offset(precise, demo):
    """They name the same moments as the store."""
    events = precise["event"]
    own = events[events["eventType"] == "gear placement"].set_index("fieldNumber")["eventDate"]
    moment = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d"
    assert own.map(lambda text: re.fullmatch(f"{moment}(/{moment})?", text) is not None).all()
    placements = demo.records(Selection()).placements.loc[own.index]
    began = pd.to_datetime(own.str.split("/").str[0], utc=True)
    ended = pd.to_datetime(own.str.split("/").str[-1], utc=True)
    assert (began.to_numpy() == placements["set_at"].to_numpy()).all()
    lifted = placements["lifted_at"].fillna(placements["set_at"])
    assert (ended.to_numpy() == lifted.to_numpy()).all()


def test_presences_are_the_catches(precise, demo):
    """One row of presence for each catch row; the numbers add up."""
    occurrences = precise["occurrence"]
    assert occurrences["occurrenceID"].is_unique
    assert set(occurrences["occurrenceStatus"]) == {"present", "absent"}
    present = occurrences[occurrences["occurrenceStatus"] == "present"]
    catches = demo.records(Selection()).catches
    assert len(present) == (catches["count"].fillna(1) > 0).sum()
    counted = present.loc[present["individualCount"] != "", "individualCount"].astype(float)
    assert counted.sum() == catches.loc[catches["count_kind"] == "exact", "count"].sum()
    kinds = present["organismQuantityType"].value_counts()
    assert kinds["individuals, at least"] == (catches["count_kind"] == "at_least").sum()
    pairs = present[["organismQuantity", "organismQuantityType"]] != ""
    assert (pairs.iloc[:, 0] == pairs.iloc[:, 1]).all()


def test_an_id_of_an_occurrence_is_the_same_in_every_selection(demo):
    """One species, one survey, one year: each row that is there has the id it has in the whole."""
    placements = demo.records(Selection()).placements
    for audience in ("precise", "public"):
        whole = occurrences(demo, Selection(), audience)
        for asked in (
            Selection(species=("Anguilla anguilla",)),
            Selection(species=("Salmo trutta",)),
            Selection(methods=("electric_fishing",)),
            Selection(surveys=(placements["survey"].mode()[0],)),
            Selection(since=dt.date(2021, 1, 1), until=dt.date(2021, 12, 31)),
        ):
            part = occurrences(demo, asked, audience)
            assert len(part) < len(whole)
            assert len(part) or audience == "public"
            pd.testing.assert_frame_equal(part, whole.loc[part.index], check_dtype=False)


def occurrences(store, selection, audience="precise", tables=archive_tables):
    frame = tables(gather(store, selection, audience, viewer=LOCAL_KEEPER))["occurrence"]
    assert frame["occurrenceID"].is_unique
    return frame.set_index("occurrenceID")


def test_ids_of_occurrences_outlive_edits_of_other_rows_and_a_new_import(precise, demo):
    """Rows added, taken out, in another order and under other row numbers keep their ids."""
    records = demo.records(Selection())
    catches, placements = records.catches, records.placements
    event = "placement:" + placements.index.to_series()
    ids = occurrence_ids(event, catches)
    assert ids.is_unique
    assert (
        precise["occurrence"].query("occurrenceStatus == 'present'")["occurrenceID"]
        == ids.to_numpy()
    ).all()
    shuffled = catches.sample(frac=1, random_state=4).reset_index(drop=True)
    assert set(occurrence_ids(event, shuffled)) == set(ids)
    fewer = catches.sample(frac=0.5, random_state=4)
    alone = ~ids.str.contains(r":\d+$")  # not numbered among rows that agree in all else
    pd.testing.assert_series_equal(
        occurrence_ids(event, fewer)[alone], ids.loc[fewer.index][alone], check_names=False
    )
    corrected = catches.assign(count=catches["count"] + 1)
    pd.testing.assert_series_equal(occurrence_ids(event, corrected), ids)


def test_rows_that_differ_in_any_word_have_ids_of_their_own():
    """Pass, stage and fate are named, so that one is never read as the other."""
    rows = pd.DataFrame(
        [
            (None, "adult", None, 1), (None, None, "adult", 1), (None, "adult", None, 2),
            (None, "adult:2", None, 1), (1.0, None, None, 1), (None, "pass 1", None, 1),
            (None, "a\tb", None, 1), (None, "a b", None, 1), (None, None, None, 1),
        ],
        columns=["pass_no", "life_stage", "fate", "count"],
    ).assign(placement_id="T1", species="Salmo trutta", count_kind="exact")  # fmt: skip
    ids = occurrence_ids(pd.Series({"T1": "placement:T1"}), rows)
    assert ids.is_unique
    assert ids[0] == "placement:T1:Salmo trutta:stage adult"
    assert ids[2] == "placement:T1:Salmo trutta:stage adult:2"
    assert not ids.str.contains("\t").any()


def test_public_ids_of_occurrences_are_made_of_what_is_public(public, precise):
    """Event and species, and of the rest only what the public sheet of catches says."""
    told = public["occurrence"]
    assert not set(told["occurrenceID"]) & set(precise["occurrence"]["occurrenceID"])
    covered = public["event"].query("dataGeneralizations != ''")["eventID"]
    own = told[told["eventID"].isin(covered)]
    assert len(own)
    plain = own["eventID"] + ":" + own["scientificName"]
    stage = (":stage " + own["lifeStage"]).where(own["lifeStage"] != "", "")
    assert (own["occurrenceID"].str.replace(r":\d+$", "", regex=True) == plain + stage).all()


def test_a_fish_links_its_length_its_weight_and_its_occurrence(precise, public, demo):
    """Every measure of a fish hangs on one row of that fish, and that on the catch row."""
    records = demo.records(Selection())
    for tables in (precise, public):
        measured = tables["measurement"].set_index("measurementID")
        assert measured.index.is_unique
        fish = measured[measured["measurementType"].str.startswith("one fish")]
        parts = measured[measured["parentMeasurementID"] != ""]
        assert set(parts["parentMeasurementID"]) == set(fish.index)
        both = fish.loc[parts["parentMeasurementID"]]
        for name in ("eventID", "occurrenceID"):
            assert (both[name].to_numpy() == parts[name].to_numpy()).all()
        caught = tables["occurrence"].set_index("occurrenceID")
        linked = fish[fish["occurrenceID"] != ""]
        assert len(linked) > 0.9 * len(fish) > 0
        of = caught.loc[linked["occurrenceID"]]
        assert (of["occurrenceStatus"] == "present").all()
        assert (of["eventID"].to_numpy() == linked["eventID"].to_numpy()).all()
        assert ("one fish, " + of["scientificName"]).tolist() == linked["measurementType"].tolist()
        if tables is precise:
            pairs = parts.pivot(
                index="parentMeasurementID", columns="measurementType", values="measurementValue"
            ).set_axis(range(parts["measurementType"].nunique()), axis=1)
            assert len(pairs) == len(records.lengths)
            assert (parts["measurementType"].str.startswith("weight")).sum() == (
                records.lengths["weight_g"].notna().sum()
            )


def test_a_fish_that_may_belong_to_two_catch_rows_is_linked_to_neither():
    """A sheet of lengths has no life stage: only the pass can tell rows of a species apart."""
    catches = pd.DataFrame(
        [("T1", "Salmo trutta", 1.0), ("T1", "Salmo trutta", 2.0), ("T1", "Cottus gobio", None),
         ("T2", "Salmo trutta", 1.0), ("T2", "Salmo trutta", 1.0)],
        columns=["placement_id", "species", "pass_no"],
    )  # fmt: skip
    fish = pd.DataFrame(
        [("T1", "Salmo trutta", 2.0), ("T1", "Salmo trutta", None), ("T1", "Cottus gobio", 1.0),
         ("T2", "Salmo trutta", 1.0), ("T2", "Cottus gobio", 1.0)],
        columns=["placement_id", "species", "pass_no"],
        index=[7, 3, 5, 2, 9],
    )  # fmt: skip
    of = occurrences_of_fish(catches, pd.Series(list("abcde")), fish)
    assert of.fillna("").to_dict() == {7: "b", 3: "", 5: "c", 2: "", 9: ""}


def test_absences_only_where_one_looked_by_a_method_that_detects(precise, demo):
    """Worked the slow way: every placement, every species, from the records alone."""
    records, species, methods = demo.records(Selection()), demo.species(), demo.methods()
    can = detectable(species, methods)
    caught = records.catches.groupby("placement_id")["species"].agg(set)
    wanted = set()
    for name, placement in records.placements.iterrows():
        if placement["outcome"] not in ("caught", "nil"):
            continue
        had = caught.get(name, set())
        unsure = {s for s in had if species.loc[s, "rank"] != "species"}
        for fish, row in species.iterrows():
            perhaps = any(
                fish.startswith(f"{u} ") or row["family"] == u for u in unsure
            )  # a genus or family entry may have been this species
            listed = row["rank"] == "species" and can.loc[fish, placement["method"]]
            if listed and fish not in had and not perhaps:
                wanted.add((f"placement:{name}", fish))
    absent = precise["occurrence"].query("occurrenceStatus == 'absent'")
    assert set(zip(absent["eventID"], absent["scientificName"], strict=True)) == wanted
    assert (absent["individualCount"] == "0").all()


def test_a_nil_catch_is_an_event_without_presence(precise, demo):
    """Lost and disturbed gear has neither presence nor absence, and the event says why."""
    placements = demo.records(Selection()).placements
    occurrences = precise["occurrence"]
    for outcome, statuses in (("nil", {"absent"}), ("lost", set()), ("disturbed", set())):
        ids = "placement:" + placements.index[placements["outcome"] == outcome]
        assert len(ids)
        own = occurrences[occurrences["eventID"].isin(ids)]
        assert set(own["occurrenceStatus"]) == statuses
    events = precise["event"].set_index("eventID")
    lost = "placement:" + placements.index[placements["outcome"] == "lost"]
    assert events.loc[lost, "eventRemarks"].str.startswith("Gear lost").all()


def test_effort_is_counted_in_the_main_unit(precise):
    """Hand nets of the demo were counted in lifts alone, though minutes come first for them."""
    nets = (
        precise["event"].query("samplingProtocol == 'Hand net'").dropna(subset=["sampleSizeValue"])
    )
    assert set(nets["sampleSizeUnit"]) == {"lifts"}


def test_humboldt_rows_agree_with_the_occurrences(precise):
    """Target scope, absent taxa and flags say what the occurrence rows say."""
    humboldt = precise["humboldt"].set_index("eventID")
    absent = precise["occurrence"].query("occurrenceStatus == 'absent'")
    named = absent.groupby("eventID")["scientificName"].agg(set)
    for event, row in humboldt.iterrows():
        told = set(filter(None, row["absentTaxa"].split(" | ")))
        assert told == named.get(event, set())
        assert told <= set(row["targetTaxonomicScope"].split(" | ")) or not told
        assert (row["isAbsenceReported"] == "true") == bool(told)
    for value, unit in (
        ("samplingEffortValue", "samplingEffortUnit"),
        ("eventDurationValue", "eventDurationUnit"),
        ("totalAreaSampledValue", "totalAreaSampledUnit"),
    ):
        assert ((humboldt[value] != "") == (humboldt[unit] != "")).all()
        assert (humboldt[value] != "").any()
    assert (
        (humboldt["isSamplingEffortReported"] == "true") == (humboldt["samplingEffortValue"] != "")
    ).all()


def test_positions_and_their_uncertainty(precise, demo):
    """WGS 84 with datum; an uncertainty of zero is never stated, and empty where unknown."""
    events = precise["event"]
    own = events[events["eventType"] == "gear placement"].set_index("fieldNumber")
    placements = demo.records(Selection()).placements.loc[own.index]
    degrees = placements.geometry.to_crs(4326)
    np.testing.assert_allclose(own["decimalLongitude"].astype(float), degrees.x, atol=1e-7)
    np.testing.assert_allclose(own["decimalLatitude"].astype(float), degrees.y, atol=1e-7)
    assert set(own["geodeticDatum"]) == {"EPSG:4326"}
    stated = own["coordinateUncertaintyInMeters"]
    known = placements["position_uncertainty_m"].notna().to_numpy()
    assert ((stated != "").to_numpy() == known).all()
    assert (stated[known].astype(float) >= placements.loc[known, "position_uncertainty_m"]).all()
    assert not stated.isin(["0", "0.0"]).any()


def test_generalised_places_say_so_and_tell_nothing_else(public):
    """A cell's centre, half its diagonal, the year; no effort, scope, absence or visit."""
    events = public["event"].set_index("eventID")
    covered = events[events["dataGeneralizations"] != ""]
    assert len(covered)
    assert covered["eventDate"].str.fullmatch(r"\d{4}").all()
    side = covered["dataGeneralizations"].str.extract(r"(\d+) km")[0].astype(float)
    # Half the diagonal of a cell, Chapman (2020), doi 10.15468/doc-5jp4-5g10, rounded up.
    expected = np.ceil(side * 1000 * np.sqrt(0.5))
    assert (covered["coordinateUncertaintyInMeters"].astype(float) == expected).all()
    for name in ("parentEventID", "waterBody", "locality", "footprintWKT", "samplingEffort",
                 "sampleSizeValue"):  # fmt: skip
        assert (covered[name] == "").all(), name
    outcomes = r"(Gear (lost|disturbed): nothing was looked for|Catch not recorded)?\.?"
    assert covered["eventRemarks"].str.fullmatch(outcomes).all()
    humboldt = public["humboldt"].set_index("eventID").loc[covered.index]
    for name in ("targetTaxonomicScope", "absentTaxa", "samplingEffortValue", "nonTargetTaxa",
                 "isTaxonomicScopeFullyReported", "verbatimSiteNames"):  # fmt: skip
        assert (humboldt[name] == "").all(), name
    assert not public["measurement"]["eventID"].isin(covered.index).any()
    status = public["occurrence"].set_index("eventID")["occurrenceStatus"]
    assert set(status[status.index.isin(covered.index)]) == {"present"}


def test_no_absence_of_a_sensitive_species_is_public(public, demo):
    """Where it was missing among the absences, there it would have been found."""
    species = demo.species()
    sensitive = set(species.index[species["sensitivity"].fillna("none") != "none"])
    absent = public["occurrence"].query("occurrenceStatus == 'absent'")
    assert sensitive
    assert not set(absent["scientificName"]) & sensitive
    scopes = public["humboldt"]["targetTaxonomicScope"].str.split(" | ", regex=False).explode()
    assert not set(scopes) & sensitive


def test_asking_for_one_species_asserts_no_absence_of_others(demo):
    """Nor of a species whose genus was caught, though that row was not asked for."""
    asked = Selection(species=("Salmo trutta",))
    contents = gather(demo, asked, "precise", viewer=LOCAL_KEEPER)
    tables = archive_tables(contents)
    assert set(tables["occurrence"]["scientificName"]) == {"Salmo trutta"}
    whole = gather(demo, Selection(), "precise", viewer=LOCAL_KEEPER)
    column = scope_of(whole).species.get_loc("Salmo trutta")
    assert (scope_of(contents).absent[:, 0] == scope_of(whole).absent[:, column]).all()


def test_line_breaks_and_tabs_in_notes_do_not_break_rows(demo):
    """A note of several lines is one cell of one row."""
    import dataclasses

    from service.export.darwin_core import _text

    contents = gather(demo, Selection(), "precise", viewer=LOCAL_KEEPER)
    notes = 'first\nsecond\tthird "quoted"\r\nfourth\u2028fifth'
    placements = contents.records.placements.assign(notes=notes)
    changed = dataclasses.replace(
        contents, records=dataclasses.replace(contents.records, placements=placements)
    )
    text = _text(archive_tables(changed)["event"]).decode()
    lines = text.split("\n")
    assert len({line.count("\t") for line in lines if line}) == 1
    assert 'first second third "quoted" fourth fifth' in text
