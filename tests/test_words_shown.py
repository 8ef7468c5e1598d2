"""What people read on pages, in files and in pictures: names, never codes or missing values."""

import re
import zipfile
from html.parser import HTMLParser

import pytest

from layers.catchments import part_reaches
from service import create_app, reference
from service.export.bundle import write_bundle
from service.export.contents import gather
from service.records import LOCAL_KEEPER, Selection
from tests.small_store import make_small_store

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
        self.said += [value or "" for name, value in attrs if name in named]

    def handle_endtag(self, tag):
        if tag == self.silent:
            self.silent = ""

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
    assert not re.search(r"\belectric[_ ]fishing\b", shown.replace("Electric fishing", ""))


def test_the_account_of_a_hand_over_says_its_choice_in_names(unnamed, tmp_path):
    """As the pages do."""
    chosen = Selection(methods=("electric_fishing",), surveys=("S1",), catchments=("C1",))
    write_bundle(tmp_path / "b.zip", gather(unnamed, chosen, "precise", viewer=LOCAL_KEEPER))
    with zipfile.ZipFile(tmp_path / "b.zip") as held:
        account = words_of(held.read("account.html").decode())
    assert "Only survey: Spring round; gear: Electric fishing; catchment: C1." in account
