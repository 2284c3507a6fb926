"""One photo of a flat wall, rectified without a project."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from facademap.library.results import Rectified, told
from facademap.values import ReadOnly

if TYPE_CHECKING:
    from facademap.photo.plane import PlaneView
    from facademap.wall.grid import Extent

__all__ = ["rectify"]

FilePath = str | Path


def rectify(
    photo: FilePath,
    control: FilePath,
    out: FilePath,
    *,
    gsd_m: float,
    camera: FilePath | None = None,
    extent: Extent | None = None,
    estimate_lens: bool = True,
    interpolation: Literal["linear", "cubic"] = "cubic",
) -> Rectified:
    """Rectify a photo of a flat wall to a GeoTIFF true to scale.

    Parameters
    ----------
    photo : path
    control : path
        CSV of ``name, u_m, v_m, x_px, y_px, role`` (control or check).
    out : path
        GeoTIFF to write.
    gsd_m : float
        Ground sample distance, metres on the wall a pixel.
    camera : path, optional
        Camera file; without it the lens is estimated where the points allow.
    extent : Extent, optional
        Part of the wall; default: the control grown by 5 %.
    estimate_lens : bool
    interpolation : {"linear", "cubic"}

    Returns
    -------
    Rectified
        ``frame`` holds the points: ``name, role, used, du_m, dv_m`` (found minus given) and their places.

    Raises
    ------
    FacademapError
        Anything that cannot be used; no file is written then.

    Notes
    -----
    ``proved`` is true only where check points, or control left out one by one, prove the accuracy. What lies before or
    behind the plane is displaced.
    """
    from facademap.tasks.survey.rectify import rectify_photo

    done = rectify_photo(
        Path(photo),
        Path(control),
        Path(out),
        gsd_m=gsd_m,
        camera=None if camera is None else Path(camera),
        extent=extent,
        estimate_lens=estimate_lens,
        interpolation=interpolation,
    )
    frame = _points(done.view)
    frame.attrs["picture"] = str(out)
    values: dict[str, Any] = {**done.report, "gsd_m": done.grid.gsd_m}
    return told(
        Rectified,
        values,
        path=Path(out),
        report=ReadOnly(done.report),
        folder=Path(out).parent,
        frame=frame,
    )


def _points(view: PlaneView) -> gpd.GeoDataFrame:
    """The points of a fit and what they miss by, metres on the wall."""
    points = view.points
    residual_m = view.residual_m
    rows = pd.DataFrame(
        {
            "name": list(points.name),
            "role": np.where(points.is_control, "control", "check"),
            "used": view.used,
            "du_m": residual_m[:, 0],
            "dv_m": residual_m[:, 1],
        }
    )
    return gpd.GeoDataFrame(rows, geometry=shapely.points(points.wall_m))
