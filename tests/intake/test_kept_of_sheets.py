"""What stands in a sheet is stored as it stands there: remarks beside no fish, converted values."""

import pytest

from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.units import converted
from tests.intake_sheets import NOW, make_store

ROWS = """placement_id,survey,method,set_at,longitude,latitude,species,count,remarks
A,S,kick_net,2024-05-02T11:00,-11.2128,52.6035,no fish,,otter seen
C,S,kick_net,2024-05-02T12:00,-11.2127,52.6000,Cottus gobio,2,large ones
"""
MAPPING = """[shape]
rows = "catch"
[placements]
placement_id = "placement_id"
survey = "survey"
method = "method"
set_at = "set_at"
longitude = "longitude"
latitude = "latitude"
[catches]
species = "species"
count = "count"
notes = "remarks"
"""


def test_the_remark_of_a_row_without_fish_stays_with_its_placement(tmp_path):
    store = make_store(tmp_path / "store.gpkg")
    (tmp_path / "s.csv").write_text(ROWS, "utf-8")
    (tmp_path / "m.toml").write_text(MAPPING, "utf-8")
    sheets = read_sheets(tmp_path / "s.csv", mapping=tmp_path / "m.toml")
    done = check(sheets, store, now=NOW)
    assert done.records is not None, done.refused
    placements = done.records.placements
    assert placements.loc["A", ["outcome", "notes"]].tolist() == ["nil", "otter seen"]
    assert placements["notes"].isna().tolist() == [False, True]
    assert done.records.catches["notes"].tolist() == ["large ones"]
    store.close()


@pytest.mark.parametrize(
    ("number", "written", "unit", "read"),
    # Degree Fahrenheit, inch and second by their definitions.
    [(57.2, "°F", "°C", 14.0), (0.31, "mS/cm", "µS/cm", 310.0), (2.3, "in", "mm", 58.42)],
)
def test_a_converted_value_has_no_noise(number, written, unit, read):
    assert repr(converted(number, written, unit)) == repr(read)
