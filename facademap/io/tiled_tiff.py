"""Writing a tiled TIFF with overviews in one pass, in the cloud-optimised order.

Pictures larger than memory arrive tile by tile, row by row. Every tile is compressed at once
(DEFLATE with horizontal differencing, lossless) and, halved again and again, feeds the overviews.
Compressed tiles wait in one scratch file per level; at the end the directories are written first,
then the overviews from the smallest up, then the full picture, as cloud-optimised readers want it.

References
----------
.. [1] Adobe, "TIFF Revision 6.0", 1992; tiles, predictor 2, extra samples (unassociated alpha).
.. [2] BigTIFF as used by libtiff 4 (64 bit offsets).
.. [3] OGC 21-026, "Cloud Optimized GeoTIFF Standard", 2023: directories first, overviews before the
   full picture.
"""

from __future__ import annotations

import struct
import zlib
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.io.whole_files import move_whole, open_scratch, remove_file, scratch_folder

__all__ = ["TILE_PX", "TiledTiffWriter", "halved"]

Bytes = NDArray[np.uint8]

TILE_PX = 512
#: Above this raw size the file is written as BigTIFF (32 bit offsets end at 4 GiB).
_BIG_ABOVE_BYTES = 3_500_000_000
#: TIFF types: number, struct letter, bytes.
_SHORT, _LONG, _LONG8 = (3, "H", 2), (4, "I", 4), (16, "Q", 8)


def _deflate() -> Callable[[bytes], bytes]:
    try:
        from isal import isal_zlib  # five times as fast as zlib, same format
    except ImportError:
        return lambda data: zlib.compress(data, 1)
    return lambda data: bytes(isal_zlib.compress(data, 1))


