"""Setting out the cut-outs in one wall stone: square, to sound stone, on to the joint rather than leaving a sliver."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from facademap.repair.moulding import cut_levels
from facademap.repair.settings import Settings
from facademap.repair.stonework import Stone

__all__ = ["LEDGES", "CutOut", "Need", "damage_in", "depth_of_cut", "set_out", "whole_stone"]

#: Parts that hold water and frost on a ledge.
LEDGES = frozenset({"sill", "string course", "cornice", "coping", "plinth"})
_SLABS = 12
_EPSILON_M = 1e-7
#: A strip that misses the setting by less than this keeps it: rounding must not decide.
_TIE_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Damage in one stone that has to be cut out."""

    condition: str
    shape: Any
    depth_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOut:
    """One cut-out inside one stone; ``outline`` stays within the stone's outline."""

    outline: Polygon
    conditions: tuple[str, ...]
    depth_m: float
    whole: bool = False
    l_shape: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Rect:
    u0: float
    v0: float
    u1: float
    v1: float

    @property
    def area(self) -> float:
        return (self.u1 - self.u0) * (self.v1 - self.v0)

    def joined(self, other: _Rect) -> _Rect:
        return _Rect(
            min(self.u0, other.u0),
            min(self.v0, other.v0),
            max(self.u1, other.u1),
            max(self.v1, other.v1),
        )

    def apart(self, other: _Rect) -> float:
        """Width of the stone between them (Chebyshev); negative when they overlap."""
        return max(self.u0 - other.u1, other.u0 - self.u1, self.v0 - other.v1, other.v0 - self.v1)


def set_out(stone: Stone, needs: Sequence[Need], *, settings: Settings) -> list[CutOut]:
    """The cut-outs of one stone for the damage in it.

    Parameters
    ----------
    stone : Stone
        The wall stone.
    needs : sequence of Need
        Damage, clipped to the stone or reaching beyond it.
    settings : Settings
        Margins, least sizes and shares.

    Returns
    -------
    list of CutOut
        Each covers its damage grown by the margin (as far as the stone goes), has sides parallel to bed and
        perpends except along the stone's own outline, and leaves no strip narrower than the setting beside it.
        One that covers the whole outline has ``whole`` set.
    """
    inside = [(n, damage_in(stone, n.shape, settings=settings)) for n in needs]
    inside = [(n, s) for n, s in inside if s is not None]
    if not inside:
        return []
    m = settings.margin_m
    groups = []
    for k, (_, part) in enumerate(inside):
        u0, v0, u1, v1 = part.bounds
        groups.append(
            (
                _extended(
                    _grown(_Rect(u0 - m, v0 - m, u1 + m, v1 + m), stone, settings), stone, settings
                ),
                [k],
            )
        )
    groups = _merged(groups, stone, settings)
    cut_outs = []
    for rect, members in groups:
        outline, is_l = _outline(
            rect, [_with_margin(inside[k][1], stone, settings) for k in members], stone, settings
        )
        if outline is None:
            return [whole_stone(stone, [n for n, _ in inside], settings=settings)]
        depth, notes = depth_of_cut(
            [inside[k][0] for k in members], part=stone.part, settings=settings
        )
        names = tuple(dict.fromkeys(inside[k][0].condition for k in members))
        cut_outs.append(
            CutOut(outline=outline, conditions=names, depth_m=depth, l_shape=is_l, notes=notes)
        )
    return [
        _through_return(c, stone, settings)
        for c in _whole_if_due(cut_outs, [n for n, _ in inside], stone, settings)
    ]


def depth_of_cut(
    needs: Sequence[Need], *, part: str, settings: Settings
) -> tuple[float, tuple[str, ...]]:
    """One even depth for a cut-out: below the deepest damage plus the margin, never less than the least depth."""
    least = settings.depth_minimum_exposed_m if part in LEDGES else settings.depth_minimum_m
    known = [n.depth_m for n in needs if n.depth_m is not None]
    unknown = [n.condition for n in needs if n.depth_m is None]
    depth = max([least, *(d + settings.margin_depth_m for d in known)])
    notes: tuple[str, ...] = ()
    if unknown:
        notes = (
            f"Depth of {', '.join(dict.fromkeys(unknown))} was not measured: the least depth is taken; measure it.",
        )
    return _round_up(depth, settings.depth_step_m), notes


def _round_up(value: float, step: float) -> float:
    return round(math.ceil(value / step - 1e-9) * step, 9) if step > 0 else value


