"""What is drawn of an elevation: its surfaces folded out side by side, and groups of outlines with their sign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
import shapely

from facademap.condition.glossary import FAMILIES, Hatch, family_named, find_term
from facademap.condition.signs import (
    CONDITION_FILL,
    OTHER_SIGN,
    SIGN_OF_TREATMENT,
    letter_with_urgency,
    weight_of_class,
)
from facademap.errors import InputError
from facademap.report.drawing_change import ChangeScale
from facademap.report.drawing_relief import ReliefLayer
from facademap.report.materials import number
from facademap.report.proof_words import (
    accuracy_words,
    control_edge_m,
    disagreement_words,
    disagrees,
    in_inches,
    outside_words,
)
from facademap.report.rows import rows_of
from facademap.tables import is_missing
from facademap.units import format_feet_inches
from facademap.wall.mending import mend_all

__all__ = [
    "DONE_STAGES",
    "TREATMENT_SIGNS",
    "Content",
    "Group",
    "Kind",
    "Panel",
    "elevation_content",
    "fold_out",
]

Kind = Literal["condition", "repair", "as-built", "relief", "change"]

#: Signs of the treatments: colour and hatch, from the book of signs.
TREATMENT_SIGNS: Mapping[str, tuple[str, Hatch]] = {
    name: (sign.colour, sign.hatch) for name, sign in SIGN_OF_TREATMENT.items() if sign.hatch
}
#: Stages in which the new work stands in the wall.
DONE_STAGES = frozenset({"bedded", "sounded", "pointed", "curing", "accepted"})
#: Opacity of the plain fill of new work that stands in the wall.
_FILL_OF_DONE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A surface in the development: what is added to its wall coordinates, its box, and the edge of its control there."""

    surface: str
    name: str
    shift: tuple[float, float]
    box: tuple[float, float, float, float]
    control_edge: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Outlines with one sign.

    Parameters
    ----------
    name, short : str
        Term or treatment, and its abbreviation.
    heading : str
        Family, or what the group belongs to.
    shapes : array of geometries
        In metres of the development.
    labels : sequence of str
    weights_mm : array
        Width of each outline on paper.
    proposed : array of bool
        Which outlines nobody has confirmed yet.
    fill : float
        Opacity of the plain fill under the hatch.
    area_m2, length_m : float
        Net of openings, for the legend.
    ids, classes : sequence of str
        Number of each outline, and its classes or priority in short, for the schedule.
    told : sequence of str
        What the schedule says of each outline in place of the name.
    sizes : sequence of str
        Its size, where it is not that of the shape that is drawn.
    """

    name: str
    short: str
    heading: str
    colour: str
    hatch: Hatch
    shapes: Any
    labels: Sequence[str]
    weights_mm: Any
    proposed: Any
    area_m2: float
    length_m: float
    ids: Sequence[str]
    classes: Sequence[str]
    fill: float = 0.0
    told: Sequence[str] = ()
    sizes: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """All that the sheets of one elevation show."""

    kind: Kind
    elevation: str
    panels: tuple[Panel, ...]
    groups: tuple[Group, ...]
    stones: Any
    openings: Any
    box: tuple[float, float, float, float]
    notes: tuple[str, ...]
    facing_deg: float | None = None
    other_facings_deg: tuple[float, ...] = ()
    inches: bool = False
    relief: ReliefLayer | None = None
    change: ChangeScale | None = None


def _boxes(
    frames: Mapping[str, pd.DataFrame], surfaces: Sequence[Mapping[str, Any]]
) -> dict[str, tuple[float, float, float, float]]:
    """Extent of each surface: its outline, else all that lies on it."""
    found: dict[str, tuple[float, float, float, float]] = {}
    for surface in surfaces:
        shape = surface.get("geometry")
        if shape is not None and not shape.is_empty:
            found[surface["id"]] = shape.bounds
            continue
        bounds = []
        for name in ("wall_stones", "openings", "conditions", "repairs"):
            frame = frames[name]
            rows = frame[frame["surface"] == surface["id"]]
            if len(rows):
                bounds.append(rows.geometry.total_bounds)
        if bounds:
            array = np.array(bounds)
            low, high = np.nanmin(array[:, :2], axis=0), np.nanmax(array[:, 2:], axis=0)
            found[surface["id"]] = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return found


#: Space between panels folded out on the same edge, and how deep two may reach into each other and still only touch.
STACK_GAP_M = 0.3
TOUCH_M = 1e-6


def fold_out(
    surfaces: Sequence[Mapping[str, Any]],
    boxes: Mapping[str, tuple[float, float, float, float]],
    *,
    gap_m: float = 0.0,
) -> tuple[Panel, ...]:
    """Surfaces of an elevation laid in one plane.

    A surface with ``fold`` (``host``, ``edge`` left, right, top or bottom, ``offset_m`` along that edge) is
    folded out beside its host, several on one edge one beyond the other; others stand side by side.
    """
    panels: dict[str, Panel] = {}
    at = 0.0
    waiting = [s for s in surfaces if s["id"] in boxes]
    for surface in list(waiting):
        fold = surface.get("fold")
        if (
            isinstance(fold, Mapping)
            and fold.get("host") in boxes
            and fold.get("host") != surface["id"]
        ):
            continue
        waiting.remove(surface)
        x0, y0, x1, y1 = boxes[surface["id"]]
        dx = 0.0 if not panels else at + 1.0 - x0
        panels[surface["id"]] = Panel(
            surface=surface["id"],
            name=str(surface["name"]),
            shift=(dx, 0.0),
            box=(x0 + dx, y0, x1 + dx, y1),
            control_edge=_shifted_edge(surface, (dx, 0.0)),
        )
        at = x1 + dx
    for _ in range(len(waiting)):
        for surface in list(waiting):
            host = panels.get(surface["fold"]["host"])
            if host is None:
                continue
            waiting.remove(surface)
            x0, y0, x1, y1 = boxes[surface["id"]]
            edge, along = (
                str(surface["fold"].get("edge", "right")),
                number(surface["fold"].get("offset_m")) or 0.0,
            )
            hx0, hy0, hx1, hy1 = host.box
            dx, dy = {
                "left": (hx0 - gap_m - x1, along),
                "right": (hx1 + gap_m - x0, along),
                "top": (along, hy1 + gap_m - y0),
                "bottom": (along, hy0 - gap_m - y1),
            }.get(edge, (hx1 + gap_m - x0, along))
            dx, dy = _beside_others(
                (x0, y0, x1, y1), (dx, dy), edge, [p.box for p in panels.values()]
            )
            panels[surface["id"]] = Panel(
                surface=surface["id"],
                name=str(surface["name"]),
                shift=(dx, dy),
                box=(x0 + dx, y0 + dy, x1 + dx, y1 + dy),
                control_edge=_shifted_edge(surface, (dx, dy)),
            )
    return tuple(panels.values())


def _shifted_edge(
    surface: Mapping[str, Any], shift: tuple[float, float]
) -> tuple[tuple[float, float], ...]:
    return tuple((u + shift[0], v + shift[1]) for u, v in control_edge_m(surface))


def _beside_others(
    box: tuple[float, float, float, float],
    shift: tuple[float, float],
    edge: str,
    taken: Sequence[tuple[float, float, float, float]],
) -> tuple[float, float]:
    """The shift, carried on outwards until the panel covers no other one."""
    dx, dy = shift
    for _ in range(len(taken)):
        x0, y0, x1, y1 = box[0] + dx, box[1] + dy, box[2] + dx, box[3] + dy
        hit = [
            t
            for t in taken
            if x0 < t[2] - TOUCH_M
            and t[0] < x1 - TOUCH_M
            and y0 < t[3] - TOUCH_M
            and t[1] < y1 - TOUCH_M
        ]
        if not hit:
            break
        if edge == "left":
            dx -= x1 - min(t[0] for t in hit) + STACK_GAP_M
        elif edge == "top":
            dy += max(t[3] for t in hit) - y0 + STACK_GAP_M
        elif edge == "bottom":
            dy -= y1 - min(t[1] for t in hit) + STACK_GAP_M
        else:
            dx += max(t[2] for t in hit) - x0 + STACK_GAP_M
    return dx, dy


def _shifted(frame: Any, panels: Mapping[str, Panel]) -> tuple[Any, Any]:
    """Outlines of the rows on these panels, in the development, and which rows they are."""
    if not len(frame):
        return np.empty(0, dtype=object), np.empty(0, dtype=np.intp)
    rows = np.flatnonzero(frame["surface"].isin(list(panels)).to_numpy())
    shapes = np.asarray(frame.geometry.array, dtype=object)[rows]
    keep = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    rows, shapes = rows[keep], shapes[keep]
    shifts = np.array([panels[s].shift for s in frame["surface"].iloc[rows]]).reshape(-1, 2)
    if len(shapes) and np.any(shifts):
        coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
        shapes = shapely.set_coordinates(shapes.copy(), coordinates + shifts[owner])
    return shapes, rows


def elevation_content(
    frames: Mapping[str, pd.DataFrame],
    elevation: str,
    *,
    kind: Kind = "condition",
    inches: bool = False,
) -> Content:
    """Gather what the drawing of an elevation shows.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``elevations, surfaces, wall_stones, openings, conditions, repairs``.
    elevation : str
        Id of the elevation.
    kind : {'condition', 'repair', 'as-built', 'relief', 'change'}
        ``as-built`` shows the repairs that have been done, filled, and the conditions that remain; ``relief`` and
        ``change`` the wall alone, and what was measured is put in by who has it.
    inches : bool
        Whether the notes speak of accuracy in inches.

    Raises
    ------
    InputError
        No such elevation, or nothing of it has an extent.
    """
    found = [e for e in rows_of(frames["elevations"]) if e["id"] == elevation]
    if not found:
        raise InputError(
            f"there is no elevation {elevation!r}", "Choose one of the project's elevations."
        )
    surfaces = [s for s in rows_of(frames["surfaces"]) if s["elevation"] == elevation]
    boxes = _boxes(frames, surfaces)
    panels = fold_out(surfaces, boxes)
    if not panels:
        raise InputError(
            f"elevation {elevation} has no surface with an extent",
            "Draw its outline, its stones or its conditions first.",
        )
    by_id = {p.surface: p for p in panels}
    openings, _ = _shifted(frames["openings"], by_id)
    stones, _ = _shifted(frames["wall_stones"], by_id)
    void = shapely.union_all(mend_all(openings)) if len(openings) else None
    if kind == "condition":
        groups = _condition_groups(frames["conditions"], by_id, void)
    elif kind == "repair":
        groups = _repair_groups(frames["repairs"], by_id, void)
    elif kind in ("relief", "change"):
        groups = ()
    else:
        groups = _as_built_groups(frames, by_id, void)
    corners = np.array([p.box for p in panels])
    box = (
        float(corners[:, 0].min()),
        float(corners[:, 1].min()),
        float(corners[:, 2].max()),
        float(corners[:, 3].max()),
    )
    return Content(
        kind=kind,
        elevation=str(found[0]["name"]),
        panels=panels,
        groups=groups,
        stones=stones,
        openings=openings,
        box=box,
        notes=(
            *_notes([s for s in surfaces if s["id"] in by_id], inches=inches),
            *(_NOTE_OF_MARKS if kind == "condition" else ()),
        ),
        facing_deg=number(found[0]["facing_deg"]),
        other_facings_deg=_facings_beside(frames["elevations"], found[0]),
        inches=inches,
    )


def _facings_beside(elevations: pd.DataFrame, one: Mapping[str, Any]) -> tuple[float, ...]:
    """Where the other elevations of the same building face."""
    others = [
        e for e in rows_of(elevations) if e["id"] != one["id"] and e["building"] == one["building"]
    ]
    return tuple(f for e in others if (f := number(e["facing_deg"])) is not None)


def _net(shapes: Any, void: Any) -> tuple[float, float]:
    kept = shapes
    if void is not None and len(shapes):
        kept = shapes.copy()
        meets = np.flatnonzero(shapely.intersects(shapes, void))
        if len(meets):
            kept[meets] = shapely.difference(mend_all(shapes[meets]), void)
    lines = shapely.get_dimensions(shapes) == 1
    return float(shapely.area(kept).sum()), float(shapely.length(kept)[lines].sum())


def _condition_groups(frame: Any, panels: Mapping[str, Panel], void: Any) -> tuple[Group, ...]:
    shapes, rows = _shifted(frame, panels)
    terms = [str(t) for t in frame["term"].iloc[rows]] if len(rows) else []
    urgency = [number(u) for u in frame["uc"].iloc[rows]] if len(rows) else []
    classes = [number(c) for c in frame["cc"].iloc[rows]] if len(rows) else []
    ids = [str(i) for i in frame["id"].iloc[rows]] if len(rows) else []
    weights = np.array([weight_of_class(c) for c in classes])
    proposed = ((frame["origin"] == "assisted") & frame["confirmed_by"].map(is_missing)).to_numpy(
        dtype=bool
    )[rows]
    order = {f.id: n for n, f in enumerate(FAMILIES)}
    groups = []
    for term in dict.fromkeys(terms):
        chosen = np.flatnonzero(np.array([t == term for t in terms]))
        try:
            word = find_term(term)
            family = family_named(word.family)
            short, colour, hatch, heading, rank = (
                word.abbreviation,
                family.colour,
                word.hatch,
                family.name,
                order[family.id],
            )
        except InputError:
            short, colour, hatch, heading, rank = (
                term[:2].upper(),
                OTHER_SIGN.colour,
                OTHER_SIGN.hatch or Hatch(),
                "Not in the glossary",
                99,
            )
        area, length = _net(shapes[chosen], void)
        groups.append(
            (
                rank,
                short,
                Group(
                    name=term,
                    short=short,
                    heading=heading,
                    colour=colour,
                    hatch=hatch,
                    shapes=shapes[chosen],
                    labels=[
                        f"{_short(ids[k])} {letter_with_urgency(short, urgency[k])}" for k in chosen
                    ],
                    ids=[ids[k] for k in chosen],
                    classes=[
                        " ".join(
                            f"{n}{int(c)}"
                            for n, c in (("CC", classes[k]), ("UC", urgency[k]))
                            if c is not None
                        )
                        for k in chosen
                    ],
                    weights_mm=weights[chosen],
                    proposed=proposed[chosen],
                    fill=CONDITION_FILL,
                    area_m2=area,
                    length_m=length,
                ),
            )
        )
    return tuple(g for _, _, g in sorted(groups, key=lambda g: g[:2]))


def _repair_groups(
    frame: Any,
    panels: Mapping[str, Panel],
    void: Any,
    *,
    heading: str = "Treatment",
    fill: float = 0.0,
) -> tuple[Group, ...]:
    shapes, rows = _shifted(frame, panels)
    records = rows_of(frame.iloc[rows].drop(columns="geometry")) if len(rows) else []
    groups = []
    for treatment, (colour, hatch) in TREATMENT_SIGNS.items():
        chosen = [i for i, r in enumerate(records) if r["treatment"] == treatment]
        if not chosen:
            continue
        weights = np.array([SIGN_OF_TREATMENT[treatment].weight_mm] * len(chosen))
        area, length = _net(shapes[chosen], void)
        groups.append(
            Group(
                name=treatment,
                short="",
                heading=heading,
                colour=colour,
                hatch=hatch,
                shapes=shapes[chosen],
                labels=[_short(str(records[i]["id"])) for i in chosen],
                ids=[str(records[i]["id"]) for i in chosen],
                classes=[str(records[i]["stage"] or "") for i in chosen],
                weights_mm=weights,
                proposed=np.zeros(len(chosen), dtype=bool),
                area_m2=area,
                length_m=length,
                fill=fill,
            )
        )
    return tuple(groups)


def _as_built_groups(
    frames: Mapping[str, pd.DataFrame], panels: Mapping[str, Panel], void: Any
) -> tuple[Group, ...]:
    """Repairs that have been done, filled, and the conditions that remain, with their signs."""
    repairs, conditions = frames["repairs"], frames["conditions"]
    done = repairs[repairs["stage"].isin(DONE_STAGES)]
    answered = {str(c) for names in done["conditions"] for c in names or []}
    remaining = conditions[~conditions["id"].astype(str).isin(answered)]
    left = _condition_groups(remaining, panels, void)
    return (
        *_repair_groups(done, panels, void, heading="Repaired", fill=_FILL_OF_DONE),
        *(replace(g, heading=f"Remains: {g.heading}") for g in left),
    )


def _short(id: str) -> str:
    """A number as it fits on a drawing; the schedule has the whole of it."""
    return id if len(id) <= _LONGEST_LABEL else f"{id[: _LONGEST_LABEL - 1]}…"


_LONGEST_LABEL = 14
_NOTE_OF_MARKS = (
    f"After the letter of a condition: {letter_with_urgency('', 2)} urgency class UC2, "
    f"{letter_with_urgency('', 3)} urgency class UC3.",
)


def _level_of_zero(surface: Mapping[str, Any]) -> float | None:
    """Height in the world of the level v = 0, where the wall is placed and level lines are level there."""
    world = surface.get("world")
    if is_missing(world) or not isinstance(world, Mapping):
        return None
    matrix = np.asarray(world.get("matrix") or [], dtype=float)
    if matrix.shape != (3, 4) or abs(matrix[2, 0]) > _LEVEL:
        return None
    return float(matrix[2, 3])


#: Rise of a level line of the wall, metre by metre, up to which one height tells the level of all of it.
_LEVEL = 0.002


def _notes(surfaces: Sequence[Mapping[str, Any]], *, inches: bool = False) -> tuple[str, ...]:
    """What the drawing is based on and how good it is."""
    notes = []
    for s in surfaces:
        parts = []
        gsd = number(s["gsd_m"])
        if gsd is not None:
            parts += [f"picture {gsd * 1000:.2g} mm a pixel", accuracy_words(s)]
        if (outside := outside_words(s)) is not None:
            parts.append(outside)
        if disagrees(s) and (words := disagreement_words(s)) is not None:
            parts.append(words)
        if not is_missing(s["colour_state"]) and s["colour_state"] != "uncalibrated":
            parts.append(f"colours by {s['colour_state']}")
        if parts:
            said = f"{s['name']}: {', '.join(parts)}."
            notes.append(in_inches(said) if inches else said)
        if (level := _level_of_zero(s)) is not None:
            told = format_feet_inches(level) if inches else f"{level:.3f} m"
            notes.append(f"{s['name']}: level v = 0 lies at {told} in the heights of the survey.")
    notes.append("Seen square on, from outside. Areas net of openings, of the whole elevation.")
    notes.append(
        "Check the scale bar before measuring from a print. Survey drawing, no proof of safety: loose stone is to be reported at once."
    )
    return tuple(notes)
