"""Nothing that the public can ask for tells where in its cell a sensitive record lies.

The main promise is tested by twins: two stores that differ only in where within their cells the
sensitive placements lie, and in all that is private of them, must give the same answer to every
question, byte for byte. A question whose answer pinned a place closer than its cell would tell
the twins apart. Routes and forms of files are found, not listed, so that new ones are tried too.
"""

import datetime as dt
import io
import itertools
import re
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import replace
from urllib.parse import quote, unquote_plus, urlencode

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
from werkzeug.routing import IntegerConverter

from layers.drawing.tile_grid import Tile
from layers.fieldwork.generalising import WITHHELD
from service import create_app
from service.answers.hand_over import FORMS, HandOver
from service.export import write_hand_over
from service.records import PUBLIC, Background, Selection, Viewer
from service.settings import Settings
from tests.sensitive_store import (
    CRS,
    SIDE_M,
    SPECIES,
    add_plan,
    drawn_reaches,
    make_store,
    random_plan,
    twin,
)
from tests.tile_pictures import RED, png

# A background that is the same for both twins, under a name that is tried.
GROUND = Background("HALF0", "Owner", (0, 0), (-180.0, -85.0, 180.0, 85.0), 1, len(png(RED)), "d")

# What differs between two answers to one question for reasons that have nothing to do with records.
_CHANCE = [
    (re.compile(rb"nonce-[\w-]+"), b"nonce"),
    (re.compile(rb'nonce="[^"]+"'), b"nonce"),
    (re.compile(rb'name="csrf_token" value="[^"]+"'), b"form mark"),
    (re.compile(rb'^\{"token":"[^"]+"'), b"form mark"),
    (re.compile(rb"20[2-9]\d-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)"), None),
]
_WORDS = (
    "placements", "detections", "stretches", "reaches", "catchments", "gaps", "coverage", "csv",
    "json", "geojson", "gpx", "svg", "html", "1", "HALF0", "SMALL0", "R03-02", "methods",
)  # fmt: skip
_NOT_RECORDS = ("static", "assets")


def plain(body):
    """Body without what is new in every answer: marks of forms, and this moment."""
    today = dt.datetime.now(dt.UTC)

    def old_moment(found):
        moment = dt.datetime.fromisoformat(found[0].decode())
        return b"now" if abs(today - moment) < dt.timedelta(hours=1) else found[0]

    for pattern, word in _CHANCE:
        body = pattern.sub(word or old_moment, body)
    return body


def members_of(body):
    """What a file says, in a form that can be compared: rows of a database, members of a zip."""
    if zipfile.is_zipfile(io.BytesIO(body)):
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            # Sums over files that hold this moment differ by it alone.
            names = [name for name in sorted(archive.namelist()) if "sum" not in name.lower()]
            return {name: members_of(archive.read(name)) for name in names}
    if body[:6] == b"SQLite":
        with closing(sqlite3.connect(":memory:")) as file:
            file.deserialize(body)
            tables = [row[0] for row in file.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'rtree%'"
                " ORDER BY name")]  # fmt: skip
            rows = {name: file.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables}
        return plain(repr(rows).encode())
    return plain(body)


