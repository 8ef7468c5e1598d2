"""Long work is left and found again, shows true figures, and holds nobody else up.

No test waits for time to pass: work is stopped at a gate that the test opens.
"""

import gzip
import io
import re
import subprocess
import sys
import threading
import zipfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from itertools import count

import orjson
import pytest

from service import create_app
from service.access import current_picture
from service.errors import ConflictError, StoreBusyError, TooMuchWorkError
from service.intake.importing import CHECK_STEPS
from service.progress import Progress, StoppedError, report
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from service.reference.loading_layers import LOADING_STEPS
from service.settings import Settings
from service.store import open_store
from service.web import compression, jobs, serving, waiting
from service.web.jobs import Job, Jobs
from service.web.pages import import_page
from service.web.work_notes import WorkNotes
from tests.intake_sheets import CATCHES, PLACEMENTS, make_store
from tests.web.test_pages_entry import SHEET

PAGE = {"Accept": "text/html"}
MOST_S = 30  # no wait of a test is longer
ANN, BEN = Viewer("Ann", "editor"), Viewer("Ben", "editor")


@pytest.fixture
def store(tmp_path):
    with closing(make_store(tmp_path / "brook.gpkg")) as made:
        yield made


class Service:
    """One service that is visited by one viewer after the other."""

    def __init__(self, store):
        self.app = create_app(store, viewer=LOCAL_KEEPER)
        self.app.config["WTF_CSRF_ENABLED"] = False
        self._browsers = {}

    def of(self, viewer):
        object.__setattr__(self.app.extensions["rifflebook"], "viewer", viewer)
        return self._browsers.setdefault(viewer, self.app.test_client())

    def page(self, viewer, address):
        return self.of(viewer).get(address, headers=PAGE)

    @property
    def work(self):
        return self.app.extensions[waiting._JOBS][False]

    @property
    def pages(self):
        return self.app.extensions[waiting._PAGES][False]


@pytest.fixture
def service(store):
    """A service, and after the test none of its threads."""
    made = Service(store)
    yield made
    waiting.close_jobs(made.app)
    kinds = (made.app.extensions[kind] for kind in (waiting._JOBS, waiting._PAGES))
    assert not any(jobs._threads for kind in kinds for jobs in kind.values())


class Gate:
    """Something in the way of work: a test sees when it is reached, and opens it."""

    def __init__(self):
        self.reached, self.open, self.passed = threading.Event(), threading.Event(), 0

    def __call__(self):
        self.passed += 1
        self.reached.set()
        assert self.open.wait(MOST_S)

    def wait(self):
        assert self.reached.wait(MOST_S)


@pytest.fixture
def gate(service):
    gate = Gate()
    yield gate
    gate.open.set()


@pytest.fixture
def hurried(monkeypatch):
    """No page waits for work that has not ended."""
    monkeypatch.setattr(jobs, "PATIENCE_S", 0.0)


def text_of(answer):
    return " ".join(answer.text.replace("\u202f", " ").split())


def uploaded(service, viewer):
    """Send two sheets; the address of what is found in them."""
    files = [(io.BytesIO(text.encode()), name) for name, text in
             (("placements.csv", PLACEMENTS), ("catches.csv", CATCHES))]  # fmt: skip
    return service.of(viewer).post("/import", data={"files": files}).location


def begun(service, viewer, gate, monkeypatch, fails=None):
    """Begin an import that stops at the gate after three placements of ten; its address."""
    take = import_page.take

    def gated(*given, progress):
        progress(3, 10)
        gate()
        if fails is not None:
            raise fails
        return take(*given, progress=progress)

    monkeypatch.setattr(import_page, "take", gated)
    where = uploaded(service, viewer)
    answer = service.of(viewer).post(f"{where}/take", data={"sure": "yes"}, headers=PAGE)
    gate.wait()
    assert answer.status_code == 303
    return answer.location


def ended(service, address):
    assert service.work.find(address.rpartition("/")[2]).wait(MOST_S)
    for thread in list(service.work._threads):
        thread.join(MOST_S)


