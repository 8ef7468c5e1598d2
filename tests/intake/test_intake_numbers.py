"""Numbers as people write them."""

import math
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.columns import SHEETS, Column
from service.intake.findings import Cells, Findings
from service.intake.numbers import number_column, read_number
from service.intake.wording import Wording

ANY = Column("length_mm", "number", "")


def column(values, what=ANY, *, decimal_comma=False):
    frame = pd.DataFrame({what.name: values}, dtype="str")
    cells = Cells("lengths", "f", frame, Findings(), decimal_comma)
    return number_column(cells, what), cells.findings.refused


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12", 12.0),
        ("-0.5", -0.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e3", 1000.0),
        ("0,5", 0.5),
        ("12,75", 12.75),
        ("0,125", 0.125),
        ("1234,567", 1234.567),
        ("−3", -3.0),
    ],
)
def test_numbers_that_can_mean_one_thing_only_are_read(text, number):
    assert read_number(text) == number


@pytest.mark.parametrize(
    "text",
    [
        "1,234",
        "1.234,5",
        "1,234.5",
        "1 234 567",
        "1'234'567",
        "1,234,567",
        "nan",
        "NaN",
        "inf",
        "-Infinity",
        "1e999",
        "",
        "12 mm",
        "0x10",
        "1_000",
        "=A1",
        "#REF!",
        "NA",
        "--5",
        "１２",
        "²",
    ],
)
def test_numbers_that_cannot_be_understood_come_with_a_remedy(text):
    remedy = read_number(text)
    assert isinstance(remedy, Wording)
    assert len(remedy.text()) > 10


def test_a_semicolon_sheet_has_decimal_commas():
    """There 1,234 is a little over one, and 1.234 beside it is in doubt."""
    values, refused = column(["1,234", "2,5", "3"], decimal_comma=True)
    assert values.tolist() == [1.234, 2.5, 3.0]
    assert not refused
    values, refused = column(["2,5", "1.234"], decimal_comma=True)
    assert [fault.value for fault in refused] == ["1.234"]
    values, refused = column(["1.5", "1.234"], decimal_comma=True)
    assert values.tolist() == [1.5, 1.234]


def test_an_empty_cell_is_missing_and_limits_are_kept():
    count = next(c for c in SHEETS["catches"] if c.name == "count")
    values, refused = column(["", "3", "-1", "2.5", "1e300"], count)
    assert np.isnan(values[[0, 2, 3, 4]]).all()
    assert values[1] == 3
    assert [fault.row for fault in refused] == [2, 3, 4]


@given(st.text(max_size=30))
def test_any_text_gives_a_finite_number_or_a_remedy(text):
    read = read_number(text)
    assert isinstance(read, Wording) or math.isfinite(read)


