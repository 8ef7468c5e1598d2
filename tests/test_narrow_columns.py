"""Narrow columns read as the frames that they were made from; pandas is the reference."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as some

from layers.narrow_columns import LazyPoints, Rows, gathered, is_shared, narrowed

NUMBERS = some.sampled_from(
    [0.0, -0.0, 1.0, 127.0, 128.0, 32_768.0, 2.0**31, 0.5, 0.1, -3.0, 1e300, np.nan, np.inf]
)
TIMES = some.sampled_from(
    ["2024-05-02T11:00Z", "1901-01-01T00:00:00.25Z", "2038-01-19T03:14:08Z", None]
)
WORDS = some.sampled_from(["kick net", "seine", "é", "", None])
KINDS = {
    "numbers": (NUMBERS, "float64"),
    "whole": (some.integers(-(2**40), 2**40), "int64"),
    "truths": (some.booleans(), "bool"),
    "words": (WORDS, "str"),
    "times": (TIMES, "datetime64[us, UTC]"),
}


def test_zero_keeps_its_sign():
    """0 and −0 compare as equal, and are written differently."""
    values = pd.Series([0.0, 0.0, -0.0])
    assert np.signbit(narrowed(values).read()).tolist() == [False, False, True]


def read(column):
    """What readers get, words as text."""
    given = pd.Series(column.read())
    return given if column.words is None else given.astype("str")


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=60, deadline=None)
@given(data=some.data())
def test_rows_of_narrow_columns_are_those_of_the_columns_put_below_one_another(kind, data):
    """Types, signs of zero and missing values stay, whatever narrow type each part has."""
    values, dtype = KINDS[kind]
    few = some.lists(values, max_size=6)
    parts = [
        pd.Series(one, dtype=dtype) for one in data.draw(some.lists(few, min_size=1, max_size=4))
    ]
    whole = pd.concat(parts, ignore_index=True)
    source = data.draw(
        some.lists(some.integers(0, len(whole) - 1), max_size=12) if len(whole) else some.just([])
    )
    order = np.array(source, np.int64)
    for part in parts:
        pd.testing.assert_series_equal(read(narrowed(part)), part)
    columns = [narrowed(part) for part in parts]
    taken = gathered(columns, Rows(order, [len(part) for part in parts]))
    expected = whole.take(order).reset_index(drop=True)
    pd.testing.assert_series_equal(read(taken), expected)
    if kind == "numbers":
        signs = np.signbit(expected.to_numpy())
        assert (np.signbit(read(taken).to_numpy()) == signs)[expected.notna()].all()
    if kind == "words":
        assert set(taken.used().words.categories) == set(expected.dropna())
        pd.testing.assert_series_equal(read(taken.used()), expected)


@pytest.mark.parametrize("runs", [1, 5_000])
def test_long_columns_are_put_together_by_runs_and_row_by_row(runs):
    """A few runs of neighbours are copied as they lie, many rows one by one; both give the same."""
    rng = np.random.default_rng(1)
    parts = [pd.Series(rng.integers(0, 90, size) * 1.0) for size in (4_000, 10, 6_000)]
    whole = pd.concat(parts, ignore_index=True)
    order = np.arange(len(whole)) if runs == 1 else rng.permutation(len(whole))
    taken = gathered([narrowed(part) for part in parts], Rows(order, [4_000, 10, 6_000]))
    assert taken.values.dtype == np.int8
    assert taken.read().tolist() == whole.take(order).tolist()


def test_what_all_rows_share_takes_one_value():
    column = narrowed(pd.Series(np.full(1_000, np.nan)))
    assert is_shared(column.values)
    assert np.isnan(column.read()).all()
    assert is_shared(gathered([column, column], Rows(np.arange(2_000), [1_000, 1_000])).values)


def test_points_are_drawn_when_somebody_looks():
    """Selecting rows and columns draws none; the shapes are those that shapely makes."""
    xy = np.array([[1.0, 2.0], [np.nan, np.nan], [3.0, 4.0]])
    points = LazyPoints(xy, "EPSG:32630")
    frame = gpd.GeoDataFrame({"k": [0, 1, 2]}, geometry=points, copy=False)
    chosen = frame[frame["k"] != 1].assign(more=1).iloc[::-1][["more", "geometry"]]
    assert isinstance(chosen.geometry.array, LazyPoints)
    assert points._drawn is None
    assert chosen.geometry.array._drawn is None
    assert chosen.geometry.tolist() == [shapely.Point(3, 4), shapely.Point(1, 2)]
    assert frame.geometry.isna().tolist() == [False, True, False]
    moved = frame.geometry.reindex([2, 7, 1])
    assert moved.iloc[0] == shapely.Point(3, 4)
    assert moved.isna().tolist() == [False, True, True]
    with pytest.raises(TypeError, match="not changed"):
        points[0] = shapely.Point(0, 0)
