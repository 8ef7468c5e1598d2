"""Whether the service is up and can read its store."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify

from service.web.context import current_store

__all__ = ["blueprint"]

blueprint = Blueprint("health", __name__)


@blueprint.get("/healthz")
def healthz() -> Response:
    """Answer "ok" once the store answers."""
    _ = current_store().version
    return jsonify(status="ok")
