"""No page and no drawing shows an interval without the number of what it was computed from.

Every page of the program is looked at, of the demonstration: one that is added is found by itself.
The chances in the table of catchments come later: `test_figures_of_pages` looks at them.
"""

import html
import re
from urllib.parse import quote

import pytest

from service import create_app
from service.answers import summaries
from service.records import LOCAL_KEEPER, Selection
from service.settings import Settings
from service.store import open_store
from tests.handed_over import demo_path

# For each part of an address some of the demonstration; those of pages with most figures first.
PARTS = {
    "catchment": ["C1"],
    "species.show": ["Salmo trutta"],
    "methods.one": ["kick_net"],
    "placement_id": [],  # those with a removal estimate are added below
    "stream_id": [],
    "reach_id": ["R296"],
    "page": [],  # the guide speaks of simulations, and of no record
}
QUESTIONS = {
    "/figures/lengths.svg": "species=Salmo+trutta",
    "/figures/catch-rate.svg": "species=Salmo+trutta",
    "/figures/change.svg": "species=Salmo+trutta",
    "/figures/effort.svg": "catchment=C1",
    "/figures/accumulation.svg": "catchment=C1",
}
# So many are surely there: a look that sees nothing would find no fault.
FEWEST = {
    "/catchments/C1": 20,
    "/species/Salmo%20trutta": 5,
    "/upstream/R296": 1,
    "/figures/catch-rate.svg": 3,
    "/figures/change.svg": 2,
}
# Neither a page nor a drawing: files, answers to scripts, one's own account, work that is going on.
NO_PAGES = re.compile(
    r"\.json|\.geojson|\.csv|\.zip|\.toml|<ending>|<form>|/v/|/assets/|/static/|/background/|/entry"
    r"|/feed|/account|/import/|/load/|/work/|/problems/|/log|/new-password|/healthz|/guide|offline"
    r"|/hand-over/|/favicon"
)
COUNTS = {"Placements", "Placements that looked", "Reaches", "Units", "Weighed", "Catches"}
COUNTED = re.compile(r"\d (?:placements?|reach(?:es)?|units?|unit-years|fish)\b")
SPAN = re.compile(r"\d(?: %)? (?:to [<>]? ?\d|or more|, no upper limit)")


@pytest.fixture(scope="module")
def app():
    demo = open_store(demo_path())
    yield create_app(demo, Settings())
    demo.close()


def text_of(markup: str) -> str:
    words = html.unescape(re.sub(r"(?s)<[^>]+>", " ", markup))
    return re.sub(r"[\s\u202f\u2009]+", " ", words).strip()


def parts(tag: str, markup: str) -> list[str]:
    return re.findall(rf"(?s)<{tag}\b.*?</{tag}>", markup)


def of_tables(page: str) -> list[tuple[str, bool]]:
    """Each row with an interval, and whether it says of how many."""
    found = []
    for table in parts("table", page):
        caption = text_of("".join(parts("caption", table)))
        head, _, body = table.partition("<tbody>")
        heads = [text_of(one) for one in parts("th", head)]
        for row in parts("tr", body):
            cells = [text_of(one) for one in re.findall(r"(?s)<t[hd]\b.*?</t[hd]>", row)]
            named = dict(zip(heads, cells, strict=False))
            shown = any(
                SPAN.search(cell) if "95 %" in caption else "95 %" in name and cell[:1].isdigit()
                for name, cell in named.items()
            )
            if shown:
                counted = any(re.match(r"\d", named.get(name, "")) for name in COUNTS)
                found.append((" | ".join(cells), counted))
    return found


def of_text(page: str) -> list[tuple[str, bool]]:
    """Lists of facts and paragraphs."""
    return [
        (said, bool(COUNTED.search(said)))
        for tag in ("dl", "p")
        for said in map(text_of, parts(tag, re.sub(r"(?s)<table.*?</table>", "", page)))
        if "95 %" in said and SPAN.search(said)
    ]


def of_drawing(svg: str) -> list[tuple[str, bool]]:
    """Panels, which all say it where the drawing speaks of intervals."""
    if "95 %" not in text_of(svg):
        return []
    panels = re.split(r'<g id="axes_\d+">', svg)[1:]
    return [
        (text_of(panel)[:200], bool(re.search(r"n = \d|\d unit-years", text_of(panel))))
        for panel in panels
    ]


def addresses(app) -> list[str]:
    found = []
    for rule in app.url_map.iter_rules():
        if "GET" not in rule.methods or NO_PAGES.search(rule.rule):
            continue
        values = [""]
        for part in rule.arguments:
            values = PARTS[rule.endpoint if part == "name" else part]
        found += [re.sub("<[^>]+>", quote(value, safe=""), rule.rule) for value in values]
    return found


def test_every_interval_says_of_how_many(app):
    client = app.test_client()
    removal = summaries.depletion(app.extensions["rifflebook"].store, Selection(), LOCAL_KEEPER)
    placement = removal.loc[removal["n_hat"].notna(), "placement_id"].mode().iloc[0]
    told: dict[str, list[tuple[str, bool]]] = {}
    for address in [*addresses(app), f"/placements/{placement}"]:
        answer = client.get(f"{address}?{QUESTIONS.get(address, '')}", follow_redirects=True)
        assert answer.status_code == 200, address
        page = answer.text
        drawn = address.endswith(".svg")
        told[address] = of_drawing(page) if drawn else [*of_tables(page), *of_text(page)]
    assert [
        (address, one) for address, own in told.items() for one, counted in own if not counted
    ] == []
    for address, fewest in FEWEST.items():
        assert len(told[address]) >= fewest, address
    assert len(told[f"/placements/{placement}"]) > 1
