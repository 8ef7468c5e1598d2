"""What people read on pages, in files and in pictures: names, never codes or missing values."""

import io
import re
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner
from shapely import LineString

from layers.network.catchments import part_reaches
from service import create_app, reference
from service.export.bundle import write_bundle
from service.export.contents import gather
from service.export.eml import eml_document
from service.program import main
from service.records import LOCAL_KEEPER, Selection
from tests.small_store import CRS, make_small_store

FILTERED = (
    "/?", "/records?", "/catchments?", "/coverage/by-catchment?", "/coverage?",
    "/hand-over?audience=precise&", "/species/Cottus gobio?", "/catchments/C2?",
)  # fmt: skip


@pytest.fixture(scope="module")
def unnamed(tmp_path_factory):
    """A store whose catchments have ids and no names."""
    store = make_small_store(tmp_path_factory.mktemp("unnamed") / "brook.gpkg")
    catchments = store.catchments().assign(name=None)
    store.replace_catchments(
        catchments, part_reaches(reference.network(store), catchments), who="test"
    )
    yield store
    store.close()


@pytest.fixture(scope="module")
def client(unnamed):
    return create_app(unnamed, viewer=LOCAL_KEEPER).test_client()


class Words(HTMLParser):
    """What a page shows, its labels included, without scripts and styles."""

    def __init__(self, page):
        super().__init__()
        self.silent = ""
        self.said = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag in ("script", "style"):
            self.silent = tag
        named = ("aria-label", "alt", "title", "placeholder")
        self.said += [f"{value} |" for name, value in attrs if name in named]

    def handle_endtag(self, tag):
        if tag == self.silent:
            self.silent = ""
        # A figure or a day that the reader's browser may write otherwise stands in its sentence.
        if tag not in ("a", "b", "i", "span", "strong", "code", "sup", "data", "time"):
            self.said.append("|")  # what follows is another sentence

    def handle_data(self, data):
        if not self.silent:
            self.said.append(data)


def words_of(page):
    return " ".join(" ".join(Words(page).said).split())


def pages_of(client, store):
    """Every page, feed and picture that answers, with the arguments of this store."""
    known = {
        "catchment": ["C1", "C2"],
        "placement_id": [str(one) for one in store.records(Selection()).placements.index],
        "name": ["Cottus gobio", "Salmo trutta", "electric_fishing", "fyke_net"],
        "collection_id": ["placements", "reaches", "catchments", "gaps"],
        "feature_id": ["C1", "T1"],
    }
    for rule in client.application.url_map.iter_rules():
        if "GET" not in rule.methods or len(rule.arguments) > 1 or rule.endpoint.endswith("static"):
            continue
        for value in known.get(next(iter(rule.arguments), ""), [""]):
            made = re.sub(r"<[^>]+>", value, rule.rule)
            for query in ("", "?catchment=C2", "?species=Cottus gobio&catchment=C1"):
                answer = client.get(made + query, headers={"Accept": "text/html, */*"})
                kind = answer.mimetype
                if answer.status_code == 200 and kind in ("text/html", "image/svg+xml"):
                    yield made + query, words_of(answer.get_data(as_text=True))
                elif answer.status_code == 200 and "json" in kind:
                    yield made + query, answer.get_data(as_text=True)
                answer.close()


def test_a_missing_value_is_never_shown_as_one(client, unnamed):
    """No page says nan, None or NaT; a catchment without a name is shown by its id."""
    seen = dict(pages_of(client, unnamed))
    assert len(seen) > 60
    wrong = {
        address: found[0]
        for address, text in seen.items()
        if (found := re.findall(r".{0,30}\b(?:nan|NaN|NaT|<NA>)\b.{0,30}", text))
    }
    assert not wrong
    html = {address: text for address, text in seen.items() if not text.startswith(("{", "["))}
    assert not {a: t for a, t in html.items() if re.search(r"\bNone\b(?!\.|:)", t)}
    for address in ("/placements/T1", "/coverage/by-catchment", "/coverage?catchment=C2"):
        assert re.search(r"\bC[12]\b", seen[address]), address


def test_no_file_of_a_bundle_shows_a_missing_value(unnamed, tmp_path):
    """Nor does the account of a hand-over, the map in it, or a table of it."""
    write_bundle(tmp_path / "b.zip", gather(unnamed, Selection(), "precise", viewer=LOCAL_KEEPER))
    with zipfile.ZipFile(tmp_path / "b.zip") as held:
        for name in held.namelist():
            if name.endswith((".html", ".csv", ".geojson")):
                text = held.read(name).decode("utf-8-sig")
                text = words_of(text) if name.endswith(".html") else text
                assert not re.search(r"\b(?:nan|NaN|NaT)\b", text), name


