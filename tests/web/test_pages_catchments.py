"""The species by catchment table, and the pages of species, catchments, records and methods."""

import contextlib
import html
import re
from urllib.parse import parse_qsl

import pytest
from statsmodels.stats.proportion import proportion_confint
from werkzeug.datastructures import MultiDict

from service import create_app, reference
from service.answers import summaries
from service.records import LOCAL_KEEPER, PUBLIC, Selection, StoreSettings
from service.reference.method_files import shipped_methods
from service.settings import Settings
from service.store import create_store, open_store
from service.web import wording
from service.web.pages import records_page
from service.web.parameters import read_query
from tests.handed_over import demo_path
from tests.small_store import NASTY, SPECIES, make_small_store
from tests.store_records import add, field_records, small_store

BROWSER = {"Accept": "text/html"}


@pytest.fixture(scope="module")
def client(store):
    return create_app(store, Settings()).test_client()


@pytest.fixture(scope="module")
def public(store):
    return create_app(store, Settings(), viewer=PUBLIC).test_client()


def without_nonce(text):
    """A page without its random words, in which any few letters may stand."""
    return re.sub(r' nonce="[^"]*"', "", text)


def text_of(page):
    """What is read of a page: tags taken out, spaces made one."""
    assert page.status_code == 200, page.text
    body = re.sub(r"(?s)<(script|style|svg).*?</\1>", " ", page.text)
    words = html.unescape(re.sub(r"(?s)<[^>]+>", " ", body))
    return re.sub(r"[\s\u202f]+", " ", words)


def cells_of(page, catchment):
    """State and words of each cell of one row of the table, by species."""
    assert page.status_code == 200, page.text
    heads = re.findall(r'(?s)<th scope="col".*?</th>', page.text.split("<tbody>")[0])[1:]
    names = [re.search(r"/species/([^\"?]+)", head)[1].replace("%20", " ") for head in heads]
    row = re.search(rf'(?s)<tr data-catchment="{catchment}".*?</tr>', page.text)[0]
    cells = re.findall(r'(?s)<td class="(\w+)">(.*?)</td>', row)
    words = [
        re.sub(r"[\s\u202f]+", " ", html.unescape(re.sub(r"<[^>]+>", "", body))).strip()
        for _, body in cells
    ]
    return {name: (cell[0], word) for name, cell, word in zip(names, cells, words, strict=True)}


def test_table_by_hand(client):
    """Eight placements, six of which fished properly: three states, lower bounds, last years."""
    table = client.get("/catchments?fold=nothing")
    assert "≥ at least so many: not all of these fish were counted" in table.text
    cells = cells_of(table, "C1")
    assert cells["Cottus gobio"] == ("found", "found, fish: ≥ 24 2 placements/6 last 2023")
    assert cells["Anguilla anguilla"] == ("found", "found, fish: 1 1 placement/6 last 2024")
    assert cells["Salmo trutta"][1].startswith("found, fish: ≥ 1 1 ")
    # Pike is found by electric fishing and fyke nets alone; the fyke net was lost.
    words = "looked for, not found, placements: 0/1 looked 2023"
    assert cells["Esox lucius"] == ("not_found", words)
    looking = "looked 2023-06-10; Electric fishing; 1 visit; Electric fishing: 100 m"
    assert f'title="{looking}"' in client.get("/catchments?fold=nothing").text
    within = cells_of(client.get("/catchments?fold=nothing"), "C2")
    assert {state for state, _ in within.values()} == {"never"}
    assert {word for _, word in within.values()} == {"never looked for"}


def test_states_differ_without_colour(client):
    """Each state has a sign of its own shape, explained in the key."""
    page = client.get("/catchments?fold=nothing").text
    for state in ("found", "not_found", "never_looked"):
        assert page.count(f'href="#sign-{state}"') >= 2
        shape = re.search(rf'<symbol id="sign-{state}".*?</symbol>', page, re.DOTALL)[0]
        assert page.count(re.sub(r'id="[^"]+"', "", shape)) <= 1


def test_every_cell_opens_its_records(client):
    """The list behind a cell holds as many placements as the cell counts."""
    page = client.get("/catchments?fold=nothing").text
    cells = re.findall(r'href="(/records\?[^"]+)">(.*?)</a>', page, re.DOTALL)
    assert len(cells) == 5
    for address, words in cells:
        looked = int(re.search(r"/(\d+)", re.sub(r"<[^>]+>", "", words))[1])
        listed = text_of(client.get(html.unescape(address)))
        assert f" {looked} placement" in listed


