"""Pictures of the examples, made when the pages are built: ``python -m docs.pictures``."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from facademap.condition import outline_at
from facademap.io.whole_files import make_folder, write_whole
from facademap.relief import Relief
from facademap.report.relief_picture import relief_png
from facademap.tasks.project.demo import demo_data
from facademap.wall import PixelGrid

FOLDER = Path(__file__).parent / "pictures"
#: Part of a photo of the demo (left, top, right, bottom) and the places clicked in it, pixels.
PART = (1500, 840, 2220, 1320)
CLICKS = ((150, 380), (480, 180), (180, 180))


def relief_of_a_hollow() -> bytes:
    """The face with a hollow of 30 mm that the examples measure."""
    grid = PixelGrid(left_m=0.0, top_m=1.0, gsd_m=0.005, width_px=200, height_px=200)
    hollow = np.zeros((200, 200), dtype=bool)
    hollow[80:120, 80:120] = True
    out_m = np.random.default_rng(1).normal(0.0, 0.001, hollow.shape) - 0.030 * hollow
    relief = Relief(
        grid=grid, out_m=out_m.astype(np.float32), sigma_m=np.full(hollow.shape, 0.001, np.float32)
    )
    return relief_png(relief, title="A hollow of 30 mm")


def outlines_by_clicks() -> bytes:
    """What is proposed at three clicks in a photo of the demo."""
    with Image.open(demo_data() / "photos" / "river_front_2.jpg") as photo:
        part = photo.convert("RGB").crop(PART)
    pen = ImageDraw.Draw(part)
    for x, y in CLICKS:
        ring = outline_at(np.asarray(part), x, y)
        pen.line([*map(tuple, ring.tolist()), tuple(ring[0].tolist())], fill="#00a0a0", width=4)
        pen.ellipse((x - 7, y - 7, x + 7, y + 7), fill="#ffffff", outline="#000000", width=2)
    made = io.BytesIO()
    part.save(made, "PNG")
    return made.getvalue()


def main() -> None:
    """Write them."""
    make_folder(FOLDER)
    write_whole(FOLDER / "relief.png", relief_of_a_hollow())
    write_whole(FOLDER / "outlines.png", outlines_by_clicks())


if __name__ == "__main__":
    main()
