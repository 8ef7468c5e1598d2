"""Figures in the demonstration's pages are those that the command prints, cell by cell.

Every number of a cell is that of the command's CSV, rounded as far as the page writes it. Marks and
bars of a drawing are read off its axes.
"""

import html
import io
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from layers.fieldwork.effort import EFFORT_UNITS, unit_words
from service import create_app
from service.program import main
from service.settings import Settings
from service.store import open_store
from tests.handed_over import demo_path

CATCHMENT, SPECIES = "C1", "Salmo trutta"
_NUMBER = re.compile(r"([<>]?) ?(?<![\w.])(-?\d+(?:\.\d+)?(?:e-?\d+)?)")


@pytest.fixture(scope="module")
def client():
    demo = open_store(demo_path())
    yield create_app(demo, Settings()).test_client()
    demo.close()


@pytest.fixture(scope="module")
def printed():
    """What a command prints, once each."""
    known = {}

    def of(*args: str) -> pd.DataFrame:
        if args not in known:
            done = CliRunner().invoke(main, ["summary", str(demo_path()), *args])
            assert done.exit_code == 0, done.output
            known[args] = pd.read_csv(io.StringIO(done.stdout), keep_default_na=False, na_values="")
        return known[args].copy()

    return of


def text_of(markup: str) -> str:
    words = html.unescape(re.sub(r"(?s)<[^>]+>", " ", markup))
    words = re.sub(r"(?<=\d)[\u202f\u2009](?=\d)", "", words)
    return re.sub(r"[\s\u202f]+", " ", words).strip()


def tables_of(page, label: str) -> list[list[str]]:
    """Cells of all rows of the tables in regions of that name, as read."""
    assert page.status_code == 200, page.text
    parts = re.findall(rf'(?s)role="region" aria-label="{label}".*?<tbody>(.*?)</tbody>', page.text)
    return [
        [text_of(cell) for cell in re.findall(r"(?s)<t[hd]\b.*?</t[hd]>", row)]
        for part in parts
        for row in re.findall(r"(?s)<tr\b.*?</tr>", part)
    ]


def assert_shown(cell: str, *values: float) -> None:
    """The numbers of a cell, in order, are these; those that are missing are not shown."""
    numbers, wanted = _NUMBER.findall(cell), [float(v) for v in values if not pd.isna(v)]
    assert len(numbers) == len(wanted), (cell, values)
    for (sign, number), value in zip(numbers, wanted, strict=True):
        if sign == "<":
            assert 0 < value < float(number), (cell, value)
        elif sign == ">":
            assert value > float(number), (cell, value)
        else:
            digits = len(number.partition("e")[0].partition(".")[2])
            scale = 10.0 ** (math.floor(math.log10(abs(value))) if "e" in number else 0)
            assert abs(float(number) - value) <= 0.5000001 * 10.0**-digits * scale, (cell, value)


def test_occurrence_of_a_catchment(client, printed):
    page = client.get(f"/catchments/{CATCHMENT}")
    rows = printed("occurrence")
    rows = rows[rows["catchment"] == CATCHMENT]
    for state, label in (("found", "found"), ("not_found", "looked for, not found")):
        shown = tables_of(page, label)
        own = rows[rows["state"] == state]
        assert len(shown) == len(own) > 2
        for cells, (_, row) in zip(shown, own.iterrows(), strict=True):
            assert cells[0].endswith(row["species"])
            if state == "found":
                assert_shown(cells.pop(1).removeprefix("≥"), row["individuals"])
            assert_shown(cells[1], row["placements_found"], row["placements"])
            assert_shown(cells[2], row["reaches_found"], row["reaches"])
            if state == "not_found":
                assert_shown(cells[3], 100 * row["wilson_high"])
            else:
                assert row["note"] != row["note"] or row["note"] in cells[4]


def test_richness_of_a_catchment(client, printed):
    page = client.get(f"/catchments/{CATCHMENT}")
    part = re.search(r'(?s)id="richness".*?</details>', page.text)[0]
    facts = [text_of(fact) for fact in re.findall(r"(?s)<dl.*?</dl>", part)]
    rows = printed("richness")
    own = rows[rows["catchment"] == CATCHMENT]
    assert len(facts) == len(own) > 0
    for words, (_, row) in zip(facts, own.iterrows(), strict=True):
        said = re.sub("Chao2 estimate|95 % interval", "", words).split(" Note ")[0]
        assert_shown(
            said,
            *row[["species_found", "placements", "found_once", "found_twice"]],
            *row[["chao2", "chao2_low", "chao2_high"]],
            100 * row["sample_coverage"],
            row["jackknife1"],
        )


