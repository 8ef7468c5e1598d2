"""Kinds of the properties of features, for descriptions that programs read."""

from __future__ import annotations

from typing import Any, Final

from service.answers.column_words import column_words

__all__ = ["PUBLIC_COLUMNS", "column_schema"]

Json = dict[str, Any]

# Told only of places as the public sees them.
PUBLIC_COLUMNS: Final = (
    "generalised_km", "year", "coordinate_uncertainty_m", "data_generalizations",
)  # fmt: skip
_WHOLE: Final = frozenset(
    {"gear_count", "lifts", "passes", "individuals", "generalised_km", "year"}
    | {"strahler", "highest_strahler", "gap", "reaches"}
)
_TRUTHS: Final = frozenset({"individuals_lower_bound", "ambiguous"})
_MOMENTS: Final = frozenset({"set_at", "lifted_at"})
_LISTS: Final = frozenset({"catch", "flags"})
_NUMBERS: Final = (
    "_m", "_mm", "_m2", "_c", "_mg_l", "_us_cm", "_m_s", "_longitude", "_latitude", "minutes",
)  # fmt: skip


def column_schema(table: str, column: str, *, public: bool) -> Json:
    """Describe one property in the words that JSON Schema and OpenAPI 3.0 share.

    Examples
    --------
    >>> column_schema("reaches", "strahler", public=False)["type"]
    'integer'
    """
    words = column_words(table, column, public=public)
    unit = f" [{words.unit}]" if words.unit else ""
    kind: Json = {"type": "string"}
    if column in _WHOLE:
        kind = {"type": "integer"}
    elif column in _TRUTHS:
        kind = {"type": "boolean"}
    elif column in _MOMENTS:
        kind = {"type": "string", "format": "date-time"}
    elif column in _LISTS:
        kind = {"type": "array", "items": {}}
    elif column.endswith(_NUMBERS):
        kind = {"type": "number"}
    return kind | {"description": words.description + unit}
