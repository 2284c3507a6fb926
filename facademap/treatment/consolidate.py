"""Consolidation: only after a trial, by absorption, and stopped where the stone takes no more."""

from __future__ import annotations

from facademap.tables import is_missing
from facademap.treatment.case import Case
from facademap.treatment.job import Figure, Job, Product, figure, measured, sentences, worked_out
from facademap.treatment.trials import approved, trial_of

__all__ = ["design_consolidation"]


def design_consolidation(case: Case) -> Job:
    """Consolidation of one repair.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Held until a panel is approved. The amount follows from what the panel took in; without a panel none is given.
    """
    values, area = case.values, case.area_m2()
    trial, wanted = trial_of(case, "consolidation panel")
    taken = [
        float(t["uptake_m3_per_m2"])
        for t in case.trials
        if approved(t)
        and str(t.get("kind")) == "consolidation panel"
        and not is_missing(t.get("uptake_m3_per_m2"))
    ]
    uptake = taken[-1] if taken else None
    figures: list[Figure] = [
        worked_out("area", area, "area", "outlines of the conditions, net of openings"),
        figure(values, "consolidate.panel", "size of a trial panel", "area"),
        figure(values, "consolidate.passes", "passes, at most", "count"),
        figure(values, "consolidate.cure", "cure before it is measured", "hours"),
        figure(
            values, "consolidate.colour_limit", "colour change dE*ab, at most", "colour_difference"
        ),
    ]
    if uptake is not None:
        figures.append(measured("taken in by the panel", uptake, "litres_per_m2", "trial panel"))
    return Job(
        repair=case.name,
        treatment="consolidate",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method=f"As trial {trial}" if trial else "Trial panel first",
        why="It cannot be taken out again: only where grains are lost faster than the stone can be kept otherwise.",
        figures=tuple(figures),
        products=()
        if uptake is None
        else (
            Product(
                name="consolidant of the panel",
                amount=area * uptake,
                kind="volume",
                purpose="as the panel took in",
            ),
        ),
        tools=(
            "absorption tubes, scale and watch",
            "brush, pipette or low-pressure spray as in the panel",
            "colour meter or card",
        ),
        never=(
            "Not on wet stone, not on stone with salts or swelling clay, not under or over a water repellent.",
            "Not in sun, wind, rain or frost; no more on a face that stays glossy.",
        ),
        steps=(
            "Have salts, clay and moisture of the stone analysed; no analysis, no consolidant.",
            "Measure water absorption by tube on sound and on decayed stone, before.",
            "Apply wet in wet from the bottom up, pass by pass; write down what each pass took in.",
            "Stop when the stone takes no more within a minute, at the passes given, or when a gloss shows; take up the rest at once.",
            "Keep dry and shaded for the cure; measure absorption, colour and powdering again.",
        ),
        criteria=(
            "Powdering by tape less than half of before; no crust harder than the sound stone.",
            "Absorption of the treated stone not below that of the sound stone beside it.",
            "Colour change within the limit, measured dry.",
        ),
        cautions=sentences(
            case.repair.get("cautions") or (),
            "Solvents and silicic acid esters: data sheet, gloves, respirator, no flame, no drains.",
        ),
        trial=trial,
        holds=sentences(wanted),
        doubts=sentences(
            "What the stone takes in is not known before a panel: no amount is given."
            if uptake is None
            else ""
        ),
    )
