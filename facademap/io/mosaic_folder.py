"""The working folder of a mosaic: what is finished survives an interruption and is read by other machines.

A folder holds ``job.json`` (photos, cameras, homographies, grid), ``ties.npz``, ``plan.npz`` and one
raw file a finished block. Every file appears whole under its name or not at all.
"""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError
from facademap.io.whole_files import make_folder, remove_folder, write_whole
from facademap.photo.camera import Camera
from facademap.photo.exposure import PhotoLevel
from facademap.photo.flatten import WallLight
from facademap.photo.mosaic import MosaicPlan
from facademap.photo.photo_graph import PhotoGraph
from facademap.photo.ties import PairTies
from facademap.wall.grid import PixelGrid, Window

__all__ = ["MosaicFolder"]

Bytes = NDArray[np.uint8]
_MADE = r"([0-9a-f]{12}/)?(job\.json|(ties|plan)\.npz|block_\d+_\d+\.raw|\.facademap-[0-9a-f]{12}\.part)"


class MosaicFolder:
    """Files of one job.

    Parameters
    ----------
    path : Path
        The folder; made when missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        make_folder(path)

    def _write(self, name: str, data: bytes) -> None:
        write_whole(self.path / name, data, durable=False)

    def _write_arrays(self, name: str, arrays: Mapping[str, Any]) -> None:
        buffer = io.BytesIO()
        np.savez_compressed(buffer, **arrays)
        self._write(name, buffer.getvalue())

    def _arrays(self, name: str) -> dict[str, NDArray[Any]] | None:
        if not (self.path / name).exists():
            return None
        try:
            with np.load(self.path / name, allow_pickle=False) as stored:
                return {key: stored[key] for key in stored.files}
        except (OSError, ValueError, EOFError):
            return None  # damaged: made again

    def write_job(self, job: Mapping[str, Any]) -> None:
        """Store what a worker needs to know."""
        self._write("job.json", json.dumps(job).encode())

    def read_job(self) -> dict[str, Any]:
        """What :meth:`write_job` stored."""
        try:
            return dict(json.loads((self.path / "job.json").read_text(encoding="utf-8")))
        except (OSError, ValueError) as error:
            raise FileError(
                f"working folder {self.path} cannot be read here",
                "Let all workers share the folder of the output.",
            ) from error

    def write_ties(self, graph: PhotoGraph) -> None:
        """Store the pairs of a graph."""
        arrays: dict[str, Any] = {}
        facts = []
        for number, (pair, ties) in enumerate(graph.pairs.items()):
            facts.append(
                [
                    *pair,
                    ties.joined,
                    ties.reason,
                    ties.k1,
                    ties.inliers,
                    ties.alike_share,
                    ties.rms_px,
                ]
            )
            arrays |= {
                f"a{number}": ties.first_px,
                f"b{number}": ties.second_px,
                f"h{number}": ties.homography,
            }
        self._write_arrays("ties.npz", {"facts": np.array(json.dumps(facts)), **arrays})

    def read_ties(self, cameras: tuple[Camera, ...], *, known_lens: bool) -> PhotoGraph | None:
        """The stored graph, none when there is none."""
        stored = self._arrays("ties.npz")
        if stored is None:
            return None
        pairs = {}
        for number, (a, b, joined, reason, k1, inliers, alike, rms) in enumerate(
            json.loads(str(stored["facts"]))
        ):
            pairs[(a, b)] = PairTies(
                joined=joined,
                reason=reason,
                first_px=stored[f"a{number}"],
                second_px=stored[f"b{number}"],
                homography=stored[f"h{number}"],
                k1=k1,
                inliers=inliers,
                alike_share=alike,
                rms_px=rms,
            )
        return PhotoGraph(cameras=cameras, pairs=pairs, known_lens=known_lens)

    def write_plan(self, plan: MosaicPlan) -> None:
        """Store a plan."""
        grid = plan.grid
        self._write_arrays(
            "plan.npz",
            {
                "grid": np.array(
                    [grid.left_m, grid.top_m, grid.gsd_m, grid.width_px, grid.height_px]
                ),
                "cell_px": np.array(plan.cell_px),
                "source": plan.source,
                "sample_m": plan.sample_m,
                "factor": np.array([level.factor for level in plan.levels]),
                "shading": np.array([level.shading for level in plan.levels]),
                "sizes_px": np.array(plan.sizes_px),
                "sharpness": np.array(plan.sharpness),
                "light_order": np.array(plan.light.order),
                "light": np.array(plan.light.terms),
            },
        )

    def read_plan(self) -> MosaicPlan | None:
        """The stored plan, none when there is none."""
        s = self._arrays("plan.npz")
        if s is None:
            return None
        left, top, gsd, width, height = (float(v) for v in s["grid"])
        levels = tuple(
            PhotoLevel(factor=tuple(f), shading=tuple(t))
            for f, t in zip(s["factor"].tolist(), s["shading"].tolist(), strict=True)
        )
        return MosaicPlan(
            grid=PixelGrid(
                left_m=left, top_m=top, gsd_m=gsd, width_px=int(width), height_px=int(height)
            ),
            cell_px=int(s["cell_px"]),
            source=s["source"],
            sample_m=s["sample_m"],
            levels=levels,
            sizes_px=tuple((int(w), int(h)) for w, h in s["sizes_px"]),
            sharpness=tuple(s["sharpness"].tolist()),
            light=WallLight(order=int(s["light_order"]), terms=tuple(s["light"].tolist())),
        )

    def _block_path(self, block: Window) -> Path:
        return self.path / f"block_{block.row}_{block.column}.raw"

    def has_block(self, block: Window) -> bool:
        """Whether a block is finished."""
        path = self._block_path(block)
        return path.exists() and path.stat().st_size == block.width * block.height * 4

    def write_block(self, block: Window, pixels: Bytes) -> None:
        """Store a finished block, shape (height, width, 4)."""
        path = self._block_path(block)
        write_whole(path, np.ascontiguousarray(pixels).tobytes(), durable=False)

    def read_window(self, block: Window, window: Window) -> Bytes:
        """A window of a finished block, shape (height, width, 4)."""
        stored = np.memmap(
            self._block_path(block), np.uint8, "r", shape=(block.height, block.width, 4)
        )
        top, left = window.row - block.row, window.column - block.column
        return np.array(stored[top : top + window.height, left : left + window.width])

    def is_empty(self) -> bool:
        """Whether nothing is finished yet."""
        return not any(self.path.iterdir())

    def remove(self) -> None:
        """Delete the folder; one that holds anything else stays."""
        with contextlib.suppress(FileError):
            remove_folder(self.path, inside=self.path.parent, made=_MADE)
