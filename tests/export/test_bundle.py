"""The bundle for a council: whole, documented, checkable, and the same when made again."""

import csv
import dataclasses
import datetime as dt
import hashlib
import io
import json
import re
import sqlite3
import zipfile
from contextlib import closing
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pandas as pd
import pyogrio
import pytest

from layers.crs import choose_operation
from service.answers import features, summaries
from service.answers.methods_texts import ASSUMES
from service.export.bundle import write_bundle
from service.export.contents import gather, stated_transformation
from service.export.report import account_page
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from tests.handed_over import hand_over

LAYERS = (
    "placements", "detections", "stretches", "reaches", "streams", "catchments", "gaps",
)  # fmt: skip


@pytest.fixture(scope="module")
def members():
    with zipfile.ZipFile(hand_over("bundle", "precise")) as held:
        assert held.testzip() is None
        return {name: held.read(name) for name in held.namelist()}


@pytest.fixture(scope="module")
def public():
    with zipfile.ZipFile(hand_over("bundle", "public")) as held:
        return {name: held.read(name) for name in held.namelist()}


def words_of(page):
    """Text of a page as a reader sees it."""

    class Words(HTMLParser):
        def __init__(self):
            super().__init__()
            self.parts, self.hidden = [], 0

        def handle_starttag(self, tag, attrs):
            self.hidden += tag in ("style", "script")

        def handle_endtag(self, tag):
            self.hidden -= tag in ("style", "script")

        def handle_data(self, data):
            if not self.hidden:
                self.parts.append(data)

    reader = Words()
    reader.feed(page.decode())
    return " ".join(" ".join(reader.parts).split())


def test_checksums_hold_for_every_file(members):
    """SHA256SUMS names every other file and its digest, as `sha256sum --check` reads it."""
    lines = members["SHA256SUMS"].decode().splitlines()
    told = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    others = {name: held for name, held in members.items() if name != "SHA256SUMS"}
    assert told == {name: hashlib.sha256(held).hexdigest() for name, held in others.items()}


