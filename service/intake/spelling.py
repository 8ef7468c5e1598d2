"""What somebody may have meant: the nearest of the names that exist."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["did_you_mean", "nearest_names"]


def nearest_names(value: str, names: Sequence[str], *, limit: int = 3) -> list[str]:
    """Names most like a value, best first; none where none is much like it.

    Examples
    --------
    >>> nearest_names("minow trap", ["kick_net", "minnow_trap", "fyke_net"])
    ['minnow_trap']
    """
    from rapidfuzz import fuzz, process  # loaded when a name is not found

    plain = {name: name.casefold().replace("_", " ") for name in names}
    wanted = value.casefold().replace("_", " ")
    found = process.extract(wanted, plain, scorer=fuzz.ratio, limit=limit, score_cutoff=65)
    return [str(name) for _, _, name in found]


def did_you_mean(value: str, names: Sequence[str]) -> str:
    """Say the nearest names as a question, or nothing."""
    near = nearest_names(value, names)
    return f"; did you mean {' or '.join(near)}?" if near else ""
