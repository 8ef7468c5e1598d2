"""Columns with a whole position in each cell: `52.6621, -11.1843`, `29U 357516 5827216`.

They become two columns of degrees, or of metres with their CRS, before anything is read from them.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

from service.intake.numbers import DEGREES

if TYPE_CHECKING:
    import pandas as pd

    from service.intake.findings import Cells

__all__ = ["with_positions_apart"]

_SAMPLE: Final = 40  # different cells by which a column is known
_LOOKED_AT: Final = 2_000  # rows that they are sought in, where these are not all empty
_CUT: Final = re.compile(r"\s*[;|/\n]\s*|,\s+|\s+|,")
_AROUND: Final = "()[] "
# Two numbers with fewer decimals and no sign of degrees may be two of anything.
_EVIDENT: Final = re.compile(r"[NSEWOÖØ°º]|[.,]\d{4}", re.IGNORECASE)
# Whole degrees are no position of gear, and may be counts.
_FINE: Final = re.compile(r"[.,]\d|[°º]|\d\s+\d")
_LETTER: Final = re.compile(r"[NSEWOÖØ]", re.IGNORECASE)
# Universal Transverse Mercator with zone and band: bands from N on are north. S alone is also the
# south, so it is no band here.
_ZONED: Final = re.compile(
    r"(?:UTM\s*)?(?P<zone>[1-9]|[1-5]\d|60)\s*(?P<band>[C-HJ-NP-RT-X])[\s,;]+"
    r"(?:E\s*)?(?P<easting>\d{6}(?:\.\d+)?)(?:\s*m?\s*E)?[\s,;/]+"
    r"(?:N\s*)?(?P<northing>\d{6,7}(?:\.\d+)?)(?:\s*m?\s*N)?",
    re.IGNORECASE,
)


class _Apart(NamedTuple):
    latitude: str = ""
    longitude: str = ""
    easting: str = ""
    northing: str = ""
    crs: str = ""

    def words(self) -> str:
        """Say the parts by their names."""
        own = self._asdict()
        return ", ".join(f"{name} {text}" for name, text in own.items() if text)


def with_positions_apart(cells: Cells) -> Cells:
    """Cut columns of whole positions into columns named after them: `GPS latitude`.

    A column is cut where at least half of its first different cells are positions; what else
    stands in it goes into the first new column. Of two numbers without letters the first is the
    latitude, the order of ISO 6709.
    """
    frame = cells.frame
    for header in cells.frame.columns:
        sample = _filled(frame[header].iloc[:_LOOKED_AT]) or _filled(frame[header])
        if 2 * sum(_apart(text) is not None for text in sample) < max(len(sample), 1):
            continue
        parts = {text: _apart(text) for text in frame[header].unique()}
        became = {text: part for text, part in parts.items() if part}
        used = [name for name in _Apart._fields if any(getattr(p, name) for p in became.values())]
        new = {
            f"{header} {name}": frame[header].map(
                {text: getattr(part, name) for text, part in became.items()}
            )
            for name in used
        }
        if set(new) & set(frame.columns):
            continue
        first = f"{header} {used[0]}"
        new[first] = new[first].fillna(frame[header])
        cells.read_as(frame[header].isin(list(became)), header, "position_apart",
            {text: part.words() for text, part in became.items()},
        )  # fmt: skip
        order = [name for old in frame for name in (new if old == header else (old,))]
        frame = frame.assign(**{name: part.fillna("") for name, part in new.items()})[order]
    return cells if frame is cells.frame else replace(cells, frame=frame)


def _filled(column: pd.Series) -> list[str]:
    return [text for text in column.unique() if text][:_SAMPLE]


def _apart(text: str) -> _Apart | None:
    """Find the two numbers of a position; None where it is none, or may be cut in two ways."""
    bare = text.strip(_AROUND)
    zoned = _ZONED.fullmatch(bare)
    if zoned:
        code = (32600 if zoned["band"].upper() >= "N" else 32700) + int(zoned["zone"])
        return _Apart(easting=zoned["easting"], northing=zoned["northing"], crs=f"EPSG:{code}")
    ways = {(bare[: cut.start()], bare[cut.end() :]) for cut in _CUT.finditer(bare)}
    found = [(one, other) for one, other in ways if _are_degrees(one, other)]
    if len(found) != 1:
        return None
    one, other = found[0]
    letter = _LETTER.search(one)
    turned = letter is not None and letter[0].upper() not in "NS"
    return _Apart(other, one) if turned else _Apart(one, other)


def _are_degrees(one: str, other: str) -> bool:
    letters = [_LETTER.findall(half) for half in (one, other)]
    if not (len(letters[0]) == len(letters[1]) <= 1):
        return False
    if letters[0] and (letters[0][0].upper() in "NS") == (letters[1][0].upper() in "NS"):
        return False
    return all(
        DEGREES.fullmatch(half) and _EVIDENT.search(half) and _FINE.search(half)
        for half in (one, other)
    )
