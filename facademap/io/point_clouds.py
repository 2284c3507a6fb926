"""Point clouds read in chunks: LAS and LAZ, E57, PLY, and text with x y z (intensity) (red green blue).

A cloud is copied once into a scratch file of plain numbers near its own origin, so that a compressed file is unpacked
only once and memory stays small whatever its size.
"""

from __future__ import annotations

import contextlib
import errno
import math
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.whole_files import open_scratch, scratch_folder
from facademap.values import frozen_value

__all__ = ["CLOUD_ENDINGS", "Cloud", "open_cloud"]

Floats = NDArray[np.floating[Any]]

CLOUD_ENDINGS = (".las", ".laz", ".e57", ".ply", ".xyz", ".pts", ".asc")
#: Points decoded at a time.
CHUNK = 1_000_000
#: One point in the scratch file: place from the cloud's origin, colour, strength of the echo.
RECORD = np.dtype([("xyz", "<f4", 3), ("rgb", "u1", 4), ("echo", "<f4")])
#: A building is smaller; coordinates farther apart lose their millimetres, and are several clouds or wrong points.
MOST_SPAN_M = 5_000.0


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """Points as they stand in the file."""

    xyz: Floats
    rgb: NDArray[np.integer[Any]] | None
    echo: Floats | None


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Cloud:
    """A cloud in its scratch file.

    Parameters
    ----------
    name : str
    count : int
    origin : ndarray, shape (3,)
        Added to ``xyz`` it gives the coordinates of the file, metres.
    has_colour, has_echo : bool
    scanner_enh : ndarray, shape (3,), or None
        Where the instrument stood, when the file says so.
    dropped : int
        Points without finite coordinates.
    """

    name: str
    count: int
    origin: Floats
    has_colour: bool
    has_echo: bool
    scanner_enh: Floats | None
    dropped: int
    _file: Any

    def __len__(self) -> int:
        return self.count

    def chunks(self, size: int = CHUNK) -> Iterator[Any]:
        """All points as arrays of RECORD, read anew."""
        self._file.seek(0)
        while len(part := np.fromfile(self._file, RECORD, size)):
            yield part

    def sample(self, count: int) -> Any:
        """every n-th point, an array of RECORD."""
        step = max(1, self.count // count)
        parts, skip = [], 0
        for part in self.chunks():
            parts.append(part[skip::step].copy())
            skip = (skip - len(part)) % step
        return np.concatenate(parts)

    def places(self, records: Any) -> Floats:
        """Coordinates of the file, metres, shape (n, 3)."""
        return np.asarray(records["xyz"], dtype=float) + self.origin


@contextlib.contextmanager
def open_cloud(
    path: Path,
    *,
    beside: Path,
    unit_m: float = 1.0,
    progress: Callable[[float], None] = lambda fraction: None,
) -> Iterator[Cloud]:
    """Read a cloud into a scratch file beside a target, which is gone when the body ends.

    Parameters
    ----------
    path : Path
    beside : Path
        Target whose folder takes the scratch file.
    unit_m : float
        Metres in the unit of the file's coordinates.

    Raises
    ------
    FileError, InputError
        Missing, damaged, empty, in degrees, or of a kind that is not read.
    """
    if not path.is_file():
        raise FileError(f"cloud {path} does not exist", "Check the spelling of the path.")
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise InputError(
            f"cloud {path.name} is not LAS, LAZ, E57, PLY or XYZ", "Export it as one of these."
        )
    with scratch_folder(beside) as folder, open_scratch(folder, "points") as file:
        try:
            facts = _spool(reader(path), file, unit_m, progress)
        except (InputError, FileError, MemoryError):
            raise
        except ImportError as error:
            raise InputError(
                f"cloud {path.name} needs a library that is not installed ({error.name})",
                'Install it with pip install "facademap[scan]".',
            ) from None
        except (
            BaseException
        ) as error:  # the readers raise what they like; a fault of lazrs is no Exception
            if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
                raise
            if isinstance(error, OSError) and (
                error.errno == errno.ENOSPC or " written" in str(error)
            ):
                raise FileError(
                    f"{beside.parent}: the disk is full; nothing was changed",
                    "Free some space and do it again.",
                ) from None
            raise InputError(
                f"cloud {path.name} is damaged or of an unknown kind ({type(error).__name__})",
                "Export it again as LAS, E57, PLY or XYZ.",
            ) from None
        if facts["count"] == 0:
            raise InputError(f"cloud {path.name} holds no points", "Export it again.")
        _refuse_degrees(path, facts)
        yield Cloud(
            name=path.name,
            count=facts["count"],
            origin=facts["origin"],
            has_colour=facts["colour"],
            has_echo=facts["echo"],
            scanner_enh=facts["scanner"],
            dropped=facts["dropped"],
            _file=file,
        )


def _spool(
    source: Iterator[tuple[Chunk, float, Any]],
    file: Any,
    unit_m: float,
    progress: Callable[[float], None],
) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "count": 0,
        "origin": None,
        "colour": False,
        "echo": False,
        "scanner": None,
        "dropped": 0,
    }
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    shift = 0
    for chunk, done, scanner in source:
        xyz = chunk.xyz * unit_m
        good = np.isfinite(xyz).all(axis=1)
        if not good.all():
            facts["dropped"] += int((~good).sum())
            xyz = xyz[good]
        if not len(xyz):
            continue
        low, high = np.minimum(low, xyz.min(axis=0)), np.maximum(high, xyz.max(axis=0))
        if facts["origin"] is None:
            facts["origin"] = np.round(xyz[0])
        record = np.zeros(len(xyz), RECORD)
        record["xyz"] = xyz - facts["origin"]
        if chunk.rgb is not None:
            rgb = chunk.rgb if good.all() else chunk.rgb[good]
            top = int(rgb.max())
            # LAS keeps 16 bits; some programs write 8 bits into them all the same
            shift = max(shift, 8 if top > 255 else 0)
            record["rgb"][:, :3] = (rgb >> shift if shift else rgb).astype(np.uint8)
            facts["colour"] = facts["colour"] or top > 0
        if chunk.echo is not None:
            echo = chunk.echo if good.all() else chunk.echo[good]
            record["echo"] = echo
            facts["echo"] = facts["echo"] or bool(echo.max() > echo.min())
        file.write(record.tobytes())
        facts["count"] += len(record)
        if scanner is not None and facts["scanner"] is None:
            facts["scanner"] = np.asarray(scanner, dtype=float) * unit_m
        progress(done)
    file.flush()
    facts["span"] = high - low
    facts["low"], facts["high"] = low, high
    return facts