def damage_in(stone: Stone, shape: Any, *, settings: Settings) -> Any:
    """The damage within the stone; nothing where it was only drawn a little over the joint."""
    part = shapely.intersection(shape, stone.outline)
    if part.is_empty:
        return None
    if shape.area > 0 and not stone.outline.covers(shape):
        part = shapely.union_all([p for p in shapely.get_parts(part) if p.geom_type == "Polygon"])
        u0, v0, u1, v1 = part.bounds if not part.is_empty else (0.0, 0.0, 0.0, 0.0)
        if min(u1 - u0, v1 - v0) < settings.overdrawn_m:
            return None
    return part


def _with_margin(part: Any, stone: Stone, settings: Settings) -> Any:
    """The damage grown by the margin, within the stone."""
    # an octagon outside the round buffer, so that what it covers holds the whole margin
    grown = part.buffer(settings.margin_m / math.cos(math.pi / 8), quad_segs=2)
    return shapely.intersection(grown, stone.outline)


def _grown(rect: _Rect, stone: Stone, settings: Settings) -> _Rect:
    """Rounded outwards and at least as large as an inset worth making, within the stone's bounds."""
    u0, v0, u1, v1 = stone.outline.bounds
    step = settings.set_out_step_m
    low = [math.floor(x / step + 1e-9) * step if step else x for x in (rect.u0, rect.v0)]
    high = [math.ceil(x / step - 1e-9) * step if step else x for x in (rect.u1, rect.v1)]
    low, high = [max(low[0], u0), max(low[1], v0)], [min(high[0], u1), min(high[1], v1)]
    sides = []
    for a, b, lower, upper in ((low[0], high[0], u0, u1), (low[1], high[1], v0, v1)):
        short = settings.size_minimum_m - (b - a)
        if short > 0:
            a, b = a - short / 2, b + short / 2
            shift = max(lower - a, 0.0) + min(upper - b, 0.0)
            a, b = a + shift, b + shift
        sides.append((max(a, lower), min(b, upper)))
    if stone.profile is not None:
        sides[1] = _to_quirks(sides[1], stone.profile, settings)
    return _Rect(sides[0][0], sides[1][0], sides[0][1], sides[1][1])


def _to_quirks(
    levels: tuple[float, float], profile: np.ndarray, settings: Settings
) -> tuple[float, float]:
    """Upper and lower edge on to the next quirk or arris of a moulding, where one is near: the joint hides there."""
    low, high = levels
    quirks = cut_levels(profile)
    below = [q for q in quirks if low - settings.strip_minimum_m <= q < low]
    above = [q for q in quirks if high < q <= high + settings.strip_minimum_m]
    return (max(below) if below else low, min(above) if above else high)


