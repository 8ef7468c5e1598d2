"""Figures: well-formed, named, the same every time, safe with odd names, and true."""

import re
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from layers.drawing import figures
from layers.drawing.figures import (
    accumulation_curve,
    catch_per_unit_effort,
    effort_by_method_and_year,
    length_frequency,
)
from layers.errors import FrameError
from layers.estimates.richness import accumulation, chao2

SVG = "{http://www.w3.org/2000/svg}"
ODD = "Cottus <script>alert('$x$ & y')</script>"


def lengths(species: str = "Cottus perifretum") -> pd.DataFrame:
    return pd.DataFrame(
        {"species": species, "length_mm": [31.0, 33.0, 34.9, 35.0, 52.0, np.nan, 71.0]}
    )


def totals() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "method": ["kick_net", "kick_net", "minnow_trap"],
            "year": [2021.0, 2024.0, 2024.0],
            "effort_unit": ["lift", "lift", "trap_night"],
            "effort": [20.0, 8.0, 12.0],
        }
    )


def rates(species: str = "Cottus perifretum") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "species": species,
            "method": ["kick_net", "kick_net", "minnow_trap"],
            "catchment": ["brook", "all", "brook"],
            "placements": [12, 20, 2],
            "cpue": [0.4, 0.5, 2.0],
            "cpue_low": [0.2, 0.3, np.nan],
            "cpue_high": [0.7, 0.8, np.nan],
            "cpue_unit": ["fish per lift", "fish per lift", "fish per trap-night"],
            "individuals_lower_bound": [True, False, False],
        }
    )


def drawn() -> dict[str, str]:
    curve = accumulation([1, 1, 2, 3, 5], 6)
    return {
        "lengths": length_frequency(lengths(), "Cottus perifretum"),
        "curve": accumulation_curve(
            curve, place="Upper brook", estimate=chao2([1, 1, 2, 3, 5], 6).estimate
        ),
        "effort": effort_by_method_and_year(totals(), labels={"kick_net": "Kick net"}),
        "rates": catch_per_unit_effort(rates(), "Cottus perifretum"),
    }


def words(svg: str) -> str:
    return " | ".join(t.strip() for t in ET.fromstring(svg).itertext() if t.strip())


def test_every_figure_is_named_for_screen_readers():
    for svg in drawn().values():
        root = ET.fromstring(svg)
        assert root.tag == f"{SVG}svg"
        assert root.get("role") == "img"
        assert root[0].tag == f"{SVG}title"
        assert root[0].text
        assert root[1].tag == f"{SVG}desc"
        assert "metadata" not in svg


def test_axes_carry_their_units():
    text = {name: words(svg) for name, svg in drawn().items()}
    assert "Length (mm), classes of 5 mm" in text["lengths"]
    assert "Placements" in text["curve"]
    assert "Species" in text["curve"]
    assert "Effort (lifts)" in text["effort"]
    assert "Effort (trap-nights)" in text["effort"]
    assert "Fish per lift" in text["rates"]
    assert "Fish per trap-night" in text["rates"]
    assert "≥ brook" in text["rates"]


def test_drawn_twice_is_the_same_byte_by_byte():
    assert drawn() == drawn()


def bars(svg: str, fill: str) -> list[float]:
    """Heights of filled rectangles, in points of the drawing."""
    heights = []
    for path in ET.fromstring(svg).iter(f"{SVG}path"):
        if f"fill: {fill}" in (path.get("style") or ""):
            y = [float(v) for v in re.findall(r"[ML] [\d.]+ ([\d.]+)", path.get("d"))]
            heights.append(max(y) - min(y))
    return heights


def test_bars_stand_for_the_fish_of_their_class():
    """30 to 35 mm holds three fish, 35 to 40 mm one: a length on the border goes up."""
    heights = bars(length_frequency(lengths(), "Cottus perifretum"), "#8fb8de")
    unit = heights[1]
    shares = [round(h / unit) for h in heights]
    assert shares == [3, 1, 0, 0, 1, 0, 0, 0, 1]
    assert np.histogram(lengths()["length_mm"].dropna(), np.arange(30, 76, 5))[0].tolist() == shares
    assert "6 fish, 31 to 71 mm" in length_frequency(lengths(), "Cottus perifretum")


def test_methods_differ_without_colour():
    svg = drawn()["effort"]
    assert "<pattern" in svg  # the second method is hatched
    assert "2021" in words(svg)


@pytest.mark.parametrize(
    "svg",
    [
        length_frequency(lengths(ODD), ODD),
        catch_per_unit_effort(rates(ODD), ODD),
        accumulation_curve(accumulation([1, 2], 3), place=ODD),
    ],
    ids=["lengths", "rates", "curve"],
)
def test_names_are_shown_as_written_and_never_run(svg):
    root = ET.fromstring(svg)
    assert not list(root.iter(f"{SVG}script"))
    assert "<script" not in svg
    assert ODD in words(svg)


def test_nothing_to_draw_says_so():
    blanks = [
        accumulation_curve(accumulation([], 0)),
        effort_by_method_and_year(totals().iloc[:0]),
        effort_by_method_and_year(totals().assign(effort=np.nan)),
        catch_per_unit_effort(rates(), "Lampetra"),
    ]
    assert all("No records to draw." in words(svg) for svg in blanks)
    few = lengths().groupby("species").head(4)
    assert "Fewer than 5 fish measured." in words(length_frequency(few, few["species"].iloc[0]))
    with pytest.raises(FrameError, match="length_mm"):
        length_frequency(pd.DataFrame({"species": []}), "Lampetra")


def test_of_many_catchments_those_with_most_placements_are_drawn():
    """40 catchments with 1 to 40 placements: the 30 with most, and words that say so."""
    many = pd.concat([rates().iloc[[0]]] * 40, ignore_index=True)
    many = many.assign(catchment=[f"C{n:02d}" for n in range(1, 41)], placements=range(1, 41))
    svg = catch_per_unit_effort(many, "Cottus perifretum")
    said = {f"C{n:02d}, n = {n}" for n in range(11, 41)}
    assert said == set(re.findall(r"(C\d\d, n = \d+)<", svg))
    assert "30 of 40 places" in svg
    assert "places" not in catch_per_unit_effort(many.iloc[:30], "Cottus perifretum")


def test_an_interval_of_none_caught_is_drawn_to_its_end():
    """An upper limit of 7.8 fish above a rate of 0 is not cut off at 1."""
    rates = pd.DataFrame(
        {"cpue": [0.0], "cpue_low": [0.0], "cpue_high": [7.8], "catchment": ["a"],
         "placements": [5], "cpue_unit": ["fish per lift"]}
    )  # fmt: skip
    axes = Figure().subplots()
    figures._rate_panel(axes, rates)
    assert axes.get_xlim()[1] > 7.8
