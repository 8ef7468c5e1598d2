"""Import over HTTP: everything shown before anything is stored, bounds, whole or not at all."""

import csv
import io
import re
import zipfile

import openpyxl
import pytest

from service import create_app
from service.intake import upload_limits
from service.intake.columns import SHEETS
from service.intake.file_roles import roles_of
from service.intake.waiting_uploads import (
    KEPT_S,
    MOST_WAITING,
    WaitingUploads,
    plain_name,
)
from service.records import Viewer
from service.settings import Settings
from tests.intake_sheets import CATCHES, PLACEMENTS, make_store

PAGE = {"Accept": "text/html"}


@pytest.fixture
def store(tmp_path):
    held = make_store(tmp_path / "brook.gpkg")
    yield held
    held.close()


def client_of(store, role="keeper", name="somebody", app=None):
    app = app or create_app(store, Settings(max_upload_mb=1), viewer=Viewer(name, role))
    app.config["WTF_CSRF_ENABLED"] = False
    return app.test_client()


def given(**files):
    return {
        "files": [
            (io.BytesIO(text.encode() if isinstance(text, str) else text), name.replace("__", "."))
            for name, text in files.items()
        ]
    }


def sheets(placements=PLACEMENTS, catches=CATCHES):
    return given(placements__csv=placements, catches__csv=catches)


def test_faulty_mended_imported_undone(store):
    """Findings first, nothing stored; mended it is taken whole; undone it is gone whole."""
    client = client_of(store)
    version = store.version
    where = client.post("/import", data=sheets(PLACEMENTS.replace("kick_net", "kick_nett")))
    assert where.status_code == 303
    page = " ".join(client.get(where.location, headers=PAGE).text.split())
    assert "1 value is refused" in page
    assert "kick_nett" in page
    assert "Store all" not in page
    refused = client.post(f"{where.location}/take", data={"sure": "yes"})
    assert refused.status_code == 422
    assert refused.json["faults"][0]["row"] == 3
    assert store.version == version
    client.post(f"{where.location}/files", data=given(placements__csv=PLACEMENTS))
    page = " ".join(client.get(where.location, headers=PAGE).text.split())
    assert "2 placements, 2 catches" in page
    assert client.post(f"{where.location}/take").status_code == 400  # not confirmed
    assert store.version == version
    stored = client.post(f"{where.location}/take", data={"sure": "yes"})
    assert stored.location == "/import?stored=1&survey=S24"
    page = " ".join(client.get(stored.location, headers=PAGE).text.split())
    assert "Import 1 is stored: 2 placements" in page
    assert 'href="/?survey=S24"' in page  # on the map
    other = client.get("/import?stored=1&survey=S99", headers=PAGE).text
    assert 'href="/?survey=S99"' not in other
    assert store.batches()[0].who == "somebody"
    assert client.get(where.location, headers=PAGE).status_code == 404  # not there any more
    assert client.post("/import/batches/1/undo").status_code == 400
    undone = client.post("/import/batches/1/undo", data={"sure": "yes"})
    assert "taken back" in client.get(undone.location, headers=PAGE).text
    assert len(store.known_placements(["P1", "P2"])) == 0


def test_same_files_again_change_nothing(store):
    """Files taken before are known, also under other names."""
    client = client_of(store)
    first = client.post("/import", data=sheets()).location
    client.post(f"{first}/take", data={"sure": "yes"})
    version = store.version
    second = client.post("/import", data=sheets()).location
    page = " ".join(client.get(second, headers=PAGE).text.split())
    assert "taken in before, as import 1" in page
    done = client.post(f"{second}/take", data={"sure": "yes"})
    assert done.location == "/import?unchanged=1"
    assert store.version == version


def test_findings_as_file(store):
    """The CSV holds every finding and runs nothing in a spreadsheet."""
    client = client_of(store)
    faulty = PLACEMENTS.replace("kick_net", "=kick+net")
    where = client.post("/import", data=sheets(faulty)).location
    answer = client.get(f"{where}/findings.csv")
    rows = list(csv.DictReader(io.StringIO(answer.data.decode("utf-8-sig"))))
    assert [
        (one["kind"], one["row"], one["value"]) for one in rows if one["kind"] == "refused"
    ] == [("refused", "3", "'=kick+net")]
    only = client.get(f"{where}?show=flagged", headers=PAGE).text
    assert "kick+net" not in only.split('id="findings"')[1]


