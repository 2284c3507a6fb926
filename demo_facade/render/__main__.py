"""``python -m demo_facade.render --out demo_facade``: make the demo's files again."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2

from . import blocks as yard
from . import decay, files, masonry, survey
from .cameras import CHART_POSE, POSES
from .noise import Bank
from .photograph import expose
from .scene import Scene, chart_pieces
from .wall import Wall

SEED = 7


def main(argv: list[str] | None = None) -> int:
    """Render the demo; the same seed gives the same files."""
    options = argparse.ArgumentParser(prog="demo_facade.render", description=__doc__)
    options.add_argument("--out", type=Path, required=True, help="folder to write into")
    options.add_argument("--seed", type=int, default=SEED)
    chosen = options.parse_args(argv)
    cv2.setNumThreads(2)
    start = time.perf_counter()

    def say(text: str) -> None:
        print(f"{time.perf_counter() - start:6.1f} s  {text}", file=sys.stderr)

    render(chosen.out, chosen.seed, say)
    return 0


def render(out: Path, seed: int, say: Callable[[str], None]) -> None:
    """Set out, paint, photograph, survey, write."""
    building = masonry.set_out(seed)
    points = survey.plan_points(building, seed)
    conditions = decay.plan_conditions(building, seed, survey.reserved(points))
    blocks = yard.plan_blocks(building, seed)
    say(
        f"{len(building.stones)} stones, {len(conditions)} conditions, {len(points)} points, {len(blocks)} blocks planned"
    )
    bank = Bank(seed)
    block_lab = {}
    for b in blocks:
        picture, block_lab[b.id] = yard.photograph_block(b, bank, seed)
        files.write_face(out / "blocks" / "photos" / f"{b.id}.jpg", picture)
    files.write_csv(out / "blocks" / "blocks.csv", yard.rows(blocks))
    say("blocks")
    wall = Wall(building, seed)
    wall.damage(conditions)
    wall.stick_targets(points)
    say("wall painted")
    scene = Scene(building, wall.lit_texture(), seed)
    say("scene lit")
    depths = {}
    for n, pose in enumerate(POSES):
        picture, depths[pose.stem] = expose(
            pose, scene.pieces + (chart_pieces() if n == CHART_POSE else []), seed
        )
        files.write_photo(out / "photos" / f"{pose.stem}.jpg", picture, pose)
        say(pose.stem)
    files.write_survey(
        out, survey.measure_world(points, seed), survey.measure_pixels(points, depths, seed)
    )
    files.write_drawings(out, building, conditions, seed)
    files.write_csv(out / "chart_patches.csv", files.chart_pixels())
    files.write_text(out / "chart.json", files.chart_note())
    files.write_text(out / "project.toml", files.PROJECT)
    files.write_truth(
        out, seed, building, points, conditions, (wall.clean_lab, wall.sound_lab), blocks, block_lab
    )
    say("done")


if __name__ == "__main__":
    raise SystemExit(main())
