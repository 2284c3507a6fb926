"""Compare the looks of stones in pictures taken anyhow: a distance for every pair."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FacademapError, InputError, TableError
from facademap.io.csv_tables import read_csv_rows
from facademap.io.plain_pictures import read_rgb
from facademap.io.whole_files import write_whole
from facademap.salvage.pattern import Pattern, describe_pattern, pattern_vectors

__all__ = ["StonePicture", "compare_looks", "read_picture_list"]

#: Pictures are described at about this many pixels of stone; one factor serves all of them, so that
#: they keep their scale among each other.
WORKING_PX = 500_000
MAX_PICTURES = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class StonePicture:
    """One row of the list: a name, a picture and, where given, the mask of its stone."""

    name: str
    path: Path
    mask_path: Path | None = None


def compare_looks(
    images: Path,
    *,
    out: Path,
    progress: Callable[[float], None] = lambda fraction: None,
    threads: int = 2,
) -> dict[str, Any]:
    """Write the distance of every unordered pair of stones, smaller = more alike.

    Parameters
    ----------
    images : Path
        Table ``name,path[,mask_path]``; paths are relative to the table.
    out : Path
        Table ``a,b,distance`` to write.
    progress : callable
        Called with the fraction done.
    threads : int
        Pictures described at the same time.

    Returns
    -------
    dict
        Number of pictures and pairs, the scale factor used, the nearest neighbour of each picture.
    """
    pictures = read_picture_list(images)
    factor = _common_factor(pictures, progress)
    patterns: list[Pattern] = []
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for pattern in pool.map(lambda p: _describe(p, factor), pictures):
            patterns.append(pattern)
            progress(0.2 + 0.7 * len(patterns) / len(pictures))
    distances = _all_distances(pattern_vectors(patterns))
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["a", "b", "distance"])
    for i, first in enumerate(pictures):
        writer.writerows(
            [first.name, pictures[j].name, f"{distances[i, j]:.6f}"]
            for j in range(i + 1, len(pictures))
        )
    write_whole(out, text.getvalue())
    progress(1.0)
    np.fill_diagonal(distances, np.inf)
    nearest = {
        p.name: pictures[int(np.argmin(row))].name
        for p, row in zip(pictures, distances, strict=True)
    }
    return {
        "pictures": len(pictures),
        "pairs": len(pictures) * (len(pictures) - 1) // 2,
        "scale": factor,
        "calibrated": False,
        "use": "rank only",
        "nearest": nearest,
    }


def read_picture_list(path: Path) -> list[StonePicture]:
    """Read ``name,path[,mask_path]``.

    Raises
    ------
    TableError
        A name is missing or there twice, a file does not exist; all are listed.
    """
    rows = read_csv_rows(
        path, columns=("name", "path"), optional=("mask_path",), what="list of pictures"
    )
    faults: list[str] = []
    pictures: list[StonePicture] = []
    seen: dict[str, int] = {}
    for line, row in ((r.line, {c: t.strip() for c, t in r.cells.items()}) for r in rows):
        name = row.get("name", "")
        if not name:
            faults.append(f"row {line}, name: is empty")
        elif name in seen:
            faults.append(f"row {line}, name: {name} stands in row {seen[name]} already")
        seen.setdefault(name, line)
        picture = _resolve(path, row.get("path", ""), f"row {line} ({name}), path", faults)
        mask = None
        if row.get("mask_path"):
            mask = _resolve(path, row["mask_path"], f"row {line} ({name}), mask_path", faults)
        pictures.append(StonePicture(name=name, path=picture, mask_path=mask))
    if len(pictures) < 2:
        faults.append("one picture has nothing to be compared with")
    if len(pictures) > MAX_PICTURES:
        faults.append(f"{len(pictures)} pictures, at most {MAX_PICTURES} can be compared at once")
    if faults:
        more = f"; and {len(faults) - 3} more" if len(faults) > 3 else ""
        raise TableError(
            f"{path}: {'; '.join(faults[:3])}{more}",
            "Give every picture a name of its own and a path that exists.",
            faults=tuple(faults),
        )
    return pictures


def _resolve(table: Path, text: str, where: str, faults: list[str]) -> Path:
    """A path relative to the table, or to the working folder where it is not found there."""
    beside = table.parent / text
    found = beside if beside.is_file() or not Path(text).is_file() else Path(text)
    if not text or not found.is_file():
        faults.append(f"{where}: {text or 'is empty'}{': no such file' if text else ''}")
    return found


def _read(picture: StonePicture) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    try:
        rgb = read_rgb(picture.path)
        mask = None if picture.mask_path is None else read_rgb(picture.mask_path).max(axis=2)
    except FacademapError as error:
        raise InputError(f"{picture.name}: {error.problem}", error.remedy) from error
    if rgb.dtype == np.uint16:
        rgb = (rgb >> 8).astype(np.uint8)
    if mask is None:
        return rgb, None
    if mask.shape != rgb.shape[:2]:
        raise InputError(
            f"{picture.name}: the mask has {mask.shape[1]} x {mask.shape[0]} px, the picture "
            f"{rgb.shape[1]} x {rgb.shape[0]} px",
            "Draw the mask on the picture itself.",
        )
    middle = 0 if mask.max() <= 1 else np.iinfo(mask.dtype).max // 2
    return rgb, mask > middle


def _common_factor(pictures: Sequence[StonePicture], progress: Callable[[float], None]) -> float:
    """One reduction for all pictures, from the median number of pixels."""
    from PIL import Image

    sizes = []
    for done, picture in enumerate(pictures, start=1):
        try:
            with Image.open(picture.path) as head:
                sizes.append(head.width * head.height)
        except Exception:  # the reader names what is wrong with the file in a moment
            sizes.append(WORKING_PX)
        progress(0.2 * done / len(pictures))
    return float(min(1.0, np.sqrt(WORKING_PX / np.median(sizes))))


def _describe(picture: StonePicture, factor: float) -> Pattern:
    rgb, mask = _read(picture)
    if factor < 1.0:
        size = (max(1, round(rgb.shape[1] * factor)), max(1, round(rgb.shape[0] * factor)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        if mask is not None:
            mask = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    try:
        return describe_pattern(rgb, mask)
    except InputError as error:
        raise InputError(f"{picture.name}: {error.problem}", error.remedy) from error


def _all_distances(vectors: NDArray[np.float32]) -> NDArray[np.floating[Any]]:
    from scipy.spatial.distance import cdist

    return np.asarray(cdist(vectors, vectors, "cityblock"))
