"""Pages, one module each; each has a `blueprint`."""

from __future__ import annotations

import importlib
import pkgutil
from typing import TYPE_CHECKING, Final

from service.web.context import current_viewer, title_of_store
from service.web.question import register_question

if TYPE_CHECKING:
    from flask import Flask

    from service.records import Role

__all__ = ["register_pages"]

# Words and endpoint of each page in the bar on top, in the order of use; those of a role in
# `_NEEDED` do not show to whoever may less.
NAVIGATION: Final = (
    ("Map", "map.show"),
    ("Records", "records.show"),
    ("Species", "species.list_all"),
    ("Catchments", "catchments.show"),
    ("Coverage", "coverage.show"),
    ("New placement", "entry.show"),
    ("In the water", "in_the_water.show"),
    ("Import", "imports.show"),
    ("Hand-over", "hand_over.show"),
    ("Methods", "methods.show"),
    ("Accounts", "accounts.show"),
    ("Guide", "guide.contents"),
)
_NEEDED: Final[dict[str, tuple[Role, ...]]] = {
    "entry.show": ("editor", "keeper"),
    "imports.show": ("editor", "keeper"),
    "in_the_water.show": ("editor", "keeper"),
    "accounts.show": ("keeper",),
}


def register_pages(app: Flask) -> None:
    """Register every page, and what the layout of all of them needs."""
    own = sorted(f"{__name__}.{module.name}" for module in pkgutil.iter_modules(__path__))
    for name in (*own, "service.web.feed.routes", "service.web.wording"):
        app.register_blueprint(importlib.import_module(name).blueprint)
    register_question(app.jinja_env.globals)

    @app.context_processor
    def layout() -> dict[str, object]:
        viewer = current_viewer()
        return {
            "navigation": [
                (words, page)
                for words, page in NAVIGATION
                if viewer.role in _NEEDED.get(page, (viewer.role,))
            ],
            "store_title": title_of_store(),
            "viewer": viewer,
        }
