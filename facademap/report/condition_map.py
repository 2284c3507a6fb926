"""The condition map: one HTML file that opens offline, built on folium with Leaflet put into it.

Everything is in the page: picture pyramid, outlines, texts, code. A content policy in the page
forbids every request; scripts are allowed by the hash of their content only.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, ClassVar

import folium
from jinja2 import Template

from facademap.errors import FileError

__all__ = ["MapContent", "MapSurface", "load_texts", "write_condition_map"]

#: The code of the page, in the order it runs.
_SCRIPTS = ("a_model.js", "b_draw.js", "c_map.js", "d_panels.js", "e_tools.js", "f_review.js")


@dataclass(frozen=True, slots=True, kw_only=True)
class MapSurface:
    """One wall of the map.

    Parameters
    ----------
    id, name : str
    left_m, top_m : float
        Upper left corner of the picture.
    gsd_m : float
        Ground sample distance of the finest level.
    levels : int
        Levels of the pyramid; level ``levels - 1`` is the finest.
    extent_m : (u0, v0, u1, v1)
        What the whole-wall view shows.
    has_picture : bool
    sigma_m : float or None
        One sigma of a place, per axis.
    tiles : mapping of "z/x/y" to JPEG bytes
    tile_folder : str
        Where the tiles lie beside the page, when they are not in it.
    """

    id: str
    name: str
    left_m: float
    top_m: float
    gsd_m: float
    levels: int
    extent_m: tuple[float, float, float, float]
    has_picture: bool
    sigma_m: float | None = None
    tiles: Mapping[str, bytes] = field(default_factory=dict)
    tile_folder: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapContent:
    """All that the page shows; ``data`` is plain JSON (see :mod:`facademap.report.map_content`)."""

    title: str
    subtitle: str
    surfaces: Sequence[MapSurface]
    data: Mapping[str, Any]


class _WallMap(folium.Map):
    """A folium map in the plane of a wall, with its code inside the page."""

    _template = Template(
        "{% macro header(this, kwargs) %}<style>{{ this.style }}</style>{% endmacro %}"
        "{% macro html(this, kwargs) %}{{ this.page }}{% endmacro %}"
        "{% macro script(this, kwargs) %}"
        "window.facademapMap = L.map({{ this.get_name()|tojson }}, {crs: L.CRS.Simple, zoomControl: false, "
        "attributionControl: false, zoomSnap: 0.25, zoomDelta: 1, wheelPxPerZoomLevel: 90, maxBoundsViscosity: 0, "
        "fadeAnimation: false, zoomAnimation: false, inertia: false});"
        "{% endmacro %}"
    )
    default_js: ClassVar[list[tuple[str, str]]] = []  # type: ignore[misc]
    default_css: ClassVar[list[tuple[str, str]]] = []  # type: ignore[misc]

    def __init__(self, *, page: Template, style: str, context: Mapping[str, Any]) -> None:
        super().__init__(location=[0, 0], tiles=None)
        self.style = style
        self._id = "wall"
        place = f'<div class="folium-map" id="{self.get_name()}" role="application" aria-label="{context["text"]["title"]}" aria-describedby="map-keys"></div>'
        self.page = page.render(map_div=place, **context)


def load_texts(language: str = "en") -> dict[str, str]:
    """The texts of the page in one language."""
    texts: dict[str, str] = json.loads(_resource(f"map_page/texts.{language}.json"))
    return texts


def write_condition_map(content: MapContent, *, language: str = "en") -> bytes:
    """The page as bytes; the same content gives the same bytes.

    Parameters
    ----------
    content : MapContent
    language : str
        Language of the fixed texts.

    Returns
    -------
    bytes
        UTF-8 HTML.

    Raises
    ------
    FileError
        Leaflet was not built into this installation.
    """
    text = load_texts(language)
    context = {
        "name": html.escape(content.title),
        "subtitle": html.escape(content.subtitle),
        "text": {k: html.escape(v) for k, v in text.items()},
    }
    page = _WallMap(
        page=Template(_resource("map_page/page.html")),
        style=_built("leaflet.css") + _resource("map_page/page.css"),
        context=context,
    )
    figure: Any = page.get_root()
    figure.title = content.title
    rendered = figure.render()
    surfaces = [
        {
            "id": s.id,
            "name": s.name,
            "number": n,
            "left_m": s.left_m,
            "top_m": s.top_m,
            "gsd_m": s.gsd_m,
            "levels": s.levels,
            "extent_m": list(s.extent_m),
            "has_picture": s.has_picture,
            "sigma_m": s.sigma_m,
            "tile_folder": s.tile_folder,
        }
        for n, s in enumerate(content.surfaces)
    ]
    blocks = [
        _json_block(
            "wall-data", {**content.data, "text": text, "name": content.title, "surfaces": surfaces}
        )
    ]
    for number, surface in enumerate(content.surfaces):
        if surface.tiles and not surface.tile_folder:
            # one block a tile: the browser reads only those it shows
            blocks += [
                f'<script type="text/plain" id="tile-{number}/{key}">{base64.b64encode(jpeg).decode("ascii")}</script>\n'
                for key, jpeg in surface.tiles.items()
            ]
    return _assemble(
        rendered, blocks, lang=language, beside=any(s.tile_folder for s in content.surfaces)
    ).encode("utf-8")


def _assemble(rendered: str, blocks: Sequence[str], *, lang: str, beside: bool) -> str:
    """Put data and code where folium put its script, and allow exactly these scripts."""
    start = re.search(r"<script>(.*?)</script>", rendered[rendered.index("</body>") :], re.DOTALL)
    init = start.group(1) if start else ""
    head = rendered[rendered.index("<head>") + 6 : rendered.index("</head>")]
    head = re.sub(r"<script>.*?</script>", "", head, flags=re.DOTALL)
    body = rendered[rendered.index("<body>") + 6 : rendered.index("</body>")]
    scripts = [_built("leaflet.js"), init, *(_resource(f"map_page/{name}") for name in _SCRIPTS)]
    code = [s.replace("</script", "<\\/script") for s in scripts]
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(c.encode()).digest()).decode()}'" for c in code
    )
    images = "data: blob:" + (" 'self' file:" if beside else "")
    policy = (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src {images}; font-src data:; "
        "connect-src 'none'; form-action 'none'; base-uri 'none'"
    )
    return "".join(
        [
            f'<!DOCTYPE html>\n<html lang="{lang}">\n<head>\n<meta charset="utf-8">\n',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            re.sub(r"<meta[^>]*>", "", head).strip(),
            "\n</head>\n<body>\n",
            body.strip(),
            "\n",
            *blocks,
            *(f"<script>{c}</script>\n" for c in code),
            "</body>\n</html>\n",
        ]
    )


def _json_block(name: str, values: Any) -> str:
    """Data inside the page; no text in it can end the block or start a tag."""
    body = json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    body = (
        body.replace("<", "\\u003c")
        .replace(">", "\\u003e")
        .replace("&", "\\u0026")
        .replace("\u2028", "\\u2028")
    )
    return f'<script type="application/json" id="{name}">{body}</script>\n'


def _resource(name: str) -> str:
    return files("facademap.report").joinpath(name).read_text(encoding="utf-8")


def _built(name: str) -> str:
    try:
        return _resource(f"built/{name}")
    except FileNotFoundError:
        raise FileError(
            f"this installation lacks {name}",
            "Install facademap again with pip; it builds the file.",
        ) from None
