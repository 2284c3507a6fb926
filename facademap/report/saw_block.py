"""What the sheets of one block are made from, and the words on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from facademap.match.remainders import Remainder, remainders_of
from facademap.match.saw_model import SawPlan, SawStep
from facademap.match.solids import Solid
from facademap.repair.block_weights import BlockWeights, how_to_lift
from facademap.report.face_picture import FacePicture
from facademap.report.materials import number
from facademap.report.measures import METRIC, Measures
from facademap.report.saw_drawing import role_of
from facademap.report.saw_zero import Zero, zero_of

__all__ = ["SawBlock", "bed_words"]

#: A slab longer than this many times its thickness is carried on edge (common practice).
_THIN = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SawBlock:
    """One block on its sheets: its plan, its rows, its weights, its picture."""

    plan: SawPlan
    block: Mapping[str, Any]
    face: Mapping[str, Any]
    pieces: Mapping[str, Mapping[str, Any]]
    places: Mapping[str, Mapping[str, Any]]
    weights: BlockWeights
    picture: FacePicture | None = None
    say: Measures = METRIC

    @property
    def zero(self) -> Zero:
        """Where its lines begin."""
        return zero_of(self.plan.order.outline_mm)

    @property
    def how_to_strike_zero(self) -> tuple[str, ...]:
        """How to strike it, a sentence each, with what the face is known to."""
        known = number(self.face["size_pm95_m"])
        return self.zero.how(None if known is None else known * 1000, self.say)

    @property
    def remainders(self) -> Mapping[str, Remainder]:
        """What is kept, by the id that it gets in the yard."""
        return {r.id: r for r in remainders_of(self.plan)}

    def set_to(self, length_mm: float) -> str:
        """A length as a saw is set: in both units."""
        return self.say.both(length_mm / 1000)

    def figure(self, length_mm: float) -> str:
        """A length without its unit."""
        return self.say.figure(length_mm / 1000)

    def size(self, solid: Solid) -> str:
        """Width, height and thickness of a solid over all."""
        return self.say.size(s / 1000 for s in solid.size_mm)

    def weight(self, solid: str) -> str:
        """Likely weight of a solid, in words."""
        return self.say.weight(self.kg(solid))

    def kg(self, solid: str) -> float:
        """Likely weight of a solid."""
        return self.weights.kg(self.plan.solids[solid].volume_mm3)

    def lift(self, solid: str) -> str:
        """How a solid is lifted, with the rough stone that it may still carry; empty where one person may."""
        it = self.plan.solids[solid]
        thin = max(it.size_mm) > _THIN * min(it.size_mm)
        inches = self.say.inches
        words = how_to_lift(self.weights.lift_kg(it.volume_mm3), thin=thin, inches=inches)
        rough = self.rough_kg
        if rough is None or rough < 1.0 or it.z1_mm < self.plan.order.depth_mm - 0.05:
            return words
        more = f"up to {self.say.weight(rough, decimals=0)} more of rough back and rim"
        return (
            f"{words}, {more}"
            if words
            else how_to_lift(self.weights.lift_kg(it.volume_mm3) + rough, inches=inches)
        )

    @property
    def rough_kg(self) -> float | None:
        """What lies outside the sound stone, by weight of the block; ``None`` where that is not known."""
        if self.weights.block_kg is None:
            return None
        return self.weights.block_kg - self.kg(self.plan.block_id)

    def becomes(self, solid: str) -> str:
        """What a solid is, in words."""
        role = role_of(self.plan, solid)
        if role == "piece":
            name = next(p for p, s in self.plan.pieces.items() if s == solid)
            return f"piece {name}"
        return {"kept": f"{solid}, to the yard", "waste": f"{solid}, waste"}.get(
            role, f"{solid}, goes on"
        )

    def where(self, step: SawStep) -> list[str]:
        """Where the saw is set for a step: from zero, and from the side of the part where that is sawn."""
        zero, part, mm = self.zero, self.plan.solids[step.cuts], self.set_to
        if step.kind == "parallel":
            own = step.at_mm - part.z0_mm
            lines = [f"{mm(own)} behind the front of {part.id}"]
            if part.z0_mm > 0.05:
                lines.append(f"that is {mm(step.at_mm)} behind the old face")
            return [*lines, "blade behind that line"]
        if step.kind in ("upright", "level"):
            axis = 0 if step.kind == "upright" else 1
            at = step.at_mm - (zero.x_mm if axis == 0 else zero.y_mm)
            line = "right of the upright line" if axis == 0 else "above the level line"
            blade = {(0, 1): "right of", (0, -1): "left of", (1, 1): "above", (1, -1): "below"}
            lines = [f"{mm(at)} {line}", f"blade {blade[axis, step.kerf_side]} that mark"]
            fence = self._from_sawn_side(part, axis, step.at_mm)
            if fence is not None:
                side = "left side" if axis == 0 else "underside"
                lines.append(f"that is {mm(fence)} from its sawn {side}")
            return lines
        if step.kind == "slanted":
            ends = " to ".join(
                f"{self.figure(x - zero.x_mm)} right, {self.figure(y - zero.y_mm)} up"
                for x, y in step.line_mm
            )
            return [f"from zero in {self.say.unit}: {ends}", "blade outside that line"]
        if step.kind == "contour":
            return ["round the line of the blank; drill inner corners first, no over-run"]
        return ["to the line of the blank: what stands over is within the trim"]

    def _from_sawn_side(self, part: Solid, axis: int, at: float) -> float | None:
        """Distance from the part's left side or underside where that is one straight sawn side, else ``None``."""
        low = min(p[axis] for p in part.outline_mm)
        old = min(p[axis] for p in self.plan.order.outline_mm)
        ring = part.outline_mm
        for a, b in zip(ring, (*ring[1:], ring[0]), strict=True):
            if abs(a[axis] - low) < 0.05 and abs(b[axis] - low) < 0.05 and low > old + 0.05:
                return at - low
        return None


def bed_words(face: Mapping[str, Any]) -> str:
    """How the natural bed lies on a face, as honest as the row."""
    return {
        "x": "Natural bed along the level line (arrow).",
        "none": "This stone shows no bed: no arrow, and a bed told on a ticket is held by any turn.",
        "parallel": "The natural bed lies parallel to this face.",
        "unknown": "The natural bed of this stone is not known: settle it before sawing.",
    }[str(face["bed"])]
