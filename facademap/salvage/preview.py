"""The piece seen in the wall: its place on the block's photo set into the elevation, tone as measured."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import InputError
from facademap.photo.lab import srgb_from_lab

__all__ = ["best_five_sheet", "set_into_wall", "side_by_side", "with_note"]

Picture = NDArray[np.uint8]
Floats = NDArray[np.floating[Any]]

#: Tone of a fresh lime joint in the picture (CIELAB D50; invented, for the preview only).
JOINT_LAB = (70.0, 2.0, 9.0)
_SUBPIXEL = 4


def set_into_wall(
    elevation: Picture,
    *,
    cut_out_px: ArrayLike,
    piece_px: ArrayLike,
    face: Picture,
    face_from_elevation: ArrayLike,
    joint_lab: ArrayLike = JOINT_LAB,
) -> Picture:
    """Set a piece cut from a block's photo into the elevation.

    Parameters
    ----------
    elevation : ndarray of uint8, shape (rows, cols, 3)
        Rectified elevation around the repair, sRGB.
    cut_out_px : array_like, shape (n, 2)
        Ring of the cut-out in its pixels; what lies between it and the piece is joint.
    piece_px : array_like, shape (m, 2)
        Ring of the piece.
    face : ndarray of uint8, shape (r, c, 3)
        Photo of the block's face, corrected in the same way as the elevation.
    face_from_elevation : array_like, shape (3, 3)
        Homography from pixels of the elevation to pixels of the photo: elevation to wall metres, wall to
        piece, piece to its place on the face (turn and shift), face metres to photo.
    joint_lab : array_like, shape (3,)

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
        A new picture. The tone of the stone is that of its photo; nothing is toned in.

    Raises
    ------
    InputError
        The place runs off the photo of the face.
    """
    matrix = np.asarray(face_from_elevation, dtype=float)
    piece, hole = (np.asarray(r, dtype=float) for r in (piece_px, cut_out_px))
    seen = cv2.perspectiveTransform(piece[:, None], matrix)[:, 0]
    rows, cols = face.shape[:2]
    if not np.isfinite(seen).all() or seen.min() < -1.5 or (seen > [cols + 0.5, rows + 0.5]).any():
        raise InputError(
            "the place of the piece runs off the photo of the face",
            "Check the photo's scale, or photograph the whole face.",
        )
    x0, y0 = np.maximum(np.floor(np.vstack([hole, piece]).min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.minimum(
        np.ceil(np.vstack([hole, piece]).max(axis=0)).astype(int) + 3, elevation.shape[1::-1]
    )
    if x1 <= x0 or y1 <= y0:
        raise InputError(
            "the cut-out lies outside the picture of the elevation",
            "Cut a larger part of the elevation.",
        )
    shift = np.array([[1.0, 0.0, x0], [0.0, 1.0, y0], [0.0, 0.0, 1.0]])
    size = (int(x1 - x0), int(y1 - y0))
    stone = _seen_through(face, matrix @ shift, size)
    window = elevation[y0:y1, x0:x1].astype(np.float32)
    joint = (srgb_from_lab(np.asarray(joint_lab, dtype=float)) * 255).astype(np.float32)
    in_hole, in_piece = _coverage(hole - (x0, y0), size), _coverage(piece - (x0, y0), size)
    window = window + in_hole * (joint - window)
    window = window + in_piece * (stone - window)
    result = elevation.copy()
    result[y0:y1, x0:x1] = np.clip(np.round(window), 0, 255).astype(np.uint8)
    return result


def _seen_through(face: Picture, matrix: Floats, size: tuple[int, int]) -> NDArray[np.float32]:
    """The face in the elevation's pixels, averaged where its photo is much finer."""
    corners = np.array([[[0.0, 0.0]], [[1.0, 0.0]], [[0.0, 1.0]]]) + np.array(size) / 2
    at = cv2.perspectiveTransform(corners, matrix)[:, 0]
    ratio = float(np.sqrt(abs(np.linalg.det(np.array([at[1] - at[0], at[2] - at[0]])))))
    shrink = 1
    while ratio / shrink > 1.8:
        shrink *= 2
    if shrink > 1:
        ring = cv2.perspectiveTransform(
            np.array(
                [[[0.0, 0.0]], [[size[0], 0.0]], [[size[0], size[1]]], [[0.0, size[1]]]],
                dtype=float,
            ),
            matrix,
        )[:, 0]
        low = np.maximum(np.floor(ring.min(axis=0)).astype(int) - 2 * shrink, 0)
        high = np.minimum(np.ceil(ring.max(axis=0)).astype(int) + 2 * shrink, face.shape[1::-1])
        face = face[low[1] : high[1], low[0] : high[0]]
        small = (max(1, face.shape[1] // shrink), max(1, face.shape[0] // shrink))
        sx, sy = small[0] / face.shape[1], small[1] / face.shape[0]
        face = np.asarray(cv2.resize(face, small, interpolation=cv2.INTER_AREA), np.uint8)
        matrix = (
            np.array(
                [
                    [sx, 0, 0.5 * sx - 0.5 - sx * low[0]],
                    [0, sy, 0.5 * sy - 0.5 - sy * low[1]],
                    [0, 0, 1.0],
                ]
            )
            @ matrix
        )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpPerspective(face, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE),
        dtype=np.float32,
    )


def _coverage(ring: Floats, size: tuple[int, int]) -> NDArray[np.float32]:
    """Share of every pixel inside a ring, shape (rows, cols, 1)."""
    big = np.zeros((size[1] * _SUBPIXEL, size[0] * _SUBPIXEL), np.uint8)
    points = np.round(((ring + 0.5) * _SUBPIXEL - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(big, [points], 255, cv2.LINE_8, 4)
    return np.asarray(
        cv2.resize(big, size, interpolation=cv2.INTER_AREA)[..., None] / np.float32(255), np.float32
    )


def side_by_side(before: Picture, after: Picture, *, gap_px: int = 12) -> Picture:
    """Present state on the left, with the piece on the right."""
    gap = np.full((before.shape[0], gap_px, 3), 255, np.uint8)
    return np.hstack([before, gap, after])


def best_five_sheet(
    before: Picture, candidates: list[tuple[str, Picture]], *, width_px: int = 420
) -> Picture:
    """One picture of the present state and of the best candidates, each with its caption.

    Parameters
    ----------
    before : ndarray of uint8
    candidates : list of (caption, picture)
        At most five, best first, each like ``before`` with a piece set in; a caption has one line or two.
    width_px : int
        Width of each picture on the sheet.
    """
    cells = [_captioned("present state", before, width_px)]
    cells += [_captioned(caption, picture, width_px) for caption, picture in candidates[:5]]
    while len(cells) % 3:
        cells.append(np.full_like(cells[0], 255))
    return np.vstack([np.hstack(cells[i : i + 3]) for i in range(0, len(cells), 3)])


def with_note(picture: Picture, note: str) -> Picture:
    """The picture with a band below it that says what has to be said of it."""
    from PIL import Image, ImageDraw, ImageFont

    size = max(13, round(picture.shape[1] / 42))
    font = ImageFont.load_default(size=size)
    lines: list[str] = []
    for word in note.split():
        wider = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(wider) <= picture.shape[1] - 2 * size:
            lines[-1] = wider
        else:
            lines.append(word)
    tall = round(size * (1.35 * len(lines) + 1.0))
    band = Image.new("RGB", (picture.shape[1], tall), (255, 213, 74))
    pen = ImageDraw.Draw(band)
    for number, line in enumerate(lines):
        pen.text((size, round(size * (0.4 + 1.35 * number))), line, fill=(17, 17, 17), font=font)
    return np.vstack([picture, np.asarray(band)])


def _captioned(caption: str, picture: Picture, width_px: int) -> Picture:
    from PIL import Image, ImageDraw, ImageFont

    inner = width_px - 16
    height = max(1, round(picture.shape[0] * inner / picture.shape[1]))
    cell = Image.new("RGB", (width_px, height + 60), "white")
    cell.paste(
        Image.fromarray(cv2.resize(picture, (inner, height), interpolation=cv2.INTER_AREA)), (8, 50)
    )
    pen = ImageDraw.Draw(cell)
    for number, line in enumerate(caption.split("\n")[:2]):
        pen.text(
            (8, 6 + 21 * number),
            line,
            fill=(20, 20, 20),
            font=ImageFont.load_default(size=13 if number else 16),
        )
    return np.asarray(cell)