def _refuse_degrees(path: Path, facts: dict[str, Any]) -> None:
    """Degrees look like a wall of millimetres in plan and metres in height."""
    span, low, high = facts["span"], facts["low"], facts["high"]
    plan = float(max(span[0], span[1]))
    in_range = abs(low[0]) <= 180 and abs(high[0]) <= 180 and max(abs(low[1]), abs(high[1])) <= 90
    if in_range and 0 < plan < 0.05 and span[2] > 20 * plan:
        raise InputError(
            f"cloud {path.name} is {plan:.6f} wide in plan and {span[2]:.2f} high: its places are in degrees",
            "Export it in a projected system, metres.",
        )
    if float(span.max()) > MOST_SPAN_M:
        raise InputError(
            f"cloud {path.name} spans {span.max() / 1000:.1f} km",
            "State its unit with --unit, or cut the wall out of it.",
        )


def _read_las(path: Path) -> Iterator[tuple[Chunk, float, Any]]:
    import laspy

    _refuse_false_head(path)
    with laspy.open(path) as file:
        header = file.header
        if header.are_points_compressed and header.point_count:
            _refuse_false_packing(path, header)
            _refuse_false_chunks(path, int(header.offset_to_point_data))
        crs = None
        with contextlib.suppress(Exception):  # a reference system that cannot be read is none
            crs = header.parse_crs()
        if crs is not None and crs.is_geographic:
            raise InputError(
                f"cloud {path.name} is in degrees ({crs.name})",
                "Export it in a projected system, metres.",
            )
        names = set(header.point_format.dimension_names)
        done = 0
        for points in file.chunk_iterator(CHUNK):
            done += len(points)
            xyz = np.empty((len(points), 3))
            for k, axis in enumerate("xyz"):
                xyz[:, k] = points[axis]
            rgb = None
            if {"red", "green", "blue"} <= names:
                rgb = np.stack([points["red"], points["green"], points["blue"]], axis=1)
            echo = points["intensity"].astype(np.float32) if "intensity" in names else None
            if len(points) == 0:
                break  # what is left of a file that was cut off
            yield Chunk(xyz=xyz, rgb=rgb, echo=echo), done / max(1, header.point_count), None
        _refuse_part(path, done, header.point_count)


