"""The printed target sheet: four square markers of known place, found again in a photo.

References
----------
S. Garrido-Jurado et al., "Automatic generation and detection of highly reliable fiducial markers under
occlusion", Pattern Recognition 47 (2014) 2280-2292, as built into OpenCV (dictionary of 4 x 4 bits).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError

__all__ = [
    "MARKER_MM",
    "SHEET_PAPERS",
    "find_target_sheet",
    "marker_bits",
    "marker_places_mm",
    "sheet_corners_m",
]

Floats = NDArray[np.floating[Any]]
MARKER_MM = 40.0
#: Middle-to-middle distances of the markers and the number of the first one; the lower left marker's
#: middle is (0, 0), x right and y up.
SHEET_PAPERS = {"A4": ((140.0, 220.0), 0), "Letter": ((145.0, 205.0), 4)}
_CORNERS = np.array([(-0.5, 0.5), (0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)]) * MARKER_MM


#: Paper beyond the outer edges of the markers, on the wider of the papers.
_MARGIN_MM = np.array([16.0, 19.0])


def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


def marker_bits(number: int) -> NDArray[np.bool_]:
    """Cells of a marker with its black border, True = black, shape (6, 6)."""
    picture = cv2.aruco.generateImageMarker(_dictionary(), number, 6)
    return np.asarray(picture < 128)


def marker_places_mm(paper: str) -> dict[int, Floats]:
    """Middle of each marker of a sheet: lower left, lower right, upper right, upper left.

    Raises
    ------
    InputError
        There is no sheet for this paper.
    """
    if paper not in SHEET_PAPERS:
        raise InputError(
            f"there is no target sheet for paper {paper!r}", f"Use {' or '.join(SHEET_PAPERS)}."
        )
    (width, height), first = SHEET_PAPERS[paper]
    middles = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    return {first + k: np.array(m) for k, m in enumerate(middles)}


def find_target_sheet(
    rgb: NDArray[Any], *, printed_scale: float = 1.0
) -> tuple[list[str], Floats, Floats]:
    """Find the sheet in a photo.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
    printed_scale : float
        Measured over nominal length of the check bar of the printed sheet.

    Returns
    -------
    names : list of str
    pixel_px : ndarray, shape (n, 2)
        Corners of the markers.
    sheet_m : ndarray, shape (n, 2)
        Their places on the sheet, x right, y up.

    Raises
    ------
    InputError
        The sheet was printed at a size too far from its own.
    GeometryError
        Fewer than three markers of one sheet are seen.
    """
    if not 0.9 < printed_scale < 1.1:
        raise InputError(
            f"the sheet was printed at {printed_scale:.3f} of its size", "Print it at 100 %."
        )
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    grey = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY)
    corners, numbers, _ = cv2.aruco.ArucoDetector(_dictionary(), settings).detectMarkers(grey)
    found = (
        {}
        if numbers is None
        else {
            int(n): c.reshape(4, 2).astype(float)
            for n, c in zip(np.ravel(numbers), corners, strict=True)
        }
    )
    paper = max(SHEET_PAPERS, key=lambda p: len(found.keys() & marker_places_mm(p).keys()))
    places = marker_places_mm(paper)
    seen = sorted(found.keys() & places.keys())
    if len(seen) < 3:
        raise GeometryError(
            f"{len(seen)} of the 4 markers of the target sheet are seen in the photo",
            "Lay the whole sheet flat on the face, in focus and without glare.",
        )
    names = [f"marker {n - min(places)} corner {k + 1}" for n in seen for k in range(4)]
    pixel = np.concatenate([found[n] for n in seen])
    sheet = np.concatenate([places[n] + _CORNERS for n in seen]) * printed_scale / 1000
    return names, pixel, sheet


def sheet_corners_m(sheet_m: Floats) -> Floats:
    """Corners of the paper in the frame of its markers, from the places that `find_target_sheet` returned."""
    low, high = sheet_m.min(axis=0) - _MARGIN_MM / 1000, sheet_m.max(axis=0) + _MARGIN_MM / 1000
    return np.array([(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])])