def test_species_found_nowhere_fold_away(client):
    """Pike was found nowhere: its column is folded away, said, and there for the asking."""
    page = client.get("/catchments")
    assert "Esox lucius" not in cells_of(page, "C1")
    assert "species is folded away, found nowhere" in text_of(page)
    assert "Esox lucius" in cells_of(client.get("/catchments?fold=nothing"), "C1")
    assert "Esox lucius" in cells_of(client.get("/catchments?species=Esox+lucius"), "C1")
    # No species was found in three catchments of this store, so that none is left out.
    assert len(cells_of(client.get("/catchments?fold=rare"), "C1")) == 5


@pytest.fixture(scope="module")
def island():
    """The demonstration, which has fish that were not taken further than their genus."""
    demo = open_store(demo_path())
    yield demo
    demo.close()


@pytest.mark.parametrize(
    "asked", ["", "method=kick_net", "since=2023", "species=Cottus+gobio", "catchment=C1"]
)
def test_number_of_species_is_that_of_the_summary(island, asked):
    """A row counts species as richness does: wider entries only where nothing nearer was found."""
    page = create_app(island, Settings()).test_client().get(f"/catchments?{asked}").text
    told = dict(
        re.findall(r'data-catchment="([^"]+)".*?quiet-words">(\d+) species', page, re.DOTALL)
    )
    query = read_query(MultiDict(parse_qsl(asked)))
    counted = summaries.richness(island, query.selection, LOCAL_KEEPER)
    wanted = counted.groupby("catchment")["species_found"].sum()  # of all groups
    assert {name: int(words) for name, words in told.items()} == wanted.to_dict()


def test_filters_and_orders_travel_in_the_address(client):
    """A method leaves out what others found; links carry it on; orders hold."""
    page = client.get("/catchments?method=kick_net&columns=found&rows=Cottus+gobio")
    cells = cells_of(page, "C1")
    assert cells["Cottus gobio"][1] == "found, fish: 4 1 placement/2 last 2022"
    assert next(iter(cells)) == "Cottus gobio"
    assert "method=kick_net" in re.search(r'href="(/records\?[^"]+)"', page.text)[1]
    assert '<option value="Cottus gobio" selected>most Cottus gobio first' in page.text
    dated = cells_of(client.get("/catchments?since=2023"), "C1")
    assert dated["Cottus gobio"][1] == "found, fish: ≥ 20 1 placement/4 last 2023"


@pytest.mark.parametrize(
    "address",
    [
        "/catchments?rows=size",
        "/catchments?columns=size",
        "/catchments?season=soon",
        "/catchments?colour=red",
        "/catchments?from=99",
        "/records?sort=size",
        "/records?order=sideways",
        "/records?show=some",
        "/records?page=99",
        "/records?page=0",
        "/figures/lengths.svg",
        "/figures/effort.svg?catchment=C1&catchment=C2",
    ],
)
def test_what_cannot_be_understood_is_said(client, address):
    """A wrong word in an address is answered with what would be right."""
    answer = client.get(address)
    assert answer.status_code == 400
    assert len(answer.json["detail"]) > 20


def test_effort_leaves_out_units_that_nobody_recorded(store, client):
    """A unit of a gear is told where a placement has it; where none tells any, it is said once."""
    page = client.get("/catchments/C1").text
    rows = page.split('id="effort"')[1].split("<tbody>")[1].split("</tbody>")[0]
    told = [
        re.sub(r"[\s\u202f]+", " ", html.unescape(re.sub(r"<[^>]+>", "|", row)))
        for row in rows.split("</tr>")[:-1]
    ]
    totals = summaries.effort_by_year(store, Selection(catchments=("C1",)), LOCAL_KEEPER)
    own = totals[totals["catchment"] == "C1"]
    known = own[own["placements"] > own["placements_without_effort"]]
    silent = set(own["method"]) - set(known["method"])
    assert len(told) == len(known.groupby(["method", "effort_unit"])) + len(silent)
    assert (
        sum("with no figure in any unit" in row for row in told)
        == (own.groupby("method")["placements_without_any"].sum() > 0).sum()
    )
    assert sum("|–|" in row for row in told) == len(silent)
    assert all("with no figure" in row for row in told if "|–|" in row)
    assert "without this figure" not in page


@pytest.mark.parametrize("address", ["/species/Salmo", "/catchments/C9", "/methods/trawl"])
def test_what_is_not_there(client, address):
    """An unknown name is a page that says so."""
    assert client.get(address, headers=BROWSER).status_code == 404


