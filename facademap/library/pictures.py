"""Rows on the wall as a small picture, on matplotlib axes, or as a map."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from facademap.condition.signs import OTHER_SIGN, SIGN_OF_THING, SIGN_OF_TREATMENT, signs_as_json
from facademap.errors import FacademapError, InputError
from facademap.io.rasters import open_elevation
from facademap.store.project import Project
from facademap.values import short
from facademap.wall.grid import PixelGrid

__all__ = ["card", "explore", "plot"]

#: Longer side of the picture behind a map or axes, and of the small one on a card.
_LARGE_PX, _SMALL_PX = 1600, 480
_MOST_ON_CARD, _MOST_IN_A_LINE = 5, 12


def plot(folder: Path, frame: pd.DataFrame, *, ax: Any = None) -> Any:
    """Rows on matplotlib axes; see :meth:`facademap.library.Result.plot`."""
    rows = _placed(frame)
    try:
        from matplotlib import pyplot
    except ImportError:
        raise InputError(
            "matplotlib is not installed", "Install it: pip install 'facademap[notebook]'."
        ) from None
    if ax is None:
        _, ax = pyplot.subplots(figsize=(9, 6), layout="constrained")
    behind = _behind(folder, rows, _LARGE_PX)
    if behind is not None:
        grid, picture = behind
        e = grid.extent
        ax.imshow(picture, extent=(e.u0_m, e.u1_m, e.v0_m, e.v1_m), origin="upper")
    for number in range(len(rows)):
        colour, shape = _colour(rows.iloc[number]), rows.geometry.iloc[number]
        for xy, closed in _lines(shape):
            if closed:
                ax.fill(*xy.T, facecolor=colour, alpha=0.25)
            ax.plot(*xy.T, color=colour, marker="+" if len(xy) == 1 else None, linewidth=1.0)
    ax.set_aspect("equal")
    ax.set_xlabel("u, m")
    ax.set_ylabel("v, m")
    return ax


def explore(folder: Path, frame: pd.DataFrame) -> Any:
    """Rows on a folium map; see :meth:`facademap.library.Result.explore`."""
    import folium

    from facademap.report.condition_map import leaflet

    class WallMap(folium.Map):
        """A map whose code stands in the page, so that nothing is asked for."""

        default_js: Any = []  # noqa: RUF012
        default_css: Any = []  # noqa: RUF012

    rows = _placed(frame)
    u0, v0, u1, v1 = (float(x) for x in rows.total_bounds)
    made = WallMap(
        location=[(v0 + v1) / 2, (u0 + u1) / 2],
        crs="Simple",
        tiles=None,
        zoom_start=6,
        max_zoom=12,
        attribution_control=False,
    )
    script, style = leaflet()
    head = made.get_root().header  # type: ignore[attr-defined]
    head.add_child(folium.Element(f"<style>{style}</style>"), name="own_style")
    head.add_child(folium.Element(f"<script>{script}</script>"), name="own_script")
    behind = _behind(folder, rows, _LARGE_PX)
    if behind is not None:
        grid, picture = behind
        e = grid.extent
        folium.raster_layers.ImageOverlay(
            image=_data_uri(picture), bounds=[[e.v0_m, e.u0_m], [e.v1_m, e.u1_m]], opacity=1.0
        ).add_to(made)
    plain = _plain_rows(rows)
    if len(plain):
        folium.GeoJson(
            plain.to_json(),
            style_function=lambda f: {
                "color": f["properties"]["colour"],
                "weight": 2,
                "fillOpacity": 0.25,
            },
            marker=folium.CircleMarker(radius=5, weight=2),
            tooltip=folium.GeoJsonTooltip([c for c in plain if c not in ("geometry", "colour")]),
        ).add_to(made)
    made.fit_bounds([[v0, u0], [v1, u1]])
    return made


def card(title: str, values: Sequence[tuple[str, str]], folder: Path, frame: pd.DataFrame) -> str:
    """A result as a few lines of a page: its values, its first rows, and a picture where the rows lie on a wall.

    Parameters
    ----------
    title : str
    values : sequence of (name, value)
    folder : path
    frame : DataFrame or GeoDataFrame

    Returns
    -------
    str
        HTML; everything from the project is escaped.
    """
    lines = "".join(
        f"<tr><th style='text-align:left'>{html.escape(n)}</th><td style='text-align:left'>{html.escape(_words(v))}</td></tr>"
        for n, v in values
    )
    rows = pd.DataFrame(frame).drop(columns="geometry", errors="ignore").iloc[:, :8]
    table = rows.head(_MOST_ON_CARD).to_html(index=False, border=0) if len(rows) else ""
    more = (
        f"<p>and {len(rows) - _MOST_ON_CARD} more rows: .to_frame()</p>"
        if len(rows) > _MOST_ON_CARD
        else ""
    )
    return (
        f"<div><b>{html.escape(title)}</b><table>{lines}</table>{_picture(folder, frame)}"
        f"{table}{more}</div>"
    )


def _words(held: Any) -> str:
    """A value as people read it."""
    if isinstance(held, bool) or held is None:
        return {True: "yes", False: "no", None: "not known"}[held]
    if isinstance(held, float):
        return f"{held:.4g}"
    if isinstance(held, Mapping) and len(held) <= _MOST_IN_A_LINE:
        return ", ".join(f"{k}: {_words(v)}" for k, v in held.items()) or "none"
    if isinstance(held, tuple) and not held:
        return "none"
    return held if isinstance(held, str) else short(held)


def _picture(folder: Path, frame: pd.DataFrame) -> str:
    if not isinstance(frame, gpd.GeoDataFrame) or frame.geometry.dropna().empty:
        return ""
    rows = _placed(frame)
    grid, picture = _behind(folder, rows, _SMALL_PX) or _blank(rows)
    drawn = _drawn(grid, picture, rows)
    words = f"{len(rows)} outlines on the wall"
    return f'<img alt="{words}" style="max-width:100%" src="{_data_uri(drawn)}">'


def _drawn(grid: PixelGrid, picture: NDArray[np.uint8], rows: gpd.GeoDataFrame) -> Any:
    import cv2

    drawn = picture.copy()
    for number in range(len(rows)):
        text = _colour(rows.iloc[number])
        colour = tuple(int(text[k : k + 2], 16) for k in (1, 3, 5))
        for xy, closed in _lines(rows.geometry.iloc[number]):
            line = np.round(grid.pixel_from_wall(xy[:, 0], xy[:, 1]) * 16).astype(np.int32)
            if len(line) == 1:
                cv2.drawMarker(drawn, tuple(line[0] // 16), colour, cv2.MARKER_CROSS, 9, 1)
            else:
                cv2.polylines(drawn, [line], closed, colour, 1, cv2.LINE_AA, 4)
    return drawn


def _placed(frame: pd.DataFrame) -> gpd.GeoDataFrame:
    if not isinstance(frame, gpd.GeoDataFrame) or frame.geometry.dropna().empty:
        raise InputError(
            "these rows have no place on the wall", "Look at them as a table: to_frame()."
        )
    rows = frame[frame.geometry.notna()]
    if "surface" in rows and rows["surface"].nunique() > 1:
        # one wall at a time: the one that has most of the rows
        rows = rows[rows["surface"] == rows["surface"].mode().iloc[0]]
    return rows


def _behind(
    folder: Path, rows: gpd.GeoDataFrame, longest_px: int
) -> tuple[PixelGrid, NDArray[np.uint8]] | None:
    """The picture of the wall that rows lie on, not larger than asked for, on white."""
    path = _picture_path(folder, rows)
    if path is None or not path.is_file():
        return None
    with open_elevation(path) as opened:
        grid = opened.grid
        coarser = max(1.0, max(grid.width_px, grid.height_px) / longest_px)
        part, rgb, mask = opened.read(gsd_m=grid.gsd_m * coarser)
    rgb[mask == 0] = 255
    return part, rgb


def _picture_path(folder: Path, rows: gpd.GeoDataFrame) -> Path | None:
    if "picture" in rows.attrs:
        return Path(rows.attrs["picture"])
    if "surface" not in rows:
        return None
    try:
        with Project.open(folder, read_only=True) as project:
            named = project.row("surfaces", str(rows["surface"].iloc[0]))["picture"]
            return project.place(named) if isinstance(named, str) and named else None
    except FacademapError:
        return None


def _blank(rows: gpd.GeoDataFrame) -> tuple[PixelGrid, NDArray[np.uint8]]:
    from facademap.wall.grid import Extent

    u0, v0, u1, v1 = rows.total_bounds
    rim = 0.05 * max(u1 - u0, v1 - v0, 0.1)
    extent = Extent(u0_m=u0 - rim, v0_m=v0 - rim, u1_m=u1 + rim, v1_m=v1 + rim)
    grid = PixelGrid.over(extent, gsd_m=max(extent.width_m, extent.height_m) / _SMALL_PX)
    return grid, np.full((grid.height_px, grid.width_px, 3), 255, np.uint8)


def _lines(shape: Any) -> Iterator[tuple[NDArray[np.float64], bool]]:
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                yield np.asarray(ring.coords)[:, :2], True
        else:
            yield np.asarray(part.coords)[:, :2], False


def _colour(row: Any) -> str:
    """The colour that the row has on drawings and maps."""
    if "treatment" in row:
        return SIGN_OF_TREATMENT.get(str(row["treatment"]), SIGN_OF_THING["repairs"]).colour
    if "family" in row:
        found = signs_as_json()["families"].get(str(row["family"]))
        return str(found["colour"]) if found else OTHER_SIGN.colour
    return SIGN_OF_THING["wall_stones"].colour if "course" in row else OTHER_SIGN.colour


def _plain_rows(rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The columns that a tooltip can show, as text, without a reference system: metres of the wall."""
    shown = [c for c in rows.columns if c != "geometry"][:8]
    texts = {c: rows[c].astype(str).to_numpy() for c in shown}
    texts["colour"] = np.array([_colour(rows.iloc[k]) for k in range(len(rows))])
    return gpd.GeoDataFrame(texts, geometry=rows.geometry.to_numpy())


def _data_uri(picture: NDArray[np.uint8]) -> str:
    import cv2

    done, packed = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82])
    assert done
    return f"data:image/jpeg;base64,{base64.b64encode(packed.tobytes()).decode('ascii')}"
