"""The name of total rows, which nothing else may bear."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from layers.errors import FrameError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["ALL", "ALL_IS_TOTALS", "CATCHMENTS_ANEW", "RECORDS_ANEW", "is_all", "refuse_all"]

ALL: Final = "all"
ALL_IS_TOTALS: Final = f"{ALL} is the name of total rows in every table; give another name"
CATCHMENTS_ANEW: Final = "Load the catchments anew, this one under another id."
RECORDS_ANEW: Final = (
    "Hand the records over as field sheets, and import them into a new store whose lists, and "
    "these sheets, name it otherwise."
)


def is_all(name: object) -> bool:
    """Whether a name would be read as that of total rows, in whatever letters.

    Examples
    --------
    >>> is_all("All "), is_all("all waters"), is_all(None)
    (True, False, False)
    """
    return isinstance(name, str) and name.strip().casefold() == ALL


def refuse_all(names: Iterable[object], what: str, remedy: str) -> None:
    """Refuse a table whose total rows look like those of one name.

    Raises
    ------
    FrameError
        One of the names is that of total rows.

    Examples
    --------
    >>> refuse_all(["C1", "C2"], "catchment", "load them anew")
    """
    if ALL in names:
        raise FrameError(
            f"A {what} of this store is called {ALL}, which is the name of total rows: the two "
            f"could not be told apart. {remedy}"
        )