class Public:
    """The public's view of one store, through every route."""

    def __init__(self, store, viewer=PUBLIC):
        self.store = store
        self.app = create_app(store, Settings(), viewer=viewer)
        self.app.config["WTF_CSRF_ENABLED"] = False
        self.client = self.app.test_client()
        self._answers = {}
        self._types = {}  # media type of each address

    def get(self, address):
        """Status, telling headers and body; each question is put once to each state of a store."""
        key = (self.store.version, address)
        if key not in self._answers:
            self._answers[key] = self._ask(address)
        return self._answers[key]

    def _ask(self, address):
        with self.client.get(address) as answer:
            # An unforeseen error is no answer that may be compared.
            assert answer.status_code != 500, (address, answer.text[:400])
            self._types[address] = answer.mimetype
            headers = {name: answer.headers.get(name) for name in ("ETag", "Location", "Link")}
            zipped = zipfile.is_zipfile(io.BytesIO(answer.data))
            body = repr(members_of(answer.data)).encode() if zipped else plain(answer.data)
            if body != answer.data:
                headers["ETag"] = None
            return answer.status_code, headers, body

    def rules(self):
        for rule in self.app.url_map.iter_rules():
            if "GET" in rule.methods and not rule.rule.strip("/").startswith(_NOT_RECORDS):
                yield rule

    def addresses(self, ids, queries, *, seed=1, most=2, short=False):
        """Addresses of every route, with arguments and queries that might mean something to it.

        Of what answers, and of what does not, up to `most` of each route are drawn; of each
        kind of query one that the route understands. `short` leaves out files and half the kinds.
        """
        rng = np.random.default_rng(seed)
        values = [*ids, *_WORDS, *SPECIES.index]
        for rule in self.rules():
            names = sorted(rule.arguments - self._whole(rule))
            if short and (rule.rule.endswith("/file") or len(names) > 1):
                continue  # forms of files have tests of their own
            rows = [rng.permutation(values)[: len(names)] for _ in range(30 if names else 1)]
            if names:
                rows += [[str(value)] for value in values] if len(names) == 1 else []
            with self.app.test_request_context():
                made = [self._address(rule, dict(zip(names, row, strict=True))) for row in rows]
            known = list(dict.fromkeys(filter(None, made)))
            taken, silent = [], []
            for address in [known[k] for k in rng.permutation(len(known))]:
                if len(taken) >= most:
                    break
                answers = self.get(address)[0] < 400
                (taken if answers else silent).append(address)
            yield from taken
            yield from silent[:1]
            if rule.rule.endswith("/file"):
                continue  # takes a second each time; files of parts have a test of their own
            # Place and time are asked of every route, four of the other kinds by chance.
            others = [kind for kind in queries if kind not in ("bbox", "since", "datetime")]
            kinds = ["bbox", "since"] if short else ["bbox", "since", "datetime"]
            for kind in [*kinds, *rng.choice(others, 0 if short else 4, replace=False)]:
                asked = queries[kind]
                address = str(rng.choice(taken or known))
                query = asked[rng.integers(len(asked))]
                status = self.get(f"{address}?{query}")[0]
                if status != 400 or kind == "wrong":
                    yield f"{address}?{query}"
                if status == 200 and kind == "bbox" and "geojson" in self._types[address]:
                    yield from (f"{address}?{one}" for one in asked[:4])

    @staticmethod
    def _whole(rule):
        """Arguments that are whole numbers: no word would do, and 0 is in every range."""
        kinds = rule._converters.items()
        return {name for name, kind in kinds if isinstance(kind, IntegerConverter)}

    @staticmethod
    def _address(rule, values):
        from flask import url_for
        from werkzeug.routing import BuildError

        try:
            return url_for(rule.endpoint, **values | dict.fromkeys(Public._whole(rule), 0))
        except (BuildError, ValueError):
            return None


def degrees(xy):
    """Longitude and latitude of positions in the store's CRS."""
    to_degrees = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    return np.column_stack(to_degrees.transform(*np.atleast_2d(xy).T))


