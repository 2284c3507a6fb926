"""Which blocks and faces could serve a repair at all, what each would cost, and why none can."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from facademap.errors import InputError
from facademap.match.freespace import FreeSpace, turns_allowed
from facademap.match.problem import TOLERANCE_MM, Block, Face, Params, Problem, Repair
from facademap.match.solution import Reason
from facademap.photo.lab import difference_ciede2000

__all__ = [
    "FILTERS",
    "Candidates",
    "colour_differences",
    "find_candidates",
    "need_mm",
    "opening_cost",
    "usable_dm3",
]

Floats: TypeAlias = npt.NDArray[np.float64]
Booleans: TypeAlias = npt.NDArray[np.bool_]
FILTERS: tuple[Reason, ...] = ("stone_type", "bed", "depth", "weathered", "colour", "size")


def need_mm(repair: Repair, face: Face, params: Params, *, slab: int) -> float:
    """The slab thickness that a piece needs; its own weathered face needs no dressing allowance."""
    keeps_face = slab == 0 and face.weathered and repair.weathered == "required"
    return repair.depth_mm + (0.0 if keeps_face else params.depth_allow_mm)


def usable_dm3(face: Face) -> float:
    """Volume behind a face in dm3: its area less the flaws that go right through, times the depth."""
    area = shapely.Polygon(face.outline_mm)
    through = [shapely.Polygon(f.outline_mm) for f in face.flaws if f.depth_mm is None]
    if through:
        area = area.difference(shapely.union_all(through))
    return float(area.area) * face.depth_mm / 1e6


def opening_cost(block: Block, face: Face, params: Params) -> float:
    """What it costs to open a block on a face, for the stone used up and the weight handled and hauled."""
    kg = block.weight_kg + face.haul_kg
    return params.open_per_dm3 * usable_dm3(face) + params.handle_per_kg * kg


def colour_differences(problem: Problem) -> Floats:
    """CIEDE2000 of every repair (row) to every face (column, block by block); 0 where no colour is wanted."""
    faces = [f.lab if f.lab is not None else b.lab for b in problem.blocks for f in b.faces]
    wanted = np.array(
        [r.lab if r.lab is not None else (np.nan,) * 3 for r in problem.repairs], dtype=float
    )
    result = np.zeros((len(wanted), len(faces)))
    for i in range(0, len(wanted), 256):
        result[i : i + 256] = difference_ciede2000(
            wanted[i : i + 256, None], np.array(faces, dtype=float)[None]
        )
    return np.nan_to_num(result)


@dataclass(slots=True)
class Candidates:
    """Per repair the (block, face) pairs that pass every filter, with their costs.

    ``pairs[i]`` maps (block, face) numbers to (cost in slab 0, cost in a deeper slab).
    ``reasons[i]`` is set where no pair is left. ``beyond[i]`` is the cost that no pair left unlooked at
    undercuts; infinite where all were looked at.
    """

    pairs: list[dict[tuple[int, int], tuple[float, float]]]
    reasons: list[Reason | None]
    opening: dict[tuple[int, int], float] = field(default_factory=dict)
    beyond: list[float] = field(default_factory=list)

    def drop(self, repair: int, key: tuple[int, int], *, reason: Reason) -> None:
        """Take out a pair that turns out not to fit."""
        self.pairs[repair].pop(key, None)
        if not self.pairs[repair] and self.reasons[repair] is None:
            self.reasons[repair] = reason

    def users(self) -> dict[tuple[int, int], list[int]]:
        """The repairs that could use each (block, face)."""
        result: dict[tuple[int, int], list[int]] = {}
        for i, pairs in enumerate(self.pairs):
            for key in pairs:
                result.setdefault(key, []).append(i)
        return result


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Faces:
    """What the faces of a yard are, an entry a face."""

    values: list[Face]
    stones: npt.NDArray[np.str_]
    spread: Floats
    depth: Floats
    weathered: Booleans
    beds: npt.NDArray[np.str_]
    finishes: npt.NDArray[np.str_]
    provenance: Floats
    campaigns: npt.NDArray[np.str_]

    @classmethod
    def of(cls, problem: Problem, faces: Sequence[tuple[int, int]]) -> _Faces:
        values = [problem.blocks[b].faces[f] for b, f in faces]
        return cls(
            values=values,
            stones=np.array([problem.blocks[b].stone for b, _ in faces]),
            spread=np.array([problem.blocks[b].spread for b, _ in faces]),
            depth=np.array([f.depth_mm for f in values]),
            weathered=np.array([f.weathered for f in values]),
            beds=np.array([f.bed for f in values]),
            finishes=np.array([f.finish if f.finish is not None else "" for f in values]),
            provenance=np.array([f.provenance for f in values]),
            campaigns=np.array([f.campaign if f.campaign is not None else "" for f in values]),
        )

    def left_for(
        self, repair: Repair, params: Params, differences: Floats
    ) -> tuple[list[Booleans], Booleans, Reason | None]:
        """What every filter lets through for a repair, what all do, and the one that took the last face."""
        required = repair.weathered == "required"
        thick = repair.depth_mm + params.depth_allow_mm * ~(self.weathered & required)
        free_colour = repair.de_tolerance is None or repair.lab is None
        most = np.inf if free_colour else (repair.de_tolerance or 0.0) + 1e-9
        # a face that is there for another campaign is none of this repair's
        left = (self.campaigns == "") | (self.campaigns == (repair.campaign or ""))
        masks = [
            np.isin(self.stones, [repair.stone, *repair.accept]) & left,
            _bed_mask(repair, self.beds, self.values),
            self.depth + TOLERANCE_MM >= np.maximum(thick, params.min_slab_mm),
            self.weathered | (not required),
            differences <= most,
        ]
        reason: Reason | None = None
        for mask, name in zip(masks, FILTERS, strict=False):
            left &= mask
            if reason is None and not left.any():
                reason = name
        return masks, left, reason

    def costs_for(
        self,
        repair: Repair,
        params: Params,
        differences: Floats,
        ids: npt.NDArray[np.str_],
        looks: Mapping[str, float],
    ) -> tuple[Floats, Floats]:
        """What a repair costs on every face, from its front slab and from those behind; ``looks`` go before colours."""
        cost = differences + params.spread_weight * self.spread
        for block_id, given in looks.items():
            cost[ids == block_id] = given
        cost = (cost + self.provenance) * repair.priority
        if repair.finish is None:
            return cost, cost
        deeper = cost + params.finish_penalty * repair.priority
        return np.where(self.finishes == repair.finish, cost, deeper), deeper


def find_candidates(
    problem: Problem,
    space: FreeSpace,
    *,
    fits_alone: Callable[[int, int, int], bool] | None,
    most_blocks: int | None = None,
    most_cost: Floats | None = None,
    tick: Callable[[float], None] | None = None,
) -> Candidates:
    """Filter the pairs in the fixed order and note the filter that removes the last.

    Parameters
    ----------
    problem, space
        The problem and its free positions.
    fits_alone : callable or None
        Tells whether a repair's blank fits a (block, face) with nothing else on it. None leaves that
        open: then only bounding boxes are compared, and :meth:`Candidates.drop` follows later.
    most_blocks : int, optional
        Keep only so many best-looking pairs a repair (for very large yards); what the rest costs at least is in ``beyond``.
    most_cost : ndarray, optional
        Keep further pairs of each repair up to this cost.
    tick : callable, optional
        Told the fraction done; may raise to stop.

    Raises
    ------
    InputError
        A repair is locked to a block where it may not lie.
    """
    faces = [(b, f) for b, block in enumerate(problem.blocks) for f in range(len(block.faces))]
    values = [problem.blocks[b].faces[f] for b, f in faces]
    ids = np.array([problem.blocks[b].id for b, _ in faces])
    yard = _Faces.of(problem, faces)
    boxes = np.array([space.box(b, f) for b, f in faces])
    box_w, box_h = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    differences = colour_differences(problem)
    result = Candidates(pairs=[], reasons=[])
    for key, face in zip(faces, values, strict=True):
        result.opening[key] = opening_cost(problem.blocks[key[0]], face, problem.params)
    for i, repair in enumerate(problem.repairs):
        if tick is not None:
            tick(i / len(problem.repairs))
        masks, left, reason = yard.left_for(repair, problem.params, differences[i])
        blank = space.blanks[i]
        w, h = blank.width_mm, blank.height_mm
        left &= ((w <= box_w) & (h <= box_h)) | ((h <= box_w) & (w <= box_h))
        allowed = _allowed(problem, i, faces, ids)
        first, deeper = yard.costs_for(
            repair, problem.params, differences[i], ids, problem.looks.get(repair.id, {})
        )
        pairs: dict[tuple[int, int], tuple[float, float]] = {}
        fits_some = False
        beyond = np.inf
        order = np.flatnonzero(left)
        order = order[np.argsort(first[order], kind="stable")]
        for k in order:
            key = faces[k]
            if not allowed[k] and fits_some:
                continue
            if (
                most_blocks is not None
                and len(pairs) >= most_blocks
                and (most_cost is None or first[k] > most_cost[i])
            ):
                beyond = float(first[k])
                break
            if fits_alone is None or fits_alone(i, *key):
                fits_some = True
                if allowed[k]:
                    pairs[key] = (float(first[k]), float(deeper[k]))
        if reason is None and not fits_some:
            reason = "size"
        if (repair.lock is not None and repair.lock.block_id is None) or (
            reason is None and not pairs
        ):
            reason = "locked_out"
        if repair.lock is not None and repair.lock.block_id is not None and not pairs:
            raise InputError(
                f"repair {repair.id} is locked to block {repair.lock.block_id}, where it may not lie "
                f"({_why_not(repair, ids == repair.lock.block_id, masks, left, allowed)})",
                "Lift the lock, or correct the block or the repair.",
            )
        result.pairs.append(dict(sorted(pairs.items())))
        result.reasons.append(reason)
        result.beyond.append(beyond)
    return result


def _why_not(
    repair: Repair, here: Booleans, masks: list[Booleans], left: Booleans, allowed: Booleans
) -> str:
    """What keeps a repair from the block of its lock: the last filter that its best face fails."""
    lock = repair.lock
    assert lock is not None
    if lock.block_id in repair.forbid:
        return "forbidden"
    for mask, name in zip(masks, FILTERS, strict=False):
        here = here & mask
        if not here.any():
            return name
    return (
        "size"
        if not (here & left).any() or (here & left & allowed).any()
        else "the face or the turn of the lock against its bed"
    )


def _bed_mask(repair: Repair, beds: npt.NDArray[np.str_], faces: list[Face]) -> Booleans:
    """Faces on which some turn keeps the bed; a lock's turn counts only later, as a lock."""
    if repair.bed == "any":
        return np.ones(len(faces), dtype=bool)
    return np.isin(beds, ["x", "none"])


def _allowed(
    problem: Problem, i: int, faces: list[tuple[int, int]], ids: npt.NDArray[np.str_]
) -> Booleans:
    """Pairs that the repair's lock and forbidden blocks leave."""
    repair = problem.repairs[i]
    lock = repair.lock
    result = (
        ~np.isin(ids, list(repair.forbid)) if repair.forbid else np.ones(len(faces), dtype=bool)
    )
    if lock is None:
        return result
    for k in np.flatnonzero(result):
        face = problem.blocks[faces[k][0]].faces[faces[k][1]]
        result[k] = (
            ids[k] == lock.block_id
            and lock.face_id in (None, face.id)
            and bool(turns_allowed(repair, face))
        )
    return result