def _refuse_false_head(path: Path) -> None:
    """The library reads as many records before and after the points as the head claims, although the file has ended.

    References
    ----------
    ASPRS, "LAS Specification 1.4 - R15", 2019, tables 3 and 4: sizes at bytes 94 to 103, extended records at 235 to 246;
    a record has a head of 54 bytes, an extended one of 60.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(247)
    if len(head) < 227:
        raise InputError(
            f"cloud {path.name} is damaged: it ends within its head",
            "Copy it again, or export it again.",
        )
    (own, points, records), version = struct.unpack_from("<HII", head, 94), head[25]
    more_at, more = (
        struct.unpack_from("<QI", head, 235) if version >= 4 and len(head) == 247 else (0, 0)
    )
    if records * 54 > max(0, min(points, size) - own) or (more and more * 60 > size - more_at):
        raise InputError(
            f"cloud {path.name} is damaged: it claims more records than it has bytes",
            "Copy it again, or export it again.",
        )


def _refuse_false_packing(path: Path, header: Any) -> None:
    """The decoder takes its own record of how points are packed on trust, and ends in a fault of its own."""
    import lazrs

    packed = lazrs.LazVlr(header.vlrs[header.vlrs.index("LasZipVlr")].record_data)
    if packed.item_size() != header.point_format.size or packed.chunk_size() == 0:
        raise InputError(
            f"cloud {path.name} is damaged: its points are packed otherwise than it says",
            "Copy it again, or export it again.",
        )


def _refuse_false_chunks(path: Path, start: int) -> None:
    """The decoder makes room for every chunk that the table of chunks claims, and ends the process when it cannot.

    References
    ----------
    M. Isenburg, "LASzip: lossless compression of LiDAR data", 2013: the points begin with the place of the table
    (-1: the last eight bytes of the file give it), the table with its version and the number of chunks.
    """
    size = path.stat().st_size
    with path.open("rb") as file:

        def number(at: int, kind: str, length: int) -> int:
            file.seek(max(0, at))
            held = file.read(length)
            return int(struct.unpack(kind, held)[0]) if len(held) == length else -1

        table = number(start, "<q", 8)
        if table == -1:
            table = number(size - 8, "<q", 8)
        if not start + 8 <= table <= size - 8:
            raise InputError(
                f"cloud {path.name} was cut off: its table of chunks is not in it",
                "Copy it again, or export it again.",
            )
        if number(table + 4, "<I", 4) > table - start:
            raise InputError(
                f"cloud {path.name} is damaged: it claims more chunks of points than it has bytes",
                "Copy it again, or export it again.",
            )


def _refuse_part(path: Path, found: int, said: int) -> None:
    """A scan of which a part is missing would be taken for all of the wall that was seen."""
    if found != said:
        raise InputError(
            f"cloud {path.name} was cut off: it holds {found} of the {said} points that it names",
            "Copy it again, or export it again.",
        )


_E57_PLACES = ("cartesianX", "cartesianY", "cartesianZ")
_E57_ANGLES = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
_E57_COLOURS = ("colorRed", "colorGreen", "colorBlue")


def _read_e57(path: Path) -> Iterator[tuple[Chunk, float, Any]]:
    import pye57

    file = pye57.E57(str(path))
    try:
        total = sum(file.get_header(k).point_count for k in range(file.scan_count))
        done = 0
        for k in range(file.scan_count):
            header = file.get_header(k)
            fields = set(header.point_fields)
            places = _E57_PLACES if set(_E57_PLACES) <= fields else _E57_ANGLES
            if not set(places) <= fields:
                raise InputError(
                    f"cloud {path.name}: scan {k + 1} has no places", "Export it again."
                )
            wanted = [*places, *(_E57_COLOURS if set(_E57_COLOURS) <= fields else ())]
            wanted += [f for f in ("intensity", places[0][:9] + "InvalidState") if f in fields]
            data, buffers = file.make_buffers(wanted, CHUNK)
            reader = header.points.reader(buffers)
            turn, shift = header.rotation_matrix, header.translation
            scanner = shift if header.has_pose() else None
            while (n := reader.read()) > 0:
                done += n
                chunk = _e57_chunk({f: data[f][:n] for f in wanted}, places, turn, shift)
                yield chunk, done / max(1, total), scanner
            reader.close()
        _refuse_part(path, done, total)
    finally:
        file.close()


def _e57_chunk(data: dict[str, Any], places: tuple[str, ...], turn: Floats, shift: Floats) -> Chunk:
    a, b, c = (np.asarray(data[f], dtype=float) for f in places)
    if places is _E57_ANGLES:
        a, b, c = (
            a * np.cos(c) * np.cos(b),
            a * np.cos(c) * np.sin(b),
            a * np.sin(c),
        )
    xyz = np.stack([a, b, c], axis=1) @ np.asarray(turn).T + np.asarray(shift)
    invalid = next((data[f] for f in data if f.endswith("InvalidState")), None)
    if invalid is not None:
        xyz[np.asarray(invalid) != 0] = np.nan
    rgb = None
    if _E57_COLOURS[0] in data:
        rgb = np.stack([np.asarray(data[f]) for f in _E57_COLOURS], axis=1)
    echo = np.asarray(data["intensity"], dtype=np.float32) if "intensity" in data else None
    return Chunk(xyz=xyz, rgb=rgb, echo=echo)


def _read_ply(path: Path) -> Iterator[tuple[Chunk, float, Any]]:
    import plyfile

    vertex = plyfile.PlyData.read(str(path))["vertex"].data
    names = {n.lower(): n for n in vertex.dtype.names}
    colours = [names.get(c) or names.get(f"diffuse_{c}") for c in ("red", "green", "blue")]
    echo_name = names.get("intensity") or names.get("scalar_intensity")
    for start in range(0, len(vertex), CHUNK):
        part = vertex[start : start + CHUNK]
        xyz = np.stack([np.asarray(part[names[a]], dtype=float) for a in "xyz"], axis=1)
        rgb = None
        if all(colours):
            raw = np.stack([np.asarray(part[str(c)]) for c in colours], axis=1)
            rgb = np.asarray(np.round(raw * 255), np.uint8) if raw.dtype.kind == "f" else raw
        echo = None if echo_name is None else np.asarray(part[echo_name], dtype=np.float32)
        yield Chunk(xyz=xyz, rgb=rgb, echo=echo), (start + len(part)) / len(vertex), None


#: Numbers of a point in a text: places, echo, colours.
_WIDTHS = (3, 4, 6, 7)


def _read_text(path: Path) -> Iterator[tuple[Chunk, float, Any]]:
    import pandas as pd

    with path.open("rb") as file:
        head = [file.readline().decode("latin-1") for _ in range(12)]
        size = max(1, path.stat().st_size)
    ways = ((s, d) for d in (".", ",") for s in (None, ",", ";", "\t") if s != d)
    skip, width, separator, decimal = 0, 0, None, "."
    for separator, decimal in ways:
        skip, width = _first_numbers(head, separator, decimal)
        if width in _WIDTHS:
            break
    else:
        raise InputError(
            f"cloud {path.name} has no lines of numbers that make points",
            "Give x y z, x y z intensity, x y z red green blue, or x y z intensity red green blue.",
        )
    done = 0
    frames = pd.read_csv(
        path,
        sep=separator or r"\s+",
        header=None,
        skiprows=skip,
        usecols=range(width),
        chunksize=CHUNK,
        dtype=float,
        decimal=decimal,
        comment="#",
        encoding="latin-1",
    )
    per_line = max(1.0, float(np.mean([len(h) for h in head[skip:] if h] or [30])))
    for frame in frames:
        values = frame.to_numpy()
        done += len(values)
        rgb = np.asarray(np.clip(values[:, -3:], 0, 65535), np.uint16) if width >= 6 else None
        echo = values[:, 3].astype(np.float32) if width in (4, 7) else None
        yield Chunk(xyz=values[:, :3], rgb=rgb, echo=echo), min(1.0, done * per_line / size), None


def _first_numbers(head: list[str], separator: str | None, decimal: str) -> tuple[int, int]:
    """Lines above the first point (a count, a header) and the numbers of a point."""
    for k, line in enumerate(head):
        cells = [c for c in (line.split(separator) if separator else line.split()) if c.strip()]
        with contextlib.suppress(ValueError):
            numbers = [float(c.replace(decimal, ".")) for c in cells]
            if len(cells) >= 3 and all(math.isfinite(n) for n in numbers):
                return k, len(cells)
    return 0, 0


_READERS: dict[str, Callable[[Path], Iterator[tuple[Chunk, float, Any]]]] = {
    ".las": _read_las,
    ".laz": _read_las,
    ".e57": _read_e57,
    ".ply": _read_ply,
    ".xyz": _read_text,
    ".pts": _read_text,
    ".asc": _read_text,
}
