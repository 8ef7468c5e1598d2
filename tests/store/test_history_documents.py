"""History documents written column by column say what a plain loop over the rows says.

Outside reference: Python's own json module.
"""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from service.store.history import content_digest, content_digests, document_texts, documents

NOTES = [
    'quote " and ",', "line\nbreak,\n  next", "%s {x} \\ null", "", None, "null", "ñ 鱒 \u2028", "a"
]  # fmt: skip
COUNTS = [1.0, -0.0, 0.0, np.nan, 2.5, 1e300, 3.0, np.nan]


def _frames():
    """Placements in which many kinds of values are missing here and there."""
    n = len(NOTES)
    ids = pd.Index([f'P"{k},' for k in range(n)], name="placement_id", dtype="str")
    placements = gpd.GeoDataFrame(
        {
            "method": pd.array(["kick_net"] * n, dtype="str"),
            "minutes": COUNTS,
            "passes": [3.0, np.nan] * (n // 2),
            "gear_cleaned": pd.array([True, False, None, True] * (n // 4), dtype="boolean"),
            "bait": pd.array([None] * n, dtype="str"),
            "notes": pd.array(NOTES, dtype="str"),
            "shape": [shapely.LineString([(0, k), (1.25, k)]) if k % 3 else None for k in range(n)],
        },
        index=ids,
        geometry=[None if k == 5 else shapely.Point(k, -0.5) for k in range(n)],
        crs="EPSG:32629",
    )
    owner = [6, 0, 3, 0, 6, 6]
    catches = pd.DataFrame(
        {
            "placement_id": ids[owner].astype("str"),
            "species": pd.array([f"Genus species{k}" for k in range(6)], dtype="str"),
            "count": [1.0, 2.0, np.nan, 4.0, -0.0, 0.0],
            "pass_no": [1.0, np.nan, 2.0, 1.0, 1.0, 3.0],
        }
    )
    lengths = catches.iloc[[2, 0]].drop(columns="count").assign(length_mm=[81.5, np.nan])
    return placements, catches, lengths


def _plain(row, whole=(), truths=()):
    known = {name: value for name, value in row.items() if pd.notna(value)}
    return {
        name: int(value) if name in whole else bool(value) if name in truths else value
        for name, value in known.items()
    }


def _by_loop(placements, catches, lengths):
    written = []
    for name, row in placements.iterrows():
        head = {"placement_id": name, **row.drop(["geometry", "shape"])}
        document = _plain(head, whole=["passes"], truths=["gear_cleaned"])
        if row["geometry"] is not None:
            document |= {"x": row["geometry"].x, "y": row["geometry"].y}
        if row["shape"] is not None:
            document["shape"] = shapely.to_wkt(row["shape"], rounding_precision=-1)
        for key, frame in (("catches", catches), ("lengths", lengths)):
            own = frame[frame["placement_id"] == name].drop(columns="placement_id")
            rows = [_plain(one, whole=["pass_no"]) for _, one in own.iterrows()]
            if rows:
                document[key] = rows
        written.append(document)
    return written


def test_documents_agree_with_a_plain_loop():
    """Text with quotes and line breaks, negative zeros and every pattern of missing values."""
    frames = _frames()
    want = _by_loop(*frames)
    texts = document_texts(*frames)
    assert [json.loads(text) for text in texts] == want
    assert documents(*frames) == want
    assert '"minutes":-0.0' in texts[1]
    assert '"minutes":0.0' in texts[2]  # equal numbers are told apart by their sign


def test_documents_of_many_rows_with_few_values_agree_with_a_plain_loop():
    """Columns that repeat are joined for each combination of their values, not for each row."""
    n, copies = len(NOTES), 40
    placements, catches, lengths = _frames()
    many = pd.concat([placements] * copies)
    number = np.arange(len(many)) // n
    many.index = pd.Index(
        [f"{name}{k}" for name, k in zip(many.index, number, strict=True)],
        name="placement_id",
        dtype="str",
    )
    owned = []
    for frame in (catches, lengths):
        rows = pd.concat([frame] * copies, ignore_index=True)
        copy = np.arange(len(rows)) // len(frame)
        rows["placement_id"] += pd.Series(copy.astype(str), dtype="str")
        owned.append(rows)
    assert owned[0].drop(columns="placement_id").drop_duplicates().shape[0] == len(catches)
    frames = (many, *owned)
    want = _by_loop(*frames)
    assert [json.loads(text) for text in document_texts(*frames)] == want
    assert content_digests(*frames).tolist() == [content_digest(one) for one in want]


def test_document_of_a_part_is_that_of_the_whole():
    """Verifying goes piece by piece: a document depends on nothing beside it."""
    placements, catches, lengths = _frames()
    texts = document_texts(placements, catches, lengths)
    for k, name in enumerate(placements.index):
        own = (frame[frame["placement_id"] == name] for frame in (catches, lengths))
        assert document_texts(placements.iloc[[k]], *own) == [texts[k]]
    assert document_texts(placements.head(0), catches.head(0), lengths.head(0)) == []


def test_a_value_that_is_not_plain_is_refused_not_misplaced():
    """A list would take several lines of the text and push all later values out of their rows."""
    placements, catches, lengths = _frames()
    placements["notes"] = pd.Series([("a", "b")] * len(placements), index=placements.index)
    with pytest.raises(TypeError, match="not plain"):
        document_texts(placements, catches, lengths)


RECORDED = {
    "placement_id": "P1", "minutes": 30.0, "original_x": -11.2, "original_y": 52.6,
    "x": 350_000.1, "y": 5_829_900.2, "transformation": "WGS 84 to grid",
    "transformation_accuracy_m": 1.0, "shape": "LINESTRING (0 0, 1 1.0001)",
    "catches": [{"species": "a", "count": 1.0}, {"species": "b", "count": 2.0}],
}  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [
        {"x": 350_000.2, "y": 0.0},
        {"transformation": "another", "transformation_accuracy_m": 2.0},
        {"shape": "LINESTRING (0 0.0000001, 1 1.0001)"},
        {"catches": [{"count": 2.0, "species": "b"}, {"species": "a", "count": 1.0}]},
    ],
)
def test_digest_is_of_what_was_recorded(change):
    """Neither the order of rows and keys nor where a transformation put a place counts."""
    assert content_digest(RECORDED | change) == content_digest(RECORDED)


@pytest.mark.parametrize(
    "change",
    [
        {"minutes": 31.0},
        {"bait": "30"},
        {"original_x": -11.3},
        {"shape": "LINESTRING (0 0, 1 1.01)"},
        {"catches": [{"species": "a", "count": 2.0}, {"species": "b", "count": 1.0}]},
        {"lengths": [{"species": "a", "length_mm": 80.0}]},
    ],
)
def test_digest_differs_with_any_recorded_value(change):
    assert content_digest(RECORDED | change) != content_digest(RECORDED)


def test_digest_of_a_place_without_its_original_has_the_stored_one():
    plain = {"placement_id": "P1", "x": 1.0, "y": 2.0}
    assert content_digest(plain) != content_digest(plain | {"x": 1.5})


@pytest.mark.parametrize("shapes", ["some", "none", "without"])
def test_digests_of_columns_are_those_of_the_documents(shapes):
    """Originals here and there, equal and unordered catches with any text, lengths, no rows."""
    placements, catches, lengths = _frames()
    n = len(placements)
    placements["original_x"] = placements["original_y"] = [1.5, np.nan] * (n // 2)
    placements["transformation"] = pd.array(["a way", None] * (n // 2), dtype="str")
    placements["shape"] = [
        None if shape is None else shapely.transform(shape, lambda xy: xy + 0.00041)
        for shape in placements["shape"]
    ]
    if shapes == "none":
        placements["shape"] = pd.Series([None] * n, index=placements.index, dtype=object)
    elif shapes == "without":
        placements = placements.drop(columns="shape")
    more = catches.assign(notes=pd.array(NOTES[:6], dtype="str"))
    catches = pd.concat([more, more.iloc[::-1], more.assign(species="Zebra æ")])
    for frames in ((placements, catches, lengths), (placements, catches.head(0), lengths)):
        digests = content_digests(*frames)
        assert digests.tolist() == [content_digest(one) for one in documents(*frames)]
        assert digests.index.equals(placements.index)
    assert content_digests(placements.head(0), catches.head(0), lengths.head(0)).empty
