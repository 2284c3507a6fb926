"""Cleaning: a ladder of methods tried from the gentlest, and what never to use on which stone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from facademap.treatment.case import Case
from facademap.treatment.job import Figure, Job, Product, figure, sentences, worked_out
from facademap.treatment.soiling import soiling_of
from facademap.treatment.trials import trial_of

__all__ = ["LADDERS", "Rung", "design_cleaning", "ladder_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One method of a ladder.

    Parameters
    ----------
    method : str
        What is tried.
    how : str
        With what, for how long.
    stop : str
        When to stop and go back a rung.
    wet : bool
        Whether water goes on the wall.
    """

    method: str
    how: str
    stop: str
    wet: bool = False


_DRY = Rung(
    method="dry, soft brush and vacuum",
    how="hog bristle, vacuum with HEPA filter, from the top down",
    stop="grains come off with the dirt",
)
_SPONGE = Rung(
    method="damp sponge",
    how="clean water, little of it, wrung out often; no rubbing",
    stop="grains in the sponge, or a tide mark when dry",
    wet=True,
)
_MIST = Rung(
    method="fine mist, in pulses",
    how="seconds on, minutes off; run-off caught; bristle brush; hours in all, watched",
    stop="water behind the face, salts or brown stains when dry",
    wet=True,
)
_POULTICE = Rung(
    method="clay or paper poultice with clean water",
    how="as thick as a finger, left until nearly dry, taken off dry; repeated",
    stop="bloom grows instead of shrinking after the third",
    wet=True,
)
_CARBONATE = Rung(
    method="poultice with ammonium carbonate",
    how="by a conservator, data sheet read, times tried from 15 minutes up; rinsed",
    stop="the face whitens or softens; iron or copper near it",
    wet=True,
)
_STEAM = Rung(
    method="superheated water, low pressure",
    how="held off, moving, short; joints watched",
    stop="joints wash out or grains come off",
    wet=True,
)
_ABRASIVE = Rung(
    method="fine abrasive, very low pressure, by a conservator",
    how="microscope slide tests, the softest powder first; dust captured",
    stop="tooling or patina begins to go",
)
_LASER = Rung(
    method="laser, by a conservator",
    how="fluence from the lowest; eyes protected; area closed",
    stop="the stone yellows or darkens",
)
_GROWTH_DRY = Rung(
    method="take off dry with wood or nylon",
    how="after rain has swelled it, or dry where it is loose; bagged",
    stop="grains come off with it",
)
_BIOCIDE = Rung(
    method="biocide that is permitted here, then brush when dead",
    how="by data sheet; weeks until it is dead; no run-off into soil or drains",
    stop="bats, birds or bees use the wall: ask first",
    wet=True,
)
_ROOTS = Rung(
    method="cut the plant, treat the stump, draw the roots when dead",
    how="nothing is pulled alive; the joint is repointed after",
    stop="a stone moves: make safe first",
)
_SOLVENT = Rung(
    method="solvent gel or poultice for paint",
    how="by data sheet, the mildest first, taken up, not rubbed in",
    stop="colour wanders into the pores",
)

#: Ladders by what lies on the stone, the gentlest first (common practice; order and times are for trial, not for use untried).
LADDERS: Mapping[str, tuple[Rung, ...]] = {
    "crust": (_DRY, _MIST, _CARBONATE, _STEAM, _ABRASIVE, _LASER),
    "soiling": (_DRY, _SPONGE, _MIST, _STEAM, _ABRASIVE),
    "salts": (_DRY, _POULTICE),
    "growth": (_GROWTH_DRY, _STEAM, _BIOCIDE),
    "plant": (_ROOTS,),
    "graffiti": (_SPONGE, _SOLVENT, _STEAM, _ABRASIVE),
}
_CALCAREOUS = ("limestone", "marble", "travertine", "tufa", "dolomite", "chalk")


