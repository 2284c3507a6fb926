"""Reading a colour chart in a picture: patches by their places, or the whole chart by four corners."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.lab import (
    difference_ciede2000,
    lab_from_srgb,
    lab_from_xyz,
    linear_rgb_from_lab,
    linear_rgb_from_srgb,
    srgb_from_linear_rgb,
)
from facademap.values import frozen_value

__all__ = [
    "ChartTable",
    "PatchReading",
    "chart_tables",
    "find_chart",
    "patch_places",
    "read_chart",
    "read_patch",
    "reference_chart",
]

Floats = NDArray[np.floating[Any]]
PatchRole = Literal["fit", "check"]

#: A patch with more than this share of its pixels at an end of the range counts as clipped (practice).
CLIPPED_SHARE = 0.05
#: Share of the darkest and of the brightest pixels of a patch that is not read: dust, scratches, gloss.
TRIM_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchReading:
    """One patch as the picture has it, with the colour it should have.

    Attributes
    ----------
    name : str
        Name of the patch.
    x_px, y_px : float
        Its middle.
    role : {"fit", "check"}
        Whether it may be fitted or only checks.
    rgb : tuple of float
        Mean stored red, green and blue, scaled to 0 to 1.
    lab : tuple of float or None
        Reference CIELAB D50; a patch without one is only converted.
    clipped : bool
        Whether the picture is over- or underexposed there.
    spread : float
        Standard deviation of the stored values, 0 to 1.
    """

    name: str
    x_px: float
    y_px: float
    role: PatchRole
    rgb: tuple[float, float, float]
    lab: tuple[float, float, float] | None = None
    clipped: bool = False
    spread: float = 0.0


def read_patch(
    picture: NDArray[Any],
    *,
    name: str,
    x_px: float,
    y_px: float,
    half_px: float,
    role: PatchRole = "fit",
    lab: tuple[float, float, float] | None = None,
    linear: bool = False,
) -> PatchReading:
    """Read the mean colour of a square patch.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns, 3), uint8, uint16 or float 0 to 1
        Red, green, blue.
    name, role, lab
        As in :class:`PatchReading`.
    x_px, y_px, half_px : float
        Middle and half side of the square, pixels; integer = pixel centre.
    linear : bool
        Whether the stored values are proportional to light.

    Returns
    -------
    PatchReading
        Trimmed mean taken in light, so that noise does not shift it.

    Raises
    ------
    InputError
        The square does not lie in the picture.

    References
    ----------
    Common practice: the ends of the range of its pixels (dust, scratches, gloss) are left out.
    """
    height, width = picture.shape[:2]
    left, right = int(np.ceil(x_px - half_px)), int(np.floor(x_px + half_px))
    top, bottom = int(np.ceil(y_px - half_px)), int(np.floor(y_px + half_px))
    if right < left or bottom < top:
        left, right, top, bottom = round(x_px), round(x_px), round(y_px), round(y_px)
    if left < 0 or top < 0 or right >= width or bottom >= height:
        raise InputError(
            f"patch {name} at ({x_px:g}, {y_px:g}) ± {half_px:g} px does not lie in the picture "
            f"of {width} x {height} px",
            "Correct its place, or use the picture it was measured in.",
        )
    square = picture[top : bottom + 1, left : right + 1, :3].reshape(-1, 3)
    limit = float(np.iinfo(picture.dtype).max) if np.issubdtype(picture.dtype, np.integer) else 1.0
    at_end = (square >= limit * 0.998) | (square <= limit * 0.0005)
    values = square.astype(float) / limit
    light = values if linear else linear_rgb_from_srgb(values)
    mean = _trimmed_mean(light)
    stored = mean if linear else srgb_from_linear_rgb(mean)
    return PatchReading(
        name=name,
        x_px=x_px,
        y_px=y_px,
        role=role,
        lab=lab,
        rgb=(float(stored[0]), float(stored[1]), float(stored[2])),
        clipped=bool(np.any(np.mean(at_end, axis=0) > CLIPPED_SHARE)),
        spread=float(np.max(np.std(values, axis=0))),
    )


def _trimmed_mean(light: Floats) -> Floats:
    """Mean without the darkest and brightest pixels (by luminance, so that the channels stay together)."""
    count = len(light)
    trim = int(TRIM_SHARE * count)
    if trim == 0:
        return np.asarray(light.mean(axis=0))
    order = np.argsort(light @ np.array([0.2225, 0.7169, 0.0606]), kind="stable")
    return np.asarray(light[order[trim : count - trim]].mean(axis=0))


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ChartTable:
    """Reference colours of a chart, row by row from its first patch.

    Attributes
    ----------
    title : str
        Chart and edition, recorded with every correction.
    names : tuple of str
    lab : ndarray, shape (n, 3)
        CIELAB D50.
    rows, columns : int
        Layout; ``rows * columns`` is the number of patches.
    """

    title: str
    names: tuple[str, ...]
    lab: Floats
    rows: int
    columns: int

    def __post_init__(self) -> None:
        if self.rows * self.columns != len(self.names) or self.lab.shape != (len(self.names), 3):
            raise InputError(
                f"chart {self.title}: {len(self.names)} patches do not fill {self.rows} rows of {self.columns}",
                "Give every patch of the chart, row by row.",
            )


#: White of the ICC profile connection space; tables for another light are refused, not converted in silence.
_D50_XY = (0.3457, 0.3585)


def _colour_science() -> object:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import colour
    except ImportError as error:
        raise InputError(
            "the reference tables come with the package colour-science, which is not installed",
            "Install facademap with its charts extra, or give a table of your own.",
        ) from error
    return colour


def chart_tables() -> tuple[str, ...]:
    """Names of the reference tables that can be used: those that colour-science has for D50."""
    charts = _colour_science().CCS_COLOURCHECKERS  # type: ignore[attr-defined]
    full = {chart.name: chart for chart in charts.values()}
    return tuple(
        sorted(
            name
            for name, chart in full.items()
            if np.allclose(chart.illuminant, _D50_XY, atol=2e-4)
        )
    )


def reference_chart(name: str) -> ChartTable:
    """A reference table by its full name, which states the edition.

    Parameters
    ----------
    name : str
        One of :func:`chart_tables`, for example ``ColorChecker24 - After November 2014``.

    Raises
    ------
    InputError
        Unknown name, or a table for another light than D50.

    References
    ----------
    colour-science, ``CCS_COLOURCHECKERS`` (xyY of the makers' published values).
    """
    colour = _colour_science()
    known = {chart.name: chart for chart in colour.CCS_COLOURCHECKERS.values()}  # type: ignore[attr-defined]
    if name not in known or name not in chart_tables():
        raise InputError(
            f"no reference table {name!r} for D50", f"Use one of: {'; '.join(chart_tables())}."
        )
    chart = known[name]
    xyy = np.array(list(chart.data.values()), dtype=float)
    xyz = np.stack(
        [
            xyy[:, 0] / xyy[:, 1] * xyy[:, 2],
            xyy[:, 2],
            (1 - xyy[:, 0] - xyy[:, 1]) / xyy[:, 1] * xyy[:, 2],
        ],
        axis=1,
    )
    x, y = chart.illuminant
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    return ChartTable(
        title=name,
        names=tuple(chart.data),
        lab=lab_from_xyz(xyz, white=white),
        rows=int(chart.rows),
        columns=int(chart.columns),
    )


def patch_places(corners_px: Floats, table: ChartTable) -> tuple[Floats, float]:
    """Middles of all patches from those of the four corner patches.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Middles of the first patch, the last of the first row, the last patch, and the first of the last row.
    table : ChartTable

    Returns
    -------
    places_px : ndarray, shape (n, 2)
    half_px : float
        Half side of the squares to read: a quarter of the smallest distance between neighbours.

    Raises
    ------
    InputError
        The four places do not go round a convex quadrilateral.
    """
    import cv2

    corners = np.asarray(corners_px, dtype=float)
    turns = [
        np.cross(corners[(k + 1) % 4] - corners[k], corners[(k + 2) % 4] - corners[(k + 1) % 4])
        for k in range(4)
    ]
    if not (np.isfinite(corners).all() and (min(turns) > 0 or max(turns) < 0)):
        raise InputError(
            "the four corners of the chart do not go round a quadrilateral",
            "Give the middles of the corner patches in order: first, end of first row, last, start of last row.",
        )
    square = np.array(
        [(0, 0), (table.columns - 1, 0), (table.columns - 1, table.rows - 1), (0, table.rows - 1)]
    )
    matrix = cv2.getPerspectiveTransform(square.astype(np.float32), corners.astype(np.float32))
    row, column = np.divmod(np.arange(len(table.names)), table.columns)
    places = cv2.perspectiveTransform(np.stack([column, row], axis=1).astype(float)[None], matrix)[
        0
    ]
    grid = places.reshape(table.rows, table.columns, 2)
    steps = [
        np.hypot(*np.moveaxis(np.diff(grid, axis=axis), -1, 0)).min()
        for axis in (0, 1)
        if grid.shape[axis] > 1
    ]
    return np.asarray(places, dtype=float), float(min(steps)) / 4.0


def read_chart(
    picture: NDArray[Any], corners_px: Floats, table: ChartTable, *, linear: bool = False
) -> list[PatchReading]:
    """Read every patch of a chart from its four corners.

    Raises
    ------
    InputError
        A patch lies outside the picture, or the patches are too small to be read (under 4 px).
    """
    places, half_px = patch_places(corners_px, table)
    if half_px < 1.0:
        raise InputError(
            f"the chart's patches are only {4 * half_px:.1f} px apart in the picture",
            "Photograph the chart from nearer.",
        )
    return [
        read_patch(
            picture,
            name=name,
            x_px=float(x),
            y_px=float(y),
            half_px=half_px,
            lab=(float(lab[0]), float(lab[1]), float(lab[2])),
            linear=linear,
        )
        for name, (x, y), lab in zip(table.names, places, table.lab, strict=True)
    ]


#: A chart found by itself is believed when its patches, balanced, are no further off than this (CIEDE2000).
FOUND_DE00 = 14.0


def find_chart(picture: NDArray[np.uint8], table: ChartTable) -> Floats:
    """Find a chart in a photo by the regular lattice of its patches.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, 3)
        Red, green, blue.
    table : ChartTable

    Returns
    -------
    ndarray, shape (4, 2)
        Middles of the corner patches, as for :func:`patch_places`.

    Raises
    ------
    InputError
        No chart, or one that cannot be told with certainty.
    """
    best: tuple[float, Floats] | None = None
    for squares, sizes in _squares(picture):
        for corners in _lattices(squares, sizes, table):
            score = _chart_miss(picture, corners, table)
            if score is not None and (best is None or score < best[0]):
                best = (score, corners)
    if best is None or best[0] > FOUND_DE00:
        raise InputError(
            f"no chart like {table.title} is found in the photo",
            "Give the four corners of the chart, or photograph it larger and in even light.",
        )
    return best[1]


def _squares(picture: NDArray[np.uint8]) -> list[tuple[Floats, Floats]]:
    """Middles and sides of square-like spots, for several ways to look at the picture."""
    import cv2

    factor = max(1.0, max(picture.shape[:2]) / 1600.0)
    small = cv2.resize(picture, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    small = cv2.medianBlur(small, 5)
    found = []
    for block in (21, 51, 101):
        spots: list[tuple[float, float, float]] = []
        for band in (*cv2.split(small), cv2.cvtColor(small, cv2.COLOR_RGB2HSV)[:, :, 1]):
            for sign in (cv2.THRESH_BINARY, cv2.THRESH_BINARY_INV):
                cut = cv2.adaptiveThreshold(band, 255, cv2.ADAPTIVE_THRESH_MEAN_C, sign, block, 3)
                contours, _ = cv2.findContours(cut, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
                spots += _square_spots(contours)
        if spots:
            array = np.array(spots)
            found.append(((array[:, :2] + 0.5) * factor - 0.5, array[:, 2] * factor))
    return found


def _square_spots(contours: Sequence[Any]) -> list[tuple[float, float, float]]:
    import cv2

    spots = []
    for contour in contours:
        area = cv2.contourArea(contour)
        if area < 60:
            continue
        (x, y), (a, b), _ = cv2.minAreaRect(contour)
        if min(a, b) > 0 and max(a, b) < 1.8 * min(a, b) and area > 0.75 * a * b:
            spots.append((x, y, float(np.sqrt(a * b))))
    return spots


def _lattices(places: Floats, sizes: Floats, table: ChartTable) -> list[Floats]:
    """Corner quadrilaterals of lattices that many spots of one size lie on."""
    import cv2

    result: list[Floats] = []
    for size in np.unique(np.round(np.log2(sizes) * 2) / 2):
        near = places[np.abs(np.log2(sizes) - size) < 0.4]
        near = _merged(near, 2.0**size * 0.4)
        if len(near) < 0.4 * table.rows * table.columns:
            continue
        # spots of one chart stand close together: the largest group of neighbours
        group = _largest_group(near, 2.0**size * 2.2)
        if len(group) < 0.4 * table.rows * table.columns:
            continue
        rect = cv2.minAreaRect(group.astype(np.float32))
        box = cv2.boxPoints(rect).astype(float)
        hull = cv2.convexHull(group.astype(np.float32))[:, 0].astype(float)
        corners = np.array([hull[np.argmin(np.hypot(*(hull - corner).T))] for corner in box])
        if len(np.unique(corners, axis=0)) < 4:
            continue
        for shift in range(4):
            result.append(_snapped(np.roll(corners, shift, axis=0), group, table))
    return result


def _snapped(corners: Floats, spots: Floats, table: ChartTable) -> Floats:
    """The corners of the lattice that fits all spots best, not only the outermost."""
    import cv2

    try:
        places, half_px = patch_places(corners, table)
    except InputError:
        return corners
    distance = np.hypot(*(places[:, None] - spots[None]).transpose(2, 0, 1))
    nearest = distance.argmin(axis=1)
    near = distance[np.arange(len(places)), nearest] < 1.4 * half_px
    if np.count_nonzero(near) < 0.5 * len(places):
        return corners
    row, column = np.divmod(np.arange(len(places)), table.columns)
    node = np.stack([column, row], axis=1).astype(float)
    cv2.setRNGSeed(1)
    matrix, _ = cv2.findHomography(node[near], spots[nearest[near]], cv2.RANSAC, 0.25 * half_px)
    if matrix is None:
        return corners
    ends = np.array(
        [(0, 0), (table.columns - 1, 0), (table.columns - 1, table.rows - 1), (0, table.rows - 1)],
        float,
    )
    return np.asarray(cv2.perspectiveTransform(ends[None], matrix)[0], dtype=float)


def _merged(places: Floats, distance: float) -> Floats:
    kept: list[Floats] = []
    for place in places:
        if all(np.hypot(*(place - other)) > distance for other in kept):
            kept.append(place)
    return np.array(kept).reshape(-1, 2)


def _largest_group(places: Floats, reach: float) -> Floats:
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    graph = cKDTree(places).sparse_distance_matrix(cKDTree(places), reach)
    _, label = connected_components(graph, directed=False)
    return np.asarray(places[label == np.bincount(label).argmax()])


def _chart_miss(picture: NDArray[np.uint8], corners: Floats, table: ChartTable) -> float | None:
    """Mean difference of a supposed chart after white balance, none when it cannot be read."""
    try:
        readings = read_chart(picture, corners, table)
    except InputError:
        return None
    light = linear_rgb_from_srgb(np.array([r.rgb for r in readings]))
    wanted = linear_rgb_from_lab(table.lab).clip(0.0)
    gain = np.sum(wanted * light, axis=0) / np.maximum(np.sum(light * light, axis=0), 1e-9)
    balanced = lab_from_srgb(srgb_from_linear_rgb(light * gain))
    return float(np.mean(difference_ciede2000(balanced, table.lab)))