def test_an_import_is_left_and_found_again(service, store, gate, monkeypatch, hurried):
    """It says how far it is, from every page; another editor sees nothing of it, a keeper does."""
    address = begun(service, ANN, gate, monkeypatch)
    page = text_of(service.page(ANN, address))
    assert "Import of catches.csv, placements.csv" in page
    assert "storing: 3 of 10 placements" in page
    assert '<progress aria-label="How far it is" value="3" max="10">' in page
    assert '<noscript><meta http-equiv="refresh"' in page
    said = service.of(ANN).get(f"{address}/status").json
    assert said == {
        "finished": False, "words": "storing: 3 of 10 placements", "done": 3, "total": 10
    }  # fmt: skip
    for elsewhere in ("/methods", "/import"):
        assert f'href="{address}"' in service.page(ANN, elsewhere).text
    assert address in service.page(ANN, "/work").text
    assert address in service.page(LOCAL_KEEPER, "/work").text
    assert service.page(LOCAL_KEEPER, address).status_code == 200
    for end in ("", "/status", "/file"):
        assert service.page(BEN, address + end).status_code == 404
    assert address not in service.page(BEN, "/work").text
    assert address not in service.page(BEN, "/methods").text
    assert service.page(PUBLIC, "/work").status_code == 403
    assert service.page(PUBLIC, address).status_code == 404
    assert not store.batches()
    gate.open.set()
    ended(service, address)
    assert "see what came of it" in service.page(ANN, "/methods").text
    shown = service.of(ANN).get(address, headers=PAGE, follow_redirects=True)
    assert "Import 1 is stored" in text_of(shown)
    assert address not in service.page(ANN, "/methods").text
    assert address in service.page(ANN, "/work").text


def test_an_error_is_shown_to_whoever_comes_back(service, store, gate, monkeypatch, hurried):
    """With its words and a way back; nothing is stored."""
    said = ConflictError("Placement 'P1' is in the store already; nothing was stored.")
    address = begun(service, ANN, gate, monkeypatch, fails=said)
    gate.open.set()
    ended(service, address)
    assert "see what came of it" in service.page(ANN, "/methods").text
    page = service.page(ANN, address)
    assert "Placement &#39;P1&#39; is in the store already" in page.text
    assert re.search(r'href="/import/[^"/]+">Back', page.text)
    assert "see what came of it" not in service.page(ANN, "/methods").text
    assert not store.batches()
    service.of(ANN).post(f"{address}/forget")
    assert service.page(ANN, address).status_code == 404


def test_an_import_that_is_stopped_stores_nothing(service, store, gate, monkeypatch, hurried):
    """It ends at its next report, within the transaction, and all is taken back."""
    address = begun(service, ANN, gate, monkeypatch)
    assert service.of(BEN).post(f"{address}/stop").status_code == 404
    service.of(ANN).post(f"{address}/stop")
    gate.open.set()
    ended(service, address)
    assert "It was stopped; nothing was stored" in text_of(service.page(ANN, address))
    assert not store.batches()
    assert store.records(Selection()).placements.empty


def test_figures_come_from_the_work_itself(service, store, monkeypatch):
    """Rows that are stored, and steps of a check and of loads: as many as there are."""
    said = []
    monkeypatch.setattr(Progress, "say", lambda self, *what: said.append(what))
    where = uploaded(service, ANN)
    service.page(ANN, where)
    service.of(ANN).post(f"{where}/take", data={"sure": "yes"})
    stored = store.batches()[0].placements
    rows = [what[1:] for what in said if what[0] == "storing"]
    assert rows[0] == (0, stored, "placement")
    assert rows[-1] == (stored, stored, "placement")
    steps = [what[1] for what in said if what[2:] == (CHECK_STEPS, "step")]
    assert CHECK_STEPS in steps
    assert set(steps) == set(range(1, CHECK_STEPS + 1))
    for form in ("csv", "geojson", "gpkg"):
        said.clear()
        with service.of(ANN).get(f"/hand-over/file?form={form}") as sent:
            assert sent.status_code == 200
        assert said[-1] == ("writing", stored, stored, "placement"), form
    said.clear()
    with service.of(ANN).get("/hand-over/file?form=dwca") as sent:
        files = zipfile.ZipFile(io.BytesIO(sent.data))
    tables = [name for name in files.namelist() if name.endswith(".txt")]
    rows = sum(files.read(name).count(b"\n") - 1 for name in tables)
    figures = [what[1] for what in said if what[0] == "writing" and what[2:] == (rows, "row")]
    assert len(figures) == len(tables)
    assert figures == sorted(figures)
    assert figures[-1] == rows
    for kind, layer in (("reaches", store.reaches()), ("catchments", store.catchments())):
        said.clear()
        body = layer.reset_index().to_json(to_wgs84=True).encode()
        files = {"file": (io.BytesIO(body), "layer.geojson")}
        where = service.of(LOCAL_KEEPER).post(f"/load/{kind}", data=files).location
        done = service.of(LOCAL_KEEPER).post(f"{where}/store", follow_redirects=True)
        assert f"The {kind} are stored" in text_of(done)
        numbers = [what[1] for what in said if what[3:] == ("step",)]
        assert numbers == [*range(1, LOADING_STEPS[kind] + 1)], kind