def test_chances_come_apart_or_with_the_page(client, monkeypatch):
    """The table requests the chances by itself, and shows them at once on request.

    Each has its interval, the reaches visited and the year; without one a cell says nothing.
    """
    assert client.get("/catchments/chances.json").json["cells"] == {}  # too few visits
    assert "there?" not in str(cells_of(client.get("/catchments?chances=yes"), "C1"))
    monkeypatch.setattr("layers.estimates.fitted_seasons.refuse_thin", lambda visits: None)
    monkeypatch.setattr("layers.estimates.catchment_chances.doubts", lambda seen, fit: [])
    told = client.get("/catchments/chances.json?season=2023")
    again = client.get(
        "/catchments/chances.json?season=2023", headers={"If-None-Match": told.headers["ETag"]}
    )
    assert again.status_code == 304
    cells = cells_of(client.get("/catchments?chances=yes&season=2023&fold=nothing"), "C1")
    species = next(name for name in told.json["cells"]["C1"] if cells[name][0] == "not_found")
    chance, low, high, reaches, year = told.json["cells"]["C1"][species]
    assert 0 <= low < chance < high <= 1
    assert reaches > 0
    assert year == 2023
    shown = rf"there\? .+\s% \(.+\s% to .+\s%\), {reaches} reach(es)?, 2023"
    assert re.search(shown, cells[species][1])


def test_without_catchments_there_are_no_chances(tmp_path):
    """Four placements on a network in no catchment at all."""
    store = small_store(tmp_path / "s.gpkg")
    with contextlib.closing(store):
        add(store, field_records(store))
        client = create_app(store, Settings()).test_client()
        assert client.get("/catchments/chances.json").json["cells"] == {}


def test_public_sees_nothing_of_a_sensitive_place(client, public):
    """The lamprey that is shown as a 10 km cell is in no catchment, list or figure."""
    assert cells_of(client.get("/catchments"), "C1")["Lampetra fluviatilis"][0] == "found"
    # Not even "not found" is said of it: that would be false where it was found.
    assert "Lampetra fluviatilis" not in cells_of(public.get("/catchments"), "C1")
    for address in ("/catchments", "/catchments/C1", "/records", "/species/Lampetra%20fluviatilis"):
        assert "T8" not in without_nonce(public.get(address).text)
    page = text_of(public.get("/species/Lampetra%20fluviatilis"))
    assert "In closed squares of the map places are not shown" in page
    assert "You see them as recorded" not in page


def test_records_sort_and_page(client, monkeypatch):
    """Pages of a list hold every placement once, in the order asked for."""
    monkeypatch.setattr(records_page, "PAGE_SIZE", 3)
    for sort in ("date", "placement", "method", "catchment", "state", "fish"):
        ids = []
        for page in (1, 2, 3):
            text = client.get(f"/records?sort={sort}&order=up&page={page}").text
            ids += re.findall(r'href="/placements/(T\d+)"', text)
        assert sorted(ids) == [f"T{n}" for n in range(1, 9)]
        if sort in ("date", "placement"):
            assert ids == sorted(ids)
    first = client.get("/records?sort=fish&order=down").text
    assert re.findall(r'href="/placements/(T\d+)"', first)[0] == "T3"
    assert 'aria-sort="descending"' in first


def test_records_say_who_did_not_look(client):
    """Lost gear and gear that cannot find a species are told apart from a look in vain."""
    page = text_of(client.get("/records?species=Esox+lucius&show=all"))
    assert "looked for, not found 1" in page
    assert "gear that does not find it 5" in page
    assert "did not look 2" in page
    assert text_of(client.get("/records?species=Esox+lucius")).count("looked for, not found") == 2


def test_species_page(client, store):
    """Numbers of the page are those of the summary; the interval is Wilson's."""
    page = text_of(client.get("/species/Cottus%20gobio"))
    assert "Bullhead Cottus gobio" in page
    assert "≥ 24 fish in 2 of 6 placements that looked" in page
    assert "2022-05-03 to 2023-06-10" in page
    # statsmodels, method "wilson", for the one reach and for 2 of 6 placements.
    for share, *counts in (("100 %", 1, 1), ("placements 33 %", 2, 6)):
        low, high = proportion_confint(*counts, method="wilson")
        assert f"{share} {100 * low:.0f} % to {100 * high:.0f} %" in page
    assert "Never looked for in 1: Upper brook" in page
    assert "2022 Kick net 2 1 4" in page
    assert "2023 Electric fishing 1 1 ≥ 20" in page
    assert "did not find it" in text_of(client.get("/species/Esox%20lucius"))


def test_catchment_page(client, store):
    """Lengths, richness and gaps of the page are the summaries' own."""
    page = text_of(client.get("/catchments/C1"))
    rich = summaries.richness(store, Selection(), LOCAL_KEEPER)
    for own in rich[rich["catchment"] == "C1"].to_dict("records"):
        interval = f"{own['chao2_low']:.1f} to {own['chao2_high']:.1f}"
        assert f"a lower bound; 95 % interval {interval}" in page
        assert f"in {own['placements']} placements that looked" in page
    assert "Found (4)" in page
    assert "Looked for, not found (1)" in page
    assert "looked 2023-06-10; Electric fishing; 1 visit; Electric fishing: 100 m" in page
    length = summaries.sampled_length(store, Selection(), LOCAL_KEEPER, by=("catchment",))
    union = length[(length["catchment"] == "C1") & (length["method"] == "all")].iloc[0]
    # T1 0-120 and T2 100-220 overlap by 20 m; T3 400-500: 320 m by hand.
    assert union["sampled_length_m"] == pytest.approx(320)
    assert "All gear together 320 m" in page
    gaps = summaries.gaps(store, Selection(catchments=("C1",)), LOCAL_KEEPER)
    assert f"{len(gaps)} connected part" in page
    empty = text_of(client.get("/catchments/C2"))
    assert "Nobody has looked here" in empty
    assert "Whole brook" in empty


