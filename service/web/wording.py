"""Figures and words as every page writes them; registered as template filters."""

from __future__ import annotations

import datetime as dt
import math
import re
from functools import wraps
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from flask import Blueprint
from markupsafe import Markup, escape

from layers.plurals import plural
from service.answers.names import selection_words
from service.web.context import current_store, current_viewer

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.blueprints import BlueprintSetupState

    from service.progress import Progress
    from service.records import Selection
    from service.web.work_notes import Note

__all__ = [
    "NONE",
    "blueprint",
    "day",
    "days",
    "far",
    "filter_words",
    "fish",
    "marked",
    "moment",
    "number",
    "rate",
    "share",
    "words",
]

blueprint = Blueprint("wording", __name__)

NONE: Final = "–"
_STATES: Final = {
    "found": "found",
    "possible": "possible, not taken further",
    "not_found": "looked for, not found",
    "never_looked": "never looked for",
    "other_gear": "gear that does not find it",
    "no_look": "did not look",
}
_OUTCOMES: Final = {
    "caught": "something caught",
    "nil": "nothing caught",
    "lost": "gear lost",
    "disturbed": "gear disturbed",
    "unrecorded": "catch not recorded",
}


def _missing(value: Any) -> bool:  # noqa: ANN401 - whatever a frame holds
    return not value if isinstance(value, str) else bool(pd.isna(value))


def number(value: Any, digits: int = 0, *, fixed: bool = False) -> str:  # noqa: ANN401
    """Write a number, a thin space between thousands; a dash where it is missing.

    It has at most so many decimals, or with `fixed` just so many. Scripts write the same
    (`layers/drawing/scripts/numbers.js`).
    """
    if _missing(value) or not math.isfinite(float(value)):
        return NONE
    text = f"{float(value):,.{digits}f}"
    if "." in text and not fixed:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace(",", "\u202f")


def fish(value: Any, lower_bound: bool = False) -> str:  # noqa: ANN401
    """Count of fish; ≥ where it is only a lower bound."""
    text = number(value)
    return f"≥\u202f{text}" if lower_bound and text != NONE else text


def rate(value: Any) -> str:  # noqa: ANN401
    """Write a rate to two decimals, a small one to two figures: few fish are not none."""
    if _missing(value) or not 0.0 < abs(float(value)) < 0.1:
        return number(value, 2)
    return number(value, min(1 - math.floor(math.log10(abs(float(value)))), 6))


def share(value: Any) -> str:  # noqa: ANN401
    """Share in percent; what is not quite nothing is not written as nothing."""
    if _missing(value):
        return NONE
    percent = 100.0 * float(value)
    if 0 < percent < 1:
        return "<\u202f1\u202f%"
    if 99 < percent < 100:
        return ">\u202f99\u202f%"
    return f"{percent:.0f}\u202f%"


def day(value: Any) -> str:  # noqa: ANN401
    """Day as 2024-05-31."""
    return NONE if _missing(value) else f"{value:%Y-%m-%d}"


def days(first: Any, last: Any) -> str:  # noqa: ANN401
    """Span of days."""
    start, end = day(first), day(last)
    return start if start == end else f"{start} to {end}"


def moment(value: dt.datetime) -> str:
    """Moment in UTC, to the minute."""
    return f"{value.astimezone(dt.UTC):%Y-%m-%d %H:%M} UTC"


def far(progress: Progress | Note) -> str:
    """Say what work does, and how far it is where it says so."""
    said = progress.words or "under way"
    if not progress.total:
        return said
    if progress.unit == "step":
        return f"{said} (step {progress.done} of {progress.total})"
    unit = plural(progress.total, progress.unit)
    return f"{said}: {number(progress.done)} of {number(progress.total)} {unit}"


# What a reader may write otherwise: days and times; figures with thousands or decimals.
_DAY: Final = r"(?P<day>\d{4}-\d\d-\d\d)(?: (?P<clock>\d\d:\d\d)(?P<utc> UTC)?)?"
_FIGURE: Final = r"(?P<figure>-?(?:\d{1,3}(?:\u202f\d{3})+(?:\.\d+)?|\d+\.\d+))"
_OTHERWISE: Final = re.compile(f"{_DAY}|{_FIGURE}")


def marked(text: str) -> Markup:
    """Mark days, times and figures, for a browser to write them as its reader does.

    Each becomes a `time` or a `data` element with its machine-readable value, which
    `static/as_read.js` formats; without it the text stays as it is.
    """

    def element(found: re.Match[str]) -> str:
        if found["figure"]:
            value = found["figure"].replace("\u202f", "")
            return f'<data value="{value}">{found[0]}</data>'
        clock = f"T{found['clock']}{'Z' if found['utc'] else ''}" if found["clock"] else ""
        return f'<time datetime="{found["day"]}{clock}">{found[0]}</time>'

    return Markup(_OTHERWISE.sub(element, str(escape(text))))  # noqa: S704  escaped


def _marking(write: Callable[..., str]) -> Callable[..., Markup]:
    """Mark what a filter writes."""

    @wraps(write)
    def writing(*values: Any, **options: Any) -> Markup:  # noqa: ANN401
        return marked(write(*values, **options))

    return writing


def words(value: Any) -> str:  # noqa: ANN401
    """Words for a state, an outcome, or any other name with underscores."""
    if _missing(value):
        return NONE
    text = str(value)
    return _STATES.get(text) or _OUTCOMES.get(text) or text.replace("_", " ")


def filter_words(selection: Selection) -> str:
    """Say what a filter leaves in, by the names that people read."""
    return selection_words(current_store(), selection, current_viewer())


@blueprint.record_once
def _give_templates(state: BlueprintSetupState) -> None:
    """Give templates these as filters, by their own names."""
    for filter_ in (number, fish, rate, day, moment):
        state.app.add_template_filter(_marking(filter_))
    # Coordinates stay as they are, since a comma stands between the two.
    state.app.add_template_filter(number, "degrees")
    state.app.add_template_filter(share)
    state.app.add_template_filter(marked)
    state.app.add_template_filter(words)
    state.app.add_template_filter(far)
    state.app.add_template_global(_marking(days), "days")
    state.app.add_template_global(plural, "plural")
    state.app.add_template_global(filter_words, "filter_words")
