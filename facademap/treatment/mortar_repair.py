"""Mortar repair: whether it may be one, its layers, edges and armature, and when an inset is better."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from facademap.repair.mixes import batch
from facademap.treatment.case import Case, chosen_mix, strength_doubt
from facademap.treatment.job import (
    OF_MIX,
    Figure,
    Job,
    Place,
    Product,
    figure,
    sentences,
    worked_out,
)
from facademap.treatment.trials import trial_of

__all__ = ["armature_places", "better_as_inset", "design_mortar_repair", "layers_of"]

#: Parts whose edges take knocks, water or load: a patch there comes off (common practice).
_EDGES = frozenset(
    {"sill", "coping", "cornice", "string course", "quoin", "voussoir", "lintel", "step"}
)


def better_as_inset(case: Case) -> tuple[str, ...]:
    """Why a piece of stone is better than a patch here; empty where a patch may stand.

    The limits of size and depth, and that edges and load are no place for a patch, are common practice.
    """
    values, area, depth = case.values, case.area_m2(), case.greatest("depth_m")
    return sentences(
        f"{case.say(area, 'area')} is more than {case.say(values['mortar.area_maximum'], 'area')}: large patches shrink from their edges and show."
        if area > values["mortar.area_maximum"]
        else "",
        f"{case.say(depth, 'depth')} is deeper than {case.say(values['mortar.depth_maximum'], 'depth')}: stone is the sounder body."
        if depth is not None and depth > values["mortar.depth_maximum"]
        else "",
        f"A {case.part} sheds water, takes knocks or carries load: a patch comes off there."
        if case.part in _EDGES
        else "",
    )


def layers_of(depth_m: float, layer_m: float) -> tuple[float, ...]:
    """Thickness of each layer from the back, all alike and none above ``layer_m``.

    Examples
    --------
    >>> [round(t, 4) for t in layers_of(0.035, 0.015)]
    [0.0117, 0.0117, 0.0117]
    """
    count = max(math.ceil(depth_m / layer_m - 1e-9), 1)
    return (depth_m / count,) * count


def armature_places(shape: Any, *, spacing_m: float, edge_m: float) -> list[Place]:
    """Screws for the wire of an armature on a square grid within the patch.

    Parameters
    ----------
    shape : Polygon
        Metres.
    spacing_m : float
        Of the grid.
    edge_m : float
        Least distance from the edge of the patch.
    """
    room = shape.buffer(-edge_m)
    if room.is_empty:
        return []
    u0, v0, u1, v1 = room.bounds
    nu, nv = (max(int((b - a) // spacing_m), 0) + 1 for a, b in ((u0, u1), (v0, v1)))
    us = (u0 + u1) / 2 + (np.arange(nu) - (nu - 1) / 2) * spacing_m
    vs = (v0 + v1) / 2 + (np.arange(nv) - (nv - 1) / 2) * spacing_m
    grid = np.stack(np.meshgrid(us, vs), axis=-1).reshape(-1, 2)
    inside = shapely.contains_xy(room, grid[:, 0], grid[:, 1])
    kept = grid[inside]
    return [
        Place(name=f"screw {n}", u_m=float(u), v_m=float(v))
        for n, (u, v) in enumerate(kept, start=1)
    ]


def design_mortar_repair(case: Case) -> Job:
    """Mortar repair of one repair.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Held where an inset is better, where the depth is not known, where it is too thin to be held, where the mix may outdo the
        stone, or until a sample of the mortar is approved.
    """
    values, depth, shape = case.values, case.greatest("depth_m"), case.shape
    mix, faults, why_mix = chosen_mix(case)
    area = case.area_m2()
    thin = depth is not None and depth < values["mortar.depth_minimum"]
    trial, wants_trial = trial_of(case, "mortar sample")
    patch = (
        [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
        if shape is not None
        else []
    )
    armed = depth is not None and depth >= values["mortar.armature_depth"]
    screws = (
        [
            s
            for p in patch
            for s in armature_places(
                p,
                spacing_m=values["mortar.armature_spacing"],
                edge_m=values["mortar.armature_cover"],
            )
        ]
        if armed
        else []
    )
    return Job(
        repair=case.name,
        treatment="mortar repair",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Build up in lime mortar on an armature" if screws else "Build up in lime mortar",
        why=f"Small and shallow, away from edges and load. Mix: {mix.name}, {why_mix}.",
        removes="Takes out decayed stone only, back to what is sound, and a square edge round it.",
        figures=_figures(case, area, depth, screws=len(screws)),
        products=_products(case, area, depth, mix, screws=len(screws)),
        places=tuple(screws),
        tools=(
            "small sharp chisels, stiff bristle brush (no wire), extractor",
            "spray bottle, small trowels and keys, damp sponge",
            "samples of sands and stone dust; the approved sample beside the work",
        ),
        never=(
            "No feathered edge; no cement; no mortar over a joint: the joint is kept open or pointed by itself.",
            "No colour painted on: colour comes from sand and stone dust, and is judged dry.",
        ),
        steps=sentences(
            "Cut back to sound stone with hand tools; edges square or slightly back under the face; sound the bottom.",
            "Key the bottom; brush and flush clean.",
            "Set stainless screws in grout, bind stainless wire round them, well behind the face."
            if screws
            else "",
            "Damp until the stone draws no more.",
            "Press in the first layer; scratch it; let it stiffen; damp and follow layer by layer, the whole patch each time.",
            "Bring the last layer proud, cut it back with the grain of the stone when it is green-hard.",
            "Cover with damp cloth; keep damp, from sun, wind and frost.",
        ),
        criteria=sentences(
            "No hollow ring anywhere after the cure; no crack at the edge.",
            "Colour and texture like the approved sample when dry, looked at from two steps away and from the street.",
            "Edges square all round, none thinner than the least depth.",
        ),
        cautions=sentences(case.repair.get("cautions") or ()),
        trial=trial,
        holds=sentences(
            [
                f"An inset is better here: {why} Decide for one, or overrule with a reason."
                for why in better_as_inset(case)
            ],
            "The depth is not known: measure it, and enter the depth of the condition."
            if depth is None
            else "",
            f"{case.say(depth or 0.0, 'depth')} is too thin for mortar to hold: leave it, or cut square edges at least {case.say(values['mortar.depth_minimum'], 'depth')} deep."
            if thin
            else "",
            list(faults),
            wants_trial,
        ),
        doubts=sentences(
            strength_doubt(case),
            "The depth is as the survey tells it, which does not say how it was found: measure it once all that is loose is off, before mortar is mixed."
            if case.depth_is_typed
            else "",
        ),
    )


def _figures(case: Case, area: float, depth: float | None, *, screws: int) -> tuple[Figure, ...]:
    values = case.values
    found = [worked_out("area", area, "area", "outlines of the conditions, net of openings")]
    if depth is None:
        return tuple(found)
    layers = layers_of(depth, values["mortar.layer"])
    found += [
        case.told("depth_m", "depth, greatest", "depth"),
        worked_out(
            "layers",
            float(len(layers)),
            "count",
            f"none above {case.say(values['mortar.layer'], 'depth')} (common practice)",
        ),
        worked_out("thickness of a layer", layers[0], "depth", "depth by the number of layers"),
        worked_out(
            "mortar in place", area * depth, "volume", "area x greatest depth: an upper bound"
        ),
        figure(values, "mortar.area_maximum", "largest patch allowed", "area"),
        figure(values, "mortar.depth_maximum", "deepest patch allowed", "depth"),
    ]
    if screws:
        found.append(
            worked_out(
                "screws of the armature",
                float(screws),
                "count",
                f"every {case.say(values['mortar.armature_spacing'], 'length')} (common practice)",
            )
        )
    return tuple(found)


def _products(
    case: Case, area: float, depth: float | None, mix: Any, *, screws: int
) -> tuple[Product, ...]:
    if depth is None:
        return ()
    total = area * depth * (1 + case.values["mortar.waste"])
    amounts = batch(total, mix)
    found = [
        Product(
            name=f"mortar {mix.name}, sand and stone dust to the sample",
            amount=total,
            kind="volume",
            purpose="with waste",
        ),
        Product(name=mix.binder.name, amount=amounts["binder_kg"], kind="mass", purpose=OF_MIX),
    ]
    if screws:
        found.append(
            Product(
                name="stainless screws and wire 1.4401 (A4)",
                amount=float(screws),
                kind="count",
                purpose="as the drawing places them",
            )
        )
    return tuple(found)