@pytest.mark.parametrize("address", FILTERED)
def test_a_filter_is_said_in_names(client, address):
    """Labels of gear and names of surveys stand where a code would need looking up."""
    asked = f"{address}method=electric_fishing&survey=S1&since=2023"
    shown = words_of(client.get(asked).get_data(as_text=True))
    assert "survey: Spring round; gear: Electric fishing; since 2023-01-01" in shown
    # What was done near a place names the gear by its label, within a sentence.
    others = re.sub(r"Electric fishing|electric fishing 20\d\d", "", shown)
    assert not re.search(r"\belectric[_ ]fishing\b", others)


def test_the_account_of_a_hand_over_says_its_choice_in_names(unnamed, tmp_path):
    """As the pages do."""
    chosen = Selection(methods=("electric_fishing",), surveys=("S1",), catchments=("C1",))
    write_bundle(tmp_path / "b.zip", gather(unnamed, chosen, "precise", viewer=LOCAL_KEEPER))
    with zipfile.ZipFile(tmp_path / "b.zip") as held:
        account = words_of(held.read("account.html").decode())
    assert "Only survey: Spring round; gear: Electric fishing; catchment: C1." in account


# Words that a number stands before, on a page, in a file, or in what a command says.
MANY = (
    "findings placements rows catches lengths reaches gaps records surveys sites features "
    "passes lines polygons nodes stretches parts units fields remarks values names places "
    "sources outlets columns cells minutes methods"
).replace(" ", "|")


def one_of_many(text):
    """Sentences that say 1 and a plural; numbers within larger ones do not count."""
    return re.findall(rf".{{0,30}}(?<![\d.,\u202f/-])\b1 (?:\w+ )?(?:{MANY})\b.{{0,20}}", text)


@pytest.fixture(scope="module")
def single(tmp_path_factory):
    """A store with a single placement, which caught one fish."""
    rows = [("X1", "electric_fishing", "2023-06-10 11:00", "caught", 450.0,
             {"Cottus gobio": (1, "exact")})]  # fmt: skip
    store = make_small_store(tmp_path_factory.mktemp("single") / "brook.gpkg", rows=rows)
    yield store
    store.close()


def test_one_thing_is_never_called_many(single):
    """On no page, feed or picture."""
    client = create_app(single, viewer=LOCAL_KEEPER).test_client()
    seen = dict(pages_of(client, single))
    assert len(seen) > 40
    assert "1 placement" in seen["/records"]
    wrong = {address: found for address, text in seen.items() if (found := one_of_many(text))}
    assert not wrong


def test_one_thing_is_never_called_many_in_files_and_commands(single, tmp_path):
    """The account of a hand-over, its map, its metadata, and what commands say."""
    for audience in ("precise", "public"):
        contents = gather(single, Selection(), audience, viewer=LOCAL_KEEPER)
        write_bundle(tmp_path / "b.zip", contents)
        with zipfile.ZipFile(tmp_path / "b.zip") as held:
            for name in ("account.html", "map.html"):
                assert not one_of_many(words_of(held.read(name).decode()))
        assert not one_of_many(eml_document(contents.facts))
    path, runner = str(single.path), CliRunner()
    line = gpd.GeoDataFrame({"reach_id": ["A"]}, geometry=[LineString([(0, 0, 1), (0, 900, 1)])])
    line.set_geometry(line.translate(500_000, 6_000_000)).set_crs(CRS).to_file(tmp_path / "l.gpkg")
    copy = str(tmp_path / "copy.gpkg")
    single.backup(Path(copy))
    said = [
        runner.invoke(main, ["export", path, "--preview"]),
        runner.invoke(main, ["map", path, "-o", str(tmp_path / "m.html")]),
        runner.invoke(main, ["verify", path]),
        runner.invoke(main, ["load", "reaches", copy, str(tmp_path / "l.gpkg"), "--reverse-flow"]),
        runner.invoke(main, ["undo", copy]),
        runner.invoke(main, ["undo", copy, "1"]),
    ]
    for answer in said:
        assert answer.exit_code == 0, answer.output
        assert not one_of_many(answer.output), answer.output
        assert re.search(r"\b1 \w+", answer.output), answer.output


def test_one_finding_is_one_finding(single):
    """In the check of an import: a value, a row, a placement."""
    app = create_app(single, viewer=LOCAL_KEEPER)
    app.config["WTF_CSRF_ENABLED"] = False
    client = app.test_client()
    sheet = (
        "placement_id,survey,method,set_at,easting,northing,crs,outcome\n"
        "N1,S1,hand_net,2024-05-01T10:00,{x},6000010,EPSG:25830,nil\n"
    )
    for x, words in (("here", "1 value is refused"), ("500010", "1 placement, 0 catches")):
        files = {"files": (io.BytesIO(sheet.format(x=x).encode()), "placements.csv")}
        where = client.post("/import", data=files).location
        shown = words_of(client.get(where, headers={"Accept": "text/html"}).text)
        assert words in shown
        assert "1 row" in shown
        assert not one_of_many(shown)