def queries_around(plans, seed, count):
    """Boxes, days and species that would tell, around the true places of all twins."""
    rng = np.random.default_rng(seed)
    boxes, days = [], []
    for plan in plans:
        hidden = plan.take(plan.steps() > 0).placements
        for row in hidden.iloc[rng.permutation(len(hidden))[:count]].itertuples():
            reach = rng.uniform(5, 800)
            (west, south), (east, north) = degrees(
                [[row.x - reach, row.y - reach], [row.x + reach, row.y + reach]]
            )
            boxes.append(urlencode({"bbox": f"{west:.6f},{south:.6f},{east:.6f},{north:.6f}"}))
            day = row.set_at.date()
            days.append(day)
    return {
        "bbox": boxes,
        "since": [urlencode({"since": day, "until": day}) for day in days[:3]],
        "datetime": [f"datetime={day}T00:00:00Z/{day}T23:59:59Z" for day in days[:3]],
        "species": [urlencode({"species": name}) for name in SPECIES.index],
        "method": ["method=kick_net"],
        "survey": ["survey=RIVERA"],
        "site": ["site=Site+001"],
        "catchment": ["catchment=SMALL0", "catchment=HALF0"],
        "hours": [f"hours={name}" for name in ("day", "night", "overnight")],
        "stream": ["stream=Beck"],
        "upstream_of": ["upstream_of=R00-06:500", "upstream_of=R03-11"],
        "downstream_of": ["downstream_of=R00-06:500"],
        "able_to_find": [urlencode({"able_to_find": name}) for name in SPECIES.index],
        "unit": ["unit=site"],
        "limit": ["limit=3"],
        "f": ["f=html", "f=json"],
        "wrong": ["survey=SECRET"],
    }


def stores_of(tmp_path, seed, n=60):
    """Twin stores, each with its view, and the two plans."""
    plan = random_plan(seed, n, shares=[0.62, 0.16, 0.12, 0.06, 0.04])
    other = twin(plan, seed + 100)
    views = [
        Public(make_store(tmp_path / f"{name}.gpkg", some))
        for name, some in (("one", plan), ("two", other))
    ]
    for view in views:
        view.store.put_background(GROUND, [Tile(0, 0, 0, png(RED))], {0: 256}, who="test")
    return plan, other, views


def ids_of(plan, store):
    """Ids that somebody might try: hidden, exact, public and none at all."""
    steps = plan.steps()
    hidden = plan.placements.index[steps > 0][:3].tolist()
    exact = plan.placements.index[steps == 0][:2].tolist()
    covers = store.public_records(Selection())[1]
    shown = [covers.query(f"step_km == {step}")["public_id"].tolist()[:2] for step in (0, 1, 10)]
    return [*hidden, *exact, *itertools.chain(*shown), "none", "Site 001", "TRAP-9999"]


@pytest.fixture(scope="module")
def twins(tmp_path_factory):
    plan, other, views = stores_of(tmp_path_factory.mktemp("twins"), 25, 45)
    yield plan, other, views
    for view in views:
        view.store.close()


def asked_of(twins):
    """What is asked of the twins: the same in every test, so that each is answered once."""
    plan, other, (one, _) = twins
    return [*one.addresses(ids_of(plan, one.store), queries_around([plan, other], 1, 3))]


def test_plans_differ_where_they_should(twins):
    """The twins hold every step, neighbours of each, and their hidden places lie far apart."""
    plan, other, _ = twins
    steps, own = plan.steps(), plan.own_steps()
    assert set(own) == {0, 1, 10, 50, 1000}
    assert set(steps[own == 0]) == {0, 1, 10, 50}
    assert (steps == 0).sum() > 10
    there = other.placements.loc[plan.placements.index, ["x", "y"]]
    moved = np.hypot(*(plan.placements[["x", "y"]] - there).to_numpy().T)
    assert (moved[steps == 0] == 0).all()
    assert np.median(moved[steps == 1]) > 100
    assert np.median(moved[steps == 10]) > 1_000


def test_every_route_answers_twins_alike(twins):
    """No page, feed or picture tells twins apart, whatever it is asked."""
    _, _, (one, two) = twins
    addresses = asked_of(twins)
    for address in addresses:
        first, second = one.get(address), two.get(address)
        assert first[0] == second[0], address
        assert first[2] == second[2], address
        assert first[1] == second[1], address
    assert len(addresses) > 60
    assert "/background/HALF0/0/0/0" in [address.split("?")[0] for address in addresses]