def test_catch_rates_of_a_catchment(client, printed):
    shown = tables_of(client.get(f"/catchments/{CATCHMENT}"), "Catch per unit effort")
    rows = printed("effort")
    own = rows[(rows["catchment"] == CATCHMENT) & (rows["individuals"] > 0)]
    own = own.sort_values(["species", "method"])
    assert len(shown) == len(own) > 10
    for cells, (_, row) in zip(shown, own.iterrows(), strict=True):
        assert cells[0] == row["species"]
        if row["cpue"] == row["cpue"]:
            assert_shown(re.split(r" (fish|per)\b", cells[2])[0].removeprefix("≥"), row["cpue"])
            ends = cells[3].removesuffix(str(row["problem"]))
            assert_shown(ends, row["cpue_low"], row["cpue_high"])
        assert_shown(cells[4].removeprefix("≥"), row["individuals"])
        assert_shown(cells[5], row["placements"])


def test_lengths_sampled_and_gaps_of_a_catchment(client, printed):
    page = client.get(f"/catchments/{CATCHMENT}")
    rows = printed("sampled-length", "--by", "catchment", "--catchment", CATCHMENT)
    shown = tables_of(page, "Sampled length")
    own = rows[rows["catchment"] == CATCHMENT]
    assert len(shown) == len(own) > 1
    for cells, (_, row) in zip(shown, own.iterrows(), strict=True):
        assert_shown(cells[1], row["sampled_length_m"])
        assert_shown(cells[2], 100 * row["network_share"], row["network_length_m"] / 1000)
        assert_shown(cells[3], row["effort_length_m"])
        assert_shown(cells[4], row["placements"])
    shown = tables_of(page, "Gaps")
    rows = printed("gaps", "--catchment", CATCHMENT)
    for cells, (_, row) in zip(shown, rows.iterrows(), strict=False):
        assert_shown(cells[0], row["gap"])
        assert_shown(cells[1], row["length_m"])
        assert_shown(cells[2], row["highest_strahler"])
        assert_shown(cells[3], row["farthest_m"])
        assert_shown(cells[4], row["farthest_latitude"], row["farthest_longitude"])


def test_shares_change_and_lengths_of_a_species(client, printed):
    page = client.get(f"/species/{SPECIES}")
    rows = printed("occurrence", "--species", SPECIES)
    own = rows[rows["state"] != "never_looked"]
    shown = tables_of(page, "Catchments")
    assert len(shown) == len(own) > 5
    names = dict(re.findall(r'href="/catchments/([^"?]+)[^"]*">([^<]+)<', page.text))
    own = own.assign(name=own["catchment"].map(names)).set_index("name")
    for cells in shown:
        row = own.loc[cells[0]]
        assert_shown(cells[3], row["placements_found"], row["placements"])
        assert_shown(cells[4], row["reaches_found"], row["reaches"])
        shares = ["proportion", "wilson_low", "wilson_high", "placement_proportion",
                  "placement_wilson_low", "placement_wilson_high"]  # fmt: skip
        assert_shown(cells[5], *(100 * row[shares]))
    rows = printed("change", "--species", SPECIES)
    own = rows[(rows["catchment"] == "all") & (rows["first_year"] < rows["last_year"])]
    own = own[own["yearly_ratio"].notna() | (own["quantity"] == "occupancy")]
    shown = tables_of(page, "Change over years")
    assert len(shown) == len(own) > 0
    for cells, (_, row) in zip(shown, own.iterrows(), strict=True):
        assert_shown(cells[1].replace("–", " "), row["first_year"], row["last_year"])
        for cell, column in zip(cells[2:5], ("units", "gained", "lost"), strict=True):
            assert_shown(cell, row[column])
        assert cells[5].startswith(row["words"] if row["words"] == row["words"] else "")
    rows = printed("lengths", "--species", SPECIES)
    own = rows[rows["measured"] > 0]
    shown = tables_of(page, "Lengths and weights")
    assert len(shown) == len(own) > 0
    for cells, (_, row) in zip(shown, own.iterrows(), strict=True):
        for cell, columns in (
            (cells[1], ["measured"]), (cells[2], ["median_mm"]), (cells[3], ["p25_mm", "p75_mm"]),
            (cells[4], ["weighed"]), (cells[5], ["weight_factor"]),
            (cells[6], ["weight_exponent", "weight_exponent_low", "weight_exponent_high"]),
        ):  # fmt: skip
            assert_shown(cell, *row[columns])


