"""A day on the water: six traps in the evening, a walk with a spotlight, lifted in the morning.

On a phone of 360 by 740 points without a connection; every tap is counted and the counts printed.
"""

import pytest

from service.access.accounts import add_account
from service.intake.importing import take
from service.intake.placement_form import Form, check_form, form_of_placement
from service.records import LOCAL_KEEPER, Selection
from service.store import open_store
from tests.browser.conftest import ARGUMENTS, CHROMIUM, arrived, served
from tests.intake_sheets import CATCHES, PLACEMENTS, cells, checked, make_store

SHEET = PLACEMENTS.replace("nil", "caught")
FISH = CATCHES + "P2,Cottus gobio,1,exact,,released\n"  # so that bullheads are caught most
READY = "#entry[data-ready=yes]"
# Where traps stand along the brook of the test's store, and a walk beside it.
TRAPS = [(52.6035 + 0.0003 * k, -11.2128) for k in range(6)]
WALK = [(52.6030 + 0.0001 * k, -11.2128) for k in range(5)]
EVENING, NIGHT, MORNING = "2025-06-10T20:30", "2025-06-10T23:50", "2025-06-11T06:40"


@pytest.fixture
def brook(tmp_path):
    """Address and path of a store of one brook, whose survey caught stone loach and bullhead."""
    path = tmp_path / "brook.gpkg"
    store = make_store(path)
    take(checked(store, cells(SHEET), cells(FISH)), store, "tester")
    store.close()
    with served(open_store(path)) as address:
        yield address, path


def _position(place):
    return {"latitude": place[0], "longitude": place[1], "accuracy": 6}


class Phone:
    """A phone whose browser can be restarted; it counts its taps."""

    def __init__(self, kind, profile, address):
        self.kind, self.profile, self.address = kind, profile, address
        self.taps, self.troubles = 0, []
        self.place = TRAPS[0]

    def start(self, at, *, offline=False):
        """Start the browser at a time of the brook's zone, in which it is summer."""
        self.context = self.kind.launch_persistent_context(
            str(self.profile), executable_path=CHROMIUM, args=ARGUMENTS, has_touch=True,
            viewport={"width": 360, "height": 740}, permissions=["geolocation"],
            timezone_id="Europe/Dublin",
        )  # fmt: skip
        self.context.set_default_timeout(15_000)
        self.context.set_offline(offline)
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.troubles.append(str(error)))
        self.here(self.place)
        self.page.clock.install(time=f"{at}:00+01:00")
        self.open()

    def open(self):
        self.page.goto(f"{self.address}/placements/new")
        self.page.wait_for_selector(READY)

    def restart(self, at, *, offline=True):
        self.context.close()
        self.start(at, offline=offline)

    def here(self, place):
        self.place = place
        self.context.set_geolocation(_position(place))

    def tap(self, locator):
        locator.tap()
        self.taps += 1

    def button(self, name):
        self.tap(self.page.get_by_role("button", name=name, exact=True))

    def choice(self, name, value):
        self.tap(self.page.locator(f"label:has(input[name={name}][value={value}])"))

    def located(self, place):
        self.here(place)
        self.button("Use my position")
        self.page.get_by_text("Position taken").wait_for()

    def set(self, place):
        self.located(place)
        self.button("Set: in the water")
        self.page.locator("#state", has_text="is in the water").wait_for()

    def lift(self, number):
        if not self.page.locator("#standing[open]").count():
            self.tap(self.page.locator("#standing summary"))
        self.button(f"Lift {number}")
        self.page.locator("#lifting-line", has_text=number).wait_for()

    def standing(self):
        return self.page.locator("#standing-list li").all_text_contents()


@pytest.fixture
def phone(chromium, tmp_path, brook):
    """The phone has the form at hand: it was opened once with a connection."""
    own = Phone(chromium.browser_type, tmp_path / "profile", brook[0])
    own.start(EVENING)
    own.page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    own.page.reload()
    own.page.wait_for_selector(READY)
    yield own
    own.context.close()
    assert not own.troubles