@given(st.lists(st.text(alphabet="0123456789.,eE+-naif ", max_size=8), min_size=1, max_size=20))
def test_a_column_reads_as_its_cells_do(texts):
    """The fast way through whole columns is the plain one, cell by cell."""
    texts = [text.strip() for text in texts]
    values, refused = column(texts)
    odd = {fault.value for fault in refused}
    for text, value in zip(texts, values.tolist(), strict=True):
        alone = read_number(text) if text else None
        if isinstance(alone, float):
            assert value == alone
        else:
            assert math.isnan(value)
            assert (text in odd) == bool(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_what_python_writes_is_read_to_the_last_digit(number):
    assert column([repr(number)])[0][0] == number


def the(sheet, name):
    return next(c for c in SHEETS[sheet] if c.name == name)


@pytest.mark.parametrize("name", ["longitude", "latitude", "end_longitude", "end_latitude"])
@pytest.mark.parametrize("other", ["2,5", "2.5"])
def test_degrees_have_no_thousands(name, other):
    """Three decimals after a point or a comma are decimals, whatever the other cells use."""
    for separated_by_semicolons in (True, False):
        values, refused = column(
            ["52.639", "-11,177", other],
            the("placements", name),
            decimal_comma=separated_by_semicolons,
        )
        assert not refused
        assert values.tolist() == [52.639, -11.177, 2.5]


def test_a_point_or_comma_in_doubt_is_settled_by_the_limits_of_its_column():
    """1234 degrees of heat cannot be, nor 1.234 traps; where both can be, both are offered."""
    heat, traps = the("placements", "water_temperature_c"), the("placements", "gear_count")
    assert column(["1.234", "2,5"], heat, decimal_comma=True)[0].tolist() == [1.234, 2.5]
    assert column(["1,234", "2.5"], heat)[0].tolist() == [1.234, 2.5]
    (fault,) = column(["1,234"], traps)[1]
    assert fault.remedy == "a comma here may divide thousands; write 1234"
    (fault,) = column(["1.234", "2,5"], decimal_comma=True)[1]
    assert "write 1234 or 1,234" in fault.remedy


# What somebody writes, what is advised, and what the advice says in the column of counts.
LOOSE_COUNTS = [
    (
        ("about 20", "~20", "c. 20", "ca 20", "approx. 20", "20 (est)", "20ish", "20?"),
        20,
        "estimate",
    ),
    (("≈ 20 fish", "20 approx."), 20, "estimate"),
    (
        (">50", "50+", ">= 50", "≥50", "over 50", "50 or more", "at least 50", "50 plus"),
        50,
        "at_least",
    ),
    (("5-10", "5–10", "5 to 10", "5 à 10", "ca. 5-10"), 5, "at_least"),
    (("many", "present", "P", "x", "+", "yes", "several", "?", "-", "n/a"), None, "present"),
    (("2+1", "three", "3 fish", "3 ind.", "x3"), 3, None),
]


@pytest.mark.parametrize(("written", "number", "kind"), LOOSE_COUNTS)
def test_counts_that_nobody_counted_exactly_come_with_their_kind(written, number, kind):
    """The advice can be followed as it stands, and says no more than the sheet did."""
    count, kinds = the("catches", "count"), the("catches", "count_kind").choices
    for text in written:
        (fault,) = column([text], count)[1]
        assert "12.5" not in fault.remedy
        assert {word for word in kinds if word in fault.remedy} >= ({kind} if kind else set())
        advised = re.match(r"write (?:the sum, )?(\d+)", fault.remedy)
        assert (advised and int(advised[1])) == number, (text, fault.remedy)
        if number is not None:
            assert column([str(number)], count)[0].tolist() == [number]


def test_a_loose_count_with_a_point_before_zeros_comes_with_both_readings():
    for text, both in (("ca. 2.000", "ca. 2000 or ca. 2"), (">2,000", ">2000 or >2")):
        (fault,) = column([text], the("catches", "count"))[1]
        assert fault.remedy.endswith(f"thousands or decimals; write {both}")
    (fault,) = column(["ca. 1.200"], the("catches", "count"))[1]
    assert fault.remedy == "write 1200, and estimate in the column count_kind"


def test_counts_of_a_stage_and_counts_that_a_spreadsheet_made_a_date():
    count = the("catches", "count")
    remedies = {
        f.value: f.remedy for f in column(["3 juv", "2024-05-03", "05-Mar", "none"], count)[1]
    }
    assert remedies["3 juv"] == "write 3 alone, and juvenile in the column life_stage"
    assert "a range such as 3-5" in remedies["2024-05-03"]
    assert "a range such as 3-5" in remedies["05-Mar"]
    assert "take the row out" in remedies["none"]


@pytest.mark.parametrize(
    "text", ["~0", "0 ind.", "x0", "0+0", "0 juv", "0?", "00 fish", "0+", ">0", "0 or more"]
)
def test_a_count_of_none_is_never_advised(text):
    """The column holds 1 and more: 0 would be refused in its turn."""
    (fault,) = column([text], the("catches", "count"))[1]
    assert not fault.remedy.startswith("write")
    told = "present" if text in ("0+", ">0", "0 or more") else "take the row out"
    assert told in fault.remedy


@pytest.mark.parametrize("text", ["0h0", "1h75"])
def test_minutes_that_cannot_be_are_not_advised(text):
    (fault,) = column([text], the("placements", "minutes"))[1]
    assert fault.remedy.startswith("give a number in min")


# Exact by definition of the units; 60 minutes to the degree, 60 seconds to the minute.
@pytest.mark.parametrize(
    ("sheet", "name", "written", "advised"),
    [
        ("lengths", "length_mm", "7.4 cm", "74"),
        ("lengths", "length_mm", "7,4cm", "74"),
        ("lengths", "length_mm", "3 in", "76.2"),
        ("lengths", "weight_g", "0.2 kg", "200"),
        ("placements", "water_temperature_c", "14,5 °C", "14.5"),
        ("placements", "water_temperature_c", "59 F", "15"),
        ("placements", "conductivity_us_cm", "0.16 mS/cm", "160"),
        ("placements", "minutes", "1.5 h", "90"),
        ("placements", "minutes", "1h30", "90"),
        ("placements", "area_m2", "0.2 ha", "2000"),
        ("placements", "area_m2", "123.4567 ha", "1234567"),
        ("placements", "gear_count", "3 traps", "3"),
        ("placements", "longitude", "-11° 10' 12\"", "-11.17"),
        ("placements", "longitude", "11°10'12\"W", "-11.17"),
        ("placements", "longitude", "11.18 W", "-11.18"),
        ("placements", "latitude", "N 52 39.6", "52.66"),
        ("placements", "latitude", "52° 39' 36\"", "52.66"),
    ],
)
def test_a_number_with_its_unit_is_worked_out(sheet, name, written, advised):
    """The number alone would be wrong where the unit is another; so it is never advised."""
    what = the(sheet, name)
    (fault,) = column([written], what)[1]
    assert re.match(r"write (-?[\d.]*\d)", fault.remedy)[1] == advised, fault.remedy
    assert column([advised], what)[0].tolist() == [float(advised)]


def test_what_cannot_be_right_for_a_column_is_not_advised():
    """A share of saturation, a letter of the other axis, a length in grams, heat beyond boiling."""
    for sheet, name, written, said in (
        ("placements", "dissolved_oxygen_mg_l", "85%", "share of saturation"),
        ("placements", "longitude", "52.6 N", "this is a latitude"),
        ("placements", "latitude", "52.639.123", "may be 52.639123"),
        ("lengths", "length_mm", "300 g", "give a number in mm"),
        ("placements", "water_temperature_c", "500 F", "give a number in °C"),
        ("placements", "gear_count", "3 passes", "give a whole number"),
        ("placements", "gear_count", "0 traps", "give a whole number"),
    ):
        (fault,) = column([written], the(sheet, name))[1]
        assert said in fault.remedy, fault.remedy
        assert not fault.remedy.startswith("write")
