"""Entry at the stream: on a phone, without a connection, once; and nothing typed is lost."""

import json
import urllib.request

import pytest
from playwright.sync_api import expect

from service.store import open_store
from tests.browser.conftest import arrived, served
from tests.intake_sheets import make_store
from tests.small_store import NASTY

READY = "#entry[data-ready=yes]"
PHONE = {"width": 390, "height": 844}


@pytest.fixture
def brook(tmp_path):
    """Address of a store of one brook, and its path."""
    path = tmp_path / "brook.gpkg"
    make_store(path).close()
    with served(open_store(path)) as address:
        yield address, path


def stored(address):
    with urllib.request.urlopen(f"{address}/placements.geojson") as answer:
        return {one["id"]: one["properties"] for one in json.load(answer)["features"]}


def choose(page, name, value):
    page.locator(f"label:has(input[name={name}][value={value}])").click()


def fill(page, name="N1", survey="S24", latitude="52.6035", longitude="-11.2128"):
    """Enter a kick net with three bullheads."""
    choose(page, "method", "kick_net")
    page.locator("#typed").evaluate("(one) => { one.open = true; }")
    page.locator("[name=latitude]").fill(latitude)
    page.locator("[name=longitude]").fill(longitude)
    page.locator("#set_at").fill("2025-05-02T11:00")
    page.locator("#lifted_at").fill("2025-05-02T11:40")
    page.locator("[name=lifts]").fill("12")
    page.locator("[name=minutes]").fill("40")
    choose(page, "outcome", "caught")
    species = page.locator(".combo input").first
    species.fill("bul")
    page.get_by_role("option", name="Cottus gobio").click()
    for _ in range(3):
        page.get_by_role("button", name="One more, catch row 1").click()
    page.locator("[name=survey]").fill(survey)
    page.locator("[name=placement_id]").fill(name)


def save(page):
    """Save, also where there are remarks."""
    page.locator("#save").click()
    page.locator("#save:not(:disabled), .history").first.wait_for()
    again = page.get_by_role("button", name="Save with these remarks")
    if again.count():
        again.click()


def test_entered_on_a_phone(brook, open_page):
    """Fields follow the method, the reach is named, remarks come first, then it is stored."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", **PHONE, ready=READY)
    choose(page, "method", "electric_fishing")
    assert page.locator("[name=passes]").is_visible()
    assert page.get_by_role("group", name="Operator certificate on record").is_visible()
    assert "Electricity in water can kill" in page.locator("#cautions").inner_text()
    choose(page, "method", "minnow_trap")
    assert not page.locator("[name=passes]").is_visible()
    assert page.locator("[name=bait]").is_visible()
    fill(page)
    page.locator("#reach", has_text="reach R3").wait_for()
    assert "Long Brook" in page.locator("#reach").inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    save(page)
    page.get_by_text("Stored: N1").wait_for()
    held = stored(address)["N1"]
    assert held["catch"][0]["species"] == "Cottus gobio"
    assert held["individuals"] == 3
    assert held["reach_id"] == "R3"
    assert held["set_local"] == "2025-05-02 11:00"
    # The next one begins with the same survey and gear.
    assert page.locator("[name=survey]").input_value() == "S24"
    assert page.locator("[name=placement_id]").input_value() != "N1"


def test_position_of_the_device(brook, open_page):
    """The position and how far off it may be come from the device."""
    address, _ = brook
    page = open_page(
        f"{address}/placements/new", **PHONE, ready=READY, permissions=["geolocation"],
        geolocation={"latitude": 52.6035, "longitude": -11.2128, "accuracy": 7},
    )  # fmt: skip
    page.locator("#locate").click()
    page.locator("#reach", has_text="reach R3").wait_for()
    assert page.locator("[name=position_uncertainty_m]").input_value() == "7"
    page.locator("#map").click(position={"x": 150, "y": 70})
    expect(page.locator("[name=longitude]")).not_to_have_value("-11.2128")


def test_offline_then_online_is_stored_once(brook, open_page):
    """The form opens without a connection; what is saved then is sent later, and once."""
    address, path = brook
    page = open_page(f"{address}/placements/new", **PHONE, ready=READY)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()  # through the worker, which keeps the page
    page.wait_for_selector(READY)
    page.wait_for_load_state("networkidle")  # a request cut off is an error of the console
    page.context.set_offline(True)
    page.goto(f"{address}/placements/new")
    page.wait_for_selector(READY)
    fill(page, "OFF1")
    page.locator("#save").click()
    page.get_by_text("OFF1 is kept on this device").wait_for()
    assert "waits for a connection" in page.locator("#draft-list").text_content()
    page.context.set_offline(False)
    page.get_by_text("Sent: OFF1").wait_for()
    assert stored(address)["OFF1"]["individuals"] == 3
    # Sent again, as where the answer was lost on the way: nothing is added or changed.
    again = page.evaluate(
        """async () => {
          const drafts = await import("/static/entry_drafts.js");
          const own = (await drafts.all()).find((one) => one.status === "sent");
          await drafts.put({ ...own, status: "waiting" });
          const done = await drafts.sendAll();
          return done.map((one) => [one.status, one.told.outcome]);
        }"""
    )
    assert again == [["sent", "unchanged"]]
    store = open_store(path, read_only=True)
    assert len(store.history("placement", "OFF1")) == 1
    store.close()


def test_what_the_worker_sends_is_said(brook, open_page):
    """The worker behind the page may be the first to send; the page says what was sent."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", **PHONE, ready=READY)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()  # through the worker
    page.wait_for_selector(READY)
    page.evaluate("Object.defineProperty(navigator, 'onLine', { value: false })")  # the page alone
    fill(page, "BEHIND")
    page.locator("#save").click()
    page.get_by_text("Sent: BEHIND").wait_for()
    assert stored(address)["BEHIND"]["individuals"] == 3


