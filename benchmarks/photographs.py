"""Photographs of masonry with outlines and lines drawn by hand, for benchmarks.

The photographs stay in Debian's packages ``ufoai-textures`` and ``sweethome3d`` (``apt-get install``, or ``apt-get
download`` and ``dpkg -x PACKAGE FOLDER``); the outlines are in ``outline_truth.geojson``, in pixels of the photograph. Half
of the scenes are for tuning, the other half is kept for the report.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

_TRUTH = Path(__file__).parent / "outline_truth.geojson"
#: Archive of each package, and the folder of the photographs in it.
_ARCHIVES = {
    "ufoai-textures": ("usr/share/games/ufoai/base/0textures.pk3", "textures/"),
    "sweethome3d": (
        "usr/share/sweethome3d/sweethome3d.jar",
        "com/eteks/sweethome3d/io/resources/textures/",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """An outline (closed) or a line drawn by hand in a photograph."""

    rgb: np.ndarray
    scene: str
    kind: str
    part: str
    places_px: np.ndarray
    is_line: bool

    def mask(self) -> np.ndarray:
        """Pixels inside the outline."""
        found = np.zeros(self.rgb.shape[:2], np.uint8)
        cv2.fillPoly(found, [np.round(self.places_px * 16).astype(np.int32)], 1, shift=4)
        return found > 0


def photograph(file: str, *, root: Path, tiled: bool = False) -> np.ndarray:
    """A photograph by its package and name; a seamless one may be laid twice each way."""
    package, name = file.split(":")
    archive, folder = _ARCHIVES[package]
    with zipfile.ZipFile(root / archive) as packed:
        rgb = np.array(Image.open(io.BytesIO(packed.read(folder + name))).convert("RGB"))
    return np.tile(rgb, (2, 2, 1)) if tiled else rgb


def drawn(root: Path) -> Iterator[Drawn]:
    """All that is drawn, scene by scene; nothing when the packages are not there."""
    if not all((root / archive).is_file() for archive, _ in _ARCHIVES.values()):
        return
    truth = json.loads(_TRUTH.read_text(encoding="utf-8"))
    scenes = {
        name: photograph(scene["file"], root=root, tiled=scene["tiled"])
        for name, scene in truth["scenes"].items()
    }
    for feature in truth["features"]:
        shape, told = feature["geometry"], feature["properties"]
        places = np.array(
            shape["coordinates"][0] if shape["type"] == "Polygon" else shape["coordinates"], float
        )
        yield Drawn(
            rgb=scenes[told["scene"]],
            places_px=places,
            is_line=shape["type"] == "LineString",
            **told,
        )