@pytest.mark.parametrize(
    "address",
    [
        "/figures/lengths.svg?species=Cottus+gobio",
        "/figures/effort.svg?catchment=C1",
        "/figures/accumulation.svg?catchment=C1",
        "/figures/accumulation.svg?catchment=C2",
        "/figures/catch-rate.svg?species=Cottus+gobio",
    ],
)
def test_figures_are_inert_pictures(client, address):
    """Each is SVG with a title, and its policy lets nothing run or be fetched."""
    answer = client.get(address)
    assert answer.status_code == 200
    assert answer.mimetype == "image/svg+xml"
    assert "<title>" in answer.text
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_methods_tell_their_cautions(client):
    """Every method has its cautions whole, and says who comes before them."""
    for name, row in shipped_methods().iterrows():
        page = text_of(client.get(f"/methods/{name}"))
        for caution in row["cautions"]:
            assert caution in page
        assert "Local codes of practice, permits, the law" in page
    assert "whoever is licensed" in page


def test_text_of_users_is_never_markup(tmp_path):
    """Script in every text that a user can store stays text on every page."""
    held = make_small_store(tmp_path / "nasty.gpkg", NASTY)
    fish = SPECIES.assign(vernacular_name=NASTY, family=NASTY)
    fish.index = fish.index.where(fish.index != "Esox lucius", NASTY)
    held.put_species(fish, who="test")
    gear = shipped_methods().assign(label=NASTY, cautions=[[NASTY]] * len(shipped_methods()))
    held.put_methods(gear, who=NASTY)
    surveys = held.surveys().assign(name=NASTY, leader=NASTY)
    held.put_surveys(surveys, who="test")
    catchments = reference.catchments(held).assign(name=NASTY)
    held.replace_catchments(catchments, held.reach_parts(), who="test")
    client = create_app(held, Settings()).test_client()
    addresses = [
        "/catchments", "/catchments?chances=yes", "/catchments/C1", "/species",
        "/species/Cottus%20gobio", f"/species/{NASTY.replace('/', '%2F')}", "/records",
        "/records?species=Cottus+gobio&catchment=C1", "/placements/T3", "/methods",
        "/methods/kick_net",
    ]  # fmt: skip
    for address in addresses:
        page = client.get(address, headers=BROWSER)
        assert page.status_code == 200, address
        assert NASTY not in page.text, address
        assert "&lt;script&gt;" in page.text, address
    for address in ("/catchments/x<script>", "/species/<script>", "/records?sort=<script>"):
        page = client.get(address, headers=BROWSER)
        assert page.status_code >= 400
        assert "<script>" not in page.text
    svg = client.get("/figures/accumulation.svg?catchment=C1").text
    assert "<script" not in svg
    held.close()


def test_empty_store_says_what_to_do_next(tmp_path):
    """Without lists, network and records every page answers and names the next step."""
    held = create_store(tmp_path / "new.gpkg", StoreSettings("EPSG:32629", "Europe/Dublin"))
    client = create_app(held, Settings()).test_client()
    page = text_of(client.get("/catchments"))
    assert "rifflebook load catchments" in page
    assert "rifflebook load species" in page
    assert "rifflebook load species" in text_of(client.get("/species"))
    assert "rifflebook load methods" in text_of(client.get("/methods"))
    assert "No placement matches" in text_of(client.get("/records"))
    held.put_methods(shipped_methods(), who="test")
    held.put_species(SPECIES, who="test")
    page = text_of(client.get("/species/Salmo%20trutta"))
    assert "Nobody has looked for it" in page
    assert "rifflebook load catchments" in page
    held.close()


# Two figures where two decimals would say nothing; the rounding is Python's own.
@pytest.mark.parametrize(
    ("value", "written"),
    [(0.0026, "0.0026"), (0.0, "0"), (0.4649, "0.46"), (0.096, "0.096"), (12.0, "12"), (None, "–")],
)
def test_a_rate_of_few_fish_is_not_written_as_none(value, written):
    """Two fish in 775 minutes of looking are 0.0026 a minute, not 0."""
    assert wording.rate(value) == written
