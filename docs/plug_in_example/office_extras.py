"""One example of everything that another package can add."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from facademap.repair import BINDERS, Mix
from facademap.tasks.issue.papers_list import Paper

RULES = """
[table]
name = "careful office"

[[rule]]
name = "loose"
rank = 1
treatment = "make safe"
when = { terms = ["loose stone", "displacement"] }
source = "our office"
status = "project"
reason = "People first."

[[rule]]
name = "everything-else"
rank = 100
treatment = "leave"
source = "our office"
status = "project"
reason = "Nothing is cut before the second survey."
"""


def careful_rules() -> str:
    """A rule table that leaves everything but loose stone alone."""
    return RULES


def mixes() -> list[Mix]:
    """A mix of the office, from its own trial batches."""
    return [
        Mix(
            name="NHL 2 1:2 with brick dust",
            binder=BINDERS["NHL 2"],
            binder_kg_per_m3=250.0,
            sand_parts=2.0,
            water_l_per_m3=270.0,
            source="trial batches of our office",
            status="project",
            strength_28d_mpa=1.2,
            strength_24_months_mpa=2.6,
            strength_source="trial batches of our office",
        )
    ]


def _count(context: Any) -> dict[str, bytes]:
    stones = context.frame("wall_stones")
    lines = ["stone_type,stones,area_m2"]
    for kind, part in stones.groupby("stone_type"):
        lines.append(f"{kind},{len(part)},{part.geometry.area.sum():.3f}")
    return {"stone-count.csv": ("\n".join(lines) + "\n").encode("utf-8")}


#: How many stones of each kind the wall has.
STONE_COUNT = Paper(
    name="stone-count", code="SC", title="count of stones", tables=("wall_stones",), make=_count
)


def read_pts(path: Path) -> Iterator[dict[str, Any]]:
    """Points of a list with a name, east, north and height on each line, parted by blanks; ``#`` begins a remark."""
    for line in path.read_text("utf-8").splitlines():
        words = line.partition("#")[0].split()
        if words:
            name, east, north, height = words[:4]
            yield {"name": name, "east_m": east, "north_m": north, "height_m": height}


class _SameTone:
    """Everything of the tone that was clicked."""

    side_px = 128

    def __call__(self, rgb: np.ndarray, x_px: float, y_px: float) -> np.ndarray:
        tone = rgb[int(y_px), int(x_px)].astype(float)
        far = np.abs(rgb.astype(float) - tone).max(axis=-1)
        return np.clip(1.0 - far / 60.0, 0.0, 1.0)


def same_tone() -> _SameTone:
    """A model without any training, to show how one is offered."""
    return _SameTone()
