"""Register photos of one flat wall and carry points into the first of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.io.pictures import read_picture, read_picture_info
from facademap.io.point_files import PhotoPoint, read_photo_points, write_carried_points
from facademap.photo.features import grey_picture
from facademap.photo.register import Registration, register_photos

__all__ = ["carry_points"]


def carry_points(
    photos: Sequence[Path],
    points: Path,
    *,
    out: Path,
    stored_pixels: bool = False,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Carry points of several photos into the pixels of the first.

    Parameters
    ----------
    photos : sequence of Path
        Photos of one flat wall; the first is the one carried into.
    points : Path
        Table ``photo,name,x_px,y_px``.
    out : Path
        Table ``photo,name,x_px,y_px,ok`` to write, always in upright pixels.
    stored_pixels : bool
        The points were picked in stored pictures, before the turns that their EXIF ask for.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    dict
        Photos reached and not reached with reasons, pairs, residuals, points carried.
    """
    names = [p.name for p in photos]
    double = sorted({n for n in names if names.count(n) > 1})
    if double:
        raise InputError(
            f"two photos are called {double[0]}", "Give photos with different file names."
        )
    turns = {p.name: read_picture_info(p).turn for p in photos}
    wanted = read_photo_points(points, photos=turns, stored_pixels=stored_pixels)
    pictures = [grey_picture(read_picture(p)[0]) for p in photos]
    for point in wanted:
        height, width = pictures[names.index(point.photo)].shape
        if not (-0.5 <= point.x_px <= width - 0.5 and -0.5 <= point.y_px <= height - 0.5):
            raise InputError(
                f"point {point.name} at ({point.x_px:g}, {point.y_px:g}) lies outside photo {point.photo} "
                f"of {width} x {height} px",
                "Correct the point, or give the photo it was picked in.",
            )
    registration = register_photos(pictures, progress=progress)
    carried = _carried(registration, names, wanted)
    write_carried_points(out, carried)
    return _report(registration, names, carried)


def _carried(
    registration: Registration, names: Sequence[str], wanted: Sequence[PhotoPoint]
) -> list[tuple[PhotoPoint, tuple[float, float] | None]]:
    places: list[tuple[PhotoPoint, tuple[float, float] | None]] = []
    for point in wanted:
        xy, _ = registration.carry(names.index(point.photo), np.array([[point.x_px, point.y_px]]))
        good = bool(np.isfinite(xy).all())
        places.append((point, (float(xy[0, 0]), float(xy[0, 1])) if good else None))
    return places


def _report(
    registration: Registration, names: Sequence[str], carried: Sequence[tuple[PhotoPoint, Any]]
) -> dict[str, Any]:
    pairs = [
        {
            "first": names[a],
            "second": names[b],
            "joined": ties.joined,
            "reason": ties.reason,
            "ties": len(ties.first_px),
            "inliers": ties.inliers,
            "alike_share": round(ties.alike_share, 3),
            "rms_px": round(ties.rms_px, 3),
        }
        for (a, b), ties in sorted(registration.graph.pairs.items())
    ]
    return {
        "registered": [names[i] for i in registration.members],
        "not_registered": [
            {"photo": names[i], "reason": reason} for i, reason in registration.reasons.items()
        ],
        "rms_px": registration.rms_px,
        "k1": registration.bundle.cameras[0].k1 if registration.bundle is not None else 0.0,
        "points": len(carried),
        "carried": sum(place is not None for _, place in carried),
        "pairs": pairs,
    }
