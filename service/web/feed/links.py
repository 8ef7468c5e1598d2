"""Links between the answers of the feed; each has `rel` and `type` (/req/core/fc-rel-type)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import request, url_for

from service.web.feed.encodings import GEOJSON, HTML, JSON, OPENAPI, SCHEMA

if TYPE_CHECKING:
    from service.web.feed.collections import Collection
    from service.web.feed.encodings import Encoding
    from service.web.feed.source import Page

from service.web.feed.query import write_mark

__all__ = ["Link", "collection_links", "item_links", "items_links", "landing_links", "own_links"]

Link = dict[str, str]


def link(rel: str, kind: str, href: str, title: str) -> Link:
    """One link."""
    return {"rel": rel, "type": kind, "title": title, "href": href}


def _here(**changes: str | None) -> str:
    """Address of this request with other parameters; None takes one away."""
    args = {name: value for name, value in request.args.items() if name not in changes}
    args |= {name: value for name, value in changes.items() if value is not None}
    return url_for(str(request.endpoint), _external=True, **(request.view_args or {}), **args)


def own_links(encoding: Encoding, json_type: str = JSON) -> list[Link]:
    """`self` and `alternate` of this answer."""
    kinds: dict[Encoding, str] = {"json": json_type, "html": HTML}
    return [
        link(
            "self" if name == encoding else "alternate",
            kind,
            _here() if name == encoding else _here(f=name),
            "This document" if name == encoding else f"This document as {name.upper()}",
        )
        for name, kind in kinds.items()
    ]


def _away(endpoint: str, rel: str, kind: str, title: str, **values: str) -> Link:
    return link(rel, kind, url_for(f"feed.{endpoint}", _external=True, **values), title)


def landing_links(encoding: Encoding) -> list[Link]:
    """Links of the landing page (/req/core/root-success)."""
    return [
        *own_links(encoding),
        _away("api", "service-desc", OPENAPI, "The API, described by OpenAPI 3.0", f="json"),
        _away("api", "service-doc", HTML, "The API, described for people", f="html"),
        _away("conformance", "conformance", JSON, "Standards that this feed conforms to"),
        _away("collections", "data", JSON, "The collections"),
    ]


def collection_links(collection: Collection) -> list[Link]:
    """Links of one collection (/req/core/fc-md-items-links)."""
    name = collection.name
    one_file = f"All {collection.title.lower()} in one file"
    return [
        _away("collection", "self", JSON, collection.title, collection_id=name, f="json"),
        _away("collection", "alternate", HTML, "As HTML", collection_id=name, f="html"),
        _away(
            "items",
            "items",
            GEOJSON,
            f"{collection.title} as GeoJSON",
            collection_id=name,
            f="json",
        ),
        _away("items", "items", HTML, f"{collection.title} as HTML", collection_id=name, f="html"),
        _away("schema", "describedby", SCHEMA, "Kinds of the properties", collection_id=name),
        _away("whole", "enclosure", GEOJSON, one_file, collection_id=name),
    ]


def items_links(collection: Collection, encoding: Encoding, page: Page) -> list[Link]:
    """Links of a page of features (/req/core/fc-links, /rec/core/fc-next-1, /per/core/fc-prev)."""
    links = own_links(encoding, GEOJSON)
    kind = GEOJSON if encoding == "json" else HTML
    if page.has_next and page.last:
        forward = _here(after=write_mark(page.last), before=None)
        links.append(link("next", kind, forward, "Next page"))
    if page.has_previous and page.first:
        back = _here(before=write_mark(page.first), after=None)
        links.append(link("prev", kind, back, "Previous page"))
    links.append(
        _away("collection", "collection", JSON, collection.title, collection_id=collection.name)
    )
    return links


def item_links(collection: Collection, encoding: Encoding) -> list[Link]:
    """Links of one feature (/req/core/f-links)."""
    return [
        *own_links(encoding, GEOJSON),
        _away("collection", "collection", JSON, collection.title, collection_id=collection.name),
    ]
