"""A piece seen in the wall: the face of a block laid into the picture of the wall at the cut-out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
import simplejpeg
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.pictures import read_picture
from facademap.salvage.preview import set_into_wall, with_note
from facademap.salvage.seen_face import seen_face
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.desk.pictures import Pictures
from facademap.values import frozen_value

__all__ = ["SeenPiece", "piece_in_wall", "see_piece"]

#: What is shown round the cut-out, as a share of its larger side, and at least this many metres.
ROUND_SHARE, ROUND_LEAST_M = 0.7, 0.15
MOST_PX = 700_000


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPiece:
    """The wall round a repair, now and with the piece.

    Parameters
    ----------
    left_m, top_m : float
        Upper left corner of both pictures on the wall.
    gsd_m : float
    now, after : ndarray of uint8, shape (rows, columns, 3)
    """

    left_m: float
    top_m: float
    gsd_m: float
    now: NDArray[np.uint8]
    after: NDArray[np.uint8]


def piece_in_wall(
    project: Project,
    pictures: Pictures,
    *,
    repair: str,
    face: str,
    x_m: float | None = None,
    y_m: float | None = None,
    turn_deg: int = 0,
    slab: int | None = None,
    now: bool = False,
) -> bytes:
    """JPEG of the wall round a repair with the face of a block in the cut-out.

    Parameters
    ----------
    repair, face : str
        Ids.
    x_m, y_m : float, optional
        Lower left corner of the piece's box on the face; the middle of the face when not given.
    turn_deg : int
        0, 90, 180 or 270: how the piece is turned on the block, counter-clockwise.
    slab : int, optional
        Slab that the piece comes from, counted from the face; that of its placement on this face when not given.
    now : bool
        The same part of the wall as it is, without the piece.

    Notes
    -----
    The light on wall and block is not made the same; only calibrated pictures can be compared by eye. Where the
    surface that will show lies inside the stone, the old face is shown and a band below says so.
    """
    seen = see_piece(
        project, pictures, repair=repair, face=face, x_m=x_m, y_m=y_m, turn_deg=turn_deg
    )
    shown = seen.now if now else seen.after
    if slab is None:
        places = project.read("placements", where={"repair": repair, "face": face})
        slab = 0 if places.empty else int(places["slab"].iloc[0] or 0)
    known = seen_face({"slab": slab}, project.row("faces", face))
    if not now and not known.photographed:
        shown = with_note(
            shown,
            f"Old face of the block. The piece comes from slab {slab + 1}: its own face lies inside the stone and nobody has seen it.",
        )
    return bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(shown), quality=88))


def see_piece(
    project: Project,
    pictures: Pictures,
    *,
    repair: str,
    face: str,
    x_m: float | None = None,
    y_m: float | None = None,
    turn_deg: int = 0,
    most_px: int = MOST_PX,
) -> SeenPiece:
    """The same as :func:`piece_in_wall`, as pictures with their place on the wall."""
    if turn_deg not in (0, 90, 180, 270):
        raise InputError(f"a turn of {turn_deg} degrees", "Use 0, 90, 180 or 270.")
    row, stone = project.row("repairs", repair), project.row("faces", face)
    if is_missing(stone["photo"]) or stone["photo_matrix"] is None:
        raise FileError(
            f"face {face} has no measured photo", "Measure the face from a photo first."
        )
    cut = row["geometry"]
    u0, v0, u1, v1 = cut.bounds
    margin = max(ROUND_LEAST_M, ROUND_SHARE * max(u1 - u0, v1 - v0))
    grid, rgb = pictures.surface_part(
        project,
        row["surface"],
        (u0 - margin, v0 - margin, u1 + margin, v1 + margin),
        most_px=most_px,
    )
    # fine enough to see grain even where the wall's own picture is coarse
    factor = max(1, round(np.sqrt(most_px / max(1, rgb.shape[0] * rgb.shape[1]))))
    factor = min(factor, 4)
    if factor > 1:
        rgb = np.asarray(
            cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC),
            dtype=np.uint8,
        )
    gsd = grid.gsd_m / factor
    matrix = _picture_to_photo(
        stone,
        box=(u0, v0, u1, v1),
        x_m=x_m,
        y_m=y_m,
        turn_deg=turn_deg,
        left_m=grid.left_m,
        top_m=grid.top_m,
        gsd_m=gsd,
    )
    photo = read_picture(project.place(project.row("photos", stone["photo"])["path"]))[0]
    joint = max((float(e) for e in (row["edges"] or []) if e), default=0.003)
    after = np.ascontiguousarray(rgb)
    for part in shapely.get_parts(cut):
        piece = max(
            shapely.get_parts(part.buffer(-joint, join_style="mitre")),
            key=lambda p: p.area,
            default=part,
        )
        rings = [
            _pixels(p, grid.left_m, grid.top_m, gsd)
            for p in (part, piece if not piece.is_empty else part)
        ]
        after = set_into_wall(
            after, cut_out_px=rings[0], piece_px=rings[1], face=photo, face_from_elevation=matrix
        )
    return SeenPiece(
        left_m=grid.left_m,
        top_m=grid.top_m,
        gsd_m=gsd,
        now=np.ascontiguousarray(rgb),
        after=np.ascontiguousarray(after),
    )


def _pixels(
    polygon: shapely.Polygon, left_m: float, top_m: float, gsd_m: float
) -> NDArray[np.float64]:
    """Ring of a polygon on the wall in pixels of its picture."""
    ring = shapely.get_coordinates(polygon.exterior)[:-1]
    return np.column_stack(
        [(ring[:, 0] - left_m) / gsd_m - 0.5, (top_m - ring[:, 1]) / gsd_m - 0.5]
    )


def _picture_to_photo(
    stone: dict[str, object],
    *,
    box: tuple[float, float, float, float],
    x_m: float | None,
    y_m: float | None,
    turn_deg: int,
    left_m: float,
    top_m: float,
    gsd_m: float,
) -> NDArray[np.float64]:
    """Pixel of the wall picture -> metres of the wall -> metres of the face -> pixel of the photo."""
    u0, v0, u1, v1 = box
    ring = np.asarray(stone["outline"], dtype=float)
    (fx0, fy0), (fx1, fy1) = ring.min(axis=0), ring.max(axis=0)
    turned = (u1 - u0, v1 - v0) if turn_deg % 180 == 0 else (v1 - v0, u1 - u0)
    if x_m is None or y_m is None:
        x_m, y_m = (fx0 + fx1 - turned[0]) / 2, (fy0 + fy1 - turned[1]) / 2
    to_wall = np.array(
        [[gsd_m, 0, left_m + gsd_m / 2], [0, -gsd_m, top_m - gsd_m / 2], [0, 0, 1.0]]
    )
    c, s = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[turn_deg]
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    centre_wall = np.array([[1, 0, -(u0 + u1) / 2], [0, 1, -(v0 + v1) / 2], [0, 0, 1.0]])
    centre_face = np.array([[1, 0, x_m + turned[0] / 2], [0, 1, y_m + turned[1] / 2], [0, 0, 1.0]])
    to_photo: NDArray[np.float64] = np.asarray(stone["photo_matrix"], dtype=float)
    return np.asarray(to_photo @ centre_face @ turn @ centre_wall @ to_wall)
