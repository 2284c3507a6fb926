"""A face of a block measured in a stored photo: one click on it, its scale by a length or by points, its flaws as drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from facademap.errors import FacademapError, InputError
from facademap.io.pictures import read_picture
from facademap.salvage.face_size import fit_face_plane
from facademap.salvage.traced_face import TracedFace, measure_traced_face
from facademap.store.project import Project
from facademap.tasks.yard.face_colour import UNCALIBRATED, face_colour
from facademap.tasks.yard.face_scale import FoundScale, ScaleChoice, find_scale

__all__ = ["FLAW_KINDS", "measure_face", "traced_columns"]

FLAW_KINDS = ("crack", "hole", "stain", "vein", "spall")
LEAST_POINTS = 4
LEAST_CORNERS = 3
MOST_DEPTH_M = 10.0


def measure_face(
    project: Project,
    photo: str,
    *,
    click_px: Sequence[float] = (),
    ring_px: Sequence[Sequence[float]] = (),
    scale_px: Sequence[float] = (),
    length_m: float = 0.0,
    points: Sequence[Sequence[float]] = (),
    flaws: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Outline, size, flaws and colour of the face under a click.

    Parameters
    ----------
    photo : str
        Id of a stored photo; where one length is given it was taken square on to the face.
    click_px : (x, y)
        A place on the face, pixels of the stored picture.
    ring_px : sequence of (x, y)
        The outline drawn by hand instead of that click, pixels of the stored picture.
    scale_px : (x0, y0, x1, y1)
        Ends of a known length in the plane of the face.
    length_m : float
        That length.
    points : sequence of (x_px, y_px, x_m, y_m)
        Four or more points in the plane of the face instead of a length, y up on the face.
    flaws : sequence of mapping
        ``kind``, ``ring_px`` and ``depth_m`` (how deep it reaches, ``None`` = right through).

    Returns
    -------
    dict
        ``ring_px`` (outline in the photo), ``face`` (values for the table of faces), ``height_pm95_m``,
        ``width_pm95_m``, ``rmse_m`` of the points (``None`` without), ``warnings``.

    Raises
    ------
    FacademapError
        Nothing can be traced there, or the scale makes no sense. Nothing is stored here in any case.
    """
    row = project.row("photos", photo)
    picture, _ = read_picture(project.place(str(row["path"])))
    rows, cols = picture.shape[:2]
    drawn = np.asarray(ring_px, dtype=float) if len(ring_px) else None
    if drawn is not None and len(drawn) < LEAST_CORNERS:
        raise InputError("an outline of fewer than three corners", "Click its corners in order.")
    if drawn is None and not len(click_px):
        raise InputError("neither a click nor an outline", "Click on the face, or draw round it.")
    click = (click_px[0], click_px[1]) if drawn is None else tuple(drawn[0].tolist())
    ends = [(scale_px[0], scale_px[1]), (scale_px[2], scale_px[3])] if len(scale_px) else []
    outline = [] if drawn is None else drawn.tolist()
    seen = [click, *ends, *((p[0], p[1]) for p in points), *((p[0], p[1]) for p in outline)]
    if any(not (0 <= x <= cols - 1 and 0 <= y <= rows - 1) for x, y in seen):
        raise InputError(
            "a click beside the photo",
            "Click on the face, and on the points or both ends of the known length.",
        )
    if points:
        if len(points) < LEAST_POINTS:
            raise InputError(
                f"{len(points)} control points",
                f"Give {LEAST_POINTS} or more in the plane of the face, or one known length.",
            )
        places = np.asarray(points, dtype=float)
        plane = fit_face_plane(
            [str(k + 1) for k in range(len(places))],
            places[:, :2],
            places[:, 2:],
            width_px=cols,
            height_px=rows,
        )
        found = FoundScale(scale=plane, source="control points", flags=tuple(plane.view.flags))
    elif ends:
        found = find_scale(picture, ScaleChoice(lengths=((*ends[0], *ends[1], length_m),)))
    else:
        raise InputError(
            "no scale is given", "Give both ends of a known length, or four control points."
        )
    traced = measure_traced_face(picture, click, found.scale, drawn_px=drawn, flags=found.flags)
    face: dict[str, Any] = {
        "photo": photo,
        **traced_columns(traced),
        "flaws": [_flaw(f, traced, found) for f in flaws],
    }
    warnings = list(found.warnings)
    if drawn is not None:
        warnings.append("the outline was drawn by hand: how far it misses the stone is not known")
    try:
        face |= face_colour(
            picture,
            traced.outline_m,
            [f["ring"] for f in face["flaws"]],
            traced.photo_matrix,
            face=face,
        )
        warnings.append(UNCALIBRATED)
    except FacademapError as error:
        warnings.append(f"no colour: {error.problem}")
    return {
        "ring_px": np.round(traced.ring_px, 2).tolist(),
        "face": face,
        "width_pm95_m": traced.size.width_pm95_m,
        "height_pm95_m": traced.size.height_pm95_m,
        "rmse_m": found.rmse_m,
        "warnings": warnings,
    }


def _flaw(flaw: Mapping[str, Any], traced: TracedFace, found: FoundScale) -> dict[str, Any]:
    """A flaw as the table of faces keeps it, in metres of the face."""
    ring = np.asarray(flaw.get("ring_px") or (), dtype=float)
    if ring.ndim != 2 or ring.shape[1] != 2 or len(ring) < 3 or not np.isfinite(ring).all():
        raise InputError(
            "a flaw of fewer than three corners", "Click three corners or more round it."
        )
    kind, depth = flaw.get("kind"), flaw.get("depth_m")
    if kind not in FLAW_KINDS:
        raise InputError(f"a flaw of kind {str(kind)[:30]!r}", f"Use {', '.join(FLAW_KINDS)}.")
    if depth is not None and not (
        isinstance(depth, (int, float))
        and not isinstance(depth, bool)
        and 0 < depth <= MOST_DEPTH_M
    ):
        raise InputError(
            f"a flaw {str(depth)[:20]} m deep",
            "Give its depth in metres, or null for right through.",
        )
    return {
        "kind": kind,
        "ring": np.round(traced.flaw_m(ring, found.scale), 5).tolist(),
        "depth_m": depth,
    }


def traced_columns(traced: TracedFace) -> dict[str, Any]:
    """Values of a traced face for the table of faces."""
    size = traced.size
    return {
        "outline": traced.outline_m.tolist(),
        "photo_matrix": traced.photo_matrix.tolist(),
        "width_m": size.width_m,
        "height_m": size.height_m,
        "size_pm95_m": max(size.width_pm95_m, size.height_pm95_m),
    }
