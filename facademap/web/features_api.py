"""``/ogc``: conditions, wall stones and repairs for GIS programs, to read (OGC API - Features, Parts 1 and 2)."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from facademap.errors import FacademapError, FileError, InputError
from facademap.tables import Column
from facademap.tasks.desk.features import (
    CRS84H,
    WALL,
    Asked,
    Layer,
    filters_of,
    layer_named,
    layers_of,
    leaf_of,
    one_feature,
    uri_of_epsg,
)
from facademap.web.answers import Answer, failure
from facademap.web.desk import Desk
from facademap.web.features_described import (
    CONFORMS_TO,
    DEFAULT_LIMIT,
    LARGEST_LIMIT,
    describe_features,
)

__all__ = ["ROOT", "routes"]

ROOT = "/ogc"
GEOJSON = "application/geo+json"
_LONGEST = 400
_MOST_OFFSET = 2**31


def routes(desk: Desk, *, secure: bool) -> list[Route]:
    """The landing page, conformance, description, collections, features and systems of the walls."""

    def base(request: Request) -> str:
        return f"{'https' if secure else request.url.scheme}://{request.url.netloc}{ROOT}"

    def landing(request: Request) -> Any:
        _refuse_unknown(request, ())
        at = base(request)
        return {
            "title": str(desk.setting("name", desk.folder.name)),
            "description": "Conditions, wall stones and repairs, to read. Walls without a place in the world have no geometry in "
            "longitude and latitude; ask for the collection of one surface in the metres of its wall.",
            "links": [
                _link(at, "self", "application/json", "This page"),
                _link(f"{at}/api", "service-desc", "application/vnd.oai.openapi+json;version=3.0", "Description"),
                _link(f"{at}/conformance", "conformance", "application/json", "What it conforms to"),
                _link(f"{at}/collections", "data", "application/json", "Collections"),
            ],
        }  # fmt: skip

    def conformance(request: Request) -> Any:
        _refuse_unknown(request, ())
        return {"conformsTo": list(CONFORMS_TO)}

    def described(request: Request) -> Any:
        _refuse_unknown(request, ())
        layers = layers_of(desk.reading())
        return Answer(
            describe_features(base(request), layers, desk.setting("name", desk.folder.name)),
            media_type="application/vnd.oai.openapi+json;version=3.0",
        )

    def collections(request: Request) -> Any:
        _refuse_unknown(request, ())
        at = base(request)
        layers = layers_of(desk.reading(), bounds=True)
        return {
            "links": [_link(f"{at}/collections", "self", "application/json", "Collections")],
            "crs": [CRS84H],
            "collections": [_collection(at, layer) for layer in layers],
        }

    def collection(request: Request) -> Any:
        _refuse_unknown(request, ())
        return _collection(base(request), _layer(request, bounds=True))

    def _layer(request: Request, *, bounds: bool = False) -> Layer:
        return layer_named(desk.reading(), request.path_params["collection"], bounds=bounds)

    def items(request: Request) -> Any:
        layer = _layer(request)
        at = base(request)
        asked = _asked(request, at, layer)
        leaf = leaf_of(desk.reading(), layer, asked)
        here = f"{at}/collections/{quote(layer.id, safe='')}/items"
        links = [_link(_with(here, request, {}), "self", GEOJSON, "These features")]
        if asked.first + asked.most < leaf.matched:
            more = {"offset": asked.first + asked.most, "limit": asked.most}
            links.append(_link(_with(here, request, more), "next", GEOJSON, "The next ones"))
        if asked.first:
            less = {"offset": max(0, asked.first - asked.most), "limit": asked.most}
            links.append(_link(_with(here, request, less), "prev", GEOJSON, "Those before"))
        links.append(
            _link(here.removesuffix("/items"), "collection", "application/json", layer.title)
        )
        head = Answer(
            {
                "type": "FeatureCollection",
                "timeStamp": dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
                "numberMatched": leaf.matched,
                "numberReturned": len(leaf.features),
                "links": links,
            }
        ).body  # fmt: skip
        body = bytes(head)[:-1] + b',"features":[' + ",".join(leaf.features).encode() + b"]}"
        return Response(body, media_type=GEOJSON, headers=_crs_header(asked.crs, at, layer))

    def item(request: Request) -> Any:
        layer = _layer(request)
        at = base(request)
        _refuse_unknown(request, ("crs",))
        crs = _crs(request, "crs", at, layer)
        here = f"{at}/collections/{quote(layer.id, safe='')}"
        text = one_feature(desk.reading(), layer, request.path_params["feature"], crs)
        links = Answer(
            [
                _link(_with(f"{here}/items/{quote(request.path_params['feature'], safe='')}", request, {}), "self", GEOJSON, "This feature"),
                _link(here, "collection", "application/json", layer.title),
            ]
        ).body  # fmt: skip
        body = text[:-1].encode() + b',"links":' + bytes(links) + b"}"
        return Response(body, media_type=GEOJSON, headers=_crs_header(crs, at, layer))

    def system(request: Request) -> Any:
        """The reference system of a wall as WKT 2."""
        _refuse_unknown(request, ())
        surface = request.path_params["surface"]
        row = desk.reading().rows("surfaces", [surface]).get(surface)
        if row is None or not row["frame_wkt"]:
            raise FileError("there is no such wall", "See crs of the collections.")
        return PlainTextResponse(row["frame_wkt"])

    pages: Mapping[str, Callable[[Request], Any]] = {
        "": landing,
        "/conformance": conformance,
        "/api": described,
        "/collections": collections,
        "/collections/{collection}": collection,
        "/collections/{collection}/items": items,
        "/collections/{collection}/items/{feature}": item,
        "/crs/{surface}": system,
    }
    return [Route(ROOT + path, _answered(page)) for path, page in pages.items()]


def _answered(page: Callable[[Request], Any]) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint; what is wrong with a request is told as a problem (RFC 9457)."""

    async def endpoint(request: Request) -> Response:
        try:
            made = await run_in_threadpool(page, request)
        except FacademapError as error:
            status = failure(error).status_code
            told = {"type": "about:blank", "title": error.problem, "status": status, "detail": error.remedy}  # fmt: skip
            return Answer(told, status_code=status, media_type="application/problem+json")
        return made if isinstance(made, Response) else Answer(made)

    return endpoint