def test_names_not_in_the_list(store):
    """Unknown species can be taken away as a list to look through."""
    client = client_of(store)
    where = client.post(
        "/import", data=sheets(catches=CATCHES.replace("Cottus", "Kottus"))
    ).location
    answer = client.get(f"{where}/missing-species.csv")
    assert "Kottus gobio" in answer.data.decode("utf-8-sig")


def test_files_are_known_by_their_headers(tmp_path):
    """A sheet is told by what its header holds, not by what somebody called it."""
    for name, text, role in (
        ("b.csv", PLACEMENTS, "placements"),
        ("a.csv", CATCHES, "catches"),
        ("c.csv", "placement_id;species;length_mm\nP1;Cottus gobio;61\n", "lengths"),
        ("d.csv", "survey,timezone\nS1,Europe/Dublin\n", "surveys"),
        ("my catches.csv", "x,y\n1,2\n", "catches"),
    ):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        assert roles_of(path) == (role,), name
    book = openpyxl.Workbook()
    book.active.title = "Placements"
    book.create_sheet("catches")
    book.save(tmp_path / "all.xlsx")
    assert roles_of(tmp_path / "all.xlsx") == ("placements", "catches")
    for name, role in (("m.toml", "mapping"), ("w.gpx", "waypoints")):
        assert roles_of(tmp_path / name) == (role,)


def test_roles_can_be_put_right(store):
    """Two files read as the same sheet are asked about, and can be told apart."""
    client = client_of(store)
    files = given(one__csv=PLACEMENTS, two__csv=PLACEMENTS.replace("P1", "P8").replace("P2", "P9"))
    where = client.post("/import", data=files).location
    assert "both read as placements" in client.get(where, headers=PAGE).text
    client.post(f"{where}/reading", data={"role:one.csv": "placements", "role:two.csv": ""})
    assert "would be stored" in client.get(where, headers=PAGE).text
    wrong = client.post(f"{where}/reading", data={"role:one.csv": "magic"})
    assert wrong.status_code == 400


def zipped(**members):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in members.items():
            book.writestr(name.replace("__", "/") + ".xml", content)
    return held.getvalue()


def test_workbook_that_unpacks_too_far(store, monkeypatch):
    """A small file that unpacks to a great one is refused unread, with a page that says why."""
    monkeypatch.setattr(upload_limits, "MOST_UNPACKED", 5_000_000)
    bomb = zipped(xl__worksheets__sheet1=b"<row/>" * 2_000_000)
    assert len(bomb) < 100_000
    answer = client_of(store).post("/import", data=given(placements__xlsx=bomb), headers=PAGE)
    assert answer.status_code == 422
    assert "unpacks to 12 MB" in answer.text


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.xlsx", zipped(xl__a=b"<!DOCTYPE x [<!ENTITY e 'e'>]><x/>"), "entities"),
        ("a.xlsx", b"PK\x03\x04 broken", "not a whole XLSX"),
        ("a.gpx", b"<?xml version='1.0'?><!DOCTYPE x []><gpx/>", "entities"),
        ("a.gpx", "<?xml version='1.0'?><!DOCTYPE x []><gpx/>".encode("utf-16"), "entities"),
        ("a.geojson", b'<OGRVRTDataSource><OGRVRTLayer name="x"/></OGRVRTDataSource>', "not JSON"),
        ("a.json", b'{"type": "Topology"}', "not a GeoJSON"),
        (
            "a.geojson",
            (
                b'{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},'
                b' "geometry": {"type": "Point", "coordinates": [0, 0], "\\u0063rs": {"type":'
                b' "link", "properties": {"href": "http://elsewhere.invalid/"}}}}]}'
            ),
            "by a link",
        ),
        ("a.gpkg", b"<OGRVRTDataSource/>", "not a GeoPackage"),
        ("a.exe", b"MZ", "not taken"),
        ("a.shp", b"", "not taken"),
    ],
)
def test_files_that_are_not_what_they_say(store, name, content, said):
    """Nothing is read that would lead a reader elsewhere or fill the memory."""
    files = {"files": [(io.BytesIO(content), name)]}
    answer = client_of(store).post("/import", data=files, headers=PAGE)
    assert answer.status_code == 422
    assert said in answer.text