def records(path):
    store = open_store(path, read_only=True)
    found, gear = store.records(Selection(surveys=("S24",))), store.in_the_water()
    entries = [entry.key for entry in store.history("placement") if entry.who == LOCAL_KEEPER.name]
    store.close()
    return found, gear, entries


def test_six_traps_a_walk_and_the_morning(phone, brook):
    """Everything is stored once, with the right times and the flags of the server."""
    path = brook[1]
    page = phone.page
    phone.context.set_offline(True)
    phone.button("S24")
    phone.choice("method", "minnow_trap")
    phone.set(TRAPS[0])
    assert phone.taps <= 4
    print(f"\ntaps from opening the page to a trap set: {phone.taps}")
    for place in TRAPS[1:]:
        phone.button("Same again")
        phone.set(place)
    print(f"taps for a line of six traps: {phone.taps}")
    assert phone.taps < 40
    assert len(phone.standing()) == 6
    page.reload()
    page.wait_for_selector(READY)
    assert len(phone.standing()) == 6

    phone.restart(NIGHT)
    assert len(phone.standing()) == 6
    page = phone.page
    phone.choice("method", "spotlight")
    phone.choice("shape", "track")
    page.locator("[data-now=set_at]").tap()
    page.evaluate(
        "() => { navigator.geolocation.watchPosition = (moved) => { window.moved = moved; }; }"
    )
    phone.button("Record my way")
    for latitude, longitude in WALK:
        position = {"latitude": latitude, "longitude": longitude, "accuracy": 6}
        page.evaluate("(coords) => window.moved({ coords })", position)
    page.locator("#locate-state", has_text=f"Recording: {len(WALK)} points").wait_for()
    phone.button("Stop recording")
    page.locator("[data-now=lifted_at]").tap()
    page.locator("[name=minutes]").fill("20")
    page.locator("[name=placement_id]").fill("WALK")
    phone.button("One more Bullhead")
    phone.button("Save")
    page.get_by_text("WALK is kept on this device").wait_for()

    phone.restart(MORNING)
    page = phone.page
    names = [text.split(" Minnow")[0] for text in phone.standing()]
    assert len(names) == 6
    assert all("10 h" in text for text in phone.standing())
    before = phone.taps
    phone.lift(names[0])
    tiles = page.locator("#tiles .tile").all_text_contents()
    assert tiles[:2] == ["Bullhead +", "Stone loach +"]  # what this survey catches most
    for species, count in (("Bullhead", 3), ("Stone loach", 2)):
        for _ in range(count):
            phone.button(f"One more {species}")
    phone.button("Save")
    page.get_by_text(f"{names[0]} is kept on this device").wait_for()
    print(f"taps to lift a trap with two species, five fish: {phone.taps - before}")
    assert phone.taps - before <= 12
    for name, outcome in zip(
        names[1:], ("nil", "lost", "caught", "disturbed", "caught"), strict=True
    ):
        phone.lift(name)
        if outcome == "caught":
            phone.button("One more Stone loach")
        else:
            phone.choice("outcome", outcome)
        phone.tap(page.locator("#save"))
        page.get_by_text(f"{name} is kept on this device").wait_for()
    print(f"taps of the whole day: {phone.taps}")
    assert page.locator("#standing").is_hidden()
    page.reload()
    page.wait_for_selector(READY)

    phone.context.set_offline(False)
    page.locator("#state", has_text="Sent:").wait_for()
    page.wait_for_function(
        "() => import('/static/entry_drafts.js').then((own) => own.all())"
        ".then((all) => all.filter((one) => one.status === 'sent').length === 7)"
    )
    found, gear, entries = records(path)
    assert gear.empty
    assert sorted(entries) == sorted([*names, "WALK"])  # each stored once, and never changed
    placed = found.placements
    assert placed.loc[names, "outcome"].tolist() == [
        "caught", "nil", "lost", "caught", "disturbed", "caught",
    ]  # fmt: skip
    dublin = placed["set_at"].dt.tz_convert("Europe/Dublin")
    assert set(dublin[names].dt.strftime("%Y-%m-%d %H")) == {"2025-06-10 20"}
    lifted = placed.loc[names, "lifted_at"].dt.tz_convert("Europe/Dublin")
    assert set(lifted.dt.strftime("%Y-%m-%d %H")) == {"2025-06-11 06"}
    assert placed.loc[names].geometry.is_valid.all()
    assert placed.loc[names].geometry.nunique() == 6
    assert found.catches.query("placement_id == @names[0]")["count"].tolist() == [3, 2]
    assert placed.loc["WALK", "shape_kind"] == "track"
    assert len(placed.loc["WALK", "shape"].coords) == len(WALK)
    store = open_store(path, read_only=True)
    sent = dict(list(found.flags.groupby("placement_id")["code"]))
    for name in [*names, "WALK"]:
        form = _form(store, name)
        again = check_form(form, store)
        assert sorted(again.flagged["code"]) == sorted(sent.get(name, [])), name
    store.close()


