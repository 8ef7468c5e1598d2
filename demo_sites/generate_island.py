"""Write the files of the invented island.

Run ``python -m demo_sites.generate_island`` to write them again; the same seed gives the same
files. How the island comes about:

1. `terrain`: jittered points inside a noisy coast are raised by fractal uplift and worn down by
   rivers until valleys and divides have formed; hollows are filled, and each point drains to its
   steepest neighbour.
2. `waters`: points that drain enough land carry a stream. Streams are cut where they meet, at
   lake shores and at the coast, and rounded a little between those ends. A valley is drowned for
   the lake and a river mouth for the lagoon; two rivers part and rejoin, one tributary sinks into
   the ground, and ditches are dug into low ground.
3. `basins`: Voronoi cells are joined along the flow to six river basins with their parts, and the
   rest to four coasts. Two river basins and two coasts are never sampled.
4. `fauna`, `fieldwork`, `fieldplan`: which species lives in which reach is drawn once; crews then
   fish by all seven methods from 2021 to 2025 and take what each method's chance gives.

Nothing here is a real place. The island lies in open ocean.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import pyogrio

from demo_sites.fauna import species_list
from demo_sites.fieldplan import carry_out
from demo_sites.island import SEED, build_island

WRITTEN_ON = "2026-01-01T00:00:00.000Z"  # fixed, so that a second run gives the same file


def write_island(folder: Path, seed: int = SEED) -> list[Path]:
    """Build the island and write its files into a folder.

    Parameters
    ----------
    folder
        Existing folder; files of the same names are replaced.
    seed
        Seed of ground, names and fieldwork.

    Returns
    -------
    list of Path
        The files written.
    """
    island = build_island(seed)
    map_file = folder / "island.gpkg"
    map_file.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN_ON})
    try:
        reaches = island.reaches[["reach_id", "stream_name", "kind", "geometry"]]
        for layer, frame in (
            ("reaches", reaches),
            ("catchments", island.catchments),
            ("waterbodies", island.waterbodies),
        ):
            frame.to_file(map_file, layer=layer, driver="GPKG", engine="pyogrio")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    written = [map_file]
    for name, sheet in {"species": species_list(), **carry_out(island, seed)}.items():
        path = folder / f"{name}.csv"
        sheet.to_csv(path, index=False, lineterminator="\n")
        written.append(path)
    return written


def main() -> None:
    """Write the files beside this script, or into another folder."""
    parser = argparse.ArgumentParser(description="Write the files of the invented island.")
    parser.add_argument("--folder", type=Path, default=Path(__file__).parent)
    folder = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    for path in write_island(folder):
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
