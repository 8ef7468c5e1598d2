"""Backgrounds: taken as they are or cut, each tile under the number that the standard gives it.

Outside references: OGC 17-083r4 (Two Dimensional Tile Matrix Set), annex D.1, WebMercatorQuad;
MBTiles 1.3 (rows from the south); GDAL (through rasterio), which reads the store's tiles; PROJ
(through pyproj).
"""

import math
import sqlite3
from contextlib import closing

import numpy as np
import pyproj
import pytest
import rasterio
import rasterio.shutil
from click.testing import CliRunner

from layers.drawing.tile_grid import HALF_M, degrees, metres, span_m
from service.errors import RequestError
from service.program import main
from service.records import StoreSettings
from service.reference.loading_backgrounds import load_background, plain_attribution
from service.store import create_store
from tests.tile_pictures import (
    BLUE,
    CRS,
    GREEN,
    NORTH,
    RED,
    SAND,
    SIDE_M,
    WEST,
    png,
    quarters,
    write_mbtiles,
    write_picture,
)


@pytest.fixture
def store(tmp_path):
    store = create_store(tmp_path / "island.gpkg", StoreSettings(CRS, "UTC"))
    yield store
    store.close()


def load(store, path, **given):
    return load_background(store, path, **{"who": "ann", "attribution": "Owner"} | given).sentences


def colour_at(store, name, x, y, crs=CRS):
    """Colour that the finest tile has at a place, its number by the published formulas.

    Column and row of a position: OpenStreetMap wiki, Slippy map tilenames; the same numbers as
    TileCol and TileRow of WebMercatorQuad.
    """
    from io import BytesIO

    from PIL import Image

    to_degrees = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(x, y)
    zoom = next(one.zooms[1] for one in store.backgrounds() if one.name == name)
    n = 2**zoom
    column = n * (longitude + 180) / 360
    row = n * (1 - math.asinh(math.tan(math.radians(latitude))) / math.pi) / 2
    content = store.tile(name, zoom, int(column), int(row))
    picture = Image.open(BytesIO(content)).convert("RGB")
    return picture.getpixel((int(column % 1 * picture.width), int(row % 1 * picture.height)))


def quarter_places():
    """Middle of each quarter, with its colour."""
    step = SIDE_M / 4
    for column, row, colour in ((1, 1, RED), (3, 1, GREEN), (1, 3, BLUE), (3, 3, SAND)):
        yield WEST + column * step, NORTH - row * step, colour


# OGC 17-083r4, annex D.1, table of WebMercatorQuad: scale denominator, matrix width, from memory.
# A pixel of the standard's rendering is 0.28 mm wide.
LEVELS = [
    (0, 559_082_264.028717, 1), (1, 279_541_132.014358, 2), (10, 545_978.773465544, 1_024),
    (18, 2_132.72958384978, 262_144),
]  # fmt: skip


@pytest.mark.parametrize(("zoom", "scale", "width"), LEVELS)
def test_grid_is_web_mercator_quad(zoom, scale, width):
    assert span_m(zoom) / 256 == pytest.approx(scale * 0.28e-3, rel=1e-12)
    assert 2 * HALF_M / span_m(zoom) == width
    assert pytest.approx(20_037_508.3427892, abs=1e-6) == HALF_M


def test_metres_are_those_of_proj():
    to_metres = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    for place in ((0, 0), (-11.2, 52.6), (179.9, -80), (-180, 85)):
        assert metres(*place) == pytest.approx(to_metres.transform(*place), abs=1e-6)
        assert degrees(*metres(*place)) == pytest.approx(place, abs=1e-12)


def test_a_geotiff_is_cut_into_tiles_that_lie_where_it_does(store, tmp_path):
    """By the published tile numbers, and by GDAL, which opens the store's own tiles."""
    path = write_picture(
        tmp_path / "air.tif", quarters(), tags={"TIFFTAG_COPYRIGHT": "Air <b>survey</b>"}
    )
    said = load(store, path, attribution="")
    (background,) = store.backgrounds()
    assert background.name == "air"
    assert background.attribution == "Air survey"
    assert f"{background.tiles} tiles" in said[0]
    # 5 m a pixel on the ground is 8.2 m at 52.6 degrees: zoom 14 has 9.55 m, 15 has 4.78 m.
    assert background.zooms[1] == 14
    for x, y, colour in quarter_places():
        assert colour_at(store, "air", x, y) == pytest.approx(colour, abs=3)
    with rasterio.open(store.path, driver="GPKG", table="background_1") as read:
        assert read.crs == "EPSG:3857"
        assert read.res == pytest.approx((9.554628535647032,) * 2)
        to_mercator = pyproj.Transformer.from_crs(CRS, "EPSG:3857", always_xy=True)
        for x, y, colour in quarter_places():
            (seen,) = read.sample([to_mercator.transform(x, y)])
            assert seen[:3].tolist() == pytest.approx(colour, abs=3)
        around = to_mercator.transform(WEST - 200, NORTH - 500)
        (beside,) = read.sample([around])
        assert beside[3] == 0  # nothing is drawn where the picture does not reach


