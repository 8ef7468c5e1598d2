"""Words that people write above columns and into cells, as `header_words.toml` lists them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

from service.intake.columns import plain

__all__ = ["NO_FISH", "WORDS"]

WORDS: Final[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_suffix(".toml").read_text(encoding="utf-8")
)
NO_FISH: Final = frozenset(map(plain, (*WORDS["outcomes"]["nil"], *WORDS["no_fish"]["alone"])))
"""What people write for no fish, in the form that `plain` gives; more than one language."""