def test_reload_keeps_what_was_typed(brook, open_page):
    """A reload in the midst of typing loses nothing."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", **PHONE, ready=READY)
    fill(page, "KEPT")
    page.locator("[name=notes]").press_sequentially("bank slumped below the ford", delay=1)
    page.reload()
    page.wait_for_selector(READY)
    assert page.locator("[name=notes]").input_value() == "bank slumped below the ford"
    assert page.locator("[name=placement_id]").input_value() == "KEPT"
    assert page.locator(".combo input").input_value() == "Cottus gobio"
    assert page.locator(".stepper input").input_value() == "3"
    assert page.locator("#set_at").input_value() == "2025-05-02T11:00"
    assert page.locator("input[name=method][value=kick_net]").is_checked()


def test_nothing_can_be_typed_where_it_would_be_lost(brook, chromium):
    """Until the script has opened a draft, and while what was entered is being saved."""
    page = opened(chromium, brook[0], wait=False)
    scripts, checked, saved = [], [], []
    page.route("**/static/entry.js", lambda route: scripts.append(route))  # noqa: PLW0108 - wanted so
    page.route("**/entry/check", lambda route: checked.append(route), times=1)  # noqa: PLW0108
    page.route("**/entry/save", lambda route: saved.append(route))  # noqa: PLW0108
    page.goto(f"{brook[0]}/placements/new", wait_until="commit")
    notes = page.locator("[name=notes]")
    arrived(page, scripts)
    assert not can_be_typed_in(notes)
    scripts[0].continue_()
    page.wait_for_selector(READY)
    fill(page, "SLOW")
    assert can_be_typed_in(notes)
    page.locator("#save").click()
    arrived(page, checked)
    assert not can_be_typed_in(notes)
    checked[0].continue_()
    page.get_by_role("button", name="Save with these remarks").click()
    arrived(page, saved)
    assert not can_be_typed_in(notes)
    saved[0].continue_()
    page.get_by_text("Stored: SLOW").wait_for()
    assert can_be_typed_in(notes)
    page.context.close()


def can_be_typed_in(field):
    """Whether a field takes the focus, which one that is inert does not."""
    return field.evaluate("(one) => { one.focus(); return document.activeElement === one; }")


def test_nothing_caught_is_one_tap(brook, open_page):
    """Nothing caught puts the catch rows aside, and saving says it once more."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", **PHONE, ready=None)
    page.wait_for_selector(READY)
    fill(page, "NIL1")
    choose(page, "outcome", "nil")
    assert not page.locator("#catch-part").is_visible()
    assert page.locator("#save").inner_text() == "Save: nothing caught"
    save(page)
    page.get_by_text("Stored: NIL1").wait_for()
    held = stored(address)["NIL1"]
    assert held["outcome"] == "nil"
    assert held["catch"] == []


