"""The feed described by OpenAPI 3.0 (requirements class oas30 of OGC 17-069r4)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import orjson
from flask import render_template, url_for

from service.columns import column
from service.web.feed import encodings
from service.web.feed.collections import COLLECTIONS
from service.web.feed.query import LIMIT, MOST
from service.web.problems import MEDIA_TYPE

if TYPE_CHECKING:
    from service.web.feed.reference_systems import ReferenceSystem

__all__ = ["api_document", "column_schema"]

Json = dict[str, Any]
_SCHEMA_OF: Final[dict[str, Json]] = {
    "number": {"type": "number"},
    "whole": {"type": "integer"},
    "yes_no": {"type": "boolean"},
    "time": {"type": "string", "format": "date-time"},
    "list": {"type": "array", "items": {}},
}


def column_schema(table: str, name: str, *, public: bool) -> Json:
    """Describe one property in the words that JSON Schema and OpenAPI 3.0 share."""
    described = column(table, name, public=public)
    unit = f" [{described.unit}]" if described.unit else ""
    kind = _SCHEMA_OF.get(described.kind, {"type": "string"})
    return kind | {"description": described.meaning + unit}


def api_document(
    title: str, description: str, systems: tuple[ReferenceSystem, ...], *, public: bool = False
) -> Json:
    """Describe every address of the feed with its parameters, answers and schemas.

    `public` as for `service.columns.column`.
    """
    properties = {
        table: {
            name: {"nullable": True, **column_schema(table, name, public=public)}
            for name in collection.columns
        }
        for table, collection in COLLECTIONS.items()
    }
    document: Json = orjson.loads(
        render_template(
            "feed/openapi.json",
            title=title,
            description=description,
            address=url_for("feed.landing", _external=True).rstrip("/"),
            collections=list(COLLECTIONS.values()),
            properties=properties,
            systems=[system.uri for system in systems],
            limit=LIMIT,
            most=MOST,
            media={
                "json": encodings.JSON,
                "geojson": encodings.GEOJSON,
                "html": encodings.HTML,
                "schema": encodings.SCHEMA,
                "openapi": encodings.OPENAPI,
                "problem": MEDIA_TYPE,
            },
        )
    )
    return document
