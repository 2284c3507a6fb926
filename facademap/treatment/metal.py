"""Iron in the stone: found, laid bare by the least, kept where it is sound, else exchanged; the stone comes after."""

from __future__ import annotations

import math

from facademap.treatment.case import Case
from facademap.treatment.job import Figure, Job, Product, figure, measured, sentences, worked_out

__all__ = ["design_metal"]

#: Density of stainless steel 1.4401, kg/m3 (EN 10088-1, table of physical properties; from memory, verify).
_STEEL_KG_PER_M3 = 8000.0
_ENGINEER = "A structural engineer decides whether the iron still ties or carries, and what takes its place, before it is cut or drawn."


def design_metal(case: Case) -> Job:
    """Treatment of a cramp, dowel or bar that rusts.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Held until an engineer has decided. Length and section come from the survey where it has them; without them no
        amount is given.
    """
    values = case.values
    length = sum(line.length for line in case.lines())
    thick = case.greatest("width_m")
    deep = case.greatest("depth_m")
    figures: list[Figure] = [
        figure(values, "metal.section_loss", "section lost, from which it is exchanged", "share"),
        figure(values, "metal.cover", "cover of new metal, at least", "depth"),
        figure(values, "metal.clearance", "room round new metal, each side", "width"),
    ]
    products: list[Product] = []
    if length:
        figures.append(measured("length seen", length, "length", "lines of the conditions"))
    if deep is not None:
        figures.append(case.told("depth_m", "depth behind the face", "depth"))
    if length and thick:
        volume = math.pi * thick**2 / 4 * length
        figures += [
            case.told("width_m", "thickness", "width"),
            worked_out(
                "surface to be coated", math.pi * thick * length, "area", "round bar, pi x d x l"
            ),
        ]
        products.append(
            Product(
                name="stainless steel 1.4401 (A4), if exchanged",
                amount=volume * _STEEL_KG_PER_M3,
                kind="mass",
                purpose="round bar of the same thickness and length",
            )
        )
    return Job(
        repair=case.name,
        treatment="metal",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Lay bare by the least, then keep and coat, or exchange",
        why="Rust takes several times the room of the iron and bursts the stone: a piece set over it is burst again.",
        removes="Takes out only the stone over the iron that has to be laid bare; where it can be reached from a joint, none.",
        figures=tuple(figures),
        products=tuple(products),
        tools=(
            "magnet or cover meter; small chisels; no hammer drill near an arris",
            "hand brushes of steel for the iron alone; extractor",
            "coating for iron by its data sheet; stainless bar, lime grout or lead wool",
        ),
        never=(
            "Never draw or cut iron that ties or carries before the engineer has decided.",
            "No new plain steel, no galvanised steel in lime; no coating over loose rust; no piece of stone over iron that was not treated.",
        ),
        steps=sentences(
            "Find its ends and depth by magnet or cover meter; mark them on the face.",
            "Stop the water that feeds the rust: joints, weatherings, lead above.",
            "Lay it bare from a joint where that can be done, else by the smallest opening along it; keep what comes off.",
            "Measure what is left of its section.",
            "Sound: clean to bright metal, dry, coat twice at once. Weak: exchange it for stainless as the engineer decided, in room all round.",
            "Close with lime grout or mortar; the stone over it is pieced in after, on a bed that does not touch the metal.",
        ),
        criteria=(
            "No rust left under the coating; new metal has its cover and its room all round.",
            "Nothing moves; no new crack after the cure.",
        ),
        cautions=sentences(
            case.repair.get("cautions") or (),
            "Old iron may be leaded in: lead dust is a poison. No dry brushing or grinding of it before an assessment.",
        ),
        holds=sentences(_ENGINEER),
        doubts=sentences(
            "Length and thickness of the iron are not known: no amount is given."
            if not (length and thick)
            else "",
            "Its depth behind the face is not known: find it before anything is opened."
            if deep is None
            else "",
        ),
    )
