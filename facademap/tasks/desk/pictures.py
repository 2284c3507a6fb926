"""Pictures for the survey desk: tiles of elevations and photos, small pictures, faces of blocks seen square.

Everything made is kept in the project's ``cache`` folder and can be made again.
"""

from __future__ import annotations

import hashlib
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.pictures import read_picture
from facademap.io.rasters import Elevation, open_elevation
from facademap.io.whole_files import keep_file
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.wall.grid import Window

__all__ = ["TILE_PX", "Pictures", "PyramidPlan"]

Bytes = NDArray[np.uint8]

TILE_PX = 512
JPEG_QUALITY = 86
#: A picture of a face is shown at most this large.
MAX_FACE_PX = 1400
SMALL_SIZES_PX = (96, 240, 480, 960, 1600)
_OPEN_FILES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class PyramidPlan:
    """Levels of a picture: level 0 is the picture itself, each next one half of it."""

    width_px: int
    height_px: int

    @property
    def levels(self) -> int:
        """Number of levels until one tile holds everything."""
        longest = max(self.width_px, self.height_px)
        return max(1, math.ceil(math.log2(max(1.0, longest / TILE_PX))) + 1)

    def window(self, level: int, column: int, row: int) -> Window:
        """The part of the picture under one tile.

        Raises
        ------
        InputError
            There is no such tile.
        """
        side = TILE_PX << level
        left, top = column * side, row * side
        if (
            not 0 <= level < self.levels
            or column < 0
            or row < 0
            or left >= self.width_px
            or top >= self.height_px
        ):
            raise InputError(
                f"there is no tile {level}/{column}/{row}", "Ask for a tile inside the picture."
            )
        return Window(
            column=left,
            row=top,
            width=min(side, self.width_px - left),
            height=min(side, self.height_px - top),
        )