def _form(store, name):
    form = form_of_placement(store, name, LOCAL_KEEPER)
    number = f"{name}-again"  # a placement that is stored as it is would not be flagged anew
    return Form(
        form.placement | {"placement_id": number}, form.catches, form.lengths,
        nothing_caught=form.nothing_caught,
    )  # fmt: skip


def test_gear_set_online_is_lifted_on_another_device(phone, brook, chromium):
    """The list of the service has it; the first device learns that it was lifted."""
    address, path = brook
    phone.button("S24")
    phone.choice("method", "fyke_net")
    phone.set(TRAPS[0])
    phone.page.locator("#state", has_text="Sent:").wait_for()
    name = records(path)[1].index[0]
    other = chromium.new_context().new_page()
    other.goto(f"{address}/in-the-water")
    other.get_by_text("Overdue").wait_for()  # it is 2025 on the phone alone
    other.get_by_role("link", name="Lift").click()
    other.locator("#lifting-line", has_text=name).wait_for()
    other.locator("label:has(input[name=outcome][value=lost])").click()
    other.locator("#save").click()
    other.get_by_role("button", name="Save with these remarks").click()
    other.locator("#state", has_text="Stored:").wait_for()
    assert records(path)[0].placements.loc[name, "outcome"] == "lost"
    phone.open()
    phone.page.wait_for_function("() => document.getElementById('standing').hidden")
    other.context.close()


def test_gear_set_while_the_list_is_under_way_stays(phone):
    """A list that the service wrote before the gear was set takes none of it from the device."""
    page, late = phone.page, []
    page.route("**/entry/in-the-water", lambda route: late.append(route), times=1)  # noqa: PLW0108
    page.reload()
    page.wait_for_selector(READY)
    arrived(page, late)
    phone.button("S24")
    phone.choice("method", "fyke_net")
    with page.expect_response("**/entry/in-the-water"):  # the list after it was sent
        phone.set(TRAPS[0])
    with page.expect_event("requestfinished", lambda one: "in-the-water" in one.url):
        late[0].fulfill(json=[])
    kept = page.evaluate(
        """fetch("/healthz").then((answer) => answer.text())
             .then(() => import("/static/entry_drafts.js"))
             .then((own) => own.all()).then((all) => all.map((one) => one.status))"""
    )
    assert kept.count("standing") == 1
    assert len(phone.standing()) == 1


def test_what_is_in_the_water_opens_without_a_connection(phone):
    """The page of the service leads to the form, which lists what this device has."""
    phone.context.set_offline(True)
    phone.button("S24")
    phone.choice("method", "fyke_net")
    phone.set(TRAPS[0])
    phone.page.goto(f"{phone.address}/in-the-water")
    phone.page.wait_for_selector(READY)
    phone.page.locator("#standing-list li").first.wait_for(state="attached")
    assert len(phone.standing()) == 1