def test_yearly_ratio_of_occupancy_is_that_of_its_years(printed):
    """As printed: the share of the last year over that of the first, by the years between."""
    chosen = ("change", "--species", "Gasterosteus aculeatus")
    rows, years = printed(*chosen), printed(*chosen, "--per", "year")
    years = years[years["value"].notna()].set_index(["catchment", "quantity"])
    rows = rows[rows["yearly_ratio"].notna()].set_index(["catchment", "quantity"])
    rows = rows.loc[rows.index.isin(years.index) & (rows["method"] == "all")]
    assert len(rows) > 0
    for where, row in rows.iterrows():
        own = years.loc[[where]].set_index("year")["value"]
        ratio = own.iloc[-1] / own.iloc[0]
        assert row["yearly_ratio"] == pytest.approx(ratio ** (1 / np.ptp(own.index)), abs=5e-4)
        assert own.index[[0, -1]].tolist() == [row["first_year"], row["last_year"]]


def test_removal_of_a_placement(client, printed):
    rows = printed("depletion")
    placement = rows.loc[rows["n_hat"].notna(), "placement_id"].mode().iloc[0]
    own = rows[rows["placement_id"] == placement].set_index("species")
    shown = tables_of(client.get(f"/placements/{placement}"), "Removal estimates")
    assert len(shown) == len(own) > 1
    for cells in shown:
        row = own.loc["all" if cells[0] == "All together" else cells[0]]
        assert_shown(cells[2], *row[["n_hat", "n_low", "n_high"]])
        assert ("no upper limit" in cells[2]) == (row["n_low"] > 0 and np.isnan(row["n_high"]))
        assert_shown(cells[3], row["n_se"])
        assert_shown(cells[4], 100 * row["p_hat"])
        assert_shown(cells[5], *row[["density_per_100_m2", "density_low", "density_high"]])
        assert cells[6] == (row["problem"] if row["problem"] == row["problem"] else "–")


def test_returns(client, printed):
    shown = tables_of(client.get("/returns"), r"Return \d+")
    own = printed("returns")
    assert len(shown) == len(own) > 5
    keys = ["placements", "caught", "released", "kept", "dead", "other", "not_stated"]
    wanted = sorted(tuple(row) for row in own[keys].to_numpy(int).tolist())
    cells = [[row[1], *row[3:9]] for row in shown]
    got = sorted(tuple(int(_NUMBER.search(cell)[2]) for cell in row) for row in cells)
    assert got == wanted


def test_chances_of_presence(client, printed):
    cells = client.get("/catchments/chances.json", follow_redirects=True).get_json()["cells"]
    own = printed("detection", "--per", "catchment")
    own = own[own["chance_present"].notna()].set_index(["catchment", "species"])
    shown = {(place, name): row for place, of in cells.items() for name, row in of.items()}
    assert set(shown) == set(own.index)
    columns = ["chance_present", "chance_present_low", "chance_present_high", "units", "year"]
    for key, row in shown.items():
        assert row == pytest.approx(own.loc[key, columns].tolist(), abs=5.1e-7), key
    page = client.get("/catchments?chances=yes&fold=nothing").text
    said = [text_of(one) for one in re.findall(r"(?s)<span[^>]*data-chance=.*?</span>", page)]
    said = [one for one in said if one]
    whole = re.compile(r"there\? \S+ % \(\S+ ?\d* % to \S+ ?\d* %\), \d+ reach(es)?, \d{4}")
    states = printed("occurrence").set_index(["catchment", "species"])["state"]
    assert len(said) == sum(states[key] == "not_found" for key in shown) > 0
    assert [one for one in said if not whole.fullmatch(one.replace("< ", "<"))] == []


