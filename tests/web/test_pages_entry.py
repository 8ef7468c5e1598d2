"""Entry of placements over HTTP: fields by method, checks before saving, stored once, history."""

import re
from urllib.parse import urljoin

import pytest

from service import create_app
from service.intake.placement_form import check_form, fields_of_method, form_of_placement
from service.records import LOCAL_KEEPER, Selection, Viewer
from service.reference.method_files import shipped_methods
from service.settings import Settings
from tests.intake_sheets import make_store
from tests.small_store import make_small_store

PAGE = {"Accept": "text/html"}
SHEET = {
    "placement": {
        "placement_id": "N1",
        "survey": "S24",
        "method": "kick_net",
        "set_at": "2025-05-02T11:00",
        "lifted_at": "2025-05-02T11:40",
        "longitude": "-11.2128",
        "latitude": "52.6035",
        "crs": "EPSG:4326",
        "lifts": "12",
        "outcome": "caught",
    },
    "catches": [{"species": "Cottus gobio", "count": "3", "count_kind": "exact"}],
    "lengths": [{"species": "Cottus gobio", "length_mm": "61"}],
    "base": None,
}


@pytest.fixture
def store(tmp_path):
    held = make_store(tmp_path / "brook.gpkg")
    yield held
    held.close()


def client_of(store, role="keeper"):
    app = create_app(store, Settings(), viewer=Viewer("somebody", role))
    app.config["WTF_CSRF_ENABLED"] = False
    return app.test_client()


def changed(**placement):
    return SHEET | {"placement": SHEET["placement"] | placement}


def test_fields_follow_the_methods_frame():
    """Effort units, area and stretch rules, certificate and machine decide; never a name."""
    methods = shipped_methods()
    fields = {str(name): set(fields_of_method(row)) for name, row in methods.iterrows()}
    renamed = methods.rename(index={"electric_fishing": "something_else"})
    assert set(fields_of_method(renamed.loc["something_else"])) == fields["electric_fishing"]
    assert {"passes", "wetted_width_m", "operator_certificate", "machine_check"} <= fields[
        "electric_fishing"
    ]
    assert fields["minnow_trap"] == {"gear_count", "mesh_mm", "bait", "trap_air_space"}
    assert "operator_certificate" not in fields["seine"]
    assert "stretch_length_m" not in fields["minnow_trap"]
    assert {"minutes", "stretch_length_m"} <= fields["spotlight"]


def test_nearest_reach_is_that_of_an_import(store):
    """The reach named at once is the one that saving keeps."""
    client = client_of(store)
    told = client.get("/entry/nearest?longitude=-11.2128&latitude=52.6035").json
    client.post("/entry/save", json=SHEET)
    snap = store.records(Selection(placements=("N1",))).snaps.loc["N1"]
    assert told["reach_id"] == snap["reach_id"]
    assert told["measure_m"] == pytest.approx(snap["measure_m"], abs=0.06)
    assert told["offset_m"] == pytest.approx(snap["offset_m"], abs=0.06)
    assert told["ambiguous"] == snap["ambiguous"]


def test_nearest_reach_bare_store(tmp_path):
    """Without a network it says so; a place elsewhere and no number are refused."""
    held = make_store(tmp_path / "bare.gpkg", bare=True)
    client = client_of(held)
    told = client.get("/entry/nearest?longitude=-11.2128&latitude=52.6035").json
    assert told["has_network"] is False
    assert client.get("/entry/nearest?longitude=40&latitude=2").status_code == 400
    assert client.get("/entry/nearest?longitude=x&latitude=2").status_code == 400
    assert client.get("/entry/nearest?longitude=nan&latitude=2").status_code == 400
    held.close()


def test_check_stores_nothing(store):
    """A check gives what saving would flag, and writes nothing."""
    client = client_of(store)
    before = store.version
    told = client.post("/entry/check", json=changed(water_temperature_c="27")).json
    assert "warm_water" in {one["code"] for one in told["flagged"]}
    assert store.version == before


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"set_at": "yesterday"}, "set_at"),
        ({"method": "magic"}, "method"),
        ({"outcome": ""}, "outcome"),
        ({"outcome": "nil"}, "outcome"),
        ({"placement_id": ""}, "placement_id"),
        ({"lifted_at": "2025-05-02T10:00"}, "lifted_at"),
    ],
)
def test_refused_values_are_named(store, cells, column):
    """What cannot be stored is refused by field, and nothing is written."""
    before = store.version
    answer = client_of(store).post("/entry/save", json=changed(**cells))
    assert answer.status_code == 422
    assert column in {one["column"] for one in answer.json["refused"]}
    assert store.version == before


def test_refused_catch_row_is_named(store):
    """A refusal names the row of the catch, not one of the placement."""
    sheet = SHEET | {"catches": [*SHEET["catches"], {"species": "Cottus gobbo", "count": "1"}]}
    told = client_of(store).post("/entry/save", json=sheet).json["refused"]
    assert [(one["part"], one["row"], one["column"]) for one in told] == [("catches", 2, "species")]


