"""Numbers as people write them."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.columns import SHEETS, Column
from service.intake.findings import Cells, Findings
from service.intake.numbers import number_column, read_number

ANY = Column("length_mm", "number", "")


def column(values, what=ANY, *, decimal_comma=False):
    cells = Cells("lengths", "f", pd.DataFrame({what.name: values}, dtype="str"), decimal_comma)
    findings = Findings()
    return number_column(cells, what, findings), findings.refused


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
    assert isinstance(remedy, str)
    assert len(remedy) > 10


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
    assert isinstance(read, str) or math.isfinite(read)


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