def test_coarser_tiles_are_the_finer_ones_made_small(store, tmp_path):
    """The one pixel of a level is the mean of four, without what shows through: by Pillow."""
    from io import BytesIO

    from PIL import Image

    grey = np.random.default_rng(2).integers(1, 255, (512, 512), np.uint8)
    noise = np.stack([grey] * 3)  # few colours, so that nothing is lost in the writing
    span = span_m(14)
    west, north = 7_000 * span - HALF_M, HALF_M - 6_000 * span
    path = write_picture(tmp_path / "n.tif", noise, "EPSG:3857", west, north, 2 * span)
    load(store, path)
    (one,) = store.backgrounds()
    assert one.zooms == (13, 14)
    assert one.tiles == 5
    coarse = Image.open(BytesIO(store.tile("n", 13, 3_500, 3_000))).convert("RGB")
    right = Image.fromarray(np.moveaxis(noise, 0, -1)).resize((256, 256), Image.Resampling.BOX)
    assert np.abs(np.asarray(coarse, float) - np.asarray(right, float)).max() <= 1
    noise[:, ::2, ::2] = 200
    noise[:, 1::2] = noise[:, :, 1::2] = 0  # of each four pixels one is there
    load(
        store,
        write_picture(tmp_path / "h.tif", noise, "EPSG:3857", west, north, 2 * span, nodata=0),
    )
    thin = np.asarray(Image.open(BytesIO(store.tile("h", 13, 3_500, 3_000))))
    assert (thin == (200, 200, 200, 64)).all()


def test_a_palette_a_grey_picture_and_one_without_corners_are_cut(store, tmp_path):
    index = np.zeros((1, 400, 400), np.uint8)
    index[0, :, 200:] = 1
    path = write_picture(tmp_path / "drawn.tif", index)
    with rasterio.open(path, "r+") as file:
        file.write_colormap(1, {0: (*RED, 255), 1: (*GREEN, 255)})
    load(store, path)
    places = list(quarter_places())
    assert colour_at(store, "drawn", *places[0][:2]) == RED
    assert colour_at(store, "drawn", *places[1][:2]) == GREEN
    load(store, write_picture(tmp_path / "grey.tif", np.full((1, 400, 400), 77, np.uint8)))
    assert colour_at(store, "grey", *places[0][:2]) == (77, 77, 77)
    corner = quarters()
    corner[:, :200, :200] = 0
    load(store, write_picture(tmp_path / "corner.tif", corner, nodata=0))
    with rasterio.open(store.path, driver="GPKG", table="background_3") as read:
        to_mercator = pyproj.Transformer.from_crs(CRS, "EPSG:3857", always_xy=True)
        alphas = [one[3] for one in read.sample([to_mercator.transform(*p[:2]) for p in places])]
    assert alphas == [0, 255, 255, 255]


def test_mbtiles_are_taken_as_they_are_with_rows_from_the_north(store, tmp_path):
    """MBTiles 1.3 counts rows from the south; at zoom 1 the row of the north is 1 there."""
    tiles = {
        (0, 0, 0): png(SAND), (1, 0, 1): png(RED), (1, 1, 1): png(GREEN),
        (1, 0, 0): png(BLUE, form="WEBP"),
    }  # fmt: skip
    said = {
        "name": "World", "format": "png", "bounds": "-180,-60,180,75",
        "attribution": '&copy; <a href="https://example.org/">Owner</a>',
    }  # fmt: skip
    load(store, write_mbtiles(tmp_path / "w.mbtiles", tiles, **said), attribution="")
    (one,) = store.backgrounds()
    assert (one.name, one.attribution, one.zooms, one.tiles) == ("World", "© Owner", (0, 1), 4)
    assert one.bounds == (-180, -60, 180, 75)
    assert store.tile("World", 1, 0, 0) == tiles[1, 0, 1]
    assert store.tile("World", 1, 1, 0) == tiles[1, 1, 1]
    assert store.tile("World", 1, 0, 1) == tiles[1, 0, 0]
    assert store.tile("World", 1, 1, 1) is None
    assert store.tiles_of_box("World", (-90, 10, -80, 20), 1) == [(0, 0, len(tiles[1, 0, 1]))]
    assert len(store.tiles_of_box("World", (-90, -10, 80, 20), 1)) == 3
    assert store.faults() == []