def test_the_comparison_can_see_a_leak(twins):
    """Through a member's eyes the same twins are told apart: the test above is no empty one."""
    plan, other, views = twins
    one, two = (Public(view.store, Viewer("m", "member")) for view in views)
    asked = queries_around([plan, other], 1, 1)
    addresses = one.addresses(ids_of(plan, one.store), asked, most=1, short=True)
    telling = set()
    for address in addresses:
        if one.get(address)[2] != two.get(address)[2]:
            telling.add(address.split("?")[0])
        if "/placements.geojson" in telling and len(telling) > 3:
            return
    pytest.fail(f"only {telling} tell the twins apart")


def test_no_route_says_private_words(twins):
    """Stored ids, site ids, notes, crews and exact coordinates of hidden records are in no body."""
    plan, _, (one, _) = twins
    hidden = plan.take(plan.steps() > 0).placements
    places = degrees(hidden[["x", "y"]].to_numpy())
    words = {
        *plan.placements.index, *plan.placements["notes"], *plan.placements["crew"],
        *plan.placements["site"], "PERMIT-77", "Leader", "Pool at",
        *(f"{number:.7f}"[:-1] for number in places.ravel()),  # a tenth of a metre
        *(f"{number:.1f}" for number in hidden[["x", "y"]].to_numpy().ravel()),
    }  # fmt: skip
    # The network is public: a number that one of its vertices has by chance tells nothing.
    ground = degrees(drawn_reaches().get_coordinates().to_numpy())
    words -= {f"{number:.7f}"[:-1] for number in ground.ravel()}
    pattern = re.compile("|".join(re.escape(word) for word in words).encode())
    for address in asked_of(twins):
        found = pattern.search(one.get(address)[2])
        said = found[0].decode() if found else ""
        assert not found or said in unquote_plus(address), (address, said)


def test_hidden_ids_answer_as_missing_ones(twins):
    """A stored id, and one that never was, differ in the answer by the id alone."""
    plan, _, (one, _) = twins
    stored = plan.placements.index[0]
    missing = "TRAP-9998"
    for rule in one.rules():
        if not rule.arguments:
            continue
        for others in (("placements", "json"), ("detections", "csv"), ("x", "placements")):
            values = dict(zip(sorted(rule.arguments), others, strict=False))
            for name in rule.arguments:
                with one.app.test_request_context():
                    first, second = (
                        one._address(rule, values | {name: held}) for held in (stored, missing)
                    )
                if first is None or second is None:
                    continue
                mine, none = one.get(first), one.get(second)
                swapped = mine[2].replace(stored.encode(), missing.encode())
                assert (mine[0], swapped) == (none[0], none[2]), first


def test_small_boxes_meet_cells_at_their_centre_only(twins):
    """Many small boxes laid over a cell: those that show its record hold the cell's centre."""
    _, _, (one, _) = twins
    shown = gpd.read_file(io.BytesIO(one.client.get("/placements.geojson").data)).to_crs(CRS)
    covered = shown[shown["generalised_km"] == 1]
    assert len(covered)
    centre = covered.geometry.iloc[0]
    low = np.array([centre.x, centre.y]) - 500
    hits = 0
    for i, j in itertools.product(range(6), range(6)):
        corner = low + np.array([i, j]) * 1_000 / 6
        (west, south), (east, north) = degrees([corner, corner + 1_000 / 6])
        box = f"{west:.7f},{south:.7f},{east:.7f},{north:.7f}"
        answer = one.client.get(f"/placements.geojson?bbox={box}").get_json(force=True)
        for feature in answer["features"]:
            x, y = feature["geometry"]["coordinates"]
            assert west - 1e-6 <= x <= east + 1e-6
            assert south - 1e-6 <= y <= north + 1e-6
            hits += feature["id"] in set(covered["id"])
    assert hits <= 4 * len(covered)  # a centre on a seam meets four boxes at most