def test_a_full_device_is_said_before_anything_is_lost(phone):
    """Short of room it is said at once; and what does not fit stays on the page."""
    page = phone.page
    page.add_init_script(
        "navigator.storage.estimate = () => Promise.resolve({ quota: 60e6, usage: 55e6 })"
    )
    page.reload()
    page.wait_for_selector(READY)
    page.locator("#storage", has_text="room for about").wait_for()
    phone.button("S24")
    phone.choice("method", "minnow_trap")
    phone.located(TRAPS[0])
    page.evaluate(
        "() => { IDBObjectStore.prototype.put = () => {"
        " throw new DOMException('no room', 'QuotaExceededError'); }; }"
    )
    phone.button("Set: in the water")
    page.locator("#state.trouble").wait_for()
    assert page.locator("[name=latitude]").input_value() == str(TRAPS[0][0])
    page.reload()  # the mirror has it
    page.wait_for_selector(READY)
    assert page.locator("[name=latitude]").input_value() == str(TRAPS[0][0])
    phone.button("Set: in the water")
    page.locator("#state", has_text="is in the water").wait_for()


def test_a_session_that_ended_loses_nothing(chromium, tmp_path):
    """What is entered waits; after a login it is sent, and the work goes on."""
    path = tmp_path / "brook.gpkg"
    store = make_store(path)
    take(checked(store, cells(SHEET), cells(FISH)), store, "tester")
    add_account(store, "crew", "editor", "a long enough word", who="keeper")
    with served(store) as address:
        own = Phone(chromium.browser_type, tmp_path / "profile", address)
        own.open = lambda: (
            own.page.goto(f"{address}/login?next=/placements/new"),
            log_in(own.page),
        )
        own.start(EVENING)
        own.context.clear_cookies()
        own.button("S24")
        own.choice("method", "minnow_trap")
        own.set(TRAPS[0])
        own.page.locator("#session", has_text="Your session has ended").wait_for()
        own.page.get_by_role("link", name="log in again").click()
        log_in(own.page)
        own.page.locator("#state", has_text="Sent:").wait_for()
        assert len(store.in_the_water()) == 1
        assert store.in_the_water()["who"].tolist() == ["crew"]
        own.context.close()
        assert not own.troubles


def log_in(page):
    page.locator("[name=name]").fill("crew")
    page.locator("[name=password]").fill("a long enough word")
    page.locator("main button[type=submit]").click()
    page.wait_for_selector(READY)


def test_the_whole_form_of_a_trap_is_three_screens(phone):
    """At 360 by 740 points, the cautions read; and every target is 44 points high or more."""
    page = phone.page
    phone.button("S24")
    phone.choice("method", "minnow_trap")
    assert "Reminders only" in page.locator("#cautions").inner_text()
    phone.button("Read")
    height, width = page.evaluate(
        "[document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
    )
    print(f"\nheight of the form of a minnow trap at 360 x 740: {height}")
    assert height <= 3 * 740
    assert width <= 360
    small = page.evaluate(
        """() => [...document.querySelectorAll(
             "#entry button, #entry summary, #entry select, #entry input, #entry textarea")]
           .map((one) => one.closest(".choices label") || one)
           .filter((one) => one.offsetParent && one.closest(".leaflet-control") === null)
           .map((one) => [one.id || one.textContent.trim().slice(0, 30), one.offsetHeight])
           .filter(([, height]) => height < 44)"""
    )
    assert small == []
    order = page.evaluate(
        """() => ["[name=survey]", "[name=method]", "#locate", "#cautions", "#map"].map((one) =>
             document.querySelector(one).getBoundingClientRect().top)"""
    )
    assert order == sorted(order)
    page.reload()
    page.wait_for_selector(READY)
    assert not page.locator("#cautions").evaluate("(one) => one.open")  # once a day
    assert page.locator("#cautions summary").is_visible()