@pytest.fixture
def first_figures(gate, monkeypatch):
    """The picture of those who see exact places stops at the gate."""
    mended = current_picture._mended

    def gated(store, moment, *others):
        if not moment.public:
            report("reading the records", 5, 20, "placement")
            gate()
        return mended(store, moment, *others)

    monkeypatch.setattr(current_picture, "_mended", gated)
    return gate


def test_first_figures_show_progress_and_hold_nobody_up(service, store, first_figures, monkeypatch):
    """While one answer is computed: the public's map, a form, another answer; then the page."""
    monkeypatch.setattr(jobs, "PATIENCE_S", 0.0)
    first = service.page(ANN, "/")
    first_figures.wait()
    assert first.status_code == 202
    assert first.headers["Retry-After"] == "1"
    again = service.page(ANN, "/")
    assert "reading the records: 5 of 20 placements" in text_of(again)
    status = re.search(r'data-status="([^"]+)"', again.text)[1]
    assert service.of(ANN).get(status).json["done"] == 5
    assert service.page(BEN, status).status_code == 404
    assert 'href="/"' in service.page(ANN, "/work").text

    monkeypatch.setattr(jobs, "PATIENCE_S", MOST_S)
    assert service.of(BEN).post("/entry/save", json=SHEET).status_code == 201
    assert service.page(PUBLIC, "/").status_code == 200
    view = "/map/placements.json?bbox=-12,52,-10,53&zoom=8"
    assert service.of(PUBLIC).get(view).status_code == 200
    assert service.page(PUBLIC, "/coverage").status_code == 200
    assert service.of(BEN).get("/map/lines.json?bbox=-12,52,-10,53&zoom=8").status_code == 200
    assert service.of(BEN).get("/feed/collections/placements/items").status_code == 200

    first_figures.open.set()
    page = service.page(ANN, "/")
    assert page.status_code == 200
    assert "folium-map" in page.text
    # Its scripts bear the nonce that stands in the header of this very answer.
    nonce = re.search(r"'nonce-([^']+)'", page.headers["Content-Security-Policy"])[1]
    assert f'<script type="module" nonce="{nonce}">' in page.text
    assert not service.pages.all()


def test_whoever_comes_back_begins_nothing_anew(service, store, first_figures, hurried):
    """Three requests for a page, and one for another, make its picture once."""
    for _ in range(3):
        assert service.page(ANN, "/").status_code == 202
    first_figures.wait()
    assert len(service.pages.all()) == 1
    assert service.page(ANN, "/records").status_code == 202
    first_figures.open.set()
    for job in service.pages.all():
        assert job.wait(MOST_S)
    assert service.page(ANN, "/").status_code == 200
    assert service.page(ANN, "/records").status_code == 200
    assert first_figures.passed == 1


def test_what_scripts_fetch_is_fetched_again(service, store, first_figures, hurried):
    """Who says that an answer may come later gets 202 until it is there; others wait for it."""
    view = "/map/placements.json?bbox=-12,52,-10,53&zoom=8"
    later = {"Prefer": "respond-async"}  # RFC 7240, section 4.1
    answer = service.of(ANN).get(view, headers=later)
    first_figures.wait()
    assert answer.status_code == 202
    assert service.of(ANN).get(view, headers=later).status_code == 202
    (job,) = service.pages.all()
    first_figures.open.set()
    assert job.wait(MOST_S)
    answer = service.of(ANN).get(view, headers=later)
    assert answer.status_code == 200
    assert answer.json == service.of(ANN).get(view).json
    assert first_figures.passed == 1