def test_changed_by_two(brook, open_page):
    """Changes of two people are put together; only what both changed is asked about."""
    address, path = brook
    page = open_page(f"{address}/placements/new", ready=READY)
    fill(page, "TWO")
    save(page)
    page.get_by_text("Stored: TWO").wait_for()
    page.goto(f"{address}/placements/TWO/edit")
    page.wait_for_selector(READY)
    other = page.context.browser.new_context()
    second = other.new_page()
    second.goto(f"{address}/placements/TWO/edit")
    second.wait_for_selector(READY)
    for one in (page, second):
        one.locator("#conditions summary").click()
    page.locator("[name=crew]").fill("crew B")
    page.locator("[name=permit]").fill("P-1")
    save(page)
    page.wait_for_url("**/placements/TWO")
    second.locator("[name=notes]").fill("mine")
    second.locator("[name=crew]").fill("crew C")
    save(second)
    second.get_by_text("Somebody else changed the same meanwhile").wait_for()
    rows = second.locator("#findings tbody tr")
    assert [row.split() for row in rows.all_inner_texts()] == [["Crew", "crew", "B", "crew", "C"]]
    second.get_by_label("Crew, stored now").check()
    second.get_by_role("button", name="Save so").click()
    second.wait_for_url("**/placements/TWO")
    other.close()
    store = open_store(path, read_only=True)
    assert [entry.action for entry in store.history("placement", "TWO")] == ["change"] * 2 + ["add"]
    kept = store.document("TWO")
    assert (kept["notes"], kept["crew"], kept["permit"]) == ("mine", "crew B", "P-1")
    store.close()


def test_a_taken_number_gets_the_next_free_one(chromium, brook):
    """Another record under the number stays as it is; one tap gives the next free number."""
    address, path = brook
    page = opened(chromium, address)  # the console says 409, which is no fault
    fill(page, "N7")
    save(page)
    page.get_by_text("Stored: N7").wait_for()
    fill(page, "N7", latitude="52.6034")
    save(page)
    page.get_by_text("The number N7 is taken").wait_for()
    assert "Put mine" not in page.locator("#findings").inner_text()
    page.get_by_role("button", name="Give mine the next free number: N8").click()
    page.get_by_text("Stored: N8").wait_for()
    page.context.close()
    assert {"N7", "N8"} <= stored(address).keys()
    store = open_store(path, read_only=True)
    assert len(store.history("placement", "N7")) == 1
    store.close()


def test_script_in_every_field_does_not_run(brook, open_page):
    """Script typed into every text field shows as text, before and after saving."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", ready=READY)
    fill(page, f"X{NASTY}", survey=NASTY)
    page.locator("#conditions summary").click()
    for name in ("site", "crew", "permit", "notes", "stream_name"):
        page.locator(f"[name={name}]").fill(f"{NASTY}<img src=x onerror='window.ran=1'>")
    page.locator(".catch details summary").click()
    page.locator(".catch details input").fill(NASTY)
    save(page)
    page.get_by_text("Stored:").wait_for()
    page.locator("#state a").click()
    page.wait_for_selector(".history")
    assert page.evaluate("window.ran === undefined")
    page.locator("a.button", has_text="Change it").click()
    page.wait_for_selector(READY)
    assert page.locator("[name=survey]").input_value() == NASTY
    assert page.evaluate("window.ran === undefined")


def test_species_by_keyboard(brook, open_page):
    """A few letters, arrow, enter; Escape closes the list."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", ready=READY)
    choose(page, "outcome", "caught")
    field = page.locator(".combo input")
    field.press_sequentially("loach")
    assert field.get_attribute("aria-expanded") == "true"
    field.press("ArrowDown")
    field.press("Enter")
    assert field.input_value() == "Barbatula barbatula"
    field.fill("co go")
    field.press("Escape")
    assert field.get_attribute("aria-expanded") == "false"
    field.press("Tab")  # one species is left, so it is meant
    assert field.input_value() == "Cottus gobio"


