"""What a page can check of a form without the service, by the rules and in the words of the checks.

Columns, their limits and words come from `service/columns.toml`, sentences from `wording.toml`, the
columns that must be filled from the checks themselves, so that page and service say the same.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Final

from service.intake.checks.placements import REQUIRED
from service.intake.columns import SHEETS
from service.intake.wording import say
from service.records import IN_THE_WATER

if TYPE_CHECKING:
    from service.columns import Column

__all__ = ["form_rules"]

# Stands for the present moment, which the page puts in its place.
_SOME_DAY: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_SENTENCES: Final = (
    "position_missing.any", "count_unclear.number", "count_of_present.count_kind", "no_fish.row",
    "time_impossible.backwards", "in_the_water.lifted", "in_the_water.active",
    "value_missing.outcome", "nil_unconfirmed.outcome", "value_missing.species",
    "value_missing.count",
)  # fmt: skip


def form_rules() -> dict[str, Any]:
    """Describe the checks that need no records.

    Returns
    -------
    dict
        `required`: sentence by column of the placement. `numbers`: by sheet and column, limits
        with their sentences; `part_of_a_fish` is that of a count that is not whole. `sentences`:
        by code and variant. `without_fish`: by outcome that has no catch rows. `hours`: by hours
        of a method, and whether work began or ended. `future`: of a time to come, in which
        `some_day` stands for now.
    """
    return {
        "required": {name: _said(f"value_missing.{name}") for name in REQUIRED},
        "numbers": {
            sheet: {
                column.name: _limits(column)
                for column in SHEETS[sheet]
                if column.kind in ("number", "whole") and column.name != "count"
            }
            for sheet in ("placements", "catches", "lengths")
        },
        "part_of_a_fish": _said("number_outside.whole", example=3),
        "sentences": {key: _said(key) for key in _SENTENCES},
        "without_fish": {
            outcome: _said("rows_of_none.declared", outcome=outcome)
            for outcome in ("nil", "lost", IN_THE_WATER)
        },
        "hours": {
            kind: {what: _said(f"outside_hours.{kind}", what=what) for what in ("began", "ended")}
            for kind in ("current", "day", "night")
        },
        "future": _said("time_impossible.future", now=_SOME_DAY),
        "some_day": f"{_SOME_DAY:%Y-%m-%d %H:%M}",
    }


def _said(key: str, **parts: object) -> str:
    return say(key, **parts).text("form")


def _limits(column: Column) -> dict[str, Any]:
    unit = f" {column.unit}" if column.unit else ""
    return {
        "whole": column.kind == "whole",
        "above_zero": column.above_zero,
        "low": column.low,
        "high": column.high,
        "words": {
            "plain": _said("number_unclear.plain"),
            "whole": _said("number_outside.whole", example=column.example or 3),
            "zero": _said("number_outside.zero", unit=unit),
            "low": _said("number_outside.low", low=column.low or 0, unit=unit),
            "high": _said("number_outside.high", high=column.high or 0, unit=unit),
        },
    }
