"""The feed described by OpenAPI 3.0 (requirements class oas30 of OGC 17-069r4)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from flask import url_for

from service.columns import column
from service.web.feed.collections import COLLECTIONS
from service.web.feed.encodings import GEOJSON, HTML, JSON, OPENAPI, SCHEMA
from service.web.feed.query import LIMIT, MOST
from service.web.feed.reference_systems import CRS84
from service.web.problems import MEDIA_TYPE as PROBLEM

if TYPE_CHECKING:
    from service.web.feed.collections import Collection
    from service.web.feed.reference_systems import ReferenceSystem

__all__ = ["api_document", "column_schema"]

Json = dict[str, Any]
_TEXT: Final[Json] = {"type": "string"}
_NUMBER: Final[Json] = {"type": "number"}
_WHOLE: Final[Json] = {"type": "integer", "minimum": 0}
_SCHEMA_OF: Final[dict[str, Json]] = {
    "number": _NUMBER,
    "whole": {"type": "integer"},
    "yes_no": {"type": "boolean"},
    "time": {"type": "string", "format": "date-time"},
    "list": {"type": "array", "items": {}},
}


def column_schema(table: str, name: str, *, public: bool) -> Json:
    """Describe one property in the words that JSON Schema and OpenAPI 3.0 share.

    Examples
    --------
    >>> column_schema("reaches", "strahler", public=False)["type"]
    'integer'
    """
    described = column(table, name, public=public)
    unit = f" [{described.unit}]" if described.unit else ""
    return _SCHEMA_OF.get(described.kind, _TEXT) | {"description": described.meaning + unit}


def api_document(
    title: str, description: str, systems: tuple[ReferenceSystem, ...], *, public: bool = False
) -> Json:
    """Describe every address of the feed with its parameters, answers and schemas.

    `public` as for `service.columns.column`.
    """
    return {
        "openapi": "3.0.3",
        "info": {"title": title, "description": description, "version": "1.0.0"},
        "servers": [{"url": url_for("feed.landing", _external=True).rstrip("/")}],
        "tags": [
            {"name": "capabilities", "description": "What the feed holds and conforms to"},
            {"name": "features", "description": "Features of the collections"},
        ],
        "paths": _paths(),
        "components": {
            "parameters": _parameters(systems),
            "responses": _responses(),
            "schemas": _schemas(public=public),
            "headers": {
                "Content-Crs": {
                    "description": "CRS of the coordinates, a URI in angle brackets.",
                    "schema": _TEXT,
                },
                "ETag": {
                    "description": "Names this content, for If-None-Match.",
                    "schema": _TEXT,
                },
            },
        },
    }


def _paths() -> Json:
    paths: Json = {
        "/": _get("landing", "Landing page", _answer("LandingPage"), ["f"]),
        "/conformance": _get("conformance", "Conformance classes", _answer("Conformance"), ["f"]),
        "/api": _get("api", "This description", _answer("Api", OPENAPI), ["f"]),
        "/collections": _get("collections", "The collections", _answer("Collections"), ["f"]),
        "/collections/{collectionId}": _get(
            "collection",
            "One collection",
            _answer("Collection"),
            ["collectionId", "f"],
            missing=True,
        ),
    }
    for collection in COLLECTIONS.values():
        paths |= _collection_paths(collection)
    return paths


def _collection_paths(collection: Collection) -> Json:
    base, schema = f"/collections/{collection.name}", collection.name.capitalize()
    common = ["bbox", "bbox-crs", "datetime", "crs", "f"]
    filters = [
        {"name": name, "in": "query", "required": False, "description": words, "schema": _TEXT}
        for name, words in collection.filters.items()
    ]
    changed = {"304": {"description": "The client holds this content already."}}
    return {
        f"{base}/schema": _get(
            f"{collection.name}Schema",
            f"Kinds of the properties of {collection.title.lower()}",
            {
                "200": _content(
                    "A JSON Schema of one feature.", {SCHEMA: {"type": "object"}}, crs=False
                )
            },
            [],
        ),
        f"{base}/items": _get(
            f"{collection.name}Items",
            f"{collection.title}, page by page",
            _answer(f"{schema}Page", GEOJSON) | changed,
            ["limit", *common, "after", "before"],
            more=filters,
            description=collection.description,
            tag="features",
        ),
        f"{base}/items/{{featureId}}": _get(
            f"{collection.name}Item",
            f"One feature of {collection.title.lower()}",
            _answer(f"{schema}Feature", GEOJSON) | changed,
            ["featureId", "crs", "f"],
            missing=True,
            tag="features",
        ),
        f"{base}/whole.geojson": _get(
            f"{collection.name}Whole",
            f"All {collection.title.lower()} in one file, sent while it is made",
            {"200": _content("The features.", {GEOJSON: _ref(f"{schema}Whole")}, crs=True)},
            common,
            more=filters,
            tag="features",
        ),
    }


def _get(
    name: str,
    summary: str,
    answers: Json,
    parameters: list[str],
    *,
    more: list[Json] | None = None,
    description: str = "",
    missing: bool = False,
    tag: str = "capabilities",
) -> Json:
    problems = {"400": "Invalid", "406": "NotAcceptable", "500": "Unforeseen"}
    if missing:
        problems["404"] = "NotFound"
    operation: Json = {
        "operationId": name,
        "summary": summary,
        "tags": [tag],
        "parameters": [
            *({"$ref": f"#/components/parameters/{known}"} for known in parameters),
            *(more or []),
        ],
        "responses": answers
        | {
            status: {"$ref": f"#/components/responses/{known}"}
            for status, known in problems.items()
        },
    }
    if description:
        operation["description"] = description
    return {"get": operation}


def _ref(name: str) -> Json:
    return {"$ref": f"#/components/schemas/{name}"}


def _answer(name: str, kind: str = JSON) -> Json:
    return {"200": _content("Answered.", {kind: _ref(name), HTML: _TEXT}, crs=kind == GEOJSON)}


def _content(words: str, kinds: dict[str, Json], *, crs: bool) -> Json:
    response: Json = {
        "description": words,
        "content": {kind: {"schema": schema} for kind, schema in kinds.items()},
    }
    if crs:
        # Pages for people show no coordinates to compute with, and carry no such header.
        response["headers"] = {
            "Content-Crs": {"$ref": "#/components/headers/Content-Crs"},
            "ETag": {"$ref": "#/components/headers/ETag"},
        }
    return response


def _parameters(systems: tuple[ReferenceSystem, ...]) -> Json:
    uris = [system.uri for system in systems]

    def parameter(name: str, words: str, schema: Json, **more: object) -> Json:
        return {"name": name, "in": "query", "required": False, "description": words,
                "schema": schema, **more}  # fmt: skip

    def path(name: str, words: str, schema: Json) -> Json:
        return {"name": name, "in": "path", "required": True, "description": words,
                "schema": schema}  # fmt: skip

    return {
        "f": parameter("f", "Encoding; comes before the Accept header.",
                       {"type": "string", "enum": ["json", "html"]}),
        "limit": parameter(
            "limit", f"Most features of one page; above {MOST}, {MOST} are given.",
            {"type": "integer", "minimum": 1, "maximum": MOST, "default": LIMIT},
            style="form", explode=False,
        ),
        "bbox": parameter(
            "bbox",
            "Only features that meet this box: lower corner, upper corner, in the axis order of "
            "bbox-crs. Six numbers have heights, which do not matter. In degrees a west edge "
            "greater than the east edge crosses 180 degrees. Features without geometry meet "
            "every box.",
            {"type": "array", "oneOf": [{"minItems": 4, "maxItems": 4},
                                        {"minItems": 6, "maxItems": 6}], "items": _NUMBER},
            style="form", explode=False,
        ),
        "bbox-crs": parameter("bbox-crs", "CRS of bbox.",
                              {"type": "string", "format": "uri", "enum": uris, "default": CRS84}),
        "crs": parameter("crs", "CRS of the coordinates in the answer.",
                         {"type": "string", "format": "uri", "enum": uris, "default": CRS84}),
        "datetime": parameter(
            "datetime",
            "Only features whose time, from setting to lifting, meets this moment or interval "
            "(RFC 3339; .. or nothing for an open end). A date alone, as 2024-05-31, means that "
            "whole day in UTC. Features without time meet all.",
            _TEXT, style="form", explode=False,
        ),
        "after": parameter("after", "Mark of a next link: the page behind this feature.", _TEXT),
        "before": parameter("before", "Mark of a prev link: the page before this feature.", _TEXT),
        "collectionId": path("collectionId", "Name of a collection.",
                             {"type": "string", "enum": list(COLLECTIONS)}),
        "featureId": path("featureId", "Id of a feature.", _TEXT),
    }  # fmt: skip


def _responses() -> Json:
    response = {
        "Invalid": "A parameter is unknown or its value cannot be used.",
        "NotFound": "There is nothing at this address, or nothing that may be seen.",
        "NotAcceptable": "None of the encodings of this address is accepted.",
        "Unforeseen": "Something went wrong that was not foreseen.",
    }
    kinds = {PROBLEM: _ref("Problem"), HTML: _TEXT}
    return {name: _content(words, kinds, crs=False) for name, words in response.items()}


def _object(properties: Json, required: list[str]) -> Json:
    response: Json = {"type": "object", "properties": properties}
    if required:  # an empty list is not allowed
        response["required"] = required
    return response


def _list(items: Json) -> Json:
    return {"type": "array", "items": items}


def _schemas(*, public: bool) -> Json:
    links = _list(_ref("Link"))
    schemas: Json = {
        "Link": _object(
            {"href": _TEXT, "rel": _TEXT, "type": _TEXT, "title": _TEXT}, ["href", "rel", "type"]
        ),
        "Problem": {
            "description": "Problem details, RFC 9457.",
            **_object(
                {
                    "type": _TEXT,
                    "title": _TEXT,
                    "status": {"type": "integer"},
                    "detail": _TEXT,
                    "instance": _TEXT,
                },
                ["type", "title", "status"],
            ),
        },
        "LandingPage": _object({"title": _TEXT, "description": _TEXT, "links": links}, ["links"]),
        "Conformance": _object({"conformsTo": _list(_TEXT)}, ["conformsTo"]),
        "Api": _object({"openapi": _TEXT, "info": {"type": "object"}}, ["openapi", "info"]),
        "Collections": _object(
            {"links": links, "crs": _list(_TEXT), "collections": _list(_ref("Collection"))},
            ["links", "collections"],
        ),
        "Collection": _object(
            {
                "id": _TEXT, "title": _TEXT, "description": _TEXT, "itemType": _TEXT,
                "crs": _list(_TEXT), "storageCrs": _TEXT, "extent": _extent(), "links": links,
            },
            ["id", "links"],
        ),
        "Geometry": {
            "nullable": True,
            **_object({"type": _TEXT, "coordinates": _list({})}, ["type", "coordinates"]),
        },
    }  # fmt: skip
    for collection in COLLECTIONS.values():
        schemas |= _feature_schemas(collection, links, public=public)
    return schemas


def _extent() -> Json:
    interval = _list({"type": "string", "nullable": True})
    return _object(
        {
            "spatial": _object({"bbox": _list(_list(_NUMBER)), "crs": _TEXT}, ["bbox"]),
            "temporal": _object({"interval": _list(interval)}, ["interval"]),
        },
        [],
    )


def _feature_schemas(collection: Collection, links: Json, *, public: bool) -> Json:
    name = collection.name.capitalize()
    feature = {
        "type": {"type": "string", "enum": ["Feature"]},
        "id": _TEXT,
        "geometry": _ref("Geometry"),
        "properties": _ref(f"{name}Properties"),
        "links": links,
    }
    found = {
        "type": {"type": "string", "enum": ["FeatureCollection"]},
        "features": _list(_ref(f"{name}Feature")),
    }
    paged = {
        "numberMatched": _WHOLE,
        "numberReturned": _WHOLE,
        "timeStamp": {"type": "string", "format": "date-time"},
        "links": links,
    }
    return {
        f"{name}Properties": {
            "type": "object",
            "properties": {
                name: {"nullable": True, **column_schema(collection.name, name, public=public)}
                for name in collection.columns
            },
        },
        f"{name}Feature": {
            "description": f"{collection.geometry}, "
            "on WGS 84 as several where it crosses 180 degrees.",
            **_object(feature, ["type", "id", "geometry", "properties"]),
        },
        f"{name}Page": _object(found | paged, ["type", "features", "links"]),
        f"{name}Whole": _object(found, ["type", "features"]),
    }