def test_effort_of_a_catchment(client, printed):
    """Each gear in each unit, over all years; the command prints one unit of a gear at a time."""
    page = client.get(f"/catchments/{CATCHMENT}")
    labels = dict(re.findall(r'href="/methods/(\w+)[^"]*">([^<]+)</a>', page.text))
    methods = {label: method for method, label in labels.items()}
    rows = [row for row in tables_of(page, "Effort") if row[1] != "–"]
    assert len({row[0] for row in rows}) == len(methods) > 3
    for gear, effort, placements, _ in rows:
        size = float(effort.split(" ")[0])
        words = effort.split(" ", 1)[1]
        unit = next(
            u for u in EFFORT_UNITS if unit_words(pd.Series([size]), pd.Series([u]))[0] == words
        )
        if unit == "pass":
            continue  # the command counts first passes alone, as their catch is
        own = printed(
            "effort", "--methods", methods[gear], "--effort-unit", f"{methods[gear]}={unit}"
        )
        own = own[own["catchment"] == CATCHMENT]
        assert_shown(effort.removesuffix(words), own["effort"].max())
        if " of " not in placements:
            assert_shown(placements, own["placements"].max())


def test_coverage(client, printed):
    page = client.get("/coverage")
    said = text_of(re.search(r'(?s)<p class="say">.*?</p>', page.text)[0])
    reaches = printed("coverage")
    length, total = reaches["length_m"], reaches["length_m"].sum() / 1000
    visited = (length * reaches["visited_fraction"]).sum() / 1000
    sampled = (length * reaches["sampled_fraction"]).sum() / 1000
    assert_shown(said, visited, total, 100 * visited / total, sampled, 100 * sampled / total)
    tables = {
        "Next places, in order": (
            printed("next-places"),
            {2: ("adds_m", 1), 3: ("remaining_share", 100)},
        ),
        "Streams never visited, longest first": (
            printed("streams").query("visited_length_m == 0").sort_values("length_m")[::-1],
            {1: ("length_m", 0.001), 2: ("reaches", 1)},
        ),
        "Gaps in coverage, longest first": (
            printed("gaps"),
            {2: ("length_m", 0.001), 3: ("reaches", 1), 5: ("highest_strahler", 1),
             6: ("farthest_m", 1)},
        ),
        "Sampled length by gear": (
            printed("sampled-length"),
            {1: ("sampled_length_m", 0.001), 2: ("effort_length_m", 0.001), 3: ("placements", 1),
             4: ("network_share", 100)},
        ),
    }  # fmt: skip
    for label, (rows, columns) in tables.items():
        shown = tables_of(page, label)
        assert 0 < len(shown) == min(len(rows), 100), label
        for cells, (_, row) in zip(shown, rows.iterrows(), strict=False):
            for at, (column, scale) in columns.items():
                assert_shown(cells[at], row[column] * scale)
    bands = tables_of(page, "Legend")
    counted = sum(int(n) for row in bands for n in re.findall(r"km, (\d+) reach", " ".join(row)))
    assert counted == len(reaches)


# Drawings ---------------------------------------------------------------------------------------
_SVG = "{http://www.w3.org/2000/svg}"


def drawing(client, address):
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    return ET.fromstring(answer.text)


def texts_of(element) -> list[str]:
    return ["".join(one.itertext()).strip() for one in element.iter(f"{_SVG}text")]


def axes_of(figure) -> list:
    return [one for one in figure.iter(f"{_SVG}g") if re.fullmatch(r"axes_\d+", one.get("id", ""))]


def scale_of(axes, letter: str):
    """What a place along one axis means, by the line through its numbered ticks."""
    places, numbers = [], []
    for tick in axes.iter(f"{_SVG}g"):
        if tick.get("id", "").startswith(f"{letter}tick_"):
            mark = next(tick.iter(f"{_SVG}use"))
            places.append(float(mark.get(letter)))
            numbers.append(float(texts_of(tick)[0].replace("\u2212", "-")))
    slope, start = np.polyfit(places, numbers, 1)
    return lambda place: start + slope * np.asarray(place, float)


def marks_of(axes) -> list[tuple[float, float]]:
    """Places of the marks: of ticks no others are drawn straight in the axes."""
    own = [one for one in axes if one.get("id", "").startswith("line2d")]
    return [(float(m.get("x")), float(m.get("y"))) for g in own for m in g.iter(f"{_SVG}use")]


def bars_of(axes) -> list[list[float]]:
    """Both ends of each bar of an interval: x, y, x, y."""
    own = [one for one in axes if one.get("id", "").startswith("LineCollection")]
    return [
        [float(n) for n in re.findall(r"-?[\d.]+", path.get("d"))]
        for g in own
        for path in g.iter(f"{_SVG}path")
        if path.get("d")
    ]


def near(values, wanted, axis) -> bool:
    """As near as a drawing of that span tells: a thousandth of it."""
    return np.allclose(values, wanted, rtol=0, atol=1e-3 * (np.ptp(axis) or 1.0))