def test_nothing_caught_is_said_on_purpose(store):
    """The outcome alone is not enough, and catch rows speak against it."""
    client = client_of(store)
    nil = changed(outcome="nil") | {"catches": [], "lengths": []}
    assert client.post("/entry/save", json=nil).status_code == 422
    assert client.post("/entry/save", json=nil | {"nothing_caught": True}).status_code == 201
    both = changed(outcome="nil", placement_id="N2") | {"nothing_caught": True}
    assert client.post("/entry/save", json=both).status_code == 422


def test_sent_twice_is_stored_once(store):
    """Also where the record was changed in between, the first sending counts."""
    client = client_of(store)
    first = client.post("/entry/save", json=SHEET)
    assert (first.status_code, first.json["outcome"]) == (201, "stored")
    again = client.post("/entry/save", json=SHEET)
    assert (again.status_code, again.json["outcome"]) == (200, "unchanged")
    edit = changed(notes="seen again") | {"base": first.json["digest"]}
    assert client.post("/entry/save", json=edit).json["outcome"] == "stored"
    assert client.post("/entry/save", json=SHEET).json["outcome"] == "unchanged"
    assert client.post("/entry/save", json=edit).json["outcome"] == "unchanged"
    assert [entry.action for entry in store.history("placement", "N1")] == ["change", "add"]
    assert store.document("N1")["notes"] == "seen again"


def test_conflict_shows_both(store):
    """A change upon what is no longer stored is not taken; both versions are told."""
    client = client_of(store)
    digest = client.post("/entry/save", json=SHEET).json["digest"]
    client.post("/entry/save", json=changed(crew="crew B") | {"base": digest})
    answer = client.post("/entry/save", json=changed(crew="crew C") | {"base": digest})
    assert answer.status_code == 409
    assert answer.json["differences"] == [["crew", "crew B", "crew C"]]
    assert store.document("N1")["crew"] == "crew B"
    other = client.post("/entry/save", json=changed(crew="crew D"))
    assert other.status_code == 409  # a new one under a number that is taken


def test_stored_placements_come_back_as_they_are(tmp_path):
    """The form of a stored placement, sent back untouched, is what is stored."""
    from service.commands.demo_store import build_demo
    from service.store import open_store

    held = open_store(build_demo(tmp_path))
    kinds = held.records(Selection()).placements.groupby(["method", "shape_kind"]).head(1).index
    assert len(kinds) > 10
    for name in kinds[:14]:
        result = check_form(form_of_placement(held, name, LOCAL_KEEPER), held)
        assert result.records is not None, result.refused
        assert result.unchanged == (name,)
    held.close()


def test_not_a_form(store):
    """Whatever else is sent is refused with a reason."""
    client = client_of(store)
    for body in ([], {"placement": {"fid": "1"}}, {"placement": {"notes": 3}}, {"placement": []}):
        assert client.post("/entry/check", json=body).status_code == 400
    many = SHEET | {"catches": [{"species": "Cottus gobio"}] * 2001}
    assert client.post("/entry/check", json=many).status_code == 400
    long = changed(notes="x" * 30_000)
    assert client.post("/entry/check", json=long).status_code == 400
    assert client.post("/entry/check", data="no").status_code == 415


@pytest.mark.parametrize("path", ["/entry/check", "/entry/save"])
@pytest.mark.parametrize(
    ("body", "status"),
    [(b"[" * 100_000, 400), (b'{"placement":' * 50_000, 400), (b"[" + b"{}," * 2_000_000, 413)],
    ids=["lists", "objects", "many"],
)
def test_json_without_end_is_refused(store, caplog, path, body, status):
    """What is nested or listed without end is no form, and no fault of the program's."""
    client = create_app(store, Settings(), viewer=Viewer("somebody", "editor")).test_client()
    word = {"X-CSRFToken": client.get("/entry/token").json["token"]}
    answer = client.post(path, data=body, content_type="application/json", headers=word)
    assert answer.status_code == status
    assert answer.json["title"]
    assert not caplog.records


def test_shapes_within_shapes_without_end_are_refused(store):
    """The reader of well-known text would take the whole service down."""
    text = "GEOMETRYCOLLECTION(" * 6_000 + "POINT(-11.2 52.6)" + ")" * 6_000
    place = {"geometry": text[:100_000], "longitude": "", "latitude": ""}
    (refused,) = client_of(store).post("/entry/check", json=changed(**place)).json["refused"]
    assert refused["column"] == "geometry"
    place["geometry"] = "GEOMETRYCOLLECTION(" * 100_000 + "POINT(-11.2 52.6)" + ")" * 100_000
    assert client_of(store).post("/entry/check", json=changed(**place)).status_code == 400


