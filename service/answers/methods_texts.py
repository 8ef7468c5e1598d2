"""How a summary was computed, in words: what it assumes, and a methods text with sources."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Final

import pandas as pd

from layers.plurals import counted

__all__ = ["ASSUMES", "METHODS_TEXTS", "assumed_of_layer", "methods_text", "with_assumptions"]

_FILE: Final[dict[str, dict[str, str]]] = tomllib.loads(
    files("service").joinpath("methods_texts.toml").read_text(encoding="utf-8")
)
ASSUMES: Final = {name: entry["assumes"] for name, entry in _FILE.items()}
"""What each summary assumes, by its name in `service.columns`."""
METHODS_TEXTS: Final = {name: entry["text"] for name, entry in _FILE.items()}
"""How each summary is computed, with sources."""


_OF_LAYERS: Final = {
    "placements": "placement_reaches",
    "reaches": "coverage",
    "streams": "streams",
    "gaps": "gaps",
}


def assumed_of_layer(name: str) -> str:
    """Say what the figures of a layer of a hand-over assume; empty where it has none."""
    return ASSUMES.get(_OF_LAYERS.get(name, ""), "")


def with_assumptions(frame: pd.DataFrame) -> pd.DataFrame:
    """Add a column `assumes` to a summary that has no `problem`; records assume nothing."""
    name = frame.attrs.get("summary", "")
    if "problem" in frame or name not in ASSUMES:
        return frame
    return frame.assign(assumes=pd.Series(ASSUMES[name], index=frame.index, dtype="str"))


def methods_text(frame: pd.DataFrame) -> str:
    """Write the methods text of a summary: how, of which records, and what it assumes."""
    name, inputs = frame.attrs["summary"], frame.attrs.get("inputs", {})
    sentences = [METHODS_TEXTS[name]]
    if years := inputs.get("years"):
        used = counted(inputs["placements_used"], "placement")
        span = str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"
        sentences.append(f"Records: {used} of {span} by {', '.join(inputs['methods'])}.")
    if left := inputs.get("left_out"):
        said = ", ".join(f"{count} {reason}" for reason, count in left.items())
        sentences.append(f"Left out: {said}.")
    sentences.append(f"Assumes: {inputs.get('assumes') or ASSUMES[name]}.")
    return " ".join(sentences) + "\n"
