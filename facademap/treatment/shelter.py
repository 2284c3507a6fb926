"""Sheltering: lead or another flashing over stone that water wears, so that the stone itself is left alone."""

from __future__ import annotations

import math

import shapely

from facademap.treatment.case import Case
from facademap.treatment.job import Figure, Job, Product, figure, sentences, worked_out

__all__ = ["design_shelter"]

#: Density of lead, kg/m3 (handbook value, CRC Handbook of Chemistry and Physics: 11.34 g/cm3).
_LEAD_KG_PER_M3 = 11340.0


def design_shelter(case: Case) -> Job:
    """A flashing over one place.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Length is the extent along the wall; the projection that is covered is the depth of the condition. Held where that is not
        known.
    """
    values = case.values
    length = 0.0
    if case.shape is not None:
        u0, _, u1, _ = shapely.bounds(case.shape)
        length = float(u1 - u0)
    projection = case.greatest("depth_m")
    figures: list[Figure] = [
        worked_out("length along the wall", length, "length", "extent of the outline"),
        figure(values, "shelter.piece", "longest piece", "length"),
        figure(values, "shelter.lap", "lap of two pieces", "length"),
        figure(values, "shelter.thickness", "thickness of the lead", "width"),
        figure(values, "shelter.chase", "turned into the joint", "depth"),
        figure(values, "shelter.upstand", "upstand", "length"),
        figure(values, "shelter.drip", "stands out beyond the face", "length"),
    ]
    products: list[Product] = []
    if length and projection is not None:
        count = pieces_of(length, values["shelter.piece"], values["shelter.lap"])
        wide = sum(values[f"shelter.{n}"] for n in ("chase", "upstand", "drip")) + projection
        laid = length + (count - 1) * values["shelter.lap"]
        area = laid * wide
        mass = area * values["shelter.thickness"] * _LEAD_KG_PER_M3
        how = "projection, upstand, chase and drip"
        figures += [
            worked_out("width of the sheet", wide, "length", how),
            worked_out("pieces", float(count), "count", "none longer than allowed, laps counted"),
            worked_out("area of the sheet", area, "area", "length with laps x width"),
            worked_out("weight", mass, "mass", "area x thickness x density of lead"),
        ]
        products += [
            Product(name="sheet lead", amount=area, kind="area", purpose=f"{count} pieces"),
            Product(
                name="lead wedges and lime mortar",
                amount=length,
                kind="length",
                purpose="along the upper edge",
            ),
        ]
    return Job(
        repair=case.name,
        treatment="shelter",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Cover with lead, turned into the joint above",
        why="Keeps the water off, so that the worn stone can stay as it is.",
        figures=tuple(figures),
        products=tuple(products),
        tools=(
            "dressers of wood or plastic, snips, wedges of lead",
            "hand tools to rake the joint; no cut in stone",
            "underlay; patination oil",
        ),
        never=(
            "No chase cut into stone: the sheet is turned into a joint.",
            "No fixing through the face; no longer piece than allowed, since it tears by heat; no sheet on damp new lime without an underlay.",
            "No lead where its run-off goes to drinking water or over metal that it eats.",
        ),
        steps=(
            "Ask whether the look may change: a flashing is seen, and may need consent.",
            "Rake the joint above by hand; lay an underlay; let the stone dry.",
            "Dress pieces to the stone, laps away from the weather, free to move; turn into the joint, wedge, and point.",
            "Front edge as a drip clear of the face; patination oil at once, so that nothing stains the stone.",
        ),
        criteria=(
            "Water poured on runs off clear of the face; no stain after the first rain.",
            "Every piece can move; none is longer than allowed.",
        ),
        cautions=sentences(
            case.repair.get("cautions") or (),
            "Lead is a poison: gloves, no eating or smoking, wash hands; no flame near it; off-cuts are collected.",
        ),
        holds=sentences(
            "How far the stone projects is not known: measure it, and enter it as the depth of the condition."
            if projection is None
            else "",
            "It has no outline along the wall: draw one." if not length else "",
        ),
    )


def pieces_of(length_m: float, longest_m: float, lap_m: float) -> int:
    """Pieces of a run: each no longer than allowed, with one lap fewer than pieces.

    Examples
    --------
    >>> pieces_of(1.5, 1.5, 0.1), pieces_of(1.51, 1.5, 0.1), pieces_of(2.9, 1.5, 0.1), pieces_of(2.91, 1.5, 0.1)
    (1, 2, 2, 3)
    """
    return max(1, math.ceil((length_m - lap_m) / (longest_m - lap_m) - 1e-9))