def _link(href: str, rel: str, kind: str, title: str) -> dict[str, str]:
    return {"href": href, "rel": rel, "type": kind, "title": title}


def _with(here: str, request: Request, changed: Mapping[str, Any]) -> str:
    """An address with what was asked, some of it changed."""
    asked = {**request.query_params, **changed}
    return f"{here}?{urlencode(asked)}" if asked else here


def _systems(at: str, layer: Layer) -> dict[str, str]:
    """The names of the systems that a layer is told in, and what each is called here."""
    wall = {f"{at}/crs/{quote(layer.surface, safe='')}": WALL} if layer.surface else {}
    return {CRS84H: CRS84H, **{uri_of_epsg(code): str(code) for code in layer.epsg}, **wall}


def _crs_header(crs: str, at: str, layer: Layer) -> dict[str, str]:
    name = next(uri for uri, word in _systems(at, layer).items() if word == crs)
    return {"content-crs": f"<{name}>", "cache-control": "no-cache"}


def _collection(at: str, layer: Layer) -> dict[str, Any]:
    here = f"{at}/collections/{quote(layer.id, safe='')}"
    systems = list(_systems(at, layer))
    unplaced = [name for name, wall in layer.walls.items() if wall is None]
    note = (
        f" Without a place in the world, so without geometry here: {', '.join(unplaced[:10])}."
        if unplaced
        else ""
    )
    # a client that reads a layer in the metres of its wall would take degrees for them
    extent = (
        {}
        if layer.bounds is None or layer.surface
        else {"extent": {"spatial": {"bbox": [list(layer.bounds)], "crs": CRS84H}}}
    )
    return {
        "id": layer.id,
        "title": layer.title,
        "description": "Heights are as surveyed, not above the ellipsoid. A wall that stands upright has no area on a plan: measure in the "
        f"metres of the wall, or take area_m2 and length_m.{note}",
        "itemType": "feature",
        **extent,
        "crs": systems,
        "storageCrs": systems[-1],
        "links": [
            _link(here, "self", "application/json", layer.title),
            _link(f"{here}/items", "items", GEOJSON, f"{layer.title}, {layer.count} features"),
        ],
    }