def test_two_that_wait_for_one_answer_both_get_it_whole(service, store, first_figures, monkeypatch):
    """As two open pages of a browser do; packing for the one leaves the other's as it was."""
    view = "/map/placements.json?bbox=-12,52,-10,53&zoom=8"
    given = {"Prefer": "respond-async", "Accept-Encoding": "gzip"}
    monkeypatch.setattr(compression, "_SMALLEST", 0)
    monkeypatch.setattr(jobs, "PATIENCE_S", 0.0)
    assert service.of(ANN).get(view, headers=given).status_code == 202
    monkeypatch.setattr(jobs, "PATIENCE_S", MOST_S)
    waiting_now, wait = threading.Semaphore(0), jobs.Job.wait
    numbers, one_has_it = count(), threading.Event()

    def seen(job, seconds):
        number = next(numbers)
        waiting_now.release()
        ended = wait(job, seconds)
        assert number == 0 or one_has_it.wait(MOST_S)
        return ended

    def fetch(browser):
        try:
            return browser.get(view, headers=given)
        finally:
            one_has_it.set()

    monkeypatch.setattr(jobs.Job, "wait", seen)
    with ThreadPoolExecutor(2) as pool:
        both = [pool.submit(fetch, service.of(ANN)) for _ in range(2)]
        try:
            assert all(waiting_now.acquire(timeout=MOST_S) for _ in both)
        finally:
            first_figures.open.set()
        answers = [one.result(MOST_S) for one in both]
    assert first_figures.passed == 1
    plain = service.of(ANN).get(view).json
    for answer in answers:
        assert answer.headers.getlist("Content-Encoding") == ["gzip"]
        assert orjson.loads(gzip.decompress(answer.data)) == plain


def finished(pages):
    """Wait for what is being made; how many."""
    jobs = pages.all()
    assert all(job.wait(MOST_S) for job in jobs)
    return len(jobs)


def test_a_page_made_before_a_write_is_not_given_after_it(service, store, first_figures, hurried):
    """It is made again, and after three such tries while whoever wants it waits: it has all."""
    first_figures.open.set()
    assert service.page(ANN, "/records").status_code == 202
    for number in ("N1", "N2", "N3"):
        assert finished(service.pages) == 1
        sheet = {**SHEET, "placement": {**SHEET["placement"], "placement_id": number}}
        assert service.of(BEN).post("/entry/save", json=sheet).status_code == 201
        page = service.page(ANN, "/records")
        assert page.status_code == (200 if number == "N3" else 202)
    assert all(number in page.text for number in ("N1", "N2", "N3"))
    assert not service.pages.all()


def test_a_program_without_cookies_finds_again_what_it_began(service, store, first_figures,
                                                             hurried):  # fmt: skip
    """One answer is made, however often it is requested; another viewer's is another one."""
    view = "/map/placements.json?bbox=-12,52,-10,53&zoom=8"
    later = {"Prefer": "respond-async"}
    for viewer in (ANN, ANN, BEN):
        service.of(viewer)
        program = service.app.test_client(use_cookies=False)
        assert program.get(view, headers=later).status_code == 202
    first_figures.wait()
    assert len(service.pages.all()) == 2
    first_figures.open.set()
    assert finished(service.pages) == 2
    service.of(ANN)
    answer = program.get(view, headers=later)
    assert answer.status_code == 200
    assert answer.json == service.of(ANN).get(view).json
    assert len(service.pages.all()) == 1


def test_an_error_of_a_page_is_that_of_the_page(service, hurried):
    """What is wrong with a question is said as without a wait."""
    answer = service.page(ANN, "/records?since=soon")
    for job in service.pages.all():
        assert job.wait(MOST_S)
        answer = service.page(ANN, "/records?since=soon")
    assert answer.status_code == 400
    assert "soon" in answer.text


def test_the_public_hears_no_figures_and_begins_no_work(service, store, gate, monkeypatch, hurried):
    """How many records are read is no business of theirs; files are made while they wait."""
    mended = current_picture._mended

    def gated(*given):
        report("reading the records", 5, 20, "placement")
        gate()
        return mended(*given)

    monkeypatch.setattr(current_picture, "_mended", gated)
    assert service.page(PUBLIC, "/records").status_code == 202
    gate.wait()
    page = service.page(PUBLIC, "/records").text
    assert "reading the records" not in page
    assert '<progress aria-label="How far it is"></progress>' in page
    status = re.search(r'data-status="([^"]+)"', page)[1]
    assert service.of(PUBLIC).get(status).json == {"finished": False}
    gate.open.set()


