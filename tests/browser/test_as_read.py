"""Figures and days on pages are written as the reader's browser writes them."""

import pytest

# What is drawn, what programs read, and what was written on the server.
_WRITTEN = """(name) => [...document.querySelectorAll(name)].map((one) => ({
  text: one.textContent, value: one.value || one.dateTime, plain: one.dataset.written,
}))"""
_FIGURES = """([values, language]) => values.map((value) => Number(value).toLocaleString(language, {
  minimumFractionDigits: (value.split(".")[1] || "").length,
}))"""
# Runs after each part of the page has arrived and its other scripts have seen it, thus before it
# can be drawn: the most figures and days that stood there as the server wrote them. Of the last
# one the text may still be on the way.
_WATCHED = """
window.unwritten = [];
new MutationObserver(() => queueMicrotask(() => {
  const all = [...document.querySelectorAll("data[value], time[datetime]:not([data-local])")];
  window.unwritten.push(all.slice(0, -1).filter((one) => !("written" in one.dataset)).length);
})).observe(document, { childList: true, subtree: true });
"""


@pytest.mark.parametrize("language", ["de-DE", "en-GB"])
def test_figures_and_days_in_the_readers_own_way(island, open_page, language):
    """As ECMA-402 formats them: same value and decimals; none is drawn otherwise before."""
    page = open_page(f"{island}/catchments/C2", ready=None, locale=language, script=_WATCHED)
    figures, days = (page.evaluate(_WRITTEN, name) for name in ("data[value]", "time[datetime]"))
    assert len(figures) > 10
    assert len(days) > 10
    wanted = page.evaluate(_FIGURES, [[one["value"] for one in figures], language])
    assert [one["text"] for one in figures] == wanted
    assert {one["plain"].replace("\u202f", "") for one in figures} == {
        one["value"] for one in figures
    }
    assert {one["plain"] for one in days} == {one["value"] for one in days}
    first = days[0]["value"]
    month = {"de-DE": f"{first[8:]}.{first[5:7]}.{first[:4]}", "en-GB": first[:4]}[language]
    assert month in days[0]["text"]
    unwritten = page.evaluate("() => window.unwritten")
    assert unwritten
    assert max(unwritten) == 0


def test_without_scripts_and_in_forms_nothing_changes(island, chromium):
    """ISO 8601 and points, as before; fields keep what programs read."""
    context = chromium.new_context(locale="de-DE", java_script_enabled=False)
    context.set_default_timeout(15_000)
    page = context.new_page()
    page.goto(f"{island}/catchments/C2?since=2019-03-01")
    day = page.locator("time").first
    assert day.inner_text() == day.get_attribute("datetime")
    context.close()
    context = chromium.new_context(locale="de-DE")
    context.set_default_timeout(15_000)
    page = context.new_page()
    page.goto(f"{island}/catchments/C2?since=2019-03-01")
    assert page.locator("input[name=since]").input_value() == "2019-03-01"
    context.close()


def test_tables_sort_by_value(island, open_page):
    """Whatever a figure looks like; lengths of gaps from the shortest up."""
    page = open_page(f"{island}/coverage", ready=None, locale="de-DE")
    head = page.locator("thead button:visible", has_text="Length, km").first
    table = head.locator("xpath=ancestor::table")
    head.click()
    assert "," in table.locator("tbody data").first.inner_text()
    column = table.locator("thead th[aria-sort]").evaluate("head => head.cellIndex")
    values = table.locator("tbody tr").evaluate_all(
        "(rows, column) => rows.filter((row) => !row.classList.contains('total'))"
        ".map((row) => Number(row.cells[column].dataset.value))",
        column,
    )
    assert len(values) > 5
    assert values == sorted(values)


_CARD = """import('/assets/cards.js').then(({ card }) => {
  const box = card({
    placement_id: 'T 2024-05-31', set_local: '2024-05-31 10:00', lifted_local: '2024-05-31 22:30',
    reach_id: 'R 1.5', measure_m: 1234.4, offset_m: 2.5, effort_words: '1\\u202f234.5 trap hours',
    notes: '1.5 m deep on 2024-05-31', catch: [{ species: 'Cottus gobio', individuals: 12345 }],
  }, 'caught', null);
  const cells = Object.fromEntries([...box.querySelectorAll('dt')].map((term) => [
    term.textContent, term.nextSibling.textContent,
  ]));
  return { ...cells, id: box.querySelector('h3').textContent,
           fish: box.querySelector('tbody td:last-child').textContent };
})"""


def test_cards_of_a_map_are_written_in_the_readers_own_way(island, open_page):
    """Figures, days and times of the program; what somebody wrote stays as it was written.

    Wanted texts: German figures and dates after DIN 5008, from memory, as ICU writes them.
    """
    page = open_page(f"{island}/methods", ready=None, locale="de-DE")
    card = page.evaluate(_CARD)
    assert card["Set, lifted"] == "31.05.2024, 10:00 to 22:30"
    assert card["Reach"] == "R 1.5, 1.234 m along, 2,5 m off"
    assert card["Effort"] == "1.234,5 trap hours"
    assert card["fish"] == "12.345"
    assert (card["id"], card["Notes"]) == ("T 2024-05-31", "1.5 m deep on 2024-05-31")
    page.evaluate("() => delete globalThis.asRead")  # as in a map that was saved to a file
    card = page.evaluate(_CARD)
    assert card["Set, lifted"] == "2024-05-31 10:00 to 22:30"
    assert card["Reach"] == "R 1.5, 1\u202f234 m along, 2.5 m off"
    assert card["fish"] == "12\u202f345"
