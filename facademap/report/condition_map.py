"""The condition map: one HTML file that opens offline, built on folium with Leaflet put into it.

Everything is in the page: picture pyramid, outlines, texts, code. The page is written by a template that
escapes whatever it is given; data stand in a block of JSON that no text can end. A content policy in the
page forbids every request; scripts are allowed by the hash of their content only.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, ClassVar

import folium
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from facademap.errors import FileError, InputError
from facademap.report.map_columns import as_columns
from facademap.report.map_words import catalogues

__all__ = ["MapContent", "MapSurface", "leaflet", "write_condition_map"]

#: The code of the page, in the order it runs.
_SCRIPTS = (
    *(
        "a_model.js",
        "b_draw.js",
        "b_relief.js",
        "b_change.js",
        "c_map.js",
        "d_gauges.js",
        "d_photo.js",
        "d_panels.js",
        "e_tools.js",
    ),
    "f_review.js",
)


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
    control_edge_m : list of (u, v)
        Edge of the control where the picture reaches beyond it.
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
    control_edge_m: Sequence[tuple[float, float]] = ()
    tiles: Mapping[str, bytes] = field(default_factory=dict)
    tile_folder: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapContent:
    """All that the page shows; ``data`` is plain JSON (see :mod:`facademap.report.map_content`).

    Parameters
    ----------
    title, subtitle : str
    surfaces : sequence of MapSurface
    data : mapping
    papers : sequence of mapping
        Papers beside the page: ``name``, ``title``, ``file``, ``pages`` (page of a piece or repair).
    inches : bool
        Whether feet and inches come first.
    languages : mapping, optional
        Languages that the page offers (see :mod:`facademap.report.map_words`); those of the package when missing.
    """

    title: str
    subtitle: str
    surfaces: Sequence[MapSurface]
    data: Mapping[str, Any]
    papers: Sequence[Mapping[str, Any]] = ()
    inches: bool = False
    languages: Mapping[str, Any] | None = None


class _WallMap(folium.Map):
    """A folium map in the plane of a wall; only its script is asked for, and no data reaches it."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "window.facademapMap = L.map({{ this.get_name()|tojson }}, {crs: L.CRS.Simple, zoomControl: false, "
        "attributionControl: false, zoomSnap: 0.25, zoomDelta: 1, wheelPxPerZoomLevel: 90, maxBoundsViscosity: 0, "
        "fadeAnimation: false, zoomAnimation: false, inertia: false});"
        "{% endmacro %}"
    )
    default_js: ClassVar[list[tuple[str, str]]] = []  # type: ignore[misc]
    default_css: ClassVar[list[tuple[str, str]]] = []  # type: ignore[misc]

    def __init__(self) -> None:
        super().__init__(location=[0, 0], tiles=None)
        self._id = "wall"

    def begin(self) -> str:
        """The script that makes the map."""
        page: Any = self  # the map's library says nothing of its types
        page.render()
        made: str = page.get_root().script.render()
        return made


def leaflet() -> tuple[str, str]:
    """Script and style of the map library, to be put into a page that asks for nothing.

    Raises
    ------
    FileError
        It was not built into this installation.
    """
    return _built("leaflet.js"), _built("leaflet.css")


def write_condition_map(content: MapContent, *, language: str = "en") -> bytes:
    """The page as bytes; the same content gives the same bytes.

    Parameters
    ----------
    content : MapContent
    language : str
        Tag of the language in which the page opens; a reader changes it.

    Returns
    -------
    bytes
        UTF-8 HTML.

    Raises
    ------
    FileError
        Leaflet was not built into this installation.
    InputError
        There is no such language.
    """
    languages = content.languages or catalogues()
    if language not in languages:
        raise InputError(
            f"the condition map has no language {language[:40]!r}",
            f"Choose one of {', '.join(languages)}, or put its catalogue into languages/ of the project.",
        )
    wall = _WallMap()
    scripts = [
        _built("leaflet.js"),
        wall.begin(),
        *(_resource(f"map_page/{name}") for name in _SCRIPTS),
    ]
    text = {**languages["en"]["texts"], **languages[language]["texts"]}
    page = _templates().get_template("page.html")
    return page.render(
        language=language,
        name=content.title,
        subtitle=content.subtitle,
        text=text,
        policy=_policy(scripts, beside=any(s.tile_folder for s in content.surfaces)),
        style=Markup(_built("leaflet.css") + _resource("map_page/page.css")),
        map_id=wall.get_name(),
        data={
            **content.data,
            "features": as_columns(content.data["features"]),
            "language": language,
            "catalogues": languages,
            "units": "ft" if content.inches else "mm",
            "papers": list(content.papers),
            "name": content.title,
            "surfaces": [_surface_data(n, s) for n, s in enumerate(content.surfaces)],
        },
        tiles=_tiles_in_page(content.surfaces, finest=False),
        finest_tiles=_tiles_in_page(content.surfaces, finest=True),
        scripts=[Markup(s) for s in scripts],
    ).encode("utf-8")


def _templates() -> Environment:
    """The one place where text becomes page: everything that a template writes is escaped, but for what is our own code."""
    found = Environment(
        loader=PackageLoader("facademap.report", "map_page"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    found.policies["json.dumps_kwargs"] = {
        "ensure_ascii": False,
        "allow_nan": False,
        "separators": (",", ":"),
    }
    return found


def _policy(scripts: Sequence[str], *, beside: bool) -> str:
    """What the page may do: run exactly this code, and ask for nothing. No data can add to it."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'"
        for s in scripts
    )
    images = "data: blob:" + (" 'self' file:" if beside else "")
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src {images}; font-src data:; "
        "connect-src 'none'; form-action 'none'; base-uri 'none'"
    )


def _surface_data(number: int, surface: MapSurface) -> dict[str, Any]:
    return {
        "id": surface.id,
        "name": surface.name,
        "number": number,
        "left_m": surface.left_m,
        "top_m": surface.top_m,
        "gsd_m": surface.gsd_m,
        "levels": surface.levels,
        "extent_m": list(surface.extent_m),
        "has_picture": surface.has_picture,
        "sigma_m": surface.sigma_m,
        "control_edge_m": [list(place) for place in surface.control_edge_m],
        "tile_folder": surface.tile_folder,
    }


def _tiles_in_page(surfaces: Sequence[MapSurface], *, finest: bool) -> Iterator[tuple[str, str]]:
    """One block a tile: the browser reads only those it shows.

    The finest level, most of the page, comes after the code: the wall is seen and worked on while it is still read.
    """
    for number, surface in enumerate(surfaces):
        if not surface.tile_folder:
            for key, jpeg in surface.tiles.items():
                is_finest = surface.levels > 1 and int(key.split("/")[0]) == surface.levels - 1
                if is_finest == finest:
                    yield f"{number}/{key}", base64.b64encode(jpeg).decode("ascii")


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
