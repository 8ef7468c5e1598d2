"""What findings say, in one place: sentences by code, for whoever reads a sheet or fills a form.

`wording.toml` has the sentences. Checks name a code and what fills it in; nothing else writes or
changes the English of a finding.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["CODES", "Audience", "Wording", "say"]

Audience = Literal["sheet", "form"]


def _by_code(table: Mapping[str, Any]) -> dict[str, str]:
    """Sentences by code, or by code and variant with a point between."""
    return {
        code if isinstance(own, str) else f"{code}.{variant}": sentence
        for code, own in table.items()
        for variant, sentence in ({"": own} if isinstance(own, str) else own).items()
    }


_READ: Final = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
_SENTENCES: Final = {"sheet": _by_code(_READ["sheet"])}
_SENTENCES["form"] = _SENTENCES["sheet"] | _by_code(_READ["form"])
CODES: Final = frozenset(_SENTENCES["form"])


@dataclass(frozen=True)
class Wording:
    """A code with its variant, such as `count_unclear.sum`, and what fills in its sentence.

    A part may be a wording itself, and is then said to the same audience.
    """

    key: str
    parts: Mapping[str, object]

    @property
    def code(self) -> str:
        """The word that stays the same however the sentence changes."""
        return self.key.partition(".")[0]

    def text(self, audience: Audience = "sheet") -> str:
        """Write the sentence."""
        parts = {
            name: part.text(audience) if isinstance(part, Wording) else part
            for name, part in self.parts.items()
        }
        return _SENTENCES[audience][self.key].format(**_READ["words"][audience], **parts)

    __str__ = text


def say(key: str, /, **parts: object) -> Wording:
    """Name a sentence and fill it in.

    Examples
    --------
    >>> say("count_unclear.estimate", number=20).text()
    'write 20, and estimate in the column count_kind'
    >>> say("count_unclear.estimate", number=20).text("form")
    'write 20, and estimate as the way it was counted'
    """
    return Wording(key, parts)
