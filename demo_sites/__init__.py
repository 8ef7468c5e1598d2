"""An invented island with its reaches, catchments, species list and field sheets.

The files are written by ``python -m demo_sites.generate_island`` and shipped with the package.
`REACHES`, `CATCHMENTS` and `WATERBODIES` name layers of the GeoPackage `ISLAND`; the others are
CSV files. Times in `PLACEMENTS` are wall-clock times of `TIMEZONE`, which keeps summer time.
"""

from importlib.resources import files
from pathlib import Path
from typing import Final

ISLAND_NAME: Final = "Orvelund Skarra"
ISLAND_CRS: Final = "EPSG:32629"
# The zone that is kept at this longitude on the nearest land: UTC, in summer UTC+1.
TIMEZONE: Final = "Europe/Dublin"

_FOLDER = Path(str(files(__name__)))
ISLAND: Final = _FOLDER / "island.gpkg"
REACHES: Final = (ISLAND, "reaches")
CATCHMENTS: Final = (ISLAND, "catchments")
WATERBODIES: Final = (ISLAND, "waterbodies")
SPECIES: Final = _FOLDER / "species.csv"
PLACEMENTS: Final = _FOLDER / "placements.csv"
CATCHES: Final = _FOLDER / "catches.csv"
LENGTHS: Final = _FOLDER / "lengths.csv"
SURVEYS: Final = _FOLDER / "surveys.csv"
SITES: Final = _FOLDER / "sites.csv"