def test_a_geopackage_on_the_usual_grid_is_taken_as_it_is_and_another_is_drawn_anew(
    store, tmp_path
):
    """Both written by GDAL: its tiling scheme GoogleMapsCompatible, and a grid of its own."""
    picture = write_picture(
        tmp_path / "usual.tif", quarters(512), "EPSG:3857", -1_240_000, 6_910_000, 2_000
    )
    usual = tmp_path / "usual.gpkg"
    rasterio.shutil.copy(
        picture, usual, driver="GPKG", TILING_SCHEME="GoogleMapsCompatible", TILE_FORMAT="PNG"
    )
    assert "as they are" in load(store, usual, name="usual")[1]
    with closing(sqlite3.connect(usual)) as file:
        theirs = file.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM usual")
        for zoom, column, row, content in theirs.fetchall():
            assert store.tile("usual", zoom, column, row) == content
    for place, colour in (((-1_239_500, 6_909_500), RED), ((-1_238_500, 6_908_500), SAND)):
        assert colour_at(store, "usual", *place, "EPSG:3857") == pytest.approx(colour, abs=3)
    shifted = write_picture(
        tmp_path / "shifted.gpkg", quarters(512), "EPSG:3857", -1_240_000, 6_910_000, 2_000,
        driver="GPKG", TILE_FORMAT="PNG",
    )  # fmt: skip
    assert "Cut from 512 by 512 pixels in EPSG:3857" in load(store, shifted, name="shifted")[1]
    assert colour_at(store, "shifted", -1_239_500, 6_909_500, "EPSG:3857") == pytest.approx(
        RED, abs=3
    )
    other = write_picture(tmp_path / "other.gpkg", quarters(), driver="GPKG", TILE_FORMAT="PNG")
    assert "Cut from 400 by 400 pixels in EPSG:32629" in load(store, other, name="other")[1]
    for x, y, colour in quarter_places():
        assert colour_at(store, "other", x, y) == pytest.approx(colour, abs=3)
    assert store.faults() == []


