"""Addresses of pictures: tiles of surfaces and photos, small photos, faces."""

from __future__ import annotations

import re
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.errors import InputError
from facademap.store.team import limit_now
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.desk.reliefs import heights_of_relief, reliefs_to_look_at
from facademap.web.answers import threaded
from facademap.web.desk import Desk

__all__ = ["routes"]

#: Tiles carry the version of their picture in the address, so they never go stale.
_FOR_EVER = {"cache-control": "private, max-age=31536000, immutable"}
_VERSION = re.compile(r"[0-9a-f]{16}\Z")
_NUMBER = re.compile(r"\d{1,6}\Z")
_FOR_NOW = {"cache-control": "private, max-age=60"}


def routes(desk: Desk, pictures: Pictures) -> list[Route]:
    """Addresses under /tiles and /pictures."""

    def about(request: Request, body: Any) -> Any:
        reader = desk.reading()
        names = list(reader.read("surfaces")["id"])
        return {"surfaces": {name: pictures.about_surface(reader, name) for name in names}}

    def surface_tile(request: Request, body: Any) -> Any:
        data, kind = pictures.surface_tile(desk.reading(), _named(request), *_place(request))
        return Response(data, media_type=kind, headers=_FOR_EVER)

    cut_tile = threaded(surface_tile)

    async def surface_tile_at_once(request: Request) -> Response:
        # a tile that was cut before is only read from its file, without asking the project
        version = request.query_params.get("v", "")
        parts = [request.path_params[n] for n in ("level", "column", "row")]
        limited = limit_now() is not None  # then the database is asked whether this surface is seen
        if not limited and _VERSION.match(version) and all(_NUMBER.match(p) for p in parts):
            kept = pictures.kept_tile(version, *(int(p) for p in parts))
            if kept is not None:
                return Response(kept[0], media_type=kept[1], headers=_FOR_EVER)
        return await cut_tile(request)

    def photo_tile(request: Request, body: Any) -> Any:
        data, kind = pictures.photo_tile(desk.reading(), _named(request), *_place(request))
        return Response(data, media_type=kind, headers=_FOR_EVER)

    def photo(request: Request, body: Any) -> Any:
        data, kind = pictures.small_photo(desk.reading(), _named(request), size_px=_size(request))
        return Response(data, media_type=kind, headers=_FOR_NOW)

    def face(request: Request, body: Any) -> Any:
        data, kind = pictures.face(desk.reading(), _named(request), size_px=_size(request))
        return Response(data, media_type=kind, headers=_FOR_NOW)

    def reliefs(request: Request, body: Any) -> Any:
        return {"surfaces": reliefs_to_look_at(desk.reading())}

    def relief(request: Request, body: Any) -> Any:
        return heights_of_relief(desk.reading(), _named(request), _survey(request)).place

    def heights(request: Request, body: Any) -> Any:
        made = heights_of_relief(desk.reading(), _named(request), _survey(request))
        return Response(made.png, media_type="image/png", headers=_FOR_EVER)

    return [
        Route("/api/reliefs", threaded(reliefs)),
        Route("/api/relief", threaded(relief)),
        Route("/pictures/relief", threaded(heights)),
        Route("/api/pictures", threaded(about)),
        Route("/tiles/surface/{level}/{column}/{row}", surface_tile_at_once),
        Route("/tiles/photo/{level}/{column}/{row}", threaded(photo_tile)),
        Route("/pictures/photo", threaded(photo)),
        Route("/pictures/face", threaded(face)),
    ]


def _named(request: Request) -> str:
    name = request.query_params.get("id", "")
    if not 0 < len(name) <= 400:
        raise InputError("a picture without a name", "Give id=.. in the address.")
    return name


def _survey(request: Request) -> str:
    return request.query_params.get("survey", "")[:90]


def _place(request: Request) -> tuple[int, int, int]:
    values = [request.path_params[n] for n in ("level", "column", "row")]
    if not all(_NUMBER.match(v) for v in values):
        raise InputError(
            "a tile whose place is not three whole numbers", "Give level, column and row."
        )
    return int(values[0]), int(values[1]), int(values[2])


def _size(request: Request) -> int:
    text = request.query_params.get("size", "480")
    if not re.match(r"\d{1,5}\Z", text):
        raise InputError(f"size {text[:20]!r}", "Give size in pixels.")
    return int(text)