def test_the_same_day_gives_the_same_bytes(demo, tmp_path):
    """Made twice from the same records, a bundle is the same file; each row is counted once."""
    made, said = [], []
    for number in (1, 2):
        path = tmp_path / f"{number}.zip"
        asked = Selection(surveys=("LOW22",))
        contents = gather(demo, asked, "public", made_on=dt.date(2026, 5, 1))
        write_bundle(path, contents, progress=lambda *what: said.append(what))
        made.append(path.read_bytes())
    assert made[0] == made[1]
    figures = [what[1:] for what in said if what[0] == "writing"]
    once = figures[: len(figures) // 2]
    assert figures == [*once, *once]
    assert once == sorted(once)
    rows = rows_in(path, tmp_path)
    assert once[-1] == (rows, rows, "row")


def rows_in(path, folder):
    """Count rows of a bundle: lines under headers, features, rows of the GeoPackage."""
    rows = 0
    with zipfile.ZipFile(path) as bundle:
        for name in bundle.namelist():
            if name.startswith(("sheets/", "tables/")):
                text = bundle.read(name).decode("utf-8-sig")
                rows += len(list(csv.reader(io.StringIO(text)))) - 1
            elif name.startswith("geojson/"):
                rows += len(json.loads(bundle.read(name))["features"])
        file = bundle.extract("records.gpkg", folder)
    layers = {name for name, _ in pyogrio.list_layers(file)} - {"layer_styles"}
    return rows + sum(pyogrio.read_info(file, layer=name)["features"] for name in layers)


def test_every_layer_agrees_in_geojson_and_geopackage(members, tmp_path):
    """GDAL finds the same number of features in both, on WGS 84 and in the wanted CRS."""
    (tmp_path / "records.gpkg").write_bytes(members["records.gpkg"])
    for name in LAYERS:
        path = tmp_path / f"{name}.geojson"
        path.write_bytes(members[f"geojson/{name}.geojson"])
        read = pyogrio.read_dataframe(path)
        assert read.crs.to_epsg() == 4326
        inside = pyogrio.read_info(tmp_path / "records.gpkg", layer=name)
        assert len(read) == inside["features"] > 0


def test_the_dictionary_explains_every_column(members, tmp_path):
    """Each column of each table of the GeoPackage and of each CSV is in it, with a meaning."""
    told = pd.read_csv(io.BytesIO(members["data_dictionary.csv"]), keep_default_na=False)
    assert (told["meaning"].str.len() > 3).all()
    pairs = set(zip(told["table"], told["column"], strict=True))
    (tmp_path / "records.gpkg").write_bytes(members["records.gpkg"])
    for name, _ in pyogrio.list_layers(tmp_path / "records.gpkg"):
        if name != "layer_styles":
            fields = pyogrio.read_info(tmp_path / "records.gpkg", layer=name)["fields"]
            assert {(name, field) for field in fields} <= pairs
    for name in members:
        if name.endswith(".csv") and "/" in name:
            table = name.split("/")[1].removesuffix(".csv")
            table = "placement_sheet" if table == "placements" else table
            columns = pd.read_csv(io.BytesIO(members[name])).columns
            assert {(table, column) for column in columns} <= pairs


def test_every_computed_table_and_layer_says_what_it_assumes(members, tmp_path):
    """Tables in a column, layers in their description and as a member of their GeoJSON."""
    path = tmp_path / "records.gpkg"
    path.write_bytes(members["records.gpkg"])
    for name in ("occurrence", "sampled_length", "sampled_length_all", "effort"):
        for table in (
            pd.read_csv(io.BytesIO(members[f"tables/{name}.csv"])),
            pyogrio.read_dataframe(path, layer=name),
        ):
            own = table.get("assumes", table.get("problem"))
            assert own is not None
            if "assumes" in table:
                said = ASSUMES["sampled_length" if name == "sampled_length_all" else name]
                assert set(own) == {said}
    with closing(sqlite3.connect(path)) as file:
        described = dict(file.execute("SELECT table_name, description FROM gpkg_contents"))
    for layer, name in (
        ("placements", "placement_reaches"), ("reaches", "coverage"), ("streams", "streams"),
        ("gaps", "gaps"),
    ):  # fmt: skip
        assert described[layer].endswith(f". Assumes: {ASSUMES[name]}.")
        assert json.loads(members[f"geojson/{layer}.geojson"])["assumes"] == ASSUMES[name]
    assert "Assumes" not in described["catches"]


def test_the_account_says_what_a_council_asks(members, demo):
    """Surveys, dates, methods, effort, sampled length, coverage, cautions, accuracy, licence."""
    words = words_of(members["account.html"])
    placements = demo.records(Selection()).placements
    assert f"{len(placements)} placements, set from" in words
    for survey in demo.surveys().index:
        assert survey in words
    for label in demo.methods().loc[placements["method"].unique(), "label"]:
        assert label in words
    whole = summaries.sampled_length(demo, Selection(), LOCAL_KEEPER).set_index("method")
    left_out = whole.attrs["inputs"]["left_out"]
    assert left_out
    assert all(f"({reason})" in words for reason in left_out)
    assert f"{whole.loc['all', 'sampled_length_m'] / 1000:.3g}"[:4] in words
    assert f"{whole.loc['all', 'network_share']:.1%}" in words
    for part in ("Licence CC BY 4.0", "Cautions", "Uncertainty of position", "gaps remain",
                 "licensed practice", "EPSG:32629", "trap-nights"):  # fmt: skip
        assert part in words
    assert "Nothing was withheld" in words


def test_an_unknown_accuracy_is_not_called_exact(demo):
    """Far from where a datum shift is defined, its accuracy is not stated."""
    contents = gather(demo, Selection(surveys=("LOW22",)), "public")
    how, accuracy = stated_transformation(contents, "EPSG:29902")
    assert how == choose_operation(demo.settings.crs, "EPSG:29902").name
    assert np.isnan(accuracy)


def test_the_public_account_says_what_was_withheld(public, demo):
    """How many places are shown as cells, and how."""
    words = words_of(public["account.html"])
    sheet = pd.read_csv(io.BytesIO(public["sheets/placements.csv"]))
    assert sheet["crew"].isna().all()
    assert sheet["permit"].isna().all()
    assert re.search(r"\d+ placements are shown so", words)
    cells = features.placements(demo, Selection(), PUBLIC)["generalised_km"].notna()
    assert f"{cells.sum()} placements are shown so" in words
    assert "grid cell" in words
    assert "Names of people" in words


NOT_COUNTED = (
    "Placements in closed cells are not counted here, as their place on the network is not public."
)


def rows_of(page, caption):
    """Cells of the table with this caption, by heading."""
    for table in pd.read_html(io.BytesIO(page), flavor="lxml", match=caption):
        return table
    raise AssertionError(caption)


def test_effort_says_of_how_many_placements_it_is_known(public, members, demo):
    """Computed a second way: placements with a stated area, lifts or minutes that fished."""
    for held, viewer in ((public, PUBLIC), (members, LOCAL_KEEPER)):
        shown = features.placements(demo, Selection(), viewer)
        fished = shown[shown["outcome"].isin(["caught", "nil"])]
        told = rows_of(held["account.html"], "Effort, and of how many").set_index(
            ["Method", "Counted in"]
        )
        for label, unit, column in (
            ("Electric fishing", "min", "minutes"), ("Electric fishing", "passes", "passes"),
            ("Kick net", "lifts", "lifts"), ("Seine", "hauls", "lifts"),
        ):  # fmt: skip
            own = fished[fished["method_label"] == label]
            row = told.loc[(label, unit)]
            assert row["Effort"] == own[column].sum()
            assert row["Known of"] == own[column].notna().sum() > 0
            assert row["Placements that fished"] == len(own)
        if viewer == PUBLIC:  # else one number could stand for the other
            assert (told["Known of"] < told["Placements that fished"]).any()
    assert (told["Known of"] == told["Placements that fished"]).all()  # the keeper knows all


def test_public_figures_of_coverage_say_what_they_leave_out(public, members, tmp_path):
    """The sentence of the coverage page, in the account, the dictionary and the GeoPackage."""
    page = (files("service.web") / "templates" / "coverage.html").read_text(encoding="utf-8")
    assert NOT_COUNTED in " ".join(page.split())
    for held, is_public in ((public, True), (members, False)):
        assert (NOT_COUNTED in words_of(held["account.html"])) == is_public
        told = pd.read_csv(io.BytesIO(held["data_dictionary.csv"]), keep_default_na=False)
        meaning = told.set_index(["table", "column"])["meaning"]
        (tmp_path / "records.gpkg").write_bytes(held["records.gpkg"])
        with closing(sqlite3.connect(tmp_path / "records.gpkg")) as file:
            inside = {
                (table, column): words
                for table, column, words in file.execute(
                    "SELECT table_name, column_name, description FROM gpkg_data_columns"
                )
            }
        for key in (
            ("gaps", "length_m"), ("gaps", "reaches"), ("reaches", "sampled_fraction"),
            ("reaches", "distance_to_sampled_m"), ("sampled_length", "sampled_length_m"),
            ("sampled_length_all", "network_share"),
        ):  # fmt: skip
            assert (NOT_COUNTED in meaning[key]) == is_public, key
            assert (NOT_COUNTED in inside[key]) == is_public, key


def test_a_list_without_sensitive_species_needs_no_such_words(demo):
    """Where nothing is protected, nothing is left out."""
    contents = gather(demo, Selection(surveys=("LOW22",)), "public")
    assert contents.keeps_places
    plain = dataclasses.replace(contents, species=contents.species.assign(sensitivity="none"))
    page = account_page(plain, crs="EPSG:32629", transformation=("none needed", 0.0), members=[])
    assert NOT_COUNTED not in words_of(page)


def test_the_account_reads_well(public, members):
    """Spaces between sentences, words explained, the program named, tables that scroll."""
    for held in (public, members):
        words = words_of(held["account.html"])
        assert not re.search(r"\.\d+ (caught|fished|lost)", words)
        for part in ("Words used", "Nil catch", "Reach", "Made by", "Rifflebook"):
            assert part in words
        text = " ".join(held["account.html"].decode().split())
        assert text.count("<table>") == text.count('tabindex="0" aria-label="') - text.count("<fig")
        assert "overflow-x: auto" in text


def test_no_page_fetches_anything_or_runs_what_it_should_not(members):
    """Account and map open from disk: no outside address, a policy that allows none."""
    for name in ("account.html", "map.html"):
        text = members[name].decode()
        assert "Content-Security-Policy" in text
        assert "default-src 'none'" in text
        assert not re.findall(r"<(?:script|img|link|iframe)[^>]+(?:src|href)=[\"']?https?:", text)


def test_notes_are_text_in_every_page(demo, tmp_path):
    """A title that is a script stays a title."""
    nasty = "<script>window.ran = 1</script>"
    contents = gather(demo, Selection(surveys=("LOW22",)), "precise", viewer=LOCAL_KEEPER)
    object.__setattr__(contents, "title", nasty)
    object.__setattr__(contents, "licence", nasty)
    page = account_page(contents, crs="EPSG:32629", transformation=("none needed", 0.0), members=[])
    assert b"<script>" not in page
    assert b"&lt;script&gt;" in page
