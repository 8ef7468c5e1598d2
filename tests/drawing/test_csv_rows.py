"""CSV is what pandas' own writer and the standard library's reader make of it."""

import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.drawing.csv_rows import GUARDED, csv_rows

_HARMLESS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12).filter(
    lambda text: not text.startswith(("=", "+", "-", "@", "\t", "\r", "'"))
)
_NUMBERS = st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from(
    [0.0, -0.0, 1e-4, 9.9e-5, 1e15, 1e16, 123456789.125, 2.0**53, -2.0]
)


@given(st.data(), st.integers(0, 20))
def test_rows_are_those_of_pandas(data, rows):
    """pandas 3.1 to_csv, quoting minimal, gives the same text of every kind of column."""

    def column(of, dtype):
        return pd.Series(data.draw(st.lists(of, min_size=rows, max_size=rows)), dtype=dtype)

    frame = pd.DataFrame(
        {
            "a, b": column(_NUMBERS, "float64"),
            "whole": column(st.integers(-(2**62), 2**62), "int64"),
            "counts": column(st.none() | st.integers(0, 9), "Int64"),
            "truth": column(st.booleans(), "bool"),
            "stated": column(st.none() | st.booleans(), "boolean"),
            "words": column(st.none() | _HARMLESS, "str"),
            "mixed": column(st.none() | _HARMLESS | st.integers(-5, 5) | st.just(-1.5), "object"),
            "coded": column(st.none() | st.sampled_from(["x", "y,"]), "category"),
        }
    )
    text = b"".join(csv_rows(frame)).decode()
    assert text == frame.to_csv(index=False, lineterminator="\r\n")
    one = frame[["words"]]
    assert b"".join(csv_rows(one)).decode() == one.to_csv(index=False, lineterminator="\r\n")


def test_pieces_put_together_are_the_whole():
    """Rows come in several pieces of whole lines; without a header, rows alone."""
    frame = pd.DataFrame({"n": np.arange(9_000) / 7, "name": [f"R{n}" for n in range(9_000)]})
    pieces = list(csv_rows(frame))
    assert len(pieces) > 3
    assert all(piece.endswith(b"\r\n") for piece in pieces)
    assert b"".join(pieces).decode() == frame.to_csv(index=False, lineterminator="\r\n")
    assert pieces[1:] == list(csv_rows(frame, header=False))


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", *GUARDED])
def test_formulas_are_text(start):
    """Text that a spreadsheet would run has one more apostrophe in front; numbers have none."""
    frame = pd.DataFrame({"text": [f'{start}1"', "a"], "number": [-1.0, 2.0]})
    rows = list(csv.reader(io.StringIO(b"".join(csv_rows(frame)).decode(), newline="")))
    assert rows == [["text", "number"], [f"'{start}1\"", "-1.0"], ["a", "2.0"]]


def test_whole_numbers_of_counts():
    """Counts that are floats, since some are missing, are written as whole numbers."""
    numbers = [0.0, -0.0, 3.0, 30.0, 2.5, np.nan, -7.0, 2.0**53, 1e15, 1e22, np.inf, 1e-7]
    rows = b"".join(csv_rows(pd.DataFrame({"n": numbers, "m": 1}), header=False, whole_plain=True))
    assert [line.split(",")[0] for line in rows.decode().split()] == [
        "0", "0", "3", "30", "2.5", "", "-7", "9007199254740992.0", "1000000000000000", "1e+22",
        "inf", "1e-07",
    ]  # fmt: skip
