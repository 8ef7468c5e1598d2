"""The question of a page: read from its address, and carried to every other page."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlencode, urlsplit

from flask import current_app, g, request, url_for

from service import reference
from service.access.accounts import is_loopback
from service.answers.names import HOUR_WORDS, filter_choices
from service.answers.record_files import FORMS
from service.answers.selecting import PARAMETERS, read_selection
from service.web.context import current_store, current_viewer
from service.web.parameters import CARRIED, PageQuery, read_query

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["carried", "page_question", "question_pairs", "register_question"]

# Pages whose path says what a filter says elsewhere.
_IN_PATH: Final = {"species.show": "species", "catchment.show": "catchment"}


def page_question(*also: str, **own: str) -> PageQuery:
    """Read the question of this page; RequestError where a parameter is unknown or no use.

    `also` are further parameters that the page knows; `own` is the one `species` or `catchment`
    that it is about, in place of its filter.
    """
    query = read_query(request.args, also=also)
    g.question = [*own.items(), *(pair for pair in _given() if pair[0] not in own)]
    about = read_selection({name: [value] for name, value in own.items()})
    selection = replace(
        query.selection,
        species=about.species or query.selection.species,
        catchments=about.catchments or query.selection.catchments,
    )
    return replace(query, selection=selection, own=about)


def question_pairs() -> list[tuple[str, str]]:
    """Names and values of the question that this page has read, or only hands on."""
    if "question" not in g:
        g.question = _given()
    pairs: list[tuple[str, str]] = g.question
    return pairs


def _given() -> list[tuple[str, str]]:
    return [
        (name, value)
        for name, value in request.args.items(multi=True)
        if name in PARAMETERS and value.strip()
    ]


def carried(endpoint: str, /, *, keep: Sequence[str] = (), **values: Any) -> str:  # noqa: ANN401 - parts of an address
    """Address of another page with the question of this one.

    `keep` names further parameters of this address to carry along. `values` are parts of the path;
    filters and parameters that replace those of this page, None to leave one out.
    """
    in_path = next(current_app.url_map.iter_rules(endpoint)).arguments
    changed = {name: value for name, value in values.items() if name not in in_path}
    left_out = {*changed, *in_path, _IN_PATH.get(endpoint)}
    pairs = [pair for pair in question_pairs() if pair[0] not in left_out]
    pairs += [
        (name, value)
        for name, value in request.args.items(multi=True)
        if name in (*keep, *CARRIED) and name not in left_out and value.strip()
    ]
    for name, value in changed.items():
        several = value if isinstance(value, (tuple, list)) else (value,)
        pairs += [(name, str(one)) for one in several if one not in (None, "")]
    address = url_for(endpoint, **{name: values[name] for name in in_path if name in values})
    return address + (f"?{urlencode(pairs)}" if pairs else "")


def _choices() -> dict[str, dict[str, str]]:
    """Give what the fields of the question offer; streams by name, each once."""
    store = current_store()
    streams = {name: name for name in reference.stream_names(store)}
    return filter_choices(store, current_viewer()) | {"stream": streams}


def _record_files(**values: Any) -> list[tuple[str, str]]:  # noqa: ANN401 - parts of an address
    """Words and address of each file of the records of this page."""
    return [
        (form, carried("record_files.download", ending=ending, **values))
        for ending, form in FORMS.items()
    ]


def register_question(globals_: dict[str, Any]) -> None:
    """Give templates what the bar of the question needs."""
    globals_ |= {
        "hour_words": HOUR_WORDS,
        "carried": carried,
        "question_choices": _choices,
        "record_files": _record_files,
        # Whether nobody else can open addresses of this page.
        "this_machine_alone": lambda: is_loopback(urlsplit(f"//{request.host}").hostname or ""),
    }
