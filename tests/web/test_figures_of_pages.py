"""Figures in the demonstration's pages are those that the command prints, cell by cell.

Every number of a cell is that of the command's CSV, rounded as far as the page writes it.
"""

import html
import io
import math
import re

import pandas as pd
import pytest
from click.testing import CliRunner

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


def test_removal_of_a_placement(client, printed):
    rows = printed("depletion")
    placement = rows.loc[rows["n_hat"].notna(), "placement_id"].mode().iloc[0]
    own = rows[rows["placement_id"] == placement].set_index("species")
    shown = tables_of(client.get(f"/placements/{placement}"), "Removal estimates")
    assert len(shown) == len(own) > 1
    for cells in shown:
        row = own.loc["all" if cells[0] == "All together" else cells[0]]
        assert_shown(cells[2].replace("or more", ""), row["n_hat"], row["n_low"], row["n_high"])
        assert_shown(cells[3], row["n_se"])
        assert_shown(cells[4], 100 * row["p_hat"])
        assert_shown(
            cells[5].replace("or more", ""),
            *row[["density_per_100_m2", "density_low", "density_high"]],
        )
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
