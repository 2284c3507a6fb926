"""The description of ``/ogc`` (OpenAPI 3.0), as OGC API - Features asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from facademap import __version__
from facademap.tables import Column
from facademap.tasks.desk.features import Layer, filters_of

__all__ = ["CONFORMS_TO", "DEFAULT_LIMIT", "LARGEST_LIMIT", "describe_features"]

#: OGC 17-069r4 (Part 1) and OGC 18-058r1 (Part 2).
CONFORMS_TO = (
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/oas30",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson",
    "http://www.opengis.net/spec/ogcapi-features-2/1.0/conf/crs",
)
DEFAULT_LIMIT, LARGEST_LIMIT = 1000, 10_000

Schema = dict[str, Any]
_JSON = "application/json"
_KINDS: dict[str, Schema] = {
    "text": {"type": "string"},
    "int": {"type": "integer"},
    "bool": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
}


def describe_features(at: str, layers: Sequence[Layer], title: str) -> Schema:
    """The whole description.

    Parameters
    ----------
    at : str
        Address of the landing page.
    layers : sequence of Layer
    title : str
        Name of the project.
    """
    paths: Schema = {
        "/": _get("Landing page", _JSON),
        "/conformance": _get("What it conforms to", _JSON),
        "/api": _get("This description", "application/vnd.oai.openapi+json;version=3.0"),
        "/collections": _get("Collections", _JSON),
        "/crs/{surface}": _get("The reference system of a wall (WKT 2)", "text/plain", [_in_path("surface")]),
    }  # fmt: skip
    for layer in layers:
        here = f"/collections/{layer.id}"
        asked = [{"$ref": f"#/components/parameters/{n}"} for n in _PARAMETERS]
        own = [_filter(column) for column in filters_of(layer).values()]
        paths[here] = _get(layer.title, _JSON)
        paths[f"{here}/items"] = _get(layer.title, "application/geo+json", [*asked, *own])
        paths[f"{here}/items/{{feature}}"] = _get(
            f"One feature of {layer.title}",
            "application/geo+json",
            [_in_path("feature"), {"$ref": "#/components/parameters/crs"}],
        )
    return {
        "openapi": "3.0.3",
        "info": {"title": title, "version": __version__},
        "servers": [{"url": at}],
        "paths": paths,
        "components": {
            "parameters": _PARAMETERS,
            "securitySchemes": {
                "bearer": {"type": "http", "scheme": "bearer"},
                "basic": {"type": "http", "scheme": "basic"},
            },
        },
        "security": [{"bearer": []}, {"basic": []}],
    }


def _asked(name: str, meaning: str, schema: Schema, **more: Any) -> Schema:
    return {"name": name, "in": "query", "required": False, "description": meaning, "schema": schema, **more}  # fmt: skip


_NUMBERS: Schema = {"type": "array", "minItems": 4, "maxItems": 6, "items": {"type": "number"}}
_PARAMETERS: Schema = {
    "limit": _asked(
        "limit", "How many features at most.",
        {"type": "integer", "minimum": 1, "maximum": LARGEST_LIMIT, "default": DEFAULT_LIMIT},
    ),
    "offset": _asked("offset", "How many are passed over.", {"type": "integer", "minimum": 0, "default": 0}),
    "bbox": _asked(
        "bbox", "Only features that stand within: least and most of each axis, in bbox-crs.", _NUMBERS, style="form", explode=False
    ),
    "bbox-crs": _asked("bbox-crs", "System of bbox, one of the collection's.", {"type": "string", "format": "uri"}),
    "crs": _asked("crs", "System of the answer, one of the collection's.", {"type": "string", "format": "uri"}),
    "datetime": _asked(
        "datetime", "Only features observed then: a day, a moment or an interval of RFC 3339. Features without a day are among them.",
        {"type": "string"},
    ),
}  # fmt: skip


def _filter(column: Column) -> Schema:
    return _asked(
        column.name, f"Only features with this value. {column.meaning}", _KINDS[column.kind]
    )


def _in_path(name: str) -> Schema:
    return {"name": name, "in": "path", "required": True, "schema": {"type": "string"}}


def _get(summary: str, kind: str, parameters: Sequence[Schema] = ()) -> Schema:
    return {
        "get": {
            "summary": summary,
            "parameters": list(parameters),
            "responses": {
                "200": {"description": "As asked", "content": {kind: {}}},
                "400": {"description": "The request is wrong", "content": {"application/problem+json": {}}},
                "401": {"description": "Not signed in"},
                "404": {"description": "Not there", "content": {"application/problem+json": {}}},
            },
        }
    }  # fmt: skip