class _Level:
    """One resolution: its scratch file of compressed tiles, their sizes, and rows waiting to be cut into tiles."""

    def __init__(self, width_px: int, height_px: int, bands: int, scratch: BinaryIO) -> None:
        self.width_px, self.height_px, self.bands = width_px, height_px, bands
        self.across = -(-width_px // TILE_PX)
        self.down = -(-height_px // TILE_PX)
        self.scratch = scratch
        self.sizes: list[int] = []
        self.strip: Bytes | None = None  # overviews only: TILE_PX rows of the whole width
        self.filled_rows = 0


class TiledTiffWriter:
    """Context manager: write tiles row by row; the target appears whole when the block ends without an error.

    Parameters
    ----------
    path : Path
        Target; replaced only at the end.
    width_px, height_px : int
    bands : int
        1 to 4 bytes a pixel; the last band is alpha when ``alpha``.
    alpha : bool
    tags : mapping of int to (type, count, bytes)
        Further tags of the first directory (geographic keys, metadata).
    threads : int
    """

    def __init__(
        self,
        path: Path,
        *,
        width_px: int,
        height_px: int,
        bands: int,
        alpha: bool,
        tags: Mapping[int, tuple[int, int, bytes]],
        threads: int = 2,
    ) -> None:
        self._path, self._alpha, self._tags = path, alpha, dict(tags)
        self._big = width_px * height_px * bands * 4 // 3 > _BIG_ABOVE_BYTES
        self._compress = _deflate()
        self._scratch = ExitStack()
        self._folder = self._scratch.enter_context(scratch_folder(path))
        self._levels: list[_Level] = []
        width, height = width_px, height_px
        while True:
            scratch = open_scratch(self._folder, f"level{len(self._levels)}")
            self._levels.append(_Level(width, height, bands, scratch))
            if max(width, height) <= TILE_PX:
                break
            width, height = -(-width // 2), -(-height // 2)
        self._pool = ThreadPoolExecutor(threads)
        self._most_pending = 4 * threads
        self._pending: deque[tuple[_Level, Future[bytes]]] = deque()
        self._next = 0

    def __enter__(self) -> TiledTiffWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._finish()
        finally:
            self._pool.shutdown(cancel_futures=True)
            for level in self._levels:
                level.scratch.close()
            self._scratch.close()

    def write_tile(self, column: int, row: int, pixels: Bytes) -> None:
        """Add the next tile.

        Parameters
        ----------
        column, row : int
            First pixel of the tile; tiles come in rows from the top left.
        pixels : ndarray of uint8, shape (height, width, bands)
            Cut at the right and lower edge.
        """
        base = self._levels[0]
        expected = self._next % base.across * TILE_PX, self._next // base.across * TILE_PX
        if (column, row) != expected:
            raise ValueError(f"tile ({column}, {row}) came when {expected} was expected")
        self._next += 1
        self._submit(base, pixels)
        if len(self._levels) > 1:
            self._add_halved(1, column, row, pixels)

    def _add_halved(self, number: int, column: int, row: int, pixels: Bytes) -> None:
        level = self._levels[number]
        half = halved(pixels)
        if level.strip is None:
            level.strip = np.zeros((TILE_PX, level.width_px, level.bands), np.uint8)
        c, r = column // 2, row // 2
        top = r - r // TILE_PX * TILE_PX
        level.strip[top : top + half.shape[0], c : c + half.shape[1]] = half
        last_in_row = c + half.shape[1] == level.width_px
        bottom = r + half.shape[0]
        if last_in_row and (bottom % TILE_PX == 0 or bottom == level.height_px):
            first = r // TILE_PX * TILE_PX
            rows = bottom - first
            for left in range(0, level.width_px, TILE_PX):
                tile = level.strip[:rows, left : left + TILE_PX].copy()
                self._submit(level, tile)
                if number + 1 < len(self._levels):
                    self._add_halved(number + 1, left, first, tile)
            level.strip[:] = 0

    def _submit(self, level: _Level, pixels: Bytes) -> None:
        self._pending.append((level, self._pool.submit(self._encode, pixels)))
        while len(self._pending) > self._most_pending:
            self._store_oldest()

    def _store_oldest(self) -> None:
        level, future = self._pending.popleft()
        data = future.result()
        level.scratch.write(data)
        level.sizes.append(len(data))

    def _encode(self, pixels: Bytes) -> bytes:
        height, width = pixels.shape[:2]
        full = np.zeros((TILE_PX, TILE_PX, pixels.shape[2]), np.uint8)
        full[:height, :width] = pixels
        difference = full.copy()
        np.subtract(full[:, 1:], full[:, :-1], out=difference[:, 1:])
        return self._compress(difference.tobytes())

    def _finish(self) -> None:
        while self._pending:
            self._store_oldest()
        for level in self._levels:
            level.scratch.close()
            if len(level.sizes) != level.across * level.down:
                raise ValueError(
                    f"{level.across * level.down - len(level.sizes)} tiles were never written"
                )
        with open_scratch(self._folder, "whole") as file:
            offsets = self._write_directories(file)
            for number in reversed(range(len(self._levels))):
                assert file.tell() == offsets[number]
                scratch = self._folder / f"level{number}"
                with scratch.open("rb") as tiles:
                    while piece := tiles.read(8 << 20):
                        file.write(piece)
                remove_file(scratch, inside=self._folder)
        move_whole(self._folder / "whole", self._path)

    def _write_directories(self, file: BinaryIO) -> list[int]:
        """Write header and directories; returns the offset of every level's first tile."""
        head_size = 16 if self._big else 8
        # two rounds: the sizes of the directories do not depend on the offsets in them
        starts, offsets = [0] * len(self._levels), [0] * len(self._levels)
        blocks: list[bytes] = []
        for _ in range(2):
            blocks, position = [], head_size
            for number, level in enumerate(self._levels):
                starts[number] = position
                last = number + 1 == len(self._levels)
                block = self._directory(
                    level, number, position, offsets[number], 0 if last else starts[number + 1]
                )
                blocks.append(block)
                position += len(block)
            for number in reversed(range(len(self._levels))):
                offsets[number] = position
                position += sum(self._levels[number].sizes)
        # a third round, now that the offsets are known
        blocks = [
            self._directory(
                level,
                number,
                starts[number],
                offsets[number],
                0 if number + 1 == len(self._levels) else starts[number + 1],
            )
            for number, level in enumerate(self._levels)
        ]
        file.write(
            struct.pack("<2sHHHQ", b"II", 43, 8, 0, head_size)
            if self._big
            else struct.pack("<2sHI", b"II", 42, head_size)
        )
        for block in blocks:
            file.write(block)
        return offsets

    def _directory(
        self, level: _Level, number: int, position: int, first_tile: int, following: int
    ) -> bytes:
        """One image file directory with the values that do not fit into its entries behind it."""
        offset_type = _LONG8 if self._big else _LONG
        tile_offsets = first_tile + np.concatenate(
            [[0], np.cumsum(level.sizes[:-1], dtype=np.int64)]
        )
        colour_bands = level.bands - 1 if self._alpha else level.bands
        entries: dict[int, tuple[int, int, bytes]] = {
            254: _values(_LONG, [1 if number else 0]),
            256: _values(_LONG, [level.width_px]),
            257: _values(_LONG, [level.height_px]),
            258: _values(_SHORT, [8] * level.bands),
            259: _values(_SHORT, [8]),
            262: _values(_SHORT, [2 if colour_bands == 3 else 1]),
            277: _values(_SHORT, [level.bands]),
            284: _values(_SHORT, [1]),
            317: _values(_SHORT, [2]),
            322: _values(_SHORT, [TILE_PX]),
            323: _values(_SHORT, [TILE_PX]),
            324: _values(offset_type, tile_offsets.tolist()),
            325: _values(_LONG, level.sizes),
            339: _values(_SHORT, [1] * level.bands),
        }
        if self._alpha:
            entries[338] = _values(_SHORT, [2])
        if number == 0:
            entries.update(self._tags)
        count_format, entry_size, inline = ("<Q", 20, 8) if self._big else ("<H", 12, 4)
        table = bytearray(struct.pack(count_format, len(entries)))
        link_size = 8 if self._big else 4
        extra_at = position + len(table) + entry_size * len(entries) + link_size
        extra = bytearray()
        for tag in sorted(entries):
            kind, count, data = entries[tag]
            table += struct.pack("<HHQ" if self._big else "<HHI", tag, kind, count)
            if len(data) <= inline:
                table += data.ljust(inline, b"\0")
            else:
                if len(extra) % 2:
                    extra += b"\0"
                table += struct.pack("<Q" if self._big else "<I", extra_at + len(extra))
                extra += data
        table += struct.pack("<Q" if self._big else "<I", following)
        block = bytes(table + extra)
        return block + b"\0" * (-len(block) % 8)


def _values(kind: tuple[int, str, int], values: list[Any]) -> tuple[int, int, bytes]:
    number, letter, _ = kind
    return number, len(values), struct.pack(f"<{len(values)}{letter}", *values)


def halved(pixels: Bytes) -> Bytes:
    """Half size; where the last band (alpha) is partly empty, only the seen pixels are averaged."""
    height, width, bands = pixels.shape
    if height % 2 or width % 2:
        pixels = np.pad(pixels, ((0, height % 2), (0, width % 2), (0, 0)), mode="edge")
    small = (pixels.shape[1] // 2, pixels.shape[0] // 2)
    if bands in (1, 3) or bool((pixels[..., -1] == 255).all()):
        result = cv2.resize(pixels, small, interpolation=cv2.INTER_AREA)
        return np.asarray(result if result.ndim == 3 else result[..., None], dtype=np.uint8)
    alpha = pixels[..., -1]
    if not alpha.any():
        return np.zeros((small[1], small[0], bands), np.uint8)
    seen = (alpha > 127).astype(np.float32)
    weight = cv2.resize(seen, small, interpolation=cv2.INTER_AREA)
    colour = cv2.resize(pixels[..., :-1] * seen[..., None], small, interpolation=cv2.INTER_AREA)
    colour = colour.reshape(small[1], small[0], bands - 1) / np.maximum(weight, 1e-6)[..., None]
    shown = weight >= 0.5
    result = np.zeros((small[1], small[0], bands), np.uint8)
    result[..., :-1] = np.where(shown[..., None], np.round(np.clip(colour, 0, 255)), 0)
    result[..., -1] = shown * 255
    return np.asarray(result, dtype=np.uint8)
