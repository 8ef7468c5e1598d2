"""Made-up names for the streams of the invented island."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

RIVERS = (
    "Quessin Water", "Orbrelle Water", "Yaskendur", "Velkmoor Water", "Tarnubry Water",
    "Umberlisk", "Kessaroy Water", "Drennivane",
)  # fmt: skip
FIRST = (
    "Brev", "Caum", "Druv", "Elg", "Felj", "Gwiz", "Hask", "Ilv", "Jorv", "Kezz", "Lurv", "Mevv",
    "Nozt", "Olvr", "Pryz", "Quav", "Ruvv", "Skeb", "Thauv", "Ulk", "Vesk", "Wrinj", "Yarj",
    "Zelm",
)  # fmt: skip
SECOND = ("ando", "ovick", "urne", "imba", "askel", "edrow", "ombry", "iska", "oreth", "unnel")
WATERS = ("Burn", "Brook", "Beck", "Stream", "Lane")


def stream_names(seed: int) -> Iterator[str]:
    """Yield names, the rivers' first, then as many different ones as there are syllables for."""
    yield from RIVERS
    rng = np.random.default_rng(seed)
    pairs = rng.permutation(len(FIRST) * len(SECOND))
    for pair in pairs.tolist():
        first, second = divmod(pair, len(SECOND))
        yield f"{FIRST[first]}{SECOND[second]} {WATERS[int(rng.integers(len(WATERS)))]}"
