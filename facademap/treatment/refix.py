"""A loose piece of the stone itself, put back where it was: rods, lime, and no new stone."""

from __future__ import annotations

import math

import numpy as np
import shapely

from facademap.salvage.densities import density_of
from facademap.treatment.case import Case
from facademap.treatment.job import Figure, Job, Place, Product, sentences, worked_out

__all__ = ["design_refix", "rod_places"]


def rod_places(
    shape: shapely.Geometry, *, spacing_m: float, edge_m: float
) -> list[tuple[float, float]]:
    """Two rods or more along the longer middle line of a piece, no further apart than allowed and clear of its edges.

    Returns
    -------
    list of (u_m, v_m)
        Empty where the piece is too small for two rods at that distance from its edge.
    """
    inner = shape.buffer(-edge_m)
    if inner.is_empty:
        return []
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(inner))
    if len(box) < 4:
        return []
    a, b = (box[0] + box[1]) / 2, (box[2] + box[3]) / 2
    c, d = (box[1] + box[2]) / 2, (box[3] + box[0]) / 2
    start, end = (a, b) if np.hypot(*(b - a)) >= np.hypot(*(d - c)) else (c, d)
    middle = shapely.intersection(shapely.LineString([start, end]), inner)
    parts = [p for p in shapely.get_parts(middle) if p.geom_type == "LineString"]
    if not parts:
        return []
    line = max(parts, key=lambda p: p.length)
    if line.length < 2 * edge_m:
        return []
    count = max(2, math.ceil(line.length / spacing_m - 1e-9) + 1)
    return [
        (p.x, p.y) for p in (line.interpolate(s, normalized=True) for s in np.linspace(0, 1, count))
    ]


def design_refix(case: Case) -> Job:
    """A loose or fallen piece re-fixed.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Held where its thickness is not known, where it is too thin or small for rods, or too heavy without an engineer.
    """
    s, area, depth = case.settings, case.area_m2(), case.greatest("depth_m")
    figures: list[Figure] = [
        worked_out("area of the piece", area, "area", "outlines of the conditions")
    ]
    products: list[Product] = []
    places: list[tuple[float, float]] = []
    holds: list[str] = []
    if depth is None:
        holds.append(
            "Its thickness is not known: measure it, and enter the depth of the condition."
        )
    else:
        density = density_of(
            case.rock or None, None if case.stone is None else case.stone.get("kind")
        )
        heavy = area * depth * density.high_kg_per_m3 * (1 + density.absorption)
        rod = s.rod_heavy_m if heavy >= s.heavy_kg else s.rod_m
        into = depth - s.cover_m
        figures += [
            case.told("depth_m", "thickness", "depth"),
            worked_out("weight, wet, at most", heavy, "mass", "area x thickness x density, wet"),
        ]
        if into < s.into_piece_minimum_m:
            holds.append(
                f"{case.say(depth, 'depth')} is too thin for a rod with its cover: grout it, net it, or take it down and keep it."
            )
        else:
            edge = max(s.edge_distance_m, s.edge_distance_rods * rod)
            places = (
                []
                if case.shape is None
                else rod_places(case.shape, spacing_m=s.pin_spacing_maximum_m, edge_m=edge)
            )
            if not places:
                holds.append(
                    "Too small for two rods clear of its edges: grout it, net it, or take it down and keep it."
                )
            embedded = max(s.embedment_m, s.embedment_rods * rod)
            figures += [
                worked_out(
                    "rods", float(len(places)), "count", "by spacing and edge of the profile"
                ),
                worked_out("rod", rod, "width", "profile, by weight"),
                worked_out("rod in the wall", embedded, "depth", "profile"),
                worked_out("rod in the piece", into, "depth", "thickness less cover"),
                worked_out("hole", rod + s.hole_clearance_m, "width", "rod and clearance"),
            ]
            hole = math.pi / 4 * ((rod + s.hole_clearance_m) ** 2 - rod**2) * (embedded + into)
            products += [
                Product(
                    name="threaded stainless rod 1.4401 (A4)",
                    amount=len(places) * (embedded + into),
                    kind="length",
                    purpose=f"{len(places)} pieces",
                ),
                Product(
                    name="lime grout",
                    amount=(len(places) * hole + area * s.bedding_m) * (1 + s.waste),
                    kind="volume",
                    purpose="holes less rods, and the bed, with waste",
                ),
            ]
        if heavy >= s.engineer_kg:
            holds.append(
                f"{case.say(heavy, 'mass')}: an engineer looks at the fixing before it is put back."
            )
    return Job(
        repair=case.name,
        treatment="re-fix",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Put back on rods in lime" if places else "Put back",
        why="The piece is the stone itself, with its face and tooling: nothing new matches it better.",
        removes="Takes out no original stone but the drill holes; the piece goes back where it broke.",
        figures=tuple(figures),
        products=tuple(products),
        places=tuple(
            Place(name=f"rod {n}", u_m=u, v_m=v) for n, (u, v) in enumerate(places, start=1)
        ),
        tools=(
            "tags and padded boxes; straps and wedges of wood",
            "drill without hammer, in a guide; extractor",
            "spray bottle, grout gun, soft mallet",
        ),
        never=(
            "No resin over the whole bed: it shuts the stone, and it never comes off again.",
            "No hammer drill; no rod through the face where it can come from behind; nothing forced to close.",
        ),
        steps=(
            "Hold it before anything else: strap or wedge; people away below.",
            "Mark it with stone and place; photograph; lift it off along the break; keep every crumb.",
            "Brush both sides of the break; no cutting: the broken faces find each other.",
            "Try it dry; drill through a guide; try it on its rods; it must come off again.",
            "Wet both sides; rods in grout; a thin coat of lime; press home; wedge until it has set.",
            "Point the line of the break; cover and keep damp; sound after the cure.",
        ),
        criteria=(
            "Rings solid; stands in line with its neighbours; the break can be seen from near and not from the street.",
        ),
        cautions=sentences(
            case.repair.get("cautions") or (),
            "Loose stone may fall at any moment: work from the side, from a stand that was passed, with nobody below.",
        ),
        holds=tuple(holds),
    )
