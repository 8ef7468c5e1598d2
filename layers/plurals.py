"""Numbers with the word that they count, in the singular where it is one."""

from __future__ import annotations

__all__ = ["counted", "plural"]


def plural(number: float, one: str, many: str = "") -> str:
    """Choose between the singular and the plural of a word.

    Parameters
    ----------
    number
        How many.
    one, many
        The word for one and for any other number; without `many` the singular with `s`, or
        with `es` after `ch`.

    Examples
    --------
    >>> plural(1, "placement"), plural(0, "reach"), plural(2, "is", "are")
    ('placement', 'reaches', 'are')
    """
    if number == 1:
        return one
    return many or one + ("es" if one.endswith("ch") else "s")


def counted(number: float, one: str, many: str = "") -> str:
    """Write a whole number with its word.

    Examples
    --------
    >>> counted(1, "catch"), counted(1200, "catch")
    ('1 catch', '1,200 catches')
    """
    return f"{number:,.0f} {plural(number, one, many)}"
