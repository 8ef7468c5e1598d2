"""Other units for the columns that have one, and how they become ours."""

from __future__ import annotations

from typing import Final

__all__ = ["UNITS"]

# Factor and offset from another unit to ours. Exact by definition (SI brochure; international
# yard and pound; degree Fahrenheit).
UNITS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "min": {"s": (1 / 60, 0), "h": (60, 0), "d": (1440, 0)},
    "mm": {"cm": (10, 0), "m": (1000, 0), "in": (25.4, 0)},
    "m": {"cm": (0.01, 0), "km": (1000, 0), "ft": (0.3048, 0), "yd": (0.9144, 0)},
    "m²": {"ha": (10_000, 0), "ft²": (0.09290304, 0)},
    "g": {"mg": (0.001, 0), "kg": (1000, 0), "oz": (28.349523125, 0)},
    "°C": {"°F": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "µS/cm": {"mS/cm": (1000, 0), "S/m": (10_000, 0)},
    "mg/l": {"g/m³": (1, 0)},
}