def _crossings(ring: np.ndarray, level: float, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """Where the outline crosses a line at ``level`` (axis 0: the horizontal line v = level, 1: the vertical one), and
    whether it does so rather across than along.
    """
    other = 1 - axis
    a, b = ring, np.roll(ring, -1, axis=0)
    below, above = np.minimum(a[:, other], b[:, other]), np.maximum(a[:, other], b[:, other])
    hit = (below <= level) & (level < above)
    t = (level - a[hit, other]) / (b[hit, other] - a[hit, other])
    step = np.abs(b[hit] - a[hit])
    return a[hit, axis] + t * (b[hit, axis] - a[hit, axis]), step[:, other] >= step[:, axis]


def _extended(rect: _Rect, stone: Stone, settings: Settings) -> _Rect:
    """Every side on to the joint where the strip left beside it would be too narrow."""
    values = [rect.u0, rect.v0, rect.u1, rect.v1]
    bounds = stone.outline.bounds
    if math.isclose(
        stone.outline.area, (bounds[2] - bounds[0]) * (bounds[3] - bounds[1]), abs_tol=1e-10
    ):
        # a stone that is square to the axes, as most are: its strips are as wide at one end as at the other
        near = [
            abs(b - v) < settings.strip_minimum_m - _TIE_M
            for b, v in zip(bounds, values, strict=True)
        ]
        return _Rect(*(b if n else v for b, v, n in zip(bounds, values, near, strict=True)))
    ring = np.asarray(stone.outline.exterior.coords)[:-1]
    for _ in range(8):
        before = list(values)
        for side in range(4):
            axis, sign = side % 2, -1.0 if side < 2 else 1.0
            low, high = values[1 - axis], values[3 - axis]
            corners = ring[(ring[:, 1 - axis] > low) & (ring[:, 1 - axis] < high), 1 - axis]
            inset = min(1e-6, (high - low) / 4)
            # widths change linearly between the corners and the places where the side itself leaves the stone
            leaves, _ = _crossings(ring, values[side], 1 - axis)
            leaves = leaves[(leaves > low) & (leaves < high)]
            levels = np.unique(
                np.concatenate(
                    [
                        [low + inset, high - inset, (low + high) / 2],
                        corners - 1e-9,
                        corners + 1e-9,
                        leaves - 1e-7,
                        leaves + 1e-7,
                    ]
                )
            )
            strips, ends = [], []
            for level in levels:
                where, facing = _crossings(ring, float(level), axis)
                beyond = sign * (where - values[side])
                ahead = beyond > -_EPSILON_M
                # an odd number of crossings ahead: this point of the side lies in the stone; the flat of a bed that
                # only just passes the level is no end of a strip
                if ahead.sum() % 2 and facing[ahead][beyond[ahead].argmin()]:
                    strips.append(float(beyond[ahead].min()))
                    ends.append(float(beyond[ahead].min()))
            real = [s for s in strips if s > _EPSILON_M]
            if real and min(strips) < settings.strip_minimum_m - _TIE_M:
                values[side] += sign * max(ends)
        if values == before:
            break
    return _Rect(*values)


def _merged(
    groups: list[tuple[_Rect, list[int]]], stone: Stone, settings: Settings
) -> list[tuple[_Rect, list[int]]]:
    """Neighbours with too narrow a strip between them become one; then the nearest, until there are few enough."""
    groups = list(groups)
    while len(groups) > 1:
        pairs = [
            (groups[i][0].apart(groups[j][0]), i, j)
            for i in range(len(groups))
            for j in range(i + 1, len(groups))
        ]
        apart, i, j = min(pairs)
        if apart >= settings.strip_minimum_m - _TIE_M:
            if len(groups) <= settings.insets_a_stone:
                break
            _, i, j = min(
                (
                    groups[i][0].joined(groups[j][0]).area - groups[i][0].area - groups[j][0].area,
                    i,
                    j,
                )
                for _, i, j in pairs
            )
        joined = _extended(groups[i][0].joined(groups[j][0]), stone, settings)
        groups = [g for k, g in enumerate(groups) if k not in (i, j)] + [
            (joined, groups[i][1] + groups[j][1])
        ]
    return sorted(groups, key=lambda g: (g[0].u0, g[0].v0))


def _outline(
    rect: _Rect, shapes: Sequence[Any], stone: Stone, settings: Settings
) -> tuple[Polygon | None, bool]:
    """The outline within the stone, L-shaped where a rectangle would waste much sound stone."""
    full = box(rect.u0, rect.v0, rect.u1, rect.v1)
    cut = shapely.intersection(full, stone.outline)
    if cut.geom_type != "Polygon" or cut.is_empty or len(cut.interiors):
        return None, False
    need = shapely.unary_union(list(shapes))
    if 1.0 - need.area / cut.area > settings.l_shape_waste:
        notch = _best_notch(rect, need, stone, settings)
        if (
            notch is not None
            and shapely.intersection(notch, stone.outline).area >= settings.l_shape_saving_m2
        ):
            ell = shapely.difference(cut, notch)
            if ell.geom_type == "Polygon" and not len(ell.interiors):
                return ell, True
    return cut, False


def _best_notch(rect: _Rect, need: Any, stone: Stone, settings: Settings) -> Polygon | None:
    """The largest corner of the rectangle that can stay, or ``None``.

    The corner must be joined to the rest of the stone (one of its outer sides not on a joint), be no narrower
    than the least strip, and leave both arms of the L wide enough to seat.
    """
    edges = np.linspace(rect.u0, rect.u1, _SLABS + 1)
    # damage that only touches a slab counts in it, however rounding falls
    slabs = [
        shapely.intersection(need, box(a - _TIE_M, rect.v0 - 1, b + _TIE_M, rect.v1 + 1))
        for a, b in pairwise(edges)
    ]
    tops = [s.bounds[3] if not s.is_empty else -math.inf for s in slabs]
    bottoms = [s.bounds[1] if not s.is_empty else math.inf for s in slabs]
    width, height, strip, arm = (
        rect.u1 - rect.u0,
        rect.v1 - rect.v0,
        settings.strip_minimum_m,
        settings.arm_minimum_m,
    )
    bounds = stone.outline.bounds
    open_side = {
        "left": rect.u0 > bounds[0] + strip / 2,
        "right": rect.u1 < bounds[2] - strip / 2,
        "bottom": rect.v0 > bounds[1] + strip / 2,
        "top": rect.v1 < bounds[3] - strip / 2,
    }
    best: tuple[float, Polygon] | None = None
    for horizontal, vertical in (
        ("left", "top"),
        ("right", "top"),
        ("left", "bottom"),
        ("right", "bottom"),
    ):
        if not (open_side[horizontal] or open_side[vertical]):
            continue
        for count in range(1, _SLABS):
            a = width * count / _SLABS
            these = slice(0, count) if horizontal == "left" else slice(_SLABS - count, _SLABS)
            b = (
                rect.v1 - max([*tops[these], rect.v0])
                if vertical == "top"
                else min([*bottoms[these], rect.v1]) - rect.v0
            )
            a, b = (
                _round_down(min(a, width - arm), settings),
                _round_down(min(b, height - arm), settings),
            )
            if min(a, b) < strip - _TIE_M or (best and a * b <= best[0] * (1.0 + 1e-9)):
                continue
            u = (rect.u0, rect.u0 + a) if horizontal == "left" else (rect.u1 - a, rect.u1)
            v = (rect.v1 - b, rect.v1) if vertical == "top" else (rect.v0, rect.v0 + b)
            best = (a * b, box(u[0], v[0], u[1], v[1]))
    return best[1] if best else None


def _round_down(value: float, settings: Settings) -> float:
    step = settings.set_out_step_m
    return math.floor(value / step + 1e-9) * step if step else value


def _through_return(cut: CutOut, stone: Stone, settings: Settings) -> CutOut:
    """At a quoin or reveal the sliver rule holds on the return too: no thin strip is left behind the cut-out."""
    if cut.whole or stone.depth_m is None:
        return cut
    u0, v0, u1, v1 = stone.outline.bounds
    a0, b0, a1, b1 = cut.outline.bounds
    touches = {"left": a0 - u0, "right": u1 - a1, "bottom": b0 - v0, "top": v1 - b1}
    shown = [
        s for s, d in touches.items() if d < settings.strip_minimum_m / 2 and s in stone.exposed
    ]
    behind = stone.depth_m - cut.depth_m
    if not shown or behind >= settings.strip_minimum_m - _TIE_M or behind <= 0:
        return cut
    note = (
        f"On the {' and '.join(shown)} return only {behind * 1000:.0f} mm of stone would stay behind the piece: cut through to the "
        "back of the stone."
    )
    return replace(cut, depth_m=stone.depth_m, notes=(*cut.notes, note))


def whole_stone(stone: Stone, needs: Sequence[Need], *, settings: Settings) -> CutOut:
    """The cut-out of the whole stone to its bed depth."""
    names = tuple(dict.fromkeys(n.condition for n in needs))
    depth = stone.depth_m if stone.depth_m is not None else settings.whole_depth_unknown_m
    notes = (
        ()
        if stone.depth_m is not None
        else (
            f"Bed depth of stone {stone.id} is not known: taken from the profile; open up before a stone is cut for it.",
        )
    )
    return CutOut(outline=stone.outline, conditions=names, depth_m=depth, whole=True, notes=notes)


def _whole_if_due(
    cut_outs: list[CutOut], needs: Sequence[Need], stone: Stone, settings: Settings
) -> list[CutOut]:
    area = stone.outline.area
    share = sum(c.outline.area for c in cut_outs) / area
    if share > settings.whole_share:
        whole = whole_stone(stone, needs, settings=settings)
        return [
            replace(
                whole,
                notes=(
                    *whole.notes,
                    f"Insets would take {share:.0%} of the face: the whole stone is replaced.",
                ),
            )
        ]
    if stone.depth_m is not None:
        limit = settings.whole_depth_share * stone.depth_m
        deep_ones = {n.condition for n in needs if n.depth_m is not None and n.depth_m > limit}
        deep = sum(c.outline.area for c in cut_outs if deep_ones.intersection(c.conditions)) / area
        through = [c for c in cut_outs if c.depth_m >= stone.depth_m]
        if through or (deep > settings.whole_depth_face):
            return [
                replace(
                    whole_stone(stone, needs, settings=settings),
                    notes=(
                        "The damage goes so deep into the bed that the whole stone is replaced.",
                    ),
                )
            ]
    return cut_outs
