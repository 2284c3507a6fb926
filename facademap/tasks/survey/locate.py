"""Use case: picked pixels become places on the wall, each with its uncertainty."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from facademap.errors import InputError
from facademap.io.camera_files import read_camera, read_camera_for
from facademap.io.control_files import read_pixel_points
from facademap.io.pictures import read_picture_info
from facademap.io.whole_files import write_whole
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.tasks.survey.control_table import control_in_photo

__all__ = ["Located", "locate_points"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Located:
    """What `locate_points` returns.

    Parameters
    ----------
    view : PlaneView
    found, beyond : int
        Points on the wall, points beyond its horizon.
    frame : str or None
        Origin and direction of the frame, where it was made from places in the world.
    notes : tuple of str
    """

    view: PlaneView
    found: int
    beyond: int
    frame: str | None = None
    notes: tuple[str, ...] = ()


def locate_points(
    control: Path,
    points: Path,
    out: Path,
    *,
    photo: Path | None = None,
    size_px: tuple[int, int] | None = None,
    camera: Path | None = None,
    stored_pixels: bool = False,
    estimate_lens: bool = True,
    pick_px: float | None = None,
) -> Located:
    """Carry picked pixels onto the wall.

    Parameters
    ----------
    control, points, out : Path
    photo : Path, optional
        Only its size and EXIF are read.
    size_px : tuple of int, optional
        Width and height, instead of the photo.
    camera : Path, optional
    stored_pixels : bool
        All pixels were picked in the stored picture, before the turn that its EXIF asks for.
    estimate_lens : bool
    pick_px : float, optional
        One-sigma precision (per axis) of the picked pixels; default: as good as the control was picked.

    Raises
    ------
    FacademapError
    """
    if (photo is None) == (size_px is None):
        raise InputError("give either the photo or its size", "Use --photo P, or --size W,H.")
    focal = turn = None
    if photo is not None:
        info = read_picture_info(photo)
        size_px, focal = (info.width_px, info.height_px), info.focal_35mm_mm
        turn = info.turn
    assert size_px is not None
    if camera is None:
        lens = None
    elif turn is None:
        lens = read_camera(camera, size_px=size_px)
    else:
        lens = read_camera_for(camera, turn, stored_pixels=stored_pixels)
    picked = read_pixel_points(points, turn=turn, stored_pixels=stored_pixels)
    table = control_in_photo(control, turn=turn, stored_pixels=stored_pixels)
    view = fit_plane_view(
        table.points,
        width_px=size_px[0],
        height_px=size_px[1],
        camera=lens,
        focal_35mm_mm=focal,
        estimate_lens=estimate_lens,
    )
    pixels = np.array([(x, y) for _, x, y in picked])
    places = view.wall_from_pixel(pixels[:, 0], pixels[:, 1])
    finite = np.asarray(np.isfinite(places).all(axis=1))
    sigma = np.full(len(picked), np.nan)
    covariance = view.covariance_m2(places[finite, 0], places[finite, 1], pick_px=pick_px)
    if view.can_vouch:
        bias = np.sum(view.bias_m(places[finite]) ** 2, axis=1)
        sigma[finite] = np.sqrt(np.trace(covariance, axis1=-2, axis2=-1) + bias)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("name", "u_m", "v_m", "sigma_mm"))
    for (name, _, _), (u, v), s, ok in zip(picked, places, sigma, finite, strict=True):
        # adding zero turns a rounded -0.0 into 0.0
        writer.writerow(
            (
                name,
                f"{round(u, 6) + 0.0:.6f}",
                f"{round(v, 6) + 0.0:.6f}",
                f"{s * 1000:.3f}" if math.isfinite(s) else "",
            )
            if ok
            else (name, "", "", "")
        )
    write_whole(out, text.getvalue())
    return Located(
        view=view,
        found=int(finite.sum()),
        beyond=int((~finite).sum()),
        frame=table.frame,
        notes=table.notes,
    )