def bad_files(folder):
    """Name, how it is made, and a word of what is said of it."""
    shades = quarters().astype(np.uint16)
    noise = np.random.default_rng(3).integers(0, 255, (3, 1_000, 1_000), np.uint8)
    picture = write_picture(folder / "t.tif", noise)
    rasterio.shutil.copy(picture, folder / "front.tif", driver="COG", OVERVIEWS="NONE")
    truncated = (folder / "front.tif").read_bytes()
    for name, content in {
        "text.tif": b"no picture", "cut.tif": truncated[: len(truncated) // 2],
        "head.tif": b"II*\0" + b"\0" * 50,
        "some.mbtiles": b"SQLite format 3\0" + b"\0" * 200, "nothing.gpkg": b"",
    }.items():  # fmt: skip
        (folder / name).write_bytes(content)
    with closing(sqlite3.connect(folder / "empty.mbtiles")) as file:
        file.execute("CREATE TABLE anything (a)")
    write_picture(folder / "deep.tif", shades)
    write_picture(folder / "five.tif", np.zeros((5, 50, 50), np.uint8))
    with rasterio.open(
        folder / "placeless.tif", "w", driver="GTiff", width=9, height=9, count=3, dtype="uint8"
    ) as file:
        file.write(np.zeros((3, 9, 9), np.uint8))
    write_mbtiles(folder / "vector.mbtiles", {(0, 0, 0): b"\x1f\x8b"}, format="pbf")
    write_mbtiles(folder / "svg.mbtiles", {(0, 0, 0): b"<svg/>"}, format="png")
    write_mbtiles(folder / "bare.mbtiles", {}, format="png")
    write_mbtiles(folder / "far.mbtiles", {(1, 0, 5): png(RED)}, format="png")
    write_mbtiles(folder / "words.mbtiles", {("a", 0, 0): png(RED)}, format="png")
    write_mbtiles(folder / "hollow.mbtiles", {(0, 0, 0): None}, format="png")
    write_mbtiles(
        folder / "sizes.mbtiles", {(1, 0, 0): png(RED), (1, 1, 0): png(RED, 512)}, format="png"
    )
    write_mbtiles(
        folder / "later.mbtiles", {(0, 0, 0): png(RED), (1, 0, 0): b"broken"}, format="png"
    )
    return {
        "text.tif": "no GeoTIFF, MBTiles or GeoPackage", "cut.tif": "fetch it again",
        "head.tif": "cannot be read as a picture", "some.mbtiles": "cannot be read",
        "nothing.gpkg": "no GeoTIFF", "empty.mbtiles": "neither the tables",
        "deep.tif": "8 bits", "five.tif": "three bands", "placeless.tif": "where it lies",
        "vector.mbtiles": "raster tiles", "svg.mbtiles": "neither PNG, JPEG nor WebP",
        "bare.mbtiles": "holds no tile", "far.mbtiles": "outside the grid",
        "words.mbtiles": "whole numbers", "hollow.mbtiles": "no picture",
        "sizes.mbtiles": "256 and 512", "later.mbtiles": "zoom 1, column 0, row 1",
    }  # fmt: skip


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_bad_file_is_one_clear_sentence_and_leaves_nothing(store, tmp_path):
    version = store.version
    for name, words in bad_files(tmp_path).items():
        with pytest.raises(RequestError, match=words) as refused:
            load(store, tmp_path / name)
        assert "\n" not in str(refused.value)
        assert name in str(refused.value) or "tiles, level" in str(refused.value), refused.value
    good = write_mbtiles(tmp_path / "good.mbtiles", {(0, 0, 0): png(RED)})
    for name in ("none", "NONE", "a/b", "..."):
        with pytest.raises(RequestError, match="another name"):
            load(store, good, name=name)
    with pytest.raises(RequestError, match="whose picture"):
        load(store, good, attribution="")
    assert store.version == version
    assert store.backgrounds() == []


def test_a_tile_view_without_end_is_stopped(store, tmp_path):
    """The tiles of MBTiles may be a view, which may compute for ever."""
    path = write_mbtiles(tmp_path / "endless.mbtiles", {}, format="png")
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("DROP TABLE tiles")
        file.execute(
            "CREATE VIEW tiles AS WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n) "
            "SELECT 0 AS zoom_level, 0 AS tile_column, 0 AS tile_row, i AS tile_data FROM n"
        )
    with pytest.raises(RequestError, match="interrupted"):
        load(store, path, seconds=0.2)


def test_what_is_stored_is_whole_replaced_and_taken_out(store, tmp_path):
    first = write_mbtiles(tmp_path / "a.mbtiles", {(0, 0, 0): png(RED), (1, 0, 0): png(RED)})
    second = write_mbtiles(tmp_path / "b.mbtiles", {(0, 0, 0): png(BLUE)})
    assert "nothing stored" in load(store, first, name="Hills", check_only=True)[0]
    assert store.backgrounds() == []
    load(store, first, name="Hills")
    before = store.backgrounds()
    (one,) = before

    def broken():
        yield (0, 0, 0, png(RED))
        raise RuntimeError("stopped in the middle")

    with pytest.raises(RuntimeError):
        store.put_background(one, broken(), {0: 256}, who="ann")
    assert store.backgrounds() == before
    assert store.tile("Hills", 1, 0, 1) == png(RED)
    assert "takes the place" in load(store, second, name="Hills")[-1]
    assert store.tile("Hills", 0, 0, 0) == png(BLUE)
    assert store.tile("Hills", 1, 0, 1) is None
    assert store.backgrounds()[0].digest != one.digest
    assert store.faults() == []
    assert store.remove_background("Hills", who="ben")
    assert not store.remove_background("Hills", who="ben")
    assert store.backgrounds() == []
    done = [(entry.action, entry.who) for entry in store.history("background", "Hills")]
    assert done == [("remove", "ben"), ("change", "ann"), ("add", "ann")]
    assert store.faults() == []


def test_the_command_loads_lists_and_removes(store, tmp_path):
    path = write_picture(tmp_path / "air.tif", quarters())

    def run(*words):
        result = CliRunner().invoke(main, ["load", "background", str(store.path), *words])
        return result.exit_code, result.output

    assert run() != (0, "")
    code, said = run(str(path))
    assert code == 1
    assert "whose picture" in said
    given = (str(path), "--name", "Air 2024", "--attribution", "Air survey")
    code, said = run(*given, "--max-zoom", "12", "--check")
    assert code == 0, said
    assert "nothing stored: Air 2024" in said
    assert run("--list") == (0, "")
    code, said = run(*given, "--max-zoom", "12")
    assert code == 0, said
    assert store.backgrounds()[0].zooms[1] == 12
    assert run("--list")[1].startswith("Air 2024, ")
    assert run("--remove", "Air")[0] == 1
    assert run("--remove", "Air 2024") == (0, "Background removed: Air 2024.\n")
    assert store.backgrounds() == []


def refused(store, path, match, **given):
    with pytest.raises(RequestError, match=match):
        load(store, path, **given)
    assert store.backgrounds() == []


def computed(path, select):
    """MBTiles whose tiles are computed."""
    with closing(sqlite3.connect(path)) as base:
        base.execute("CREATE TABLE metadata (name, value, note)")
        base.execute(
            f"CREATE VIEW tiles (zoom_level, tile_column, tile_row, tile_data) AS {select}"
        )
    return path


def test_a_small_file_gives_no_tile_without_end(store, tmp_path):
    red = png(RED).hex()
    huge = computed(tmp_path / "huge.mbtiles", f"SELECT 0, 0, 0, x'{red}' || zeroblob(6000000)")
    refused(store, huge, "too big")


def test_a_small_file_gives_no_endless_tiles(store, tmp_path, monkeypatch):
    monkeypatch.setattr("service.reference.loading_backgrounds._ALWAYS_BYTES", 50_000)
    tile = f"CAST(x'{png(RED).hex()}' || zeroblob(9000) AS BLOB)"
    many = computed(
        tmp_path / "many.mbtiles",
        "WITH RECURSIVE n(x) AS (SELECT 0 UNION ALL SELECT x + 1 FROM n WHERE x < 99)"
        f" SELECT 9, x, 0, {tile} FROM n",
    )
    refused(store, many, "times as large as the file")


def test_listing_of_a_geopackage_that_is_computed_is_not_given_to_gdal(store, tmp_path):
    """GDAL reads gpkg_extensions whole, however long that takes."""
    path = write_picture(tmp_path / "picture.tif", quarters())
    other = tmp_path / "other.gpkg"
    rasterio.shutil.copy(path, other, driver="GPKG")
    with closing(sqlite3.connect(other)) as base:
        base.execute("DROP TABLE IF EXISTS gpkg_extensions")
        base.execute(
            "CREATE VIEW gpkg_extensions (table_name, column_name, extension_name, definition,"
            " scope) AS SELECT 'a', NULL, 'gpkg_webp', '', 'read-write'"
        )
        base.commit()
    refused(store, other, "no stored table")


def test_brackets_of_an_attribution_are_read_once():
    """Markup ends before the next bracket: else many of them are each read to the end."""
    assert plain_attribution("depth < 2 m, <i>Owner</i>") == "depth < 2 m, Owner"


def test_picture_that_says_it_is_huge_is_not_read(store, tmp_path):
    path = tmp_path / "sparse.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=200_000, height=200_000, count=3, dtype="uint8", crs=CRS,
        transform=rasterio.transform.from_origin(WEST, NORTH, 1, 1), tiled=True,
        blockxsize=4096, blockysize=4096, compress="deflate", SPARSE_OK=True, BIGTIFF="YES",
    ):  # fmt: skip
        pass
    assert path.stat().st_size < 100_000
    refused(store, path, "pixels, more than", max_zoom=3, most_tiles=5_000)


def test_a_tile_that_is_there_twice_is_named_with_what_to_do(store, tmp_path):
    """By the file's own numbers, so that one of the two can be found in it."""
    path = write_mbtiles(tmp_path / "a.mbtiles", {(1, 0, 1): png(RED), (1, 1, 0): png(BLUE)})
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("INSERT INTO tiles VALUES (1, 0, 1, ?)", (png(GREEN),))
    with pytest.raises(RequestError) as refused:
        load(store, path)
    assert "level 1, column 0, row 1: the file has this tile twice" in str(refused.value)
    assert "Delete one of the two" in str(refused.value)
    assert not store.backgrounds()