def test_the_public_fetches_a_file_by_an_address_that_nobody_can_guess(service, store, gate,
                                                                       hurried):  # fmt: skip
    """It is listed nowhere, and says nothing of how many records are read."""
    service.of(ANN).post("/entry/save", json=SHEET)
    writer = service.app.extensions["rifflebook"].write_hand_over

    def gated(*given, progress, **named):
        progress("writing", 3, 9, "row")
        gate()
        writer(*given, **named)

    object.__setattr__(service.app.extensions["rifflebook"], "write_hand_over", gated)
    address = service.page(PUBLIC, "/hand-over/file?form=csv").location
    gate.wait()
    assert len(address.rpartition("/")[2]) >= 22  # 128 bits in base64
    page = text_of(service.page(PUBLIC, address))
    assert "Keep its address" in page
    assert not re.search(r"writing|\b[39]\b of", page)
    assert service.of(PUBLIC).get(f"{address}/status").json == {"finished": False}
    assert address not in service.page(PUBLIC, "/").text
    assert service.page(PUBLIC, "/work").status_code == 403
    assert service.page(ANN, address).status_code == 404
    gate.open.set()
    (job,) = service.app.extensions[waiting._JOBS][True].all()
    assert job.wait(MOST_S)
    with service.page(PUBLIC, f"{address}/file") as sent:
        assert "placements.csv" in zipfile.ZipFile(io.BytesIO(sent.data)).namelist()


def test_nobody_takes_every_place(service, store, gate, monkeypatch, hurried):
    """An account has four, visitors have four together; the others find places left."""
    service.of(ANN).post("/entry/save", json=SHEET)
    object.__setattr__(
        service.app.extensions["rifflebook"], "write_hand_over", lambda *_, **__: gate()
    )
    for viewer, words in (
        (ANN, "4 pieces of work that you began"),
        (PUBLIC, "places for long work"),
    ):
        for _ in range(4):
            assert service.page(viewer, "/hand-over/file?form=csv").status_code == 303
        refused = service.page(viewer, "/hand-over/file?form=csv")
        assert refused.status_code == 503
        assert words in refused.text
        assert "Too much work goes on already" in refused.text
        assert service.page(BEN, "/hand-over/file?form=csv").status_code == 303
    gate.open.set()


def test_a_hand_over_is_left_and_fetched_later(service, store, gate, hurried):
    """The file waits for whoever began it, until it is forgotten."""
    service.of(ANN).post("/entry/save", json=SHEET)
    writer = service.app.extensions["rifflebook"].write_hand_over

    def gated(*given, **named):
        gate()
        writer(*given, **named)

    object.__setattr__(service.app.extensions["rifflebook"], "write_hand_over", gated)
    answer = service.page(ANN, "/hand-over/file?form=csv")
    gate.wait()
    assert answer.status_code == 303
    assert service.page(ANN, f"{answer.location}/file").status_code == 404
    gate.open.set()
    ended(service, answer.location)
    assert f'href="{answer.location}/file"' in service.page(ANN, answer.location).text
    for _ in range(2):
        with service.page(ANN, f"{answer.location}/file") as sent:
            assert "attachment" in sent.headers["Content-Disposition"]
            assert "placements.csv" in zipfile.ZipFile(io.BytesIO(sent.data)).namelist()
    made = service.work.find(answer.location.rpartition("/")[2]).future.result()
    assert made.path.exists()
    service.of(ANN).post(f"{answer.location}/forget")
    assert not made.path.exists()


def bounded(**bounds):
    given = {"most_running": 1, "most_waiting": 1, "most_ended": 2, "kept_s": 3_600.0}
    return Jobs(**given | bounds)


def test_work_is_bounded_in_number_and_in_what_is_kept():
    """One goes on, one waits its turn, a third is refused; what ended long ago is dropped."""
    work, gate, order = bounded(), Gate(), []
    first = work.begin(Job(lambda _: gate(), key="first"))
    gate.wait()
    second = work.begin(Job(lambda _: order.append("second")))
    assert (first.state, second.state) == ("going on", "waiting")
    assert work.begin(Job(order.append, key="first")) is first
    with pytest.raises(TooMuchWorkError, match="places for long work are taken"):
        work.begin(Job(order.append))
    gate.open.set()
    assert second.wait(MOST_S)
    assert order == ["second"]
    for number in range(4):
        assert work.begin(Job(lambda _, number=number: number)).wait(MOST_S)
        for thread in list(work._threads):
            thread.join(MOST_S)
    assert [job.future.result() for job in work.all()] == [2, 3]
    work.close()
    assert not work._threads