def test_rows_and_bytes_are_bounded(store, monkeypatch):
    """Too many rows, too many bytes, too many files, and no file at all."""
    client = client_of(store)
    monkeypatch.setattr(upload_limits, "MOST_ROWS", 100)
    many = PLACEMENTS + "x\n" * 200
    answer = client.post("/import", data=given(a__csv=many), headers=PAGE)
    assert answer.status_code == 422
    assert "more than 100 rows" in answer.text
    rows = b'<row r="1"></row>' * 300
    book = zipped(xl__worksheets__sheet1=b"<sheetData>" + rows + b"</sheetData>")
    assert (
        "more than 100 rows" in client.post("/import", data=given(a__xlsx=book), headers=PAGE).text
    )
    client.application.config["MAX_CONTENT_LENGTH"] = 5_000  # a setting, in MB, makes it
    large = client.post("/import", data=given(a__csv="x" * 6_000), headers=PAGE)
    assert large.status_code == 413
    assert client.post("/import", data={}).status_code == 400
    crowd = {"files": [(io.BytesIO(b"x"), f"{k}.csv") for k in range(20)]}
    assert client.post("/import", data=crowd).status_code == 400


def test_waiting_files_are_of_their_owner_and_run_out():
    """Somebody else's token opens nothing; time and number bound what is kept."""
    now = [0.0]
    uploads = WaitingUploads(lambda: now[0])
    waiting = uploads.receive("a", [("placements.csv", io.BytesIO(PLACEMENTS.encode()))])
    assert uploads.find(waiting.token, "a") is waiting
    with pytest.raises(Exception, match="no longer here"):
        uploads.find(waiting.token, "b")
    now[0] = KEPT_S + 1
    with pytest.raises(Exception, match="no longer here"):
        uploads.find(waiting.token, "a")
    assert not waiting.folder.exists()
    many = [uploads.receive("a", [("p.csv", io.BytesIO(b"a,b"))]) for _ in range(MOST_WAITING + 3)]
    assert sum(one.folder.exists() for one in many) == MOST_WAITING


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../x.csv", "x.csv"),
        ("..\\..\\x.csv", "x.csv"),
        (".htaccess", "htaccess"),
        ("a\x00\n<b>.csv", "a___b_.csv"),
        ("Fänge 2024.xlsx", "Fänge 2024.xlsx"),
        ("x" * 500 + ".csv", "x" * 80 + ".csv"),
        ("/", "file"),
    ],
)
def test_names_stay_in_their_folder(name, kept):
    """A name is one file name, whatever was sent."""
    assert plain_name(name) == kept


@pytest.mark.parametrize("role", ["public", "viewer", "member"])
def test_roles_that_may_not_import(store, role):
    """Import is for editors; the page says whom to ask."""
    client = client_of(store, role)
    for path in ("/import", "/import/abc", "/import/templates.zip", "/import/abc/findings.csv"):
        answer = client.get(path, headers=PAGE)
        assert answer.status_code == 403
        assert "keeper" in answer.text
    assert client.post("/import", data=sheets()).status_code == 403


def test_editors_import_and_keepers_undo(store):
    """Taking back is for the keeper."""
    client = client_of(store, "editor")
    where = client.post("/import", data=sheets()).location
    client.post(f"{where}/take", data={"sure": "yes"})
    assert client.post("/import/batches/1/undo", data={"sure": "yes"}).status_code == 403
    assert "Take back import" not in client.get("/import", headers=PAGE).text
    assert store.batches()[0].undone_at is None


def test_uploads_of_others_pages_are_not_taken(store):
    """Without the word of our own page nothing is even received."""
    client = create_app(store, Settings(), viewer=Viewer("somebody", "keeper")).test_client()
    assert client.post("/import", data=sheets()).status_code == 400
    page = " ".join(client.get("/import", headers=PAGE).text.split())
    word = re.search(r'name="csrf_token" value="([^"]+)"', page)[1]
    assert client.post("/import", data=sheets() | {"csrf_token": word}).status_code == 303