def test_adding_a_sensitive_record_shows_its_cell_alone(tmp_path):
    """Exports before and after: twins whose new records differ only within their cells change
    alike; a record added to a place known before does not single it out."""
    plan = random_plan(8, 60, shares=[0.55, 0.2, 0.15, 0.05, 0.05])
    other = twin(plan, 9, neighbours=False)
    views = [Public(make_store(tmp_path / f"{k}.gpkg", some.take(some.own_steps() == 0)))
             for k, some in enumerate((plan, other))]  # fmt: skip
    one, two = views
    addresses = [*one.addresses(["none"], queries_around([plan, other], 3, 2), most=1, short=True)]
    before = {address: one.get(address) for address in addresses}
    assert before == {address: two.get(address) for address in addresses}
    for view, some in zip(views, (plan, other), strict=True):
        add_plan(view.store, some.take(some.own_steps() > 0), "b.csv")
    after = {address: one.get(address) for address in addresses}
    assert after == {address: two.get(address) for address in addresses}
    assert after != before
    for view in views:
        view.store.close()


def test_withheld_records_leave_no_trace_in_a_closed_cell(tmp_path):
    """Withheld records close their 10 km cell, where nothing else tells of them: a further one
    changes no answer at all."""
    plan = random_plan(14, 50, shares=[0.7, 0.1, 0.1, 0.0, 0.1])
    withheld = np.flatnonzero(plan.own_steps() == WITHHELD)
    assert len(withheld) > 1
    gone = np.isin(np.arange(len(plan.placements)), withheld[1:])
    first = plan.take(~gone)
    assert (first.steps() == plan.steps()[~gone]).all()  # the first one closes their cell
    view = Public(make_store(tmp_path / "w.gpkg", first))
    addresses = [*view.addresses(["none"], queries_around([plan], 5, 2), most=1, short=True)]
    before = {address: view.get(address) for address in addresses}
    add_plan(view.store, plan.take(gone), "b.csv")
    assert before == {address: view.get(address) for address in addresses}
    view.store.close()


def test_a_species_filter_does_not_change_which_places_are_exact(twins):
    """Asked species by species, each placement is as exact or as covered as when asked for all."""
    _, _, (one, _) = twins
    whole = one.client.get("/placements.geojson").get_json(force=True)["features"]
    steps = {f["id"]: (f["geometry"], f["properties"]["generalised_km"]) for f in whole}
    for name in SPECIES.index:
        answer = one.client.get(f"/placements.geojson?species={quote(name)}").get_json(force=True)
        seen = {
            f["id"]: (f["geometry"], f["properties"]["generalised_km"]) for f in answer["features"]
        }
        assert seen == steps


# Files --------------------------------------------------------------------------------------
def folder_or_file(path):
    if path.is_dir():
        return {p.name: members_of(p.read_bytes()) for p in sorted(path.rglob("*")) if p.is_file()}
    return members_of(path.read_bytes())


@pytest.mark.parametrize("form", FORMS)
def test_every_public_file_is_alike_for_twins(twins, tmp_path, form):
    """No file for the public tells twins apart, or holds a private word."""
    plan, _, views = twins
    asked = HandOver(Selection(), form)
    written = []
    for k, view in enumerate(views):
        path = tmp_path / str(k) / f"out.{form}"
        path.parent.mkdir()
        write_hand_over(view.store, path, asked)
        written.append(folder_or_file(path))
    assert written[0] == written[1]
    said = repr(written[0])
    for word in [*plan.placements.index, *plan.placements["notes"], *plan.placements["crew"],
                 *plan.placements["site"], "PERMIT-77", "Misgurnus fossilis caught"]:  # fmt: skip
        assert word not in said
    precise = tmp_path / f"precise.{form}"
    write_hand_over(views[0].store, precise, replace(asked, audience="precise"))
    assert plan.placements.index[0] in repr(folder_or_file(precise))


