"""From photo to wall: resampling in windows, each of them independent of all others.

The place-to-pixel map is computed on a coarse lattice (every 16th pixel, exact to 0.002 px) and
interpolated; the picture is then read once by OpenCV's ``remap``. Where the elevation is coarser than
the photo, a reduced copy of the photo is read instead, so that stone grain does not turn into moire.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from typing import Any, Literal, Protocol

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError
from facademap.photo.threads import in_order
from facademap.wall.grid import PixelGrid, Window

__all__ = ["PhotoLevels", "SurfaceView", "check_horizon", "rectify_window", "rectify_windows"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Interpolation = Literal["linear", "cubic"]

#: Side of a window, a multiple of 16 as TIFF tiles must be.
WINDOW_PX = 512
_LATTICE_PX = 16
_CODES = {"linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC}
#: OpenCV's remap refuses sides of 32767 px and more.
_REMAP_LIMIT_PX = 32000


class SurfaceView(Protocol):
    """Anything that knows which pixel shows a place of the surface."""

    def pixel_from_wall(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Pixels of places, shape (..., 2), NaN where the photo does not show them."""
        ...


class PhotoLevels:
    """A picture and its copies reduced by 2, 4, 8 .., made when first asked for.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, bands) or (rows, columns)
    """

    def __init__(self, picture: Bytes) -> None:
        self._levels = [picture]
        self._lock = threading.Lock()

    @property
    def picture(self) -> Bytes:
        """Full size."""
        return self._levels[0]

    @property
    def nbytes(self) -> int:
        """Memory of the picture and of the copies made by now."""
        return sum(int(level.nbytes) for level in self._levels)

    @property
    def bands(self) -> int:
        """Number of colour bands."""
        return 1 if self.picture.ndim == 2 else int(self.picture.shape[2])

    def level(self, number: int) -> tuple[Bytes, int]:
        """The copy reduced by ``2 ** number`` (or the smallest that makes sense) and its number."""
        with self._lock:
            while len(self._levels) <= number and min(self._levels[-1].shape[:2]) >= 4:
                last = self._levels[-1]
                # cut to even sides, so that pixel n of a copy covers exactly pixels 2n and 2n + 1
                even = last[: last.shape[0] // 2 * 2, : last.shape[1] // 2 * 2]
                half = cv2.resize(
                    even, (even.shape[1] // 2, even.shape[0] // 2), interpolation=cv2.INTER_AREA
                )
                self._levels.append(np.asarray(half, dtype=np.uint8))
        number = min(number, len(self._levels) - 1)
        return self._levels[number], number


def _lattice(view: SurfaceView, grid: PixelGrid, window: Window) -> Floats:
    """Exact pixels on a lattice that reaches one step beyond the window, shape (rows, columns, 2)."""
    columns = window.column + np.arange(math.ceil(window.width / _LATTICE_PX) + 1) * _LATTICE_PX
    rows = window.row + np.arange(math.ceil(window.height / _LATTICE_PX) + 1) * _LATTICE_PX
    places = grid.wall_from_pixel(columns[None, :], rows[:, None])
    return view.pixel_from_wall(places[..., 0], places[..., 1])


def _exact(view: SurfaceView, grid: PixelGrid, window: Window) -> Floats:
    places = grid.wall_from_pixel(
        window.column + np.arange(window.width)[None, :],
        window.row + np.arange(window.height)[:, None],
    )
    return view.pixel_from_wall(places[..., 0], places[..., 1])


def _upsample(lattice: Floats, window: Window) -> NDArray[np.float32]:
    """Linear interpolation of the lattice at every pixel (a warp is exact on a ramp, a resize is not)."""
    step = 1.0 / _LATTICE_PX
    return np.asarray(
        cv2.warpAffine(
            lattice.astype(np.float32),
            np.array([[step, 0.0, 0.0], [0.0, step, 0.0]]),
            (window.width, window.height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _reduction(lattice: Floats) -> int:
    """How often the picture may be halved before it is coarser than the elevation, in both directions."""
    across = np.hypot(*np.moveaxis(np.diff(lattice, axis=1), -1, 0)) / _LATTICE_PX
    down = np.hypot(*np.moveaxis(np.diff(lattice, axis=0), -1, 0)) / _LATTICE_PX
    finer = min(float(np.nanmedian(across)), float(np.nanmedian(down)))
    if not math.isfinite(finer) or finer < 2.0:
        return 0
    return math.floor(math.log2(finer) + 0.25)


def rectify_window(
    view: SurfaceView,
    photo: PhotoLevels,
    grid: PixelGrid,
    window: Window,
    *,
    interpolation: Interpolation = "cubic",
) -> tuple[Bytes, Bytes]:
    """Resample one window.

    Parameters
    ----------
    view : SurfaceView
    photo : PhotoLevels
    grid : PixelGrid
        Of the whole elevation.
    window : Window
        Its part; the result depends on nothing outside it.
    interpolation : {"linear", "cubic"}

    Returns
    -------
    rgb : ndarray of uint8, shape (height, width, bands)
    mask : ndarray of uint8, shape (height, width)
        255 where the photo shows the wall, else 0.
    """
    picture = photo.picture
    height, width = picture.shape[:2]
    lattice = _lattice(view, grid, window)
    seen = np.isfinite(lattice).all(axis=-1)
    if not seen.any():
        return _nothing(photo, window)
    low, high = np.nanmin(lattice, axis=(0, 1)), np.nanmax(lattice, axis=(0, 1))
    if high[0] < -0.5 or high[1] < -0.5 or low[0] > width - 0.5 or low[1] > height - 0.5:
        return _nothing(photo, window)
    level = _reduction(lattice)
    # a window of a much coarser elevation spans so much of the photo that the lattice would be too wide
    maps = _upsample(lattice, window) if level == 0 and seen.all() else None
    if maps is None:
        exact = _exact(view, grid, window)
        exact[~np.isfinite(exact).all(axis=-1)] = -1e6
        maps = np.clip(exact, -1e6, 1e6).astype(np.float32)
    if (
        level == 0
        and seen.all()
        and min(low) >= 0
        and high[0] <= width - 1
        and high[1] <= height - 1
    ):
        inside = None  # the whole window, as nearly always
    else:
        inside = (
            (maps[..., 0] >= -0.5)
            & (maps[..., 0] <= width - 0.5)
            & (maps[..., 1] >= -0.5)
            & (maps[..., 1] <= height - 0.5)
        )
        if not inside.any():
            return _nothing(photo, window)
    source, level = photo.level(level)
    if level:
        maps = (maps + 0.5) / 2**level - 0.5
    rgb = _remap(source, maps, inside, _CODES[interpolation])
    if rgb.ndim == 2:
        rgb = rgb[..., None]
    if inside is None:
        return rgb, np.full(maps.shape[:2], 255, np.uint8)
    if not inside.all():
        rgb[~inside] = 0
    return rgb, inside.astype(np.uint8) * 255


def _nothing(photo: PhotoLevels, window: Window) -> tuple[Bytes, Bytes]:
    return (
        np.zeros((window.height, window.width, photo.bands), np.uint8),
        np.zeros((window.height, window.width), np.uint8),
    )


def _remap(
    source: Bytes, maps: NDArray[np.float32], inside: NDArray[np.bool_] | None, code: int
) -> Bytes:
    if max(source.shape[:2]) >= _REMAP_LIMIT_PX:
        wanted = maps.reshape(-1, 2) if inside is None else maps[inside]
        left, top = np.maximum(np.floor(wanted.min(axis=0)).astype(int) - 4, 0)
        right, bottom = np.ceil(wanted.max(axis=0)).astype(int) + 5
        source = source[top:bottom, left:right]
        maps = maps - np.array([left, top], np.float32)
    # two separate maps: OpenCV's code for them is the fastest and keeps full precision
    map_x, map_y = cv2.split(maps)
    return np.asarray(cv2.remap(source, map_x, map_y, code, borderMode=cv2.BORDER_REPLICATE))


def rectify_windows(
    view: SurfaceView,
    picture: Bytes | PhotoLevels,
    grid: PixelGrid,
    *,
    interpolation: Interpolation = "cubic",
    threads: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Iterator[tuple[Window, Bytes, Bytes]]:
    """Resample a whole grid window by window, in order, with a bounded number in memory.

    Parameters
    ----------
    view : SurfaceView
    picture : ndarray of uint8, shape (rows, columns, bands), or PhotoLevels
    grid : PixelGrid
    interpolation : {"linear", "cubic"}
    threads : int
    progress : callable, optional
        Called with the fraction done.

    Yields
    ------
    window : Window
    rgb : ndarray of uint8, shape (height, width, bands)
    mask : ndarray of uint8, shape (height, width)
    """
    photo = picture if isinstance(picture, PhotoLevels) else PhotoLevels(picture)
    windows = list(grid.windows(WINDOW_PX))
    _prepare_levels(view, photo, grid)

    def fill(window: Window) -> tuple[Bytes, Bytes]:
        return rectify_window(view, photo, grid, window, interpolation=interpolation)

    for window, (rgb, mask) in in_order(fill, windows, threads=threads, progress=progress):
        yield window, rgb, mask


def _prepare_levels(view: SurfaceView, photo: PhotoLevels, grid: PixelGrid) -> None:
    """Make the reduced copies before the threads start, so that they are made once."""
    step = max(1, grid.width_px // 16), max(1, grid.height_px // 16)
    places = grid.wall_from_pixel(
        np.arange(0, grid.width_px, step[0])[None, :],
        np.arange(0, grid.height_px, step[1])[:, None],
    )
    here = view.pixel_from_wall(places[..., 0], places[..., 1])
    beside = view.pixel_from_wall(places[..., 0] + grid.gsd_m, places[..., 1])
    scale = np.hypot(*np.moveaxis(beside - here, -1, 0))
    largest = float(np.nanmax(scale)) if np.isfinite(scale).any() else 1.0
    photo.level(max(0, math.floor(math.log2(max(largest, 1.0)) + 0.25)))


def check_horizon(
    depth: Callable[[ArrayLike, ArrayLike], Floats], grid: PixelGrid, *, least: float = 0.05
) -> None:
    """Refuse an extent that reaches the horizon of the wall.

    Parameters
    ----------
    depth : callable
        Relative distance before the camera of places (u, v): 1 at the control, 0 on the horizon.
    grid : PixelGrid
    least : float
        Smallest relative distance; a sample there is 1 / least as long as at the control, squared.

    Raises
    ------
    GeometryError
        The extent reaches the horizon, or comes so near that nothing could be measured there.
    """
    extent = grid.extent
    corners = np.array(
        [(u, v) for u in (extent.u0_m, extent.u1_m) for v in (extent.v0_m, extent.v1_m)]
    )
    values = depth(corners[:, 0], corners[:, 1])
    if float(np.min(values)) < least:
        worst = corners[int(np.argmin(values))]
        raise GeometryError(
            f"the horizon of the wall lies within the extent or just beside it (corner u {worst[0]:.2f}, "
            f"v {worst[1]:.2f} m)",
            "Give a smaller --extent, or use a photo taken more squarely to the wall.",
        )