@pytest.mark.parametrize("role", ["public", "viewer", "member"])
def test_roles_that_may_not_enter(tmp_path, role):
    """They are told whom to ask, on the page and by the services behind it."""
    held = make_small_store(tmp_path / "small.gpkg")
    client = client_of(held, role)
    page = client.get("/placements/new", headers=PAGE)
    assert page.status_code == 403
    assert "keeper" in page.text
    assert client.get("/placements/T1/edit").status_code == 403
    assert client.get("/placements/nowhere/edit").status_code == 403
    assert client.get("/entry/nearest?longitude=0&latitude=0").status_code == 403
    for path in ("/entry/check", "/entry/save"):
        assert client.post(path, json=SHEET).status_code == 403
    assert client.get("/entry/token").json["may_edit"] is False
    held.close()


def test_forms_of_others_are_not_taken(store):
    """Without the word that the page lends nothing is saved; with it, it is."""
    client = create_app(store, Settings(), viewer=Viewer("somebody", "editor")).test_client()
    assert client.post("/entry/save", json=SHEET).status_code == 400
    word = client.get("/entry/token").json["token"]
    answer = client.post("/entry/save", json=SHEET, headers={"X-CSRFToken": word})
    assert answer.status_code == 201
    assert store.history("placement", "N1")[0].who == "somebody"


def test_page_escapes_what_is_stored(store):
    """Stored text cannot end the data of the page."""
    client = client_of(store)
    nasty = "</script><script>window.ran=1</script>"
    client.post("/entry/save", json=changed(notes=nasty, survey=nasty))
    page = client.get("/placements/N1/edit", headers=PAGE)
    assert page.status_code == 200
    assert nasty not in page.text
    assert client.get("/placements/nowhere/edit", headers=PAGE).status_code == 404


def test_worker_may_see_the_form_only_from_the_root(store):
    """The worker is a script at the root, always asked for anew."""
    answer = client_of(store).get("/entry-worker.js")
    assert answer.mimetype == "text/javascript"
    assert answer.cache_control.no_cache
    answer.close()


@pytest.mark.parametrize(
    ("form", "column", "words"),
    [
        (changed(survey=""), "survey", "say to which survey"),
        (changed(survey="S99"), "survey", "where nothing else is said"),
        (changed(longitude="", latitude=""), "longitude", "tap the map"),
        (changed(outcome=""), "outcome", "say what came of it"),
        (SHEET | {"catches": [{"species": "Cottus gobio", "count": ""}]}, "count", "not counted"),
        (
            SHEET | {"catches": [{"species": "Cottus gobio", "count": "0"}]},
            "count",
            "Nothing caught",
        ),
        (
            SHEET
            | {"catches": [{"species": "Cottus gobio", "count": "2", "count_kind": "present"}]},
            "count_kind",
            "has no number",
        ),
        (SHEET | {"catches": [], "lengths": []}, "outcome", "none is listed"),
        (
            SHEET | {"lengths": [{"species": "Cottus gobio", "length_mm": ""}]},
            "length_mm",
            "a length or a weight",
        ),
        (changed(gear_cleaned="perhaps"), "gear_cleaned", "leave empty"),
    ],
)
def test_findings_speak_of_the_form(store, form, column, words):
    """Whoever fills a form reads of its fields, not of the sheets, rows and columns of files."""
    told = client_of(store).post("/entry/check", json=form).json
    said = {one["column"]: one["message"] for one in told["refused"] + told["flagged"]}
    assert words in said[column]
    for message in said.values():
        assert not re.search(r"\b(rows?|sheets?|columns?|cells?|files?|[a-z]+_[a-z]+)\b", message)


def test_pages_offer_what_the_viewer_may_do(store):
    """The bar leads to no page that would refuse; the refusal names the way out once."""
    for role, offered in (
        ("public", False),
        ("viewer", False),
        ("member", False),
        ("editor", True),
    ):
        client = client_of(store, role)
        page = client.get("/methods", headers=PAGE).text
        bar = page[page.index("<nav") : page.index("</nav>")]
        assert ("New placement" in bar) == ("Import" in bar) == offered
        for address in ("/import", "/placements/new"):
            answer = client.get(address, headers=PAGE)
            assert (answer.status_code == 200) == offered
            if not offered:
                assert answer.text.count("sk the keeper") == 1


def test_worker_keeps_every_part_of_the_form(store):
    """Without a connection the form has all that it has with one."""
    client = client_of(store)
    page = client.get("/placements/new", headers=PAGE).text
    asked = set(re.findall(r'(?:src|href)="(?:/v/[0-9a-f]+)(/(?:static|assets)/[^"]+)"', page))
    waiting = [address for address in asked if address.endswith(".js")]
    while waiting:
        module = waiting.pop()
        for name in re.findall(
            r'^(?:import|\}) .*?"(.+?)";$', client.get(module, buffered=True).text, re.MULTILINE
        ):
            address = urljoin(module, name)
            if address not in asked:
                asked.add(address)
                waiting.append(address)
    worker = client.get("/entry-worker.js", buffered=True).text
    kept = set(re.findall(r'"(/[^"]+)"', re.search(r"PARTS = \[(.*?)\]", worker, re.DOTALL)[1]))
    assert kept == asked
    assert len(asked) > 10
    for address in kept:
        assert client.get(address, buffered=True).status_code == 200
