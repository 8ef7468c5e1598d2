"""Addresses of the feed: parse, ask a collection, answer as JSON or as a page."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import TYPE_CHECKING, Any, Final

import orjson
from flask import Blueprint, Response, render_template, request, stream_with_context

from layers.crs import read_crs
from layers.drawing.geojson import feature_texts
from layers.fieldwork.public_frames import GENERALISED_COLUMNS
from service import reference
from service.answers import features
from service.answers.opening import any_sensitive
from service.answers.written_figures import as_written
from service.columns import public_words
from service.web.answering import attachment, in_pieces
from service.web.context import current_settings, current_store, current_viewer, title_of_store
from service.web.feed import encodings, links
from service.web.feed.collections import COLLECTIONS, find_collection
from service.web.feed.encodings import GEOJSON, HTML, JSON, OPENAPI
from service.web.feed.openapi import api_document, column_schema
from service.web.feed.query import read_parameters, read_query
from service.web.feed.reference_systems import CRS84, accuracy_words, offered, storage_uri
from service.web.feed.tables import feature_rows, readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import geopandas as gpd

    from layers.arrays import Objects
    from layers.crs import CrsLike
    from service.web.feed.collections import Collection
    from service.web.feed.reference_systems import ReferenceSystem

__all__ = ["blueprint"]

_PART_1: Final = "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/"
_PART_2: Final = "http://www.opengis.net/spec/ogcapi-features-2/1.0/conf/"
CONFORMS_TO: Final = (
    *(f"{_PART_1}{name}" for name in ("core", "geojson", "html", "oas30")),
    f"{_PART_2}crs",
)
_DESCRIPTION: Final = (
    "Where each fishing gear was placed, how hard it fished and what it caught, along a stream "
    "network. A species that nobody looked for is not absent: look at the placements beside the "
    "detections."
)

blueprint = Blueprint("feed", __name__, url_prefix="/feed")


def _systems() -> tuple[ReferenceSystem, ...]:
    return offered(current_store(), current_settings())


def _keeps_places() -> bool:
    """Tell whether protected places are hidden from the viewer."""
    return not current_viewer().sees_exact_places and any_sensitive(
        reference.species(current_store())
    )


def _page(name: str, **values: Any) -> Response:  # noqa: ANN401
    html = render_template(f"feed/{name}.html", **values).encode()
    response = Response(html, content_type=f"{HTML}; charset=utf-8")
    response.headers.add("Vary", "Accept")
    return response


def _document(document: dict[str, Any], kind: str = JSON) -> Response:
    return encodings.send([orjson.dumps(document)], kind)


def _answer(name: str, document: dict[str, Any], kind: str = JSON, **page: Any) -> Response:  # noqa: ANN401
    """Answer with a document, or with the web page of it."""
    read_parameters(request.args, ("f",))
    if encodings.wanted(kind) == "html":
        return _page(name, document=document, **page)
    return _document(document, kind)


@blueprint.get("/")
def landing() -> Response:
    """Landing page."""
    document = {
        "title": title_of_store(),
        "description": _DESCRIPTION,
        "links": links.landing_links(encodings.wanted()),
    }
    return _answer("landing", document, collections=COLLECTIONS.values())


@blueprint.get("/conformance")
def conformance() -> Response:
    """Conformance classes."""
    return _answer("conformance", {"conformsTo": list(CONFORMS_TO)})


@blueprint.get("/api")
def api() -> Response:
    """Describe the API."""
    document = api_document(title_of_store(), _DESCRIPTION, _systems(), public=_keeps_places())
    return _answer("api", document, OPENAPI)


@blueprint.get("/collections")
def collections() -> Response:
    """List the collections."""
    document = {
        "links": links.own_links(encodings.wanted()),
        "crs": [system.uri for system in _systems()],
        "collections": [_described(collection) for collection in COLLECTIONS.values()],
    }
    return _answer("collections", document)


@blueprint.get("/collections/<collection_id>", endpoint="collection")
def describe(collection_id: str) -> Response:
    """Describe one collection."""
    collection, store = find_collection(collection_id), current_store()
    systems = [(system, accuracy_words(store, system)) for system in _systems()]
    return _answer("collection", _described(collection), collection=collection, systems=systems)


def _described(collection: Collection) -> dict[str, Any]:
    """Describe a collection as /req/core/fc-md-items and /req/crs/crs-uri require."""
    store = current_store()
    extent = collection.source.extent(store, current_viewer())
    added = public_words(collection.name, collection.columns[0]) if _keeps_places() else ""
    document: dict[str, Any] = {
        "id": collection.name,
        "title": collection.title,
        "description": f"{collection.description} {added}".rstrip(),
        "itemType": "feature",
        "crs": [system.uri for system in _systems()],
        "links": links.collection_links(collection),
    }
    storage = storage_uri(store)
    if storage is not None:
        document["storageCrs"] = storage
    box = features.degrees_around(store, extent.box)
    if box is not None:
        document["extent"] = {"spatial": {"bbox": [list(box)], "crs": CRS84}}
        if any(extent.period):
            document["extent"]["temporal"] = {"interval": [list(extent.period)]}
    return document


@blueprint.get("/collections/<collection_id>/schema")
def schema(collection_id: str) -> Response:
    """Say of what kind each property is: the first features alone need not show it."""
    collection = find_collection(collection_id)
    read_parameters(request.args, ())
    exact, public = current_viewer().sees_exact_places, _keeps_places()
    columns = {
        column: column_schema(collection.name, column, public=public)
        for column in collection.columns
        if not (exact and column in GENERALISED_COLUMNS)
    }
    document = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": request.base_url,
        "title": collection.title,
        "description": f"{collection.description} A property may be null where nothing is known.",
        "type": "object",
        "properties": {"properties": {"type": "object", "properties": columns}},
    }
    return _document(document, encodings.SCHEMA)


@blueprint.get("/collections/<collection_id>/items")
def items(collection_id: str) -> Response:
    """One page of features."""
    collection, store, viewer = find_collection(collection_id), current_store(), current_viewer()
    query = read_query(request.args, _systems(), tuple(collection.filters))
    encoding = encodings.wanted(GEOJSON)
    collection.source.check(store, query, viewer)
    etag = encodings.tag(encoding) if encoding == "json" else None
    same = encodings.unchanged(etag)
    if same is not None:
        return same
    page = collection.source.page(store, query, viewer)
    matched = collection.source.count(store, query, viewer)
    around = links.items_links(collection, encoding, page)
    if encoding == "html":
        return _page(
            "items",
            collection=collection,
            matched=matched,
            links={entry["rel"]: entry["href"] for entry in around},
            **feature_rows(page.frame, query.system, store.settings.crs),
        )
    start = orjson.dumps(
        {
            "type": "FeatureCollection",
            "numberMatched": matched,
            "numberReturned": len(page.frame),
            "links": around,
        }
    )
    texts = _texts([page.frame], collection.name, query.system)
    stamp = orjson.dumps(f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}")
    response = encodings.send(
        itertools.chain([start[:-1], b',"features":['], texts, [b"]"]),
        GEOJSON,
        etag=etag,
        last=b',"timeStamp":' + stamp + b"}\n",
    )
    return _with_crs(response, query.system)


@blueprint.get("/collections/<collection_id>/items/<path:feature_id>")
def item(collection_id: str, feature_id: str) -> Response:
    """One feature."""
    collection, store = find_collection(collection_id), current_store()
    read_parameters(request.args, ("f", "crs"))
    query = read_query(request.args, _systems(), (), paged=False)
    encoding = encodings.wanted(GEOJSON)
    etag = encodings.tag(encoding) if encoding == "json" else None
    same = encodings.unchanged(etag)
    if same is not None:
        return same
    frame = collection.source.one(store, feature_id, current_viewer())
    around = links.item_links(collection, encoding)
    if encoding == "html":
        return _page(
            "item",
            collection=collection,
            feature_id=feature_id,
            links={entry["rel"]: entry["href"] for entry in around},
            values=readable(frame),
        )
    text = _texts([frame], collection.name, query.system, {"links": around})
    return _with_crs(encodings.send(text, GEOJSON, etag=etag), query.system)


@blueprint.get("/collections/<collection_id>/whole.geojson")
def whole(collection_id: str) -> Response:
    """All features in one file, written while they are read."""
    collection, store, viewer = find_collection(collection_id), current_store(), current_viewer()
    query = read_query(request.args, _systems(), tuple(collection.filters), paged=False)
    collection.source.check(store, query, viewer)
    frames = collection.source.frames(store, query, viewer)
    texts = _texts(frames, collection.name, query.system)
    start = b'{"type":"FeatureCollection","features":['
    pieces = stream_with_context(itertools.chain([start], texts, [b"]}\n"]))
    response = attachment(in_pieces(pieces, GEOJSON), f"{collection.name}.geojson")
    return _with_crs(response, query.system)


def _texts(
    frames: Iterable[gpd.GeoDataFrame],
    name: str,
    system: ReferenceSystem,
    extra: dict[str, Any] | None = None,
) -> Iterator[bytes]:
    def place(shapes: Objects, crs: CrsLike) -> Objects:
        return system.written(system.place(shapes, read_crs(crs)))

    # Without any feature it may have the columns of another layer.
    written = (as_written(frame, name) for frame in frames if len(frame))
    return feature_texts(written, place, extra)


def _with_crs(response: Response, system: ReferenceSystem) -> Response:
    """State the CRS of the answer (OGC 18-058, /req/crs/ogc-crs-header)."""
    response.headers["Content-Crs"] = f"<{system.uri}>"
    return response