def ladder_for(terms: tuple[str, ...], rock: str) -> tuple[tuple[Rung, ...], tuple[str, ...]]:
    """The methods to try in order, and what is never used.

    Parameters
    ----------
    terms : tuple of str
        Terms of the conditions.
    rock : str
        Local name of the stone, in lower case.

    Returns
    -------
    rungs, never : tuple of Rung, tuple of str
        Methods that this stone or what lies on it rules out are left out and named.
    """
    soiling = soiling_of(terms)
    rungs = LADDERS[soiling]
    calcareous = any(word in rock for word in _CALCAREOUS)
    unknown = not rock
    siliceous = not unknown and not calcareous
    if siliceous:
        rungs = tuple(r for r in rungs if r is not _CARBONATE)
    never = sentences(
        "No acid on this stone: it dissolves it, patina first." if calcareous or unknown else "",
        "No alkali such as caustic soda: its salts stay in the stone.",
        "No hydrofluoric acid: it takes the face and the hands." if siliceous or unknown else "",
        "No poultice of ammonium carbonate: nothing here for it to dissolve."
        if siliceous and soiling == "crust"
        else "",
        "No water: it carries the salts back in." if soiling == "salts" else "",
        "No sand-blasting, no wire brush, no grinding, no high pressure, on any stone.",
        "No bleach: it leaves salts." if soiling in ("growth", "plant") else "",
    )
    return rungs, never


def design_cleaning(case: Case) -> Job:
    """Cleaning of one repair.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Held until a panel on the same stone is approved; then the method of that panel is the method.
    """
    values, area = case.values, case.area_m2()
    soiling = soiling_of(case.terms)
    rungs, never = ladder_for(case.terms, case.rock)
    trial, wanted = trial_of(case, "cleaning panel")
    wet = any(r.wet for r in rungs)
    figures: list[Figure] = [
        worked_out("area", area, "area", "outlines of the conditions, net of openings"),
        figure(values, "clean.panel", "size of a trial panel", "area"),
        figure(values, "clean.dry_before_judging", "dry before it is judged", "hours"),
    ]
    products: list[Product] = []
    if wet:
        figures += [
            figure(values, "clean.water_l_per_m2", "water to be caught", "litres_per_m2"),
            figure(values, "clean.temperature_minimum", "no water below", "temperature"),
        ]
        products.append(
            Product(
                name="run-off to be caught",
                amount=area * values["clean.water_l_per_m2"],
                kind="volume",
                purpose="where water is used",
            )
        )
    return Job(
        repair=case.name,
        treatment="clean",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method=f"As trial {trial}" if trial else f"Trial ladder: {rungs[0].method} first",
        why="The mildest method that does enough is the method; patina and tooling stay; clean is not the aim, sound is.",
        figures=tuple(figures),
        products=tuple(products),
        tools=sentences(
            "good light, magnifier, colour card, camera on a fixed place",
            "sheets and gutters to catch run-off" if wet else "",
        ),
        steps=sentences(
            "Find and stop what feeds it: leaking gutters, splash, salts, plants above."
            if soiling in ("growth", "salts", "plant")
            else "Look for flaking under the dirt: what is loose is consolidated or left first.",
            [
                f"Rung {n}, {r.method}: {r.how}. Stop where {r.stop}."
                for n, r in enumerate(rungs, start=1)
            ]
            if not trial
            else "",
            "Photograph before, wet and dry, with the colour card, from the same place.",
            "Work from the top down in areas bounded by joints; keep the stone below wet only where water is used."
            if wet
            else "",
            "Stop where the panel stopped, not where it shines.",
        ),
        criteria=(
            "Like the approved panel when dry, in daylight, from two steps away.",
            "No grains in the run-off or in the brush; tooling as sharp as before.",
            "No new bloom or stain after four weeks.",
        ),
        cautions=sentences(
            case.repair.get("cautions") or (),
            "Old dirt can hold lead; droppings carry disease: have them assessed, damp them, wear a mask that fits.",
        ),
        never=never,
        trial=trial,
        holds=sentences(wanted),
        doubts=sentences(
            "The kind of stone is not known: acids and alkalis are ruled out for all kinds."
            if not case.rock
            else "",
        ),
    )
