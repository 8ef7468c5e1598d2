"""Arrays that functions hand one another, by what one element is."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Floats", "Ints", "Objects"]

Bools: TypeAlias = NDArray[np.bool_]
Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Objects: TypeAlias = NDArray[np.object_]  # geometries, texts, lists; None = missing