def test_files_of_parts_are_alike_for_twins(twins, tmp_path):
    """Choosing by date, survey, species or catchment is done on what the public sees."""
    plan, _, views = twins
    day = plan.take(plan.steps() == 1).placements["set_at"].iloc[0].date()
    choices = [
        Selection(since=day, until=day),
        Selection(species=("Anguilla anguilla",), catchments=("SMALL0", "SMALL1")),
        Selection(hours=("night", "overnight"), upstream_of="R00-06:500"),
    ]
    for number, selection in enumerate(choices):
        written = []
        for k, view in enumerate(views):
            path = tmp_path / f"{number}-{k}.zip"
            write_hand_over(view.store, path, HandOver(selection, "csv"))
            written.append(folder_or_file(path))
        assert written[0] == written[1], selection


# The invented island ------------------------------------------------------------------------
def test_demo_island_keeps_its_sensitive_places(tmp_path):
    """Every sensitive record of the demonstration: what the public sees of it is its cell."""
    from service.access import open_records
    from service.commands.demo_store import build_demo
    from service.records import LOCAL_KEEPER
    from service.store import open_store

    with closing(open_store(build_demo(tmp_path, tell=lambda _: None))) as store:
        exact = open_records(store, Selection(), LOCAL_KEEPER)
        stored, covers = store.public_records(Selection())
        seen = open_records(store, Selection(), PUBLIC)
        listed = store.species()
        hidden = covers[covers["step_km"] > 0]
        assert len(hidden) > 30
        xy = exact.placements.loc[hidden.index].get_coordinates().to_numpy()
        centres = seen.placements.loc[hidden["public_id"]].get_coordinates().to_numpy()
        half = hidden["step_km"].to_numpy()[:, None] * 500.0
        assert (np.abs(xy - centres) <= half).all()
        assert np.allclose(np.mod(centres, 2 * half), half)
        # Sensitive all the year round: never at an exact place.
        always = listed.index[
            (listed["sensitivity"].fillna("none") != "none") & listed["sensitive_from"].isna()
        ]
        shown = seen.catches[seen.catches["species"].isin(always)]
        steps = seen.placements["generalised_km"].reindex(shown["placement_id"]).to_numpy()
        asked = pd.to_numeric(listed["sensitivity"].reindex(shown["species"]), errors="coerce")
        assert len(shown) > 20
        assert (steps >= asked.to_numpy()).all()  # also false for what is withheld
        view = Public(store)
        names = "|".join(map(re.escape, stored.placements.index))
        for rule in view.rules():
            if not rule.arguments:
                with view.app.test_request_context():
                    address = view._address(rule, {})
                assert not re.search(names.encode(), view.get(address)[2]), address


def test_cells_are_what_the_steps_say():
    """The twins move records within cells of the sides that the steps name."""
    assert SIDE_M == {1: 1_000.0, 10: 10_000.0, 50: 50_000.0, WITHHELD: 10_000.0}


# Changing -----------------------------------------------------------------------------------
@pytest.mark.parametrize("role", ["public", "viewer", "member"])
def test_no_route_changes_records_for_who_may_not_edit(twins, role):
    """Whatever is sent to a route that changes something: no write, and no unforeseen error."""
    plan, _, (one, _) = twins
    view = Public(one.store, Viewer("x", role))
    before = view.store.version
    tried = 0
    for rule in view.app.url_map.iter_rules():
        for method in rule.methods - {"GET", "HEAD", "OPTIONS"}:
            for value in (plan.placements.index[0], "1", "placements"):
                with view.app.test_request_context():
                    address = view._address(rule, dict.fromkeys(rule.arguments, value))
                if address is None or address in ("/login", "/logout", "/as-public"):
                    continue
                form = {"placement_id": "NEW-1", "method": "kick_net", "outcome": "nil"}
                with view.client.open(address, method=method, data=form) as answer:
                    assert answer.status_code in (400, 401, 403, 404, 405), (method, address)
                tried += 1
    assert view.store.version == before
    assert tried