# -- what is asked -------------------------------------------------------------------------------------------------------


def _refuse_unknown(request: Request, known: Any) -> None:
    for name, value in request.query_params.multi_items():
        if name not in known:
            raise InputError(
                f"{name[:40]!r} is no parameter here", "See /ogc/api for those there are."
            )
        if len(value) > _LONGEST:
            raise InputError(f"{name} is too long", f"Give at most {_LONGEST} signs.")
        if len(request.query_params.getlist(name)) > 1:
            raise InputError(f"{name} is given twice", "Give it once.")


def _asked(request: Request, at: str, layer: Layer) -> Asked:
    filters = filters_of(layer)
    _refuse_unknown(request, ("limit", "offset", "bbox", "bbox-crs", "crs", "datetime", *filters))
    given = request.query_params
    return Asked(
        most=min(_whole(given.get("limit"), "limit", DEFAULT_LIMIT, least=1), LARGEST_LIMIT),
        first=_whole(given.get("offset"), "offset", 0, least=0),
        box=_box(given.get("bbox")),
        box_crs=_crs(request, "bbox-crs", at, layer),
        crs=_crs(request, "crs", at, layer),
        days=_days(given.get("datetime")),
        equal={n: _value(column, given[n]) for n, column in filters.items() if n in given},
    )


def _whole(text: str | None, name: str, default: int, *, least: int) -> int:
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and least <= int(text) <= _MOST_OFFSET):
        raise InputError(f"{name} is no whole number from {least} on", f"Give {name} in digits.")
    return int(text)


def _box(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        box = tuple(float(part) for part in text.split(","))
    except ValueError:
        box = ()
    if len(box) not in (4, 6) or not all(math.isfinite(v) and abs(v) < 1e9 for v in box):
        raise InputError(
            "bbox is no box", "Give four numbers, or six with heights: least, then most."
        )
    half = len(box) // 2
    # west may lie east of east: then the box goes over the line of the date
    if any(box[n] > box[n + half] for n in range(1, half)):
        raise InputError("bbox is upside down", "Give the least of each axis, then the most.")
    return box


def _crs(request: Request, name: str, at: str, layer: Layer) -> str:
    asked = request.query_params.get(name)
    if asked is None:
        return CRS84H
    flat = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
    found = {**_systems(at, layer), **({flat: CRS84H} if name == "bbox-crs" else {})}.get(asked)
    if found is None:
        raise InputError(
            f"{name}: {layer.title} is not told in this system", "See crs of the collection."
        )
    return found


def _days(text: str | None) -> tuple[str, str] | None:
    """First and last day of a moment or an interval of RFC 3339."""
    if text is None:
        return None
    parts = text.split("/")
    if len(parts) > 2 or (len(parts) == 1 and parts[0] in ("", "..")):
        raise InputError("datetime is no time", "Give a day, a moment, or two with / between.")
    first = _day(parts[0], "0001-01-01")
    last = _day(parts[-1], "9999-12-31")
    if first > last:
        raise InputError("datetime ends before it begins", "Give the earlier time first.")
    return first, last


def _day(text: str, when_open: str) -> str:
    if text in ("", ".."):
        return when_open
    try:
        if len(text) == 10:
            return dt.date.fromisoformat(text).isoformat()
        moment = dt.datetime.fromisoformat(text)
        if moment.tzinfo is None or "T" not in text.upper():
            raise ValueError
    except ValueError:
        raise InputError(
            "datetime is no time of RFC 3339", "Write 2026-03-01 or 2026-03-01T12:00:00Z."
        ) from None
    return moment.astimezone(dt.UTC).date().isoformat()


def _value(column: Column, text: str) -> Any:
    try:
        read: Any = (
            {"true": True, "false": False}[text] if column.kind == "bool" else column.read(text)
        )
    except (KeyError, ValueError, TypeError, FacademapError):
        raise InputError(
            f"{column.name} has no such value", f"Give a value of kind {column.kind}."
        ) from None
    if isinstance(read, int) and abs(read) > 2**31:
        raise InputError(f"{column.name} has no such value", "Give a smaller number.")
    return read