def test_change_is_drawn_as_it_is_printed(client, printed):
    figure = drawing(client, f"/figures/change.svg?species={SPECIES.replace(' ', '+')}")
    rows = printed("change", "--per", "year", "--species", SPECIES)
    rows = rows[(rows["catchment"] == "all") & rows["value"].notna()]
    groups = [part for _, part in rows.groupby(["quantity", "method"]) if len(part) > 1]
    groups.sort(key=lambda part: part["quantity"].iloc[0] != "occupancy")
    panels = axes_of(figure)
    assert len(panels) == len(groups) > 1
    for axes, part in zip(panels, groups, strict=True):
        year, value = scale_of(axes, "x"), scale_of(axes, "y")
        x, y = np.array(marks_of(axes)).T
        assert near(year(x), part["year"], part["year"])
        assert near(value(y), part["value"], [0.0, *value(y)])
        ends = np.array(bars_of(axes))
        known = part.dropna(subset=["value_low", "value_high"])
        span = [0.0, *known["value_high"]]
        assert near(value(ends[:, 1]), known["value_low"], span)
        assert near(value(ends[:, 3]), known["value_high"], span)
        assert any(f"{part['units'].sum()} unit-years" in text for text in texts_of(axes))


def test_catch_rates_are_drawn_as_they_are_printed(client, printed):
    figure = drawing(client, f"/figures/catch-rate.svg?species={SPECIES.replace(' ', '+')}")
    rows = printed("effort", "--species", SPECIES)
    page = client.get("/catchments").text
    names = dict(re.findall(r'href="/catchments/([^"?]+)[^"]*">([^<]+)<', page))
    rows = rows[rows["cpue"].notna()].assign(catchment=rows["catchment"].replace(names))
    rows["catchment"] = rows["catchment"].replace("all", "everywhere")
    panels = axes_of(figure)
    assert len(panels) == rows["method"].nunique() > 3
    for axes, (_, part) in zip(panels, rows.groupby("method"), strict=True):
        said = [text.removeprefix("≥ ") for text in texts_of(axes) if ", n = " in text]
        names = part["catchment"] + ", n = " + part["placements"].astype(str)
        own = part.set_index(names).loc[said]
        value = scale_of(axes, "x")
        across, down = np.array(marks_of(axes)).T
        order = np.argsort(down)
        span = [0.0, own["cpue"].max(), own["cpue_high"].max()]
        assert near(value(across[order]), own["cpue"], span)
        ends = np.array(bars_of(axes)).reshape(-1, 4)
        known = own[own["cpue_low"].notna() & own["cpue_high"].notna()]
        ends = ends[np.argsort(ends[:, 1])]
        assert near(value(ends[:, 0]), known["cpue_low"], span)
        assert near(value(ends[:, 2]), known["cpue_high"], span)


def test_effort_lengths_and_richness_are_described_as_they_are_printed(client, printed):
    """What a drawing says to who cannot see it."""
    effort = drawing(client, f"/figures/effort.svg?catchment={CATCHMENT}")
    said = effort.find(f"{_SVG}desc").text.rstrip(".").split(". ", 1)[1].split("; ")
    rows = printed("effort")
    totals = rows[rows["catchment"] == CATCHMENT].groupby("method")["effort"].max().dropna()
    assert len(said) == len(totals) > 3
    for words, (_, total) in zip(said, totals.items(), strict=True):
        assert_shown(
            words.split(": ")[1].replace("m²", ""), round(total, -int(math.log10(total)) + 5)
        )
    fish = drawing(client, f"/figures/lengths.svg?species={SPECIES.replace(' ', '+')}")
    own = printed("lengths", "--species", SPECIES).sort_values("measured").iloc[-1]
    wanted = own[["measured", "shortest_mm", "longest_mm", "median_mm"]]
    assert_shown(fish.find(f"{_SVG}desc").text, *wanted)
    assert f"n = {own['measured']}" in " ".join(texts_of(fish))
    rich = printed("richness")
    rich = rich[rich["catchment"] == CATCHMENT].iloc[0]
    group = rich["group"] if isinstance(rich["group"], str) else ""
    curve = drawing(client, f"/figures/accumulation.svg?catchment={CATCHMENT}&group={group}")
    species, placements = _NUMBER.findall(curve.find(f"{_SVG}desc").text)[:2]
    assert_shown(species[1], rich["species_found"])
    assert_shown(placements[1], rich["placements"])
