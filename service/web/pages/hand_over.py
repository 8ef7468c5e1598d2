"""Hand-over: what a file for others will hold, in which form and for whom; then the file."""

from __future__ import annotations

import re
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from flask import Blueprint, render_template, request, url_for

from layers.crs import read_crs
from service import reference
from service.access import count_features, open_records, require_role
from service.answers import features
from service.answers.hand_over import AUDIENCES, FORMS, HandOver, viewer_of, what_it_holds
from service.answers.names import filter_choices
from service.cache import renewed
from service.errors import NotFoundError
from service.records import OF_NOTHING
from service.reference.closing import sentences_of_effect
from service.store import Wanted
from service.web.context import current_store, current_viewer, hand_over_writer
from service.web.jobs import Job
from service.web.parameters import read_choice
from service.web.question import carried, page_question
from service.web.waiting import MadeFile, do_or_follow

if TYPE_CHECKING:
    from werkzeug.wrappers import Response as AnyResponse

    from service.answers.hand_over import Audience, Preview
    from service.progress import Progress
    from service.web.parameters import PageQuery

__all__ = ["blueprint"]

blueprint = Blueprint("hand_over", __name__)

_OWN: Final = ("form", "audience", "crs", "licence")
_WITH_CRS: Final = ("gpkg", "bundle")
_KINDS: Final = {
    ".zip": "application/zip",
    ".gpkg": "application/geopackage+sqlite3",
    ".geojson": "application/geo+json",
}


def _choice() -> tuple[PageQuery, HandOver]:
    """Read the query of the page, and what is wanted."""
    query = page_question(*_OWN)
    form = read_choice(request.args, "form", tuple(FORMS), "bundle")
    audience = read_choice(request.args, "audience", tuple(AUDIENCES), "public")
    if audience == "precise":
        require_role(current_viewer(), "keeper")
    crs = request.args.get("crs", "").strip()
    if crs:
        read_crs(crs)
    licence = request.args.get("licence", "").strip()[:500]
    for_whom: Audience = "precise" if audience == "precise" else "public"
    return query, HandOver(query.selection, form, for_whom, crs=crs or None, licence=licence)


@blueprint.get("/hand-over")
def show() -> str:
    """Show the choices, and what the file would hold."""
    query, choice = _choice()
    store, viewer = current_store(), current_viewer()
    selection = choice.selection
    # Not `cached`: it is small and takes long, and larger answers would push it out.
    holds = renewed(
        store,
        viewer,
        ("hand-over holds", selection, choice.audience),
        lambda _: what_it_holds(store, selection, choice.audience, viewer=viewer),
    )
    kept_back = None  # placements left out altogether, for those who may see them
    if viewer.sees_exact_places and choice.audience == "public" and not query.filtered:
        kept_back = count_features(store, Wanted(), "placement", viewer) - holds.placements
    effect: list[str] = []  # what the sensitivity of species hides, to keepers, who set it
    if viewer.role == "keeper":
        effect = renewed(store, viewer, "effect of steps", lambda _: sentences_of_effect(store))
    return render_template(
        "hand_over.html",
        choice=choice,
        query=query,
        forms=FORMS,
        with_crs=_WITH_CRS,
        may_precise=viewer.role == "keeper",
        holds=holds,
        layers=_layers(choice, holds),
        kept_back=kept_back,
        effect=effect,
        choices=filter_choices(store, viewer),
        store_crs=store.settings.crs,
        feed=url_for("feed.landing", _external=True),
        file=carried("hand_over.file", keep=_OWN),
    )


def _layers(choice: HandOver, holds: Preview) -> list[tuple[str, int, str]]:
    """Count what stands in each layer, as the audience sees it."""
    store, selection = current_store(), choice.selection
    counted = [
        ("Placements", holds.placements, "one for each gear in one place once"),
        ("Detections", holds.detections, "one for each species that a placement caught"),
        ("Reaches", len(features.reaches(store, selection=selection)), "of the stream network"),
        ("Catchments", len(reference.catchments(store)), ""),
        ("Catch rows", holds.catches, ""),
        ("Lengths", holds.lengths, "fish measured"),
    ]
    return [(name, count, words) for name, count, words in counted if count is not None]


@blueprint.get("/hand-over/file")
def file() -> AnyResponse:
    """Write the file, and send it."""
    _, choice = _choice()
    store, viewer, write = current_store(), current_viewer(), hand_over_writer()
    eyes = viewer_of(choice.audience, viewer)
    ending = FORMS[choice.form][0]
    name = _name(choice, ending)
    wanted = replace(choice, crs=choice.crs if choice.form in _WITH_CRS else None)

    def work(progress: Progress) -> MadeFile:
        progress.say("opening the records")
        count = len(open_records(store, choice.selection, eyes, OF_NOTHING).placements)
        if not count:
            raise NotFoundError("No placement meets this choice, so there is nothing to hand over.")

        def written(words: str, done: int, total: int, unit: str) -> None:
            progress.say(words, done, total or (count if done else 0), unit)

        folder = tempfile.TemporaryDirectory(prefix="rifflebook-handed-")
        made = MadeFile(folder, Path(folder.name) / f"hand-over{ending}", _KINDS[ending], name)
        try:
            write(store, made.path, wanted, viewer=viewer, progress=written)
        except BaseException:
            made.discard()
            raise
        return made

    title = f"Hand-over: {name}"
    back = request.full_path.replace(url_for("hand_over.file"), url_for("hand_over.show"), 1)
    return do_or_follow(Job(work, owner=viewer.name, title=title, back=back))


def _name(choice: HandOver, ending: str) -> str:
    title = current_store().settings.title or "records"
    stem = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-") or "records"
    return f"{stem}-{choice.form}-{choice.audience}{ending}"