def test_a_misspelt_species_is_offered_but_never_chosen_unasked(brook, open_page):
    """A slip of the pen leaves its word as it is until somebody picks what was meant."""
    address, _ = brook
    page = open_page(f"{address}/placements/new", ready=READY)
    choose(page, "outcome", "caught")
    field = page.locator(".combo input")
    field.press_sequentially("bulhaed")
    assert field.get_attribute("aria-expanded") == "false"
    field.fill("")
    field.press_sequentially("bulhead")
    assert page.locator(".combo [role=option]").all_inner_texts() == ["Bullhead Cottus gobio"]
    field.press("Tab")
    assert field.input_value() == "bulhead"
    field.fill("loch")
    field.press("ArrowDown")
    field.press("Enter")
    assert field.input_value() == "Barbatula barbatula"


@pytest.mark.parametrize("width", [1440, 390, 360])
def test_no_serious_findings_of_axe(brook, open_page, width):
    """axe-core finds nothing serious on the filled form, and it fits the screen."""
    from axe_playwright_python.sync_playwright import Axe

    address, _ = brook
    page = open_page(f"{address}/placements/new", width, 844, ready=READY)
    fill(page, "")
    page.locator("#check").click()
    page.locator("#findings").wait_for()
    found = Axe().run(page).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert not serious
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def opened(chromium, address, fault_in=None, wait=True):
    """A page in which things may go wrong; the fixture for all others takes none."""
    context = chromium.new_context(viewport=PHONE, service_workers="block")
    context.set_default_timeout(15_000)
    page = context.new_page()

    def put_fault(route):
        answer = route.fetch()
        assert fault_in in answer.text()
        faulty = answer.text().replace(fault_in, f"{fault_in} return undefined.status;")
        route.fulfill(response=answer, body=faulty)

    if fault_in:
        page.route("**/static/entry_drafts.js", put_fault)
    if wait:
        page.goto(f"{address}/placements/new")
        page.wait_for_selector(READY)
    return page


def test_a_fault_of_the_script_does_not_wait_for_a_connection(chromium, brook):
    """It would wait for ever; said at once, it can be mended, and the draft is still there."""
    address, _ = brook
    page = opened(chromium, address, fault_in="post(path, sheet, token) {")
    fill(page, "F1")
    page.locator("#save").click()
    page.locator("#state.trouble", has_text="undefined").wait_for()
    assert "kept on this device" in page.locator("#state").inner_text()
    assert page.evaluate(
        "import('/static/entry_drafts.js').then((own) => own.all())"
        ".then((all) => all.map((one) => one.status))"
    ) == ["draft"]
    page.context.close()


def test_a_page_of_the_network_does_not_pass_for_stored(chromium, brook):
    """A network that asks for a login answers everything with its own page, status 200."""
    address, _ = brook
    page = opened(chromium, address)
    fill(page, "P1")
    page.route("**/entry/save", lambda route: route.fulfill(body="<p>Log in</p>", status=200))
    save(page)
    page.get_by_text("P1 is kept on this device").wait_for()
    assert "P1" not in stored(address)
    page.context.close()


def test_buttons_of_the_map_leave_it_whole(brook, open_page):
    """On a phone two of them covered a third of it; they are as large to touch as others."""
    page = open_page(f"{brook[0]}/placements/new", **PHONE, ready=READY)
    whole = page.locator("#map").bounding_box()
    for words in ("Where am I", "Keep this area"):
        box = page.get_by_role("button", name=words).bounding_box()
        assert box["y"] >= whole["y"] + whole["height"]
        assert box["height"] >= 44
        assert whole["x"] <= box["x"]
        assert box["x"] + box["width"] <= whole["x"] + whole["width"] + 0.5