def test_templates_are_sheets_that_import_knows(store):
    """The zip holds every sheet with all its columns."""
    answer = client_of(store).get("/import/templates.zip")
    with zipfile.ZipFile(io.BytesIO(answer.data)) as held:
        for sheet, columns in SHEETS.items():
            header = held.read(f"{sheet}.csv").decode("utf-8-sig").strip().split(",")
            assert header == [column.name for column in columns]


def test_text_of_sheets_is_escaped(store):
    """Script in file names, values and headers shows as text."""
    client = client_of(store)
    nasty = "<script>window.ran=1</script>"
    text = PLACEMENTS.replace("kick_net", nasty).replace("notes", nasty, 1)
    files = {"files": [(io.BytesIO(text.encode()), f"{nasty}.csv")]}
    page = " ".join(
        client.get(client.post("/import", data=files).location, headers=PAGE).text.split()
    )
    assert nasty not in page
    assert "&lt;script&gt;" in page


SEASON = """Sample,Spot,Date,How,Lat,Long,Bullhead,Stone loach,Remark
A,Mill ford,2024-06-23,kick net,52.6000,-11.2127,12,0,two netters
B,Ash pool,2024-06-24,kick net,52.6035,-11.2128,0,0,
"""


def test_a_sheet_of_another_shape_comes_in_by_its_columns(store):
    """Refused as it stands; read by a suggestion; a column taken otherwise is followed at once."""
    client = client_of(store)
    where = client.post("/import", data=given(season__csv=SEASON)).location
    page = client.get(where, headers=PAGE).text
    assert "Not stored" in page
    assert "Suggest a mapping" in page
    assert client.post(f"{where}/columns").status_code == 303
    page = " ".join(client.get(where, headers=PAGE).text.split())
    assert "<b>2 placements, 1 catch, 0 lengths</b> would be stored" in page
    assert page.count('<select name="column:0:') == 9
    assert '<option value="count:Cottus gobio" selected>' in page
    assert "two netters" in page
    kept = client.get(f"{where}/mapping.toml")
    assert 'notes = "Remark"' in kept.text
    names = re.findall(r'<select name="(column:0:[0-9]+)">', page)
    chosen = dict(zip(names, re.findall(r'<option value="([^"]*)" selected>', page), strict=True))
    for value, taken in (("", "notes ="), ("placements.crew", 'crew = "Remark"')):
        client.post(f"{where}/columns", data=chosen | {names[-1]: value})
        text = client.get(f"{where}/mapping.toml").text
        assert (taken in text) == bool(value)
    assert client.post(f"{where}/columns", data={names[0]: "placements.<b>"}).status_code == 400
    stored = client.post(f"{where}/take", data={"sure": "yes"})
    assert stored.status_code == 303
    assert store.known_placements(["A", "B"]).index.tolist() == ["A", "B"]
    # The file that was kept brings the next sheet of this form in.
    again = SEASON.replace("A,Mill", "C,Mill").replace("B,Ash", "D,Ash")
    files = given(season__csv=again, mapping__toml=kept.text)
    where = client.post("/import", data=files).location
    assert "2 placements, 1 catch" in " ".join(client.get(where, headers=PAGE).text.split())


def test_the_order_of_dates_is_asked_for_until_it_is_said(store):
    client = client_of(store)
    sheet = SEASON.replace("2024-06-23", "03/06/2024").replace("2024-06-24", "04/06/2024")
    where = client.post("/import", data=given(season__csv=sheet)).location
    client.post(f"{where}/columns")
    assert "No date settles" in client.get(where, headers=PAGE).text
    said = {
        "date_order": "dmy",
        "role:season.csv": "sheet",
        "role:mapping-suggested.toml": "mapping",
    }
    client.post(f"{where}/reading", data=said)
    page = " ".join(client.get(where, headers=PAGE).text.split())
    assert "No date settles" not in page
    assert "<b>2 placements, 1 catch, 0 lengths</b> would be stored" in page
    assert 'date_order = "dmy"' in client.get(f"{where}/mapping.toml").text


