"""A position in one cell, as phones and handhelds copy it: read as its two numbers, and said.

Without letters the latitude comes first, as in ISO 6709:2022. EPSG codes of the zones of Universal
Transverse Mercator are those of the EPSG Geodetic Parameter Dataset; bands of MGRS, from memory.
"""

import numpy as np
import pandas as pd
import pyproj
import pytest

from service.intake.findings import Cells, Findings
from service.intake.positions_in_cells import with_positions_apart
from tests.intake.test_suggested_columns import checked

LATITUDE, LONGITUDE = 52.576306, -11.102694


def apart(*texts, header="Position"):
    findings = Findings()
    frame = pd.DataFrame({"Site": "Mill ford", header: texts}, index=range(2, len(texts) + 2))
    return with_positions_apart(Cells("", "a.csv", frame.astype("str"), findings)), findings


@pytest.mark.parametrize(
    "written",
    [
        "52.576306, -11.102694", "52.576306,-11.102694", "(52.576306 -11.102694)",
        "52,576306; -11,102694", "52,576306, -11,102694", "52.576306 N 11.102694 W",
        "11.102694 W / 52.576306 N", "N52.576306 W11.102694", "52°34'34.7\"N 11°06'09.7\"W",
        "N 52° 34.578' W 11° 06.162'", "52 34.578 N, 11 6.162 W",
    ],
)  # fmt: skip
def test_degrees(store_of_lists, tmp_path, written):
    """By way of a whole import: the placement is where the cell says."""
    cell = written.replace('"', '""')
    text = f'Sample,Site,Date,Method,GPS\nA,Mill ford,2024-06-03,kick net,"{cell}"\n'
    result = checked(store_of_lists, tmp_path, text)
    assert not result.refused
    (at,) = result.records.placements[["original_x", "original_y"]].to_numpy(float)
    assert np.allclose(at, [LONGITUDE, LATITUDE], atol=2e-5)
    assert "position_apart" in {one.code for one in result.readings}


@pytest.mark.parametrize("written", ["29U 357516 5827216", "29 U 357516E 5827216N"])
def test_grid_of_a_zone(written):
    """Zone and band give the CRS; both numbers are where PROJ puts the same position."""
    cells, _ = apart(written)
    row = cells.frame.iloc[0]
    assert row["Position crs"] == "EPSG:32629"
    back = pyproj.Transformer.from_crs(row["Position crs"], 4326, always_xy=True)
    at = back.transform(float(row["Position easting"]), float(row["Position northing"]))
    assert np.allclose(at, [-11.1027, 52.5763], atol=1e-4)


@pytest.mark.parametrize(
    "texts",
    [
        ["105, 112", "98, 101"], ["1.234; 2.345"], ["10.15-10.30"], ["12.06.2025 10:00"],
        ["3 N 2 E"], ["52.5763"], ["29S 357516 5827216"], ["2.1234 3.4456 4.5567"],
        ["N 52.5763 N 11.1027"], ["no reception", "later", "52.5763, -11.1027"], ["", ""],
    ],
)  # fmt: skip
def test_what_may_be_something_else_stays_whole(texts):
    """Lengths, weights, spans, times, zone S, one cell of a column of remarks."""
    cells, findings = apart(*texts)
    assert list(cells.frame) == ["Site", "Position"]
    assert not findings.readings


def test_a_cell_among_positions_that_is_none_is_kept_and_refused_by_its_row():
    """It stands in the column of latitudes, whose reader answers it."""
    cells, findings = apart("52.5763, -11.1027", "by the oak", "", "52.5764, -11.1030")
    assert cells.frame["Position latitude"].tolist() == ["52.5763", "by the oak", "", "52.5764"]
    assert cells.frame["Position longitude"].tolist() == ["-11.1027", "", "", "-11.1030"]
    (said,) = findings.readings
    assert said.rows == 2
    assert "52.5763, -11.1027 as latitude 52.5763, longitude -11.1027" in said.message


def test_a_header_that_is_taken_leaves_the_column_whole():
    """Two columns of one name would be refused."""
    frame = pd.DataFrame({"GPS": ["52.5763, -11.1027"], "GPS latitude": ["52.5"]}, index=[2])
    cells = with_positions_apart(Cells("", "a.csv", frame.astype("str"), Findings()))
    assert list(cells.frame) == ["GPS", "GPS latitude"]


def test_a_column_that_begins_late_is_cut_too():
    """Its first cells are empty for longer than the rows that are looked at."""
    cells, _ = apart(*[""] * 2_500, "52.5763, -11.1027")
    assert cells.frame["Position longitude"].iloc[-1] == "-11.1027"
