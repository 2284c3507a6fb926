"""Wall stones as a mason meets them: an outline that can be cut to, neighbours across the joints, exposed sides."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import LineString, Polygon, box

from facademap.repair.moulding import read_profile_line
from facademap.repair.offsets import clean_ring
from facademap.repair.rows import rows_of
from facademap.repair.settings import Settings
from facademap.tables import is_missing, text_of
from facademap.values import frozen_value
from facademap.wall.mending import mend

__all__ = ["Edge", "EdgeKind", "Side", "Stone", "Stonework", "side_of"]

EdgeKind = Literal["inset", "joint", "exposed"]
Side = Literal["left", "right", "top", "bottom"]

#: A corner nearer than this to the outline of the stone lies on it.
_ON_OUTLINE_M = 1e-6
#: Outlines nearer than this touch: they were drawn without the joint.
_TOUCHING_M = 0.0005
#: Edges shorter than this make an outline ragged: it is smoothed inwards before a mason sets out on it.
_RAGGED_EDGE_M = 0.015
_SMOOTHING_M = (0.001, 0.002, 0.004, 0.008, 0.012)


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Stone:
    """One wall stone; ``outline`` is a clean polygon inside ``drawn``."""

    id: str
    surface: str
    outline: Polygon
    drawn: Polygon
    depth_m: float | None
    exposed: frozenset[str]
    part: str
    bed: str
    finish: str
    stone_type: str
    kind: str
    profile: np.ndarray | None = None

    @property
    def area_m2(self) -> float:
        """Face area as drawn."""
        return float(self.drawn.area)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """One edge of a cut-out: what it is and the joint that stays open along it."""

    kind: EdgeKind
    joint_m: float
    reach_m: float = 0.0
    note: str = ""


@dataclass(slots=True)
class Stonework:
    """The stones and openings of all surfaces, with an index of places.

    Make it with :meth:`from_frames` once and use it for every repair.
    """

    stones: dict[str, Stone]
    openings: dict[str, list[Any]]
    gaps: list[tuple[str, str]] = field(default_factory=list)
    _trees: dict[str, tuple[shapely.STRtree, list[str]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        by_surface: dict[str, list[str]] = {}
        for stone in self.stones.values():
            by_surface.setdefault(stone.surface, []).append(stone.id)
        self._trees = {
            s: (shapely.STRtree([self.stones[i].drawn for i in ids]), ids)
            for s, ids in by_surface.items()
        }

    @classmethod
    def from_frames(
        cls,
        wall_stones: gpd.GeoDataFrame,
        openings: gpd.GeoDataFrame,
        *,
        profiles: Mapping[str, Sequence[Sequence[float]]] | None = None,
    ) -> Stonework:
        """Read the tables; stones without a usable outline are named in ``gaps`` and left out.

        Parameters
        ----------
        wall_stones, openings : GeoDataFrame
            Rows of these tables.
        profiles : mapping, optional
            Profile line (out_m, v_m) of moulded stones, by id of the wall stone or by part of the building.
        """
        lines = {
            k: read_profile_line(v, where=f"profile of {k}") for k, v in (profiles or {}).items()
        }
        stones: dict[str, Stone] = {}
        gaps: list[tuple[str, str]] = []
        shapes = list(wall_stones.geometry) if len(wall_stones) else []
        for row, shape in zip(
            rows_of(wall_stones.drop(columns=wall_stones.geometry.name)), shapes, strict=True
        ):
            name = str(row["id"])
            drawn = _single_polygon(shape)
            if drawn is None:
                gaps.append((name, "The wall stone has no outline: draw it, and plan again."))
                continue
            stones[name] = Stone(
                id=name,
                surface=str(row["surface"]),
                drawn=drawn,
                outline=_working_outline(drawn),
                depth_m=None
                if is_missing(row.get("depth_m")) or row["depth_m"] <= 0
                else float(row["depth_m"]),
                exposed=frozenset(
                    w.strip() for w in _text(row, "exposed", "front").split(",") if w.strip()
                ),
                part=_text(row, "part", "walling"),
                bed=_text(row, "bed", "unknown"),
                finish=_text(row, "finish", ""),
                stone_type=_text(row, "stone_type", ""),
                kind=_text(row, "kind", "unknown"),
                profile=lines.get(name, lines.get(_text(row, "part", "walling"))),
            )
        holes: dict[str, list[Any]] = {}
        if len(openings):
            for surface, shape in zip(openings["surface"], openings.geometry, strict=True):
                if shape is not None and not shape.is_empty:
                    holes.setdefault(str(surface), []).append(shape)
        return cls(stones=stones, openings=holes, gaps=gaps)

    def near(self, surface: str, shape: Any) -> list[Stone]:
        """Stones of the surface that the shape meets."""
        if surface not in self._trees:
            return []
        tree, ids = self._trees[surface]
        return [self.stones[ids[i]] for i in sorted(tree.query(shape, predicate="intersects"))]

    def edge(
        self, a: Sequence[float], b: Sequence[float], *, stone: Stone, settings: Settings
    ) -> Edge:
        """What an edge from ``a`` to ``b`` (counter-clockwise outline) of a cut-out in ``stone`` is.

        Returns
        -------
        Edge
            ``inset`` inside the stone with the inset joint; ``joint`` on the outline with the width measured
            to the stone across it, ``reach_m`` being how far the cut-out goes through the mortar to that
            stone; ``exposed`` at a quoin, reveal or opening, without joint.
        """
        middle = shapely.points((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
        ends = shapely.points(np.array([a, b], dtype=float))
        border = stone.outline.exterior
        if (
            max(
                float(shapely.distance(border, middle)), *map(float, shapely.distance(border, ends))
            )
            > _ON_OUTLINE_M
        ):
            return Edge(kind="inset", joint_m=settings.joint_m)
        if side_of(a, b) in stone.exposed:
            return Edge(kind="exposed", joint_m=0.0)
        line, strip = _facing_strip(a, b, settings.joint_search_m)
        across = [other.drawn for other in self.near(stone.surface, strip) if other.id != stone.id]
        gaps = self._gaps(line, strip, across)
        hole = self._gaps(line, strip, self.openings.get(stone.surface, ()))
        if hole and (not gaps or min(hole) <= min(gaps)):
            return Edge(kind="exposed", joint_m=0.0)
        if not gaps:
            return Edge(
                kind="joint",
                joint_m=settings.joint_existing_m,
                reach_m=settings.joint_existing_m,
                note="no stone was found across this joint, so its width is taken from the profile",
            )
        width = min(gaps)
        if width < _TOUCHING_M:
            return Edge(
                kind="joint",
                joint_m=settings.joint_existing_m,
                reach_m=0.0,
                note="the outlines of the two stones touch, so the joint width is taken from the profile",
            )
        return Edge(kind="joint", joint_m=width, reach_m=width)

    @staticmethod
    def _gaps(line: LineString, strip: Polygon, others: Iterable[Any]) -> list[float]:
        """Distance to each shape that stands in front of the edge."""
        found = []
        for other in others:
            facing = (
                shapely.intersection(strip, other) if shapely.intersects(strip, other) else None
            )
            if facing is not None and facing.area >= 1e-9:
                found.append(float(shapely.distance(line, facing)))
        return found


def side_of(a: Sequence[float], b: Sequence[float]) -> Side:
    """The side that an edge of a counter-clockwise outline looks to."""
    out_u, out_v = b[1] - a[1], a[0] - b[0]
    if abs(out_u) >= abs(out_v):
        return "right" if out_u > 0 else "left"
    return "top" if out_v > 0 else "bottom"


def _facing_strip(
    a: Sequence[float], b: Sequence[float], reach_m: float
) -> tuple[LineString, Polygon]:
    """The edge, and the ground in front of it; the ends are left out, where stones round the corner stand."""
    start, end = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    along = end - start
    length = float(np.hypot(*along))
    along = along / length
    cut = min(0.02 * length, 0.001)
    start, end = start + along * cut, end - along * cut
    out = np.array([along[1], -along[0]]) * reach_m
    return LineString([start, end]), Polygon([start, start + out, end + out, end])


def _text(row: dict[str, Any], name: str, default: str) -> str:
    return text_of(row.get(name), default)


def _single_polygon(shape: Any) -> Polygon | None:
    if shape is None or shape.is_empty:
        return None
    if not shape.is_valid:
        shape = mend(shape, name="wall stone")
    parts: Iterable[Any] = [
        p for p in shapely.get_parts(shape, return_index=False) if p.geom_type == "Polygon"
    ]
    best = max(parts, key=lambda p: p.area, default=None)
    return None if best is None or best.area <= 0 else Polygon(best.exterior)


def _working_outline(drawn: Polygon) -> Polygon:
    """An outline inside the drawn one without ragged edges; a rectangle inside it where nothing else serves."""
    ring = clean_ring(drawn)
    if not _ragged(ring):
        return Polygon(ring)
    for step in _SMOOTHING_M:
        inner = drawn.buffer(-step, join_style="mitre").simplify(step)
        if inner.geom_type == "Polygon" and not inner.is_empty and drawn.covers(inner):
            ring = clean_ring(Polygon(inner.exterior))
            if not _ragged(ring):
                return Polygon(ring)
    u0, v0, u1, v1 = drawn.bounds
    centre = shapely.point_on_surface(drawn) if not drawn.covers(drawn.centroid) else drawn.centroid
    low, high = 0.0, 1.0
    for _ in range(20):
        share = (low + high) / 2
        trial = box(
            centre.x + (u0 - centre.x) * share,
            centre.y + (v0 - centre.y) * share,
            centre.x + (u1 - centre.x) * share,
            centre.y + (v1 - centre.y) * share,
        )
        low, high = (share, high) if drawn.covers(trial) else (low, share)
    share = max(low, 1e-3)
    return box(
        centre.x + (u0 - centre.x) * share,
        centre.y + (v0 - centre.y) * share,
        centre.x + (u1 - centre.x) * share,
        centre.y + (v1 - centre.y) * share,
    )


def _ragged(ring: np.ndarray) -> bool:
    edges = np.roll(ring, -1, axis=0) - ring
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    return bool(len(ring) > 16 or lengths.min() < min(_RAGGED_EDGE_M, 0.25 * lengths.max()))
