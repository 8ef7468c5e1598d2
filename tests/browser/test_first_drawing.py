"""What a phone waits for: the size of the map page, and the time until its marks are drawn."""

import pytest

SMALL = {"width": 360, "height": 640}
# 150 kB the first time, a second of work on a processor four times as slow: our own bounds.
MOST_BYTES, MOST_SECONDS, SLOWER = 150_000, 1.0, 4


@pytest.fixture
def phone(chromium):
    context = chromium.new_context(viewport=SMALL)
    page = context.new_page()
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    sizes = []
    wire.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    yield page, wire, sizes
    context.close()


def drawn_after_s(page, address):
    page.goto(address)
    page.wait_for_selector(".folium-map[data-ready=yes]")
    page.wait_for_selector(".rb-mark")
    return page.evaluate("performance.getEntriesByName('rb-drawn')[0].startTime") / 1000


def worked_s(wire):
    """Processor time of the page's main thread so far, whatever else the machine does."""
    metrics = wire.send("Performance.getMetrics")["metrics"]
    return {one["name"]: one["value"] for one in metrics}["TaskDuration"]


def test_map_page_is_small_and_quick(island, phone, record_property):
    """The first visit fetches less than 150 kB, a later one far less; marks are drawn in time."""
    page, wire, sizes = phone
    page.goto(f"{island}/guide")  # the server has been started before a visitor comes
    worked = []
    for _ in range(3):
        fresh = page.context.new_page()
        own = page.context.new_cdp_session(fresh)
        own.send("Network.enable")
        own.send("Network.clearBrowserCache")
        own.send("Performance.enable", {"timeDomain": "threadTicks"})
        drawn_after_s(fresh, f"{island}/")
        worked.append(worked_s(own))
        fresh.close()
    assert min(worked) > 0.01  # a counter that was set back would say less
    wire.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    wire.send("Network.clearBrowserCache")
    sizes.clear()
    clock = drawn_after_s(page, f"{island}/")
    page.wait_for_load_state("networkidle")
    first, seconds = sum(sizes), SLOWER * min(worked)
    sizes.clear()
    drawn_after_s(page, f"{island}/")
    page.wait_for_load_state("networkidle")
    again = sum(sizes)
    figures = f"{first} B, then {again} B; {seconds:.2f} s of work, {clock:.2f} s by the clock"
    record_property("figures", figures)
    print(figures)
    assert first < MOST_BYTES
    assert again < MOST_BYTES / 3
    assert seconds < MOST_SECONDS


def test_scripts_are_stored_by_their_version(island, phone):
    """Each script and style of the map page has the hash of all in its address, for a year."""
    page, _, _ = phone
    answers = []
    page.on("response", lambda answer: answers.append(answer))  # noqa: PLW0108 - playwright wants one
    page.goto(f"{island}/")
    page.wait_for_selector(".folium-map[data-ready=yes]")
    fixed = [one for one in answers if one.request.resource_type in ("script", "stylesheet")]
    assert len(fixed) > 10
    for one in fixed:
        assert "/v/" in one.url
        assert "immutable" in one.headers["cache-control"]
        assert "max-age=31536000" in one.headers["cache-control"]
        assert one.headers.get("content-encoding") == "gzip" or len(one.body()) < 1_000
    assert "no-cache" in page.request.get(f"{island}/assets/view.js").headers["cache-control"]
    old = page.request.get(f"{island}/v/0123456789abcdef/assets/view.js")
    assert old.ok
    assert "no-cache" in old.headers["cache-control"]
