"""Line drawings for saw plans: solids in the plane of the face, or in section behind it, in a box of the sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from facademap.condition.glossary import Hatch
from facademap.match.problem import Point
from facademap.match.saw_model import SawPlan, SawStep
from facademap.match.solids import Solid
from facademap.report.hatching import hatch_lines
from facademap.report.page import Page
from facademap.report.scales import sketch_scale

__all__ = [
    "BLUE",
    "KEPT",
    "PIECE",
    "Fit",
    "draw_solid",
    "draw_step",
    "mark_beside",
    "middle_of",
    "role_of",
]

BLUE, PIECE, KEPT, WASTE = "#0063a6", "#ffd54a", "#cfe8dc", "#ffffff"
_FILLS = {"piece": PIECE, "kept": KEPT, "waste": WASTE, "part": "#e4edf5"}
_WASTE_HATCH = Hatch(angles_deg=(45.0,), spacing_mm=1.6)
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """From millimetres of the stone to millimetres of the sheet: one scale, centred in a box."""

    scale: float
    x_mm: float
    y_mm: float

    @classmethod
    def into(cls, stone: Box, zone: Box, *, inches: bool = False) -> Fit:
        """The largest usual scale at which a box of the stone stands in a zone (x, y, width, height) of the sheet."""
        x, y, w, h = zone
        wide, high = max(stone[2] - stone[0], 1e-6), max(stone[3] - stone[1], 1e-6)
        k = 1.0 / sketch_scale(max(wide / w, high / h), inches=inches)
        return cls(
            scale=k,
            x_mm=x + (w - wide * k) / 2 - stone[0] * k,
            y_mm=y + (h - high * k) / 2 - stone[1] * k,
        )

    def __call__(self, points: Iterable[Sequence[float]]) -> npt.NDArray[np.float64]:
        """Points of the stone on the sheet."""
        return np.asarray(list(points), dtype=float) * self.scale + (self.x_mm, self.y_mm)


def role_of(plan: SawPlan, solid: str) -> str:
    """What becomes of a solid: ``piece``, ``kept`` for the yard, ``waste``, or a ``part`` that is cut again."""
    if solid in plan.pieces.values():
        return "piece"
    if solid in plan.kept:
        return "kept"
    return "waste" if solid in plan.left else "part"


def draw_solid(
    page: Page, ring: npt.NDArray[np.float64], role: str, *, width_mm: float = 0.4
) -> None:
    """One solid by its outline on the sheet; waste is hatched."""
    page.rings([ring], width_mm=width_mm, fill=_FILLS[role])
    if role == "waste" and len(ring) > 2:
        lines = hatch_lines(shapely.Polygon(ring), _WASTE_HATCH)
        page.lines(lines, width_mm=0.14, ink="#666666")


def mark(page: Page, at: Point, text: str, *, radius_mm: float = 2.3) -> None:
    """A letter or number in a ring, the key to what stands beside the drawing."""
    page.discs([at], radius_mm, fill="#ffffff", ink="#111111", width_mm=0.25)
    page.text(
        at[0],
        at[1] - radius_mm * 0.42,
        text,
        size_pt=max(5.2, radius_mm * (3.3 if len(text) < 2 else 2.6)),
        weight="bold",
        anchor="centre",
    )


def middle_of(ring: npt.NDArray[np.float64]) -> Point:
    """A place inside an outline for its mark."""
    polygon = shapely.Polygon(ring)
    point = polygon.centroid
    if not polygon.contains(point):
        point = polygon.representative_point()
    return float(point.x), float(point.y)


def draw_step(
    page: Page,
    plan: SawPlan,
    step: SawStep,
    zone: Box,
    marks: Sequence[str],
    *,
    inches: bool = False,
) -> float:
    """One step in a zone (x, y, width, height): what it leaves, its kerf in blue, marks for what it gives.

    A cut parallel to the face is drawn from above, the face below; every other one as seen on the face.

    Returns
    -------
    float
        The denominator of the scale.
    """
    cut, gives = plan.solids[step.cuts], [plan.solids[g] for g in step.gives]
    if step.kind == "parallel":
        return _section(page, plan, step, cut, gives, zone, marks, inches)
    box = _around(plan, cut)
    fit = Fit.into(box, zone, inches=inches)
    seen = shapely.Polygon(plan.order.outline_mm).exterior.intersection(shapely.box(*box))
    for line in shapely.get_parts(
        shapely.line_merge(seen) if seen.geom_type != "LineString" else seen
    ):
        page.rings(
            [fit(shapely.get_coordinates(line))],
            ink="#999999",
            width_mm=0.2,
            dash_mm=(1.2, 0.8),
            closed=False,
        )
    page.rings([fit(cut.outline_mm)], ink=BLUE, width_mm=0.25, fill=BLUE)
    for solid in gives:
        draw_solid(page, fit(solid.outline_mm), role_of(plan, solid.id), width_mm=0.3)
    if step.line_mm and step.kind not in ("contour", "dressed"):
        (ax, ay), (bx, by) = fit(step.line_mm)
        page.line(ax, ay, bx, by, ink=BLUE, width_mm=0.8)
    centre = middle_of(fit(cut.outline_mm))
    for solid, text in zip(gives, marks, strict=True):
        mark_beside(page, fit(solid.outline_mm), text, away_from=centre, within=zone)
    return 1.0 / fit.scale


def _around(plan: SawPlan, cut: Solid) -> Box:
    """What of the face is shown round a part: a third of its size more on every side, never less than a third of the face."""
    outline, part = np.asarray(plan.order.outline_mm), np.asarray(cut.outline_mm)
    whole = np.ptp(outline, axis=0)
    middle = (part.min(axis=0) + part.max(axis=0)) / 2
    half = np.minimum(np.maximum(np.ptp(part, axis=0) * 0.83, whole / 6), whole / 2 + 1.0)
    low = np.clip(middle - half, outline.min(axis=0) - 1.0, None)
    high = np.clip(middle + half, None, outline.max(axis=0) + 1.0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def mark_beside(
    page: Page,
    ring: npt.NDArray[np.float64],
    text: str,
    *,
    away_from: Point,
    within: Box,
    radius_mm: float = 2.3,
) -> None:
    """A mark in a solid, or beside it with a leader where the solid is too small on the sheet to hold it."""
    at = middle_of(ring)
    small = float(np.ptp(ring, axis=0).min())
    if small >= 2.0 * radius_mm:
        mark(page, at, text, radius_mm=radius_mm)
        return
    if small >= 1.3 * radius_mm:
        mark(page, at, text, radius_mm=small / 2)
        return
    way = np.array(at) - away_from
    length = float(np.hypot(*way))
    way = way / length if length > 0.5 else np.array([0.0, -1.0])
    x, y, w, h = within  # beyond the zone stand words
    aside = (
        float(np.clip(at[0] + way[0] * 5.0, x + 1.8, x + w - 1.8)),
        float(np.clip(at[1] + way[1] * 5.0, y + 1.8, y + h - 1.8)),
    )
    page.line(*at, *aside, width_mm=0.2)
    mark(page, aside, text, radius_mm=1.8)


def _section(
    page: Page,
    plan: SawPlan,
    step: SawStep,
    cut: Solid,
    gives: Sequence[Solid],
    zone: Box,
    marks: Sequence[str],
    inches: bool,
) -> float:
    """A cut parallel to the face, seen from above: x to the right, the face at the bottom."""
    left = float(np.min(np.asarray(plan.order.outline_mm)[:, 0]))
    right = float(np.max(np.asarray(plan.order.outline_mm)[:, 0]))
    fit = Fit.into((left, 0.0, right, plan.order.depth_mm), zone, inches=inches)

    def ring(solid: Solid) -> npt.NDArray[np.float64]:
        x = np.asarray(solid.outline_mm)[:, 0]
        low, high = float(x.min()), float(x.max())
        return fit(
            [(low, solid.z0_mm), (high, solid.z0_mm), (high, solid.z1_mm), (low, solid.z1_mm)]
        )

    page.rings(
        [fit([(left, 0), (right, 0), (right, plan.order.depth_mm), (left, plan.order.depth_mm)])],
        ink="#999999",
        width_mm=0.2,
        dash_mm=(1.2, 0.8),
    )
    (ax, ay), (bx, by) = fit([(left, 0.0), (right, 0.0)])
    page.line(ax, ay, bx, by, width_mm=0.9)
    page.rings([ring(cut)], ink=BLUE, width_mm=0.25, fill=BLUE)
    for solid in gives:
        draw_solid(page, ring(solid), role_of(plan, solid.id), width_mm=0.3)
    for solid, text in zip(gives, marks, strict=True):
        box = ring(solid)
        small = min(2.3, max(1.2, float(np.ptp(box[:, 1])) / 2.2))
        mark(page, middle_of(box), text, radius_mm=small)
    return 1.0 / fit.scale
