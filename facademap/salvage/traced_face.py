"""A face measured in its photo: traced from a click, sized, and its place in the photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.errors import GeometryError
from facademap.photo.homography import apply_homography
from facademap.salvage.face_size import (
    FaceScale,
    FaceSize,
    PlaneScale,
    check_outline,
    measure_outline,
)
from facademap.salvage.outline import trace_face
from facademap.values import frozen_value

__all__ = ["TracedFace", "measure_traced_face"]

Floats = NDArray[np.floating[Any]]
#: An outline is stored with corners no closer to the line of their neighbours than this.
SIMPLE_M = 0.0004
#: Places in each direction at which the map from face to photo is fitted.
_GRID = 12


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TracedFace:
    """A face found in a photo.

    Parameters
    ----------
    ring_px : ndarray, shape (n, 2)
        Outline in pixels.
    size : FaceSize
        Its size, and the outline as traced in metres.
    outline_m : ndarray, shape (k, 2)
        The outline to store: x along the bed, its box's corner at (0, 0).
    photo_matrix : ndarray, shape (3, 3)
        Homography from metres of the face to pixels.
    matrix_miss_m : float
        Largest miss of that homography on the face: the bend of the lens.
    """

    ring_px: Floats
    size: FaceSize
    outline_m: Floats
    photo_matrix: Floats
    matrix_miss_m: float

    def flaw_m(self, ring_px: Floats, scale: FaceScale) -> Floats:
        """A ring drawn in the photo in metres of the face, cut to the face.

        Raises
        ------
        GeometryError
            It crosses itself or lies outside the face.
        """
        flaw = check_outline(
            _on_face(np.asarray(ring_px, dtype=float), scale, self.size), what="a flaw"
        )
        parts = [
            p
            for p in shapely.get_parts(flaw.intersection(shapely.Polygon(self.outline_m)))
            if p.geom_type == "Polygon"
        ]
        if not parts:
            raise GeometryError(
                "a flaw lies outside its face", "Draw it on this face, or leave it out."
            )
        return np.asarray(shapely.get_coordinates(max(parts, key=lambda p: p.area).exterior)[:-1])


def measure_traced_face(
    picture: NDArray[np.uint8],
    click_px: tuple[float, float],
    scale: FaceScale,
    *,
    drawn_px: Floats | None = None,
    bed_deg: float | None = None,
    flags: tuple[str, ...] = (),
    covered_px: Floats | None = None,
) -> TracedFace:
    """Trace the face under a click and measure it.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, cols, 3)
    click_px : (x, y)
    scale : FaceScale
    drawn_px : ndarray, shape (n, 2), optional
        Outline as a person drew it, pixels; it is measured as it is, and nothing is traced.
    bed_deg : float, optional
        Direction of the bed, counter-clockwise from the x axis of the scale.
    flags : tuple of str
        Doubts about the scale, carried on.
    covered_px : ndarray, shape (n, 2), optional
        Ring of what lies on the face and hides it.

    Raises
    ------
    InputError, GeometryError
        Nothing can be traced there, the face is cut off by the frame, or its size is absurd.
    """
    rows, cols = picture.shape[:2]
    plane = scale if isinstance(scale, PlaneScale) else None
    ring = (
        trace_face(
            picture,
            click_px,
            covered_px=covered_px,
            vanishing_px=None if plane is None else plane.vanishing_px,
            marks_px=None if plane is None else plane.marks_px,
        )
        if drawn_px is None
        else np.asarray(drawn_px, dtype=float)
    )
    check_outline(ring, width_px=cols, height_px=rows)
    size = measure_outline(ring, scale, bed_deg=bed_deg, flags=flags)
    outline = np.asarray(
        shapely.get_coordinates(shapely.Polygon(size.outline_m).simplify(SIMPLE_M).exterior)[:-1]
    )
    low, high = ring.min(axis=0), ring.max(axis=0)
    pixels = np.dstack(
        np.meshgrid(np.linspace(low[0], high[0], _GRID), np.linspace(low[1], high[1], _GRID))
    ).reshape(-1, 2)
    inside = shapely.contains_xy(shapely.Polygon(ring), pixels[:, 0], pixels[:, 1])
    pixels = np.concatenate([ring, pixels[inside]])
    places = np.concatenate([size.outline_m, _on_face(pixels[len(ring) :], scale, size)])
    matrix = np.asarray(cv2.findHomography(places, pixels, 0)[0], dtype=float)
    back = apply_homography(np.linalg.inv(matrix), pixels)
    return TracedFace(
        ring_px=ring,
        size=size,
        outline_m=np.round(outline, 6),
        photo_matrix=matrix,
        matrix_miss_m=float(np.hypot(*(back - places).T).max()),
    )


def _on_face(pixels: Floats, scale: FaceScale, size: FaceSize) -> Floats:
    """Pixels in metres of the face, turned to the bed and moved to the box's corner."""
    angle = np.radians(size.bed_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return np.asarray(scale.metres(pixels) @ turn.T - size.corner_m)