class Pictures:
    """Tiles and small pictures of one project. Safe to be used by several threads."""

    def __init__(self, folder: Path) -> None:
        self._cache = folder / "cache"
        self._open: OrderedDict[str, tuple[Elevation, threading.Lock]] = OrderedDict()
        self._opening = threading.Lock()
        self._photo_locks: dict[str, threading.Lock] = {}

    # -- elevations -----------------------------------------------------------------------------

    def about_surface(self, project: Project, surface: str) -> dict[str, Any] | None:
        """Place and size of a surface's picture, and the version that its tiles carry; ``None`` without one."""
        found = self._surface_path(project, surface)
        if found is None:
            return None
        elevation, _, version = self._elevation(found)
        grid = elevation.grid
        plan = PyramidPlan(width_px=grid.width_px, height_px=grid.height_px)
        return {
            "version": version,
            "left_m": grid.left_m,
            "top_m": grid.top_m,
            "gsd_m": grid.gsd_m,
            "width_px": grid.width_px,
            "height_px": grid.height_px,
            "levels": plan.levels,
            "tile_px": TILE_PX,
        }

    def surface_tile(
        self, project: Project, surface: str, level: int, column: int, row: int
    ) -> tuple[bytes, str]:
        """One tile and its media type."""
        path = self._surface_path(project, surface)
        if path is None:
            raise FileError(f"surface {surface} has no picture", "Rectify photos of it first.")
        elevation, lock, version = self._elevation(path)
        name = self._cache / "tiles" / version / str(level) / f"{column}_{row}"
        kept = _kept(name)
        if kept is not None:
            return kept
        plan = PyramidPlan(width_px=elevation.grid.width_px, height_px=elevation.grid.height_px)
        window = plan.window(level, column, row)
        with lock:
            _, rgb, mask = elevation.read(window, gsd_m=elevation.grid.gsd_m * 2**level)
        return self._keep(name, *_encoded(_full_tile(rgb), _full_tile(mask)))

    def kept_tile(
        self, version: str, level: int, column: int, row: int
    ) -> tuple[bytes, str] | None:
        """A tile that was cut before, by the version of its picture; ``None`` when it was not."""
        return _kept(self._cache / "tiles" / version / str(level) / f"{column}_{row}")

    def surface_part(
        self,
        project: Project,
        surface: str,
        box_m: tuple[float, float, float, float],
        *,
        most_px: int = 2_000_000,
    ) -> tuple[Any, Bytes]:
        """Grid and pixels (rgb) of a part of a surface, no finer than the picture and not above ``most_px``."""
        from facademap.wall.grid import Extent

        path = self._surface_path(project, surface)
        if path is None:
            raise FileError(f"surface {surface} has no picture", "Rectify photos of it first.")
        elevation, lock, _ = self._elevation(path)
        extent = Extent(u0_m=box_m[0], v0_m=box_m[1], u1_m=box_m[2], v1_m=box_m[3])
        gsd = max(elevation.grid.gsd_m, math.sqrt(extent.width_m * extent.height_m / most_px))
        with lock:
            grid, rgb, _ = elevation.read(extent, gsd_m=gsd)
        return grid, rgb

    def _surface_path(self, project: Project, surface: str) -> Path | None:
        row = project.row("surfaces", surface)
        if is_missing(row["picture"]):
            return None
        path = project.place(row["picture"])
        return path if path.is_file() else None

    def _elevation(self, path: Path) -> tuple[Elevation, threading.Lock, str]:
        stat = path.stat()
        version = hashlib.sha256(
            f"{path.name} {stat.st_mtime_ns} {stat.st_size}".encode()
        ).hexdigest()[:16]
        with self._opening:
            if version in self._open:
                self._open.move_to_end(version)
            else:
                self._open[version] = (open_elevation(path), threading.Lock())
                while len(self._open) > _OPEN_FILES:
                    _, (old, busy) = self._open.popitem(last=False)
                    with busy:
                        old.close()
            elevation, lock = self._open[version]
        return elevation, lock, version

    # -- photos -----------------------------------------------------------------------------------

    def photo_tile(
        self, project: Project, photo: str, level: int, column: int, row: int
    ) -> tuple[bytes, str]:
        """One tile of a photo as stored, before any turn."""
        found = project.row("photos", photo)
        plan = PyramidPlan(width_px=found["width_px"], height_px=found["height_px"])
        plan.window(level, column, row)
        folder = self._cache / "photo-tiles" / str(found["sha256"])[:24]
        name = folder / str(level) / f"{column}_{row}"
        kept = _kept(name)
        if kept is None:
            with self._lock_of(photo):
                if _kept(name) is None:
                    self._cut_photo(project, found, plan, folder)
            kept = _kept(name)
        if kept is None:
            raise FileError(
                f"photo {photo} is smaller than the project says", "Add the photo again."
            )
        return kept

    def _cut_photo(
        self, project: Project, row: dict[str, Any], plan: PyramidPlan, folder: Path
    ) -> None:
        rgb = _photo_pixels(project, row)
        for level in range(plan.levels):
            for top in range(0, rgb.shape[0], TILE_PX):
                for left in range(0, rgb.shape[1], TILE_PX):
                    part = _full_tile(rgb[top : top + TILE_PX, left : left + TILE_PX])
                    self._keep(
                        folder / str(level) / f"{left // TILE_PX}_{top // TILE_PX}",
                        _jpeg(part),
                        "image/jpeg",
                    )
            size = (max(1, -(-rgb.shape[1] // 2)), max(1, -(-rgb.shape[0] // 2)))
            rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)

    def _keep(self, name: Path, data: bytes, kind: str) -> tuple[bytes, str]:
        project = self._cache.parent
        keep_file(project, name.with_name(name.name + _ENDINGS[kind]).relative_to(project), data)
        return data, kind

    def small_photo(self, project: Project, photo: str, *, size_px: int) -> tuple[bytes, str]:
        """A photo reduced to a longest side of ``size_px`` (the nearest of the sizes that are kept)."""
        found = project.row("photos", photo)
        size = min(SMALL_SIZES_PX, key=lambda s: abs(s - size_px))
        turned = f"_{found['exif_orientation']:.0f}" if found["exif_orientation"] else ""
        name = self._cache / "small" / f"{str(found['sha256'])[:24]}{turned}_{size}"
        kept = _kept(name)
        if kept is not None:
            return kept
        with self._lock_of(photo):
            return self._keep(
                name, _jpeg(_reduced(_photo_pixels(project, found), size)), "image/jpeg"
            )

    def face(self, project: Project, face: str, *, size_px: int) -> tuple[bytes, str]:
        """The face of a block seen square, its outline's box filling the picture; y up."""
        row = project.row("faces", face)
        ring = np.asarray(row["outline"], dtype=float)
        if is_missing(row["photo"]) or row["photo_matrix"] is None or ring.ndim != 2:
            raise FileError(
                f"face {face} has no measured photo", "Measure the face from a photo first."
            )
        photo = project.row("photos", row["photo"])
        size = min(MAX_FACE_PX, min(SMALL_SIZES_PX, key=lambda s: abs(s - size_px)))
        stamp = hashlib.sha256(
            f"{photo['sha256']} {row['photo_matrix']} {row['outline']}".encode()
        ).hexdigest()[:24]
        name = self._cache / "small" / f"face_{stamp}_{size}"
        kept = _kept(name)
        if kept is not None:
            return kept
        (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
        scale = size / max(x1 - x0, y1 - y0, 1e-6)
        width, height = max(1, round((x1 - x0) * scale)), max(1, round((y1 - y0) * scale))
        # pixel of the small picture -> metres of the face -> pixel of the photo
        to_face = np.array(
            [[1 / scale, 0, x0 + 0.5 / scale], [0, -1 / scale, y1 - 0.5 / scale], [0, 0, 1.0]]
        )
        matrix = np.asarray(row["photo_matrix"], dtype=float) @ to_face
        with self._lock_of(row["photo"]):
            source = _photo_pixels(project, photo)
        rgb = cv2.warpPerspective(
            source, matrix, (width, height), flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP
        )
        return self._keep(name, _jpeg(np.ascontiguousarray(rgb)), "image/jpeg")

    def _lock_of(self, name: str) -> threading.Lock:
        with self._opening:
            return self._photo_locks.setdefault(name, threading.Lock())


def _photo_pixels(project: Project, row: dict[str, Any]) -> Bytes:
    return np.ascontiguousarray(read_picture(project.place(row["path"]))[0])


def _reduced(rgb: Bytes, size: int) -> Bytes:
    scale = size / max(rgb.shape[:2])
    if scale >= 1:
        return rgb
    shape = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    return np.ascontiguousarray(
        cv2.resize(rgb, shape, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def _jpeg(rgb: Bytes) -> bytes:
    return bytes(
        simplejpeg.encode_jpeg(
            np.ascontiguousarray(rgb),
            quality=JPEG_QUALITY,
            colorspace="RGB",
            colorsubsampling="420",
        )
    )


def _full_tile(part: Bytes) -> Bytes:
    """A tile at the right or lower edge, filled up by its last row and column; the page cuts that off."""
    down, right = TILE_PX - part.shape[0], TILE_PX - part.shape[1]
    if down <= 0 and right <= 0:
        return np.ascontiguousarray(part[:TILE_PX, :TILE_PX])
    return np.asarray(
        cv2.copyMakeBorder(part, 0, max(0, down), 0, max(0, right), cv2.BORDER_REPLICATE),
        dtype=np.uint8,
    )


def _encoded(rgb: Bytes, mask: Bytes) -> tuple[bytes, str]:
    """JPEG where the wall fills the tile, WebP with transparency where it does not."""
    if mask.min() == 255:
        return _jpeg(rgb), "image/jpeg"
    ok, data = cv2.imencode(
        ".webp", np.dstack([rgb[..., ::-1], mask]), [cv2.IMWRITE_WEBP_QUALITY, JPEG_QUALITY]
    )
    if not ok:
        raise InputError("a tile could not be packed", "Make the elevation again.")
    return data.tobytes(), "image/webp"


_ENDINGS = {"image/jpeg": ".jpg", "image/webp": ".webp"}


def _kept(name: Path) -> tuple[bytes, str] | None:
    for kind, ending in _ENDINGS.items():
        try:
            return name.with_name(name.name + ending).read_bytes(), kind
        except OSError:
            continue
    return None
