"""Fishes of the invented island: the species list, where each lives and what catches it.

The species are real north-west European ones; names and lengths are common knowledge of the
trade. Where each lives on the island, and how readily each gear takes it, is made up so that the
records look as they would: bullhead and trout high up, eel lower, sticklebacks in ditches and
the lagoon, flounder near the sea.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

CLASSES = ("high_brook", "low_brook", "river", "mouth", "lake", "lagoon", "ditch")
METHODS = (
    "kick_net",
    "hand_net",
    "spotlight",
    "minnow_trap",
    "fyke_net",
    "seine",
    "electric_fishing",
)

# Chance that one placement of each method (order of METHODS) takes a species that lives there.
CATCHABILITY: dict[str, tuple[float, ...]] = {
    "bottom": (0.62, 0.34, 0.45, 0.30, 0.12, 0.25, 0.86),
    "shoal": (0.25, 0.60, 0.50, 0.74, 0.12, 0.72, 0.62),
    "burrower": (0.22, 0.10, 0.06, 0.00, 0.05, 0.00, 0.55),
    "eel": (0.00, 0.04, 0.30, 0.10, 0.80, 0.12, 0.70),
    "salmonid": (0.10, 0.03, 0.38, 0.06, 0.20, 0.20, 0.92),
    "pond": (0.00, 0.08, 0.22, 0.10, 0.62, 0.62, 0.60),
    "tidal": (0.00, 0.22, 0.25, 0.10, 0.42, 0.72, 0.50),
}


@dataclass(frozen=True)
class Fish:
    """One entry of the species list and its life on the island.

    `lives` holds the chance of living in a reach of each class (order of CLASSES), `shoal` the
    usual number taken where it is taken at all. `sensitivity` is the step that a keeper would
    choose after seeing what each hides: few above 1 km, so that the public map says something.
    """

    species: str
    vernacular_name: str
    family: str
    habitats: str
    length_mm: tuple[int, int]
    guild: str
    shoal: float
    lives: tuple[float, ...]
    sensitivity: str = "none"
    season: tuple[str, str] | None = None
    rank: str = "species"


FISHES = (
    Fish("Cottus gobio", "Bullhead", "Cottidae", "stream", (12, 150), "bottom", 4.0,
         (0.78, 0.55, 0.45, 0.02, 0.0, 0.0, 0.0)),
    Fish("Barbatula barbatula", "Stone loach", "Nemacheilidae", "stream", (15, 150), "bottom", 4.0,
         (0.32, 0.62, 0.60, 0.05, 0.0, 0.0, 0.05)),
    Fish("Gasterosteus aculeatus", "Three-spined stickleback", "Gasterosteidae",
         "stream;still;brackish", (10, 90), "shoal", 9.0,
         (0.12, 0.55, 0.50, 0.75, 0.60, 0.95, 0.92)),
    Fish("Pungitius pungitius", "Nine-spined stickleback", "Gasterosteidae",
         "stream;still;brackish", (10, 75), "shoal", 6.0,
         (0.02, 0.20, 0.15, 0.30, 0.40, 0.70, 0.90)),
    Fish("Phoxinus phoxinus", "Minnow", "Leuciscidae", "stream;still", (12, 110), "shoal", 9.0,
         (0.45, 0.62, 0.65, 0.05, 0.50, 0.0, 0.05)),
    Fish("Lampetra planeri", "Brook lamprey", "Petromyzontidae", "stream", (20, 180), "burrower",
         2.0, (0.25, 0.38, 0.30, 0.0, 0.0, 0.0, 0.0), "1", ("03-15", "06-15")),
    Fish("Lampetra fluviatilis", "River lamprey", "Petromyzontidae", "stream;brackish",
         (80, 450), "burrower", 1.2, (0.0, 0.0, 0.12, 0.40, 0.0, 0.05, 0.0), "1"),
    Fish("Anguilla anguilla", "European eel", "Anguillidae", "stream;still;brackish",
         (65, 1200), "eel", 2.0, (0.15, 0.45, 0.60, 0.90, 0.70, 0.95, 0.40)),
    Fish("Salmo trutta", "Brown trout", "Salmonidae", "stream;still;brackish", (25, 900),
         "salmonid", 5.0, (0.82, 0.62, 0.60, 0.30, 0.60, 0.10, 0.0), "1", ("10-15", "01-31")),
    Fish("Salmo salar", "Atlantic salmon", "Salmonidae", "stream;brackish", (25, 1200),
         "salmonid", 3.0, (0.12, 0.15, 0.40, 0.30, 0.0, 0.05, 0.0), "1"),
    Fish("Perca fluviatilis", "Perch", "Percidae", "stream;still", (20, 500), "pond", 4.0,
         (0.0, 0.05, 0.25, 0.10, 0.95, 0.10, 0.05)),
    Fish("Gobio gobio", "Gudgeon", "Gobionidae", "stream;still", (18, 180), "bottom", 3.5,
         (0.0, 0.30, 0.55, 0.10, 0.30, 0.0, 0.05)),
    Fish("Platichthys flesus", "Flounder", "Pleuronectidae", "stream;brackish", (12, 500),
         "tidal", 4.0, (0.0, 0.0, 0.08, 0.88, 0.0, 0.92, 0.0)),
    Fish("Cobitis taenia", "Spined loach", "Cobitidae", "stream;still", (15, 130), "bottom", 1.6,
         (0.0, 0.10, 0.20, 0.0, 0.30, 0.0, 0.30), "1"),
    Fish("Misgurnus fossilis", "Weatherfish", "Cobitidae", "still", (20, 300), "bottom", 1.5,
         (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.75), "withheld"),
    Fish("Rutilus rutilus", "Roach", "Leuciscidae", "stream;still", (18, 400), "pond", 6.0,
         (0.0, 0.05, 0.30, 0.10, 0.90, 0.10, 0.10)),
    Fish("Tinca tinca", "Tench", "Tincidae", "still", (20, 600), "pond", 1.6,
         (0.0, 0.0, 0.02, 0.0, 0.60, 0.0, 0.50)),
    Fish("Esox lucius", "Pike", "Esocidae", "stream;still", (30, 1300), "pond", 1.3,
         (0.0, 0.02, 0.15, 0.0, 0.80, 0.0, 0.15)),
    Fish("Leucaspius delineatus", "Sunbleak", "Leuciscidae", "still", (12, 90), "shoal", 12.0,
         (0.0, 0.02, 0.02, 0.0, 0.35, 0.0, 0.45)),
    Fish("Rhodeus amarus", "Bitterling", "Acheilognathidae", "stream;still", (10, 90), "shoal",
         3.0, (0.0, 0.0, 0.04, 0.0, 0.55, 0.0, 0.40), "1"),
    Fish("Osmerus eperlanus", "Smelt", "Osmeridae", "stream;brackish", (30, 300), "tidal", 5.0,
         (0.0, 0.0, 0.0, 0.40, 0.0, 0.55, 0.0), "10", ("02-01", "05-31")),
    Fish("Pomatoschistus microps", "Common goby", "Gobiidae", "brackish", (10, 70), "tidal", 12.0,
         (0.0, 0.0, 0.0, 0.50, 0.0, 0.98, 0.0)),
)  # fmt: skip

# Entries for fish that were not taken further than a genus or a family.
COARSE = (
    Fish("Lampetra", "Lamprey not taken further", "Petromyzontidae", "stream;brackish", (10, 450),
         "burrower", 1.0, (0.0,) * 7, "1", None, "genus"),
    Fish("Pungitius", "Small stickleback not taken further", "Gasterosteidae",
         "stream;still;brackish", (8, 75), "shoal", 1.0, (0.0,) * 7, "none", None, "genus"),
    Fish("Leuciscidae", "Minnow or roach fry not taken further", "Leuciscidae", "stream;still",
         (8, 400), "shoal", 1.0, (0.0,) * 7, "none", None, "family"),
    Fish("Salmonidae", "Salmon or trout not taken further", "Salmonidae",
         "stream;still;brackish", (20, 1200), "salmonid", 1.0, (0.0,) * 7, "1", None, "family"),
)  # fmt: skip
COARSE_OF = {
    "Lampetra planeri": "Lampetra",
    "Lampetra fluviatilis": "Lampetra",
    "Pungitius pungitius": "Pungitius",
    "Phoxinus phoxinus": "Leuciscidae",
    "Rutilus rutilus": "Leuciscidae",
    "Salmo trutta": "Salmonidae",
    "Salmo salar": "Salmonidae",
}


def species_list() -> pd.DataFrame:
    """Write the species list as a frame with the columns of the species file."""
    rows = []
    for number, fish in enumerate((*FISHES, *COARSE), start=1):
        takes = [
            method
            for method, chance in zip(METHODS, CATCHABILITY[fish.guild], strict=True)
            if chance >= 0.1
        ]
        rows.append(
            {
                "species": fish.species,
                "vernacular_name": fish.vernacular_name,
                "rank": fish.rank,
                "family": fish.family,
                "habitats": fish.habitats,
                "detected_by": ";".join(takes) if len(takes) < len(METHODS) else None,
                "min_length_mm": fish.length_mm[0],
                "max_length_mm": fish.length_mm[1],
                "sensitivity": fish.sensitivity,
                "sensitive_from": fish.season[0] if fish.season else None,
                "sensitive_until": fish.season[1] if fish.season else None,
                "taxon_id": f"skarra:{number:03d}",
            }
        )
    return pd.DataFrame(rows)
