"""How much of a mapping that a person wrote for open data is suggested as it stands.

Sheets and mapping: tests/references/neonfish (its README names the source). What the suggestion
cannot know (names of the survey and its zone, what goes into notes) is not in the list.
"""

import tomllib

from service.intake.findings import Findings
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from service.reference.method_files import read_methods, shipped_methods
from tests.conftest import REFERENCES
from tests.intake_sheets import make_store

NEON = REFERENCES / "neonfish"
SUGGESTED = {
    "placements": [
        "placement_id", "method", "set_at", "lifted_at", "longitude", "latitude",
        "stretch_length_m", "minutes",
    ],
    "catches": ["placement_id", "species", "count"],
    "species": ["species", "rank", "taxon_id"],
}  # fmt: skip


def test_fourteen_rules_are_suggested_as_a_person_wrote_them(tmp_path):
    """Times in UTC, effort in the unit beside it, subspecies as species among them."""
    store = make_store(tmp_path / "s.gpkg", bare=True)
    methods = [*shipped_methods().index, *read_methods(NEON / "methods.toml").index]
    caught = (NEON / "catches.csv").read_text("utf-8").replace(",species,", ",subspecies,", 1)
    (tmp_path / "catches.csv").write_text(caught, "utf-8")  # the whole has some, these rows none
    files = NEON / "placements.csv", tmp_path / "catches.csv"
    tables = [table for file in files for table in read_tables(file, Findings())]
    suggestion = suggest(tables, store.species(), methods, store.settings.crs)
    store.close()
    read = tomllib.loads(suggestion.text)
    wanted = tomllib.loads((NEON / "mapping.toml").read_text("utf-8"))
    for sheet, names in SUGGESTED.items():
        for name in names:
            assert read[sheet].get(name) == wanted[sheet][name], (sheet, name)