def test_corrected_sheets_come_back(store):
    """What changes is shown column by column before it is stored; rows left out are not lost."""
    client = client_of(store)
    where = client.post("/import", data=sheets())
    client.post(f"{where.location}/take", data={"sure": "yes"})
    version = store.version
    corrected = PLACEMENTS.replace(",40,12,", ",45,12,")
    where = client.post("/import", data=sheets(corrected) | {"update": "yes"})
    page = " ".join(client.get(where.location, headers=PAGE).text.split())
    assert "1 placement is changed" in page
    assert '<th scope="row">P2</th><td>minutes</td> <td>40</td><td>45</td>' in page
    assert store.version == version
    done = client.post(f"{where.location}/take", data={"sure": "yes"})
    assert done.location == "/import?changed=1"
    page = " ".join(client.get(done.location, headers=PAGE).text.split())
    assert "The corrections are stored." in page
    assert store.document("P2")["minutes"] == 45
    assert store.history("placement", "P2")[0].action == "change"
    lost = sheets(corrected, CATCHES.splitlines()[0] + "\n") | {"update": "yes"}
    where = client.post("/import", data=lost)
    assert "the store has a catch of this placement" in client.get(where.location).text
    both = {"update": "yes", "remove_rows": "yes"}
    both |= {"role:placements.csv": "placements", "role:catches.csv": "catches"}
    given = client.post(f"{where.location}/reading", data=both)
    assert "<td>catches</td>" in client.get(given.location, headers=PAGE).text


def test_a_mapping_is_kept_and_chosen_next_season(store):
    """Suggested on the page, kept under a name, then chosen from the list."""
    sheet = (
        "Sample,Water,Date,How,Lat,Long,Bullhead,Stone loach\n"
        "A,Long Brook,2024-05-02,kick_net,52.6035,-11.2128,3,1\n"
        "B,Long Brook,2024-05-03,kick_net,52.6000,-11.2127,0,2\n"
    )
    client = client_of(store)
    where = client.post("/import", data=given(season__csv=sheet) | {"survey": "S24"}).location
    client.post(f"{where}/columns")
    kept = client.post(f"{where}/mapping", data={"name": "loach <survey>"})
    page = client.get(kept.location, headers=PAGE).text
    assert "Kept as loach &lt;survey&gt;." in page
    assert "2 placements" in " ".join(page.split())
    assert client.post(f"{where}/mapping", data={"name": "a/b"}).status_code == 400
    assert "<option>loach &lt;survey&gt;</option>" in client.get("/import", headers=PAGE).text
    chosen = {"survey": "S24", "mapping": "loach <survey>"}
    where = client.post("/import", data=given(next__csv=sheet) | chosen).location
    page = " ".join(client.get(where, headers=PAGE).text.split())
    assert "2 placements, 3 catches" in page
    chosen["mapping"] = "another"
    assert client.post("/import", data=given(next__csv=sheet) | chosen).status_code == 400


def test_nothing_stored_is_changed_unless_that_is_chosen(store):
    """The box stands empty at first, and as it was set afterwards."""
    client = client_of(store)
    box = re.compile(r'name="update"\s+value="yes"( checked)?>')
    assert box.search(client.get("/import").text)[1] is None
    page = client.post("/import", data=sheets(), follow_redirects=True)
    assert box.search(page.text)[1] is None
    where = page.request.path
    page = client.post(f"{where}/reading", data={"update": "yes"}, follow_redirects=True)
    assert box.search(page.text)[1] == " checked"


def test_what_to_do_with_a_sheet_of_others_stands_first(store):
    """A sheet under other names is to be suggested a mapping for, not to be mended by hand."""
    client = client_of(store)
    for title in ("Season 2024,,", "Season 2024"):  # as wide as the table, and not
        text = f"{title}\nSample,Site,Day\nA,Mill ford,2024-06-03\n"
        sent = given(**{"season.csv": text})
        page = client.post("/import", data=sent, follow_redirects=True).text
        assert page.index("Suggest a mapping") < page.index("<h2>Files")
        assert page.count("Suggest a mapping") == 1
    faulty = PLACEMENTS.replace("kick_net", "kick_nett")
    page = client.post("/import", data=sheets(faulty), follow_redirects=True).text
    assert page.index("Suggest a mapping") > page.index("<h2>Files")
