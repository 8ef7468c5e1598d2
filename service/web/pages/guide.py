"""The guide: the Markdown pages of `service/guide`, shown offline and free of raw HTML."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Final, NamedTuple
from urllib.parse import urlencode

from flask import Blueprint, render_template, request
from markdown_it import MarkdownIt
from markupsafe import Markup, escape
from mdit_py_plugins.anchors import anchors_plugin

from service.errors import NotFoundError
from service.web.question import question_pairs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markdown_it.token import Token

__all__ = ["EXPLAINED_BY", "GUIDE", "blueprint", "guide_page"]

blueprint = Blueprint("guide", __name__)

# Names of the Markdown files, in reading order.
GUIDE: Final = ("sheets", "figures", "coverage", "hand-over", "accounts", "backup")
# Guide page that explains the pages of a blueprint.
EXPLAINED_BY: Final = {
    "entry": "sheets", "imports": "sheets", "loading": "sheets", "methods": "sheets",
    "backgrounds": "sheets",
    "catchment": "figures", "placement": "figures", "records": "figures", "species": "figures",
    "returns": "figures",
    "coverage": "coverage", "gear": "coverage", "water": "coverage",
    "hand_over": "hand-over", "feed": "hand-over",
    "login": "accounts", "accounts": "accounts", "own_account": "accounts",
}  # fmt: skip


class GuidePage(NamedTuple):
    """One page of the guide, rendered."""

    name: str
    title: str
    lead: Markup  # its first paragraph
    sections: list[tuple[str, str]]  # address and heading of each
    body: Markup


@blueprint.get("/guide")
def contents() -> str:
    """List the pages of the guide."""
    return render_template("guide.html", listed=[guide_page(name) for name in GUIDE])


@blueprint.get("/guide/<page>")
def show(page: str) -> str:
    """Show one page of the guide."""
    if page not in GUIDE:
        raise NotFoundError(f"The guide has no page {page!r}; it has {', '.join(GUIDE)}.")
    shown, carried = guide_page(page), urlencode(question_pairs())
    body = shown.body
    if carried:  # its links to other pages of the guide take the question along
        links = re.compile(f'(?<=href=")({"|".join(GUIDE)})(?=[#"])')
        body = Markup(links.sub(rf"\1?{escape(carried)}", str(body)))  # noqa: S704
    return render_template("guide.html", shown=shown, body=body)


@blueprint.app_context_processor
def explanation() -> dict[str, object]:
    """Guide page that the layout links below the page at hand, if one explains it."""
    name = EXPLAINED_BY.get(request.blueprint or "")
    return {"explained_by": guide_page(name) if name else None}


@cache
def guide_page(name: str) -> GuidePage:
    """Render the Markdown file of this name."""
    text = (resources.files("service") / "guide" / f"{name}.md").read_text(encoding="utf-8")
    markdown = _markdown()
    tokens = markdown.parse(text)
    title, lead = [token.content for token in tokens if token.type == "inline"][:2]
    sections = [
        (str(token.attrs["id"]), tokens[at + 1].content)
        for at, token in enumerate(tokens)
        if token.type == "heading_open" and token.tag == "h2"
    ]
    body = markdown.renderer.render(tokens, markdown.options, {})
    return GuidePage(name, title, Markup(markdown.renderInline(lead)), sections, Markup(body))  # noqa: S704


def _example(_: object, tokens: Sequence[Token], at: int, *__: object) -> str:
    return f'<pre tabindex="0"><code>{escape(tokens[at].content)}</code></pre>\n'


class _Markdown(MarkdownIt):
    """Files link to one another by name, as a code host needs it; here pages have no ending."""

    def normalizeLink(self, url: str) -> str:  # noqa: N802 - the library's name
        return super().normalizeLink(re.sub(r"^([a-z-]+)\.md(?=#|$)", r"\1", url))


def _markdown() -> MarkdownIt:
    """CommonMark with tables and section addresses; HTML in the text is shown as text."""
    markdown = _Markdown("commonmark", {"html": False}).enable("table")
    markdown.use(anchors_plugin, max_level=3)
    opening = '<div class="scrolls" tabindex="0"><table class="listed">'
    markdown.add_render_rule("table_open", lambda *_: opening)
    markdown.add_render_rule("table_close", lambda *_: "</table></div>")
    markdown.add_render_rule("fence", _example)
    return markdown