def test_work_stops_with_the_service():
    """At its next report; what waits does not begin, and nothing begins any more."""
    work, gate = bounded(), Gate()

    def going(_):
        gate()
        report("on and on")
        raise AssertionError

    first = work.begin(Job(going))
    second = work.begin(Job(lambda _: None))
    gate.wait()
    threads = list(work._threads)
    first.progress.stopped = True  # what closing does, before the gate is opened
    gate.open.set()
    work.close()
    assert isinstance(first.future.exception(), StoppedError)
    assert second.future.cancelled()
    assert not any(thread.is_alive() for thread in threads)
    with pytest.raises(TooMuchWorkError):
        work.begin(Job(lambda _: None))


WORKER = """
import sys, threading
from pathlib import Path
from service.settings import Settings
from service.store import open_store
from service.web import work_notes
from service.web.jobs import Job, Jobs
work_notes._EVERY_S = 0.0
store = open_store(Path(sys.argv[1]))
work = Jobs(most_running=1, most_waiting=1, most_ended=1, kept_s=9.0,
            notes=work_notes.WorkNotes(store))
def going(progress):
    progress.say("storing", 4, 9, "placement")
    print("going", flush=True)
    threading.Event().wait(60)
job = work.begin(Job(going, owner="Ann", title="Import of a.csv"))
job.wait(60)
"""


def test_a_process_that_died_and_one_that_lives_are_told_apart(service, store):
    """Another process sees what goes on; after a crash whoever began it is told, once."""
    process = subprocess.Popen(
        [sys.executable, "-c", WORKER, str(store.path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout.readline() == "going\n"
        (note,) = WorkNotes(store).read()
        address = f"/work/{note.job_id}"
        page = text_of(service.page(ANN, address))
        assert "storing: 4 of 9 placements" in page
        assert "in another process" in page
        assert service.page(BEN, address).status_code == 404
        service.of(ANN).post(f"{address}/forget")
        assert WorkNotes(store).read()
    finally:
        process.kill()
        process.wait(MOST_S)
        process.stdout.close()
    assert "The process ended before this work did" in text_of(service.page(ANN, address))
    assert address in service.page(ANN, "/work").text
    service.of(ANN).post(f"{address}/forget")
    assert not WorkNotes(store).read()


def test_a_note_goes_with_its_work(store):
    notes, gate = WorkNotes(store), Gate()
    work = bounded(notes=notes)
    job = work.begin(Job(lambda _: gate(), owner="Ann", title="x"))
    gate.wait()
    assert [(note.job_id, note.goes_on) for note in notes.read()] == [(job.job_id, True)]
    gate.open.set()
    work.close()
    assert not notes.read()


def test_a_form_does_not_wait_without_end_for_an_import(store):
    """Threads of one process wait for each other as long as for other processes."""
    with closing(open_store(store.path, busy_seconds=0.01)) as other:
        gate = Gate()

        def writes():
            with other.together():
                gate()

        thread = threading.Thread(target=writes)
        thread.start()
        try:
            gate.wait()
            with pytest.raises(StoreBusyError, match="Try again"):
                other.put_species(other.species(), who="t")
        finally:
            gate.open.set()
            thread.join(MOST_S)


def test_the_end_of_the_service_ends_its_work(store, monkeypatch):
    """Also where it is ended by a signal, which waitress sees as an exception."""
    app = create_app(store, viewer=LOCAL_KEEPER)

    class Server:
        def __init__(self, _, door, **__):
            self.close = door.close

        def run(self):
            raise SystemExit

    monkeypatch.setattr(serving, "make_server", Server)
    monkeypatch.setattr(serving.signal, "signal", lambda *_: None)
    serving.serve_store(
        store, Settings(), lambda: app, host="127.0.0.1", port=0, report=lambda _: None
    )
    with pytest.raises(TooMuchWorkError):
        app.extensions[waiting._JOBS][False].begin(Job(lambda _: None))
