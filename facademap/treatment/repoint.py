"""Repointing, joint by joint: how deep to rake, what sand, how much mortar, which tools may not be used."""

from __future__ import annotations

import math
from dataclasses import dataclass

from facademap.repair.mixes import batch
from facademap.treatment.case import Case, chosen_mix, strength_doubt
from facademap.treatment.job import (
    OF_MIX,
    Figure,
    Job,
    Product,
    figure,
    sentences,
    told,
    worked_out,
)
from facademap.treatment.strips import Strip, strips_of_joints

__all__ = ["Joint", "design_repointing", "joints_of", "raking_depth_m"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """One joint to be repointed.

    Parameters
    ----------
    strip : Strip
        Length, width and which way it runs.
    depth_m : float
        To be raked.
    width_from : str
        ``survey`` where the width was typed, ``outlines`` where it follows from what is drawn.
    """

    strip: Strip
    depth_m: float
    width_from: str

    @property
    def volume_m3(self) -> float:
        """Mortar in place."""
        return self.strip.area_m2 * self.depth_m


def raking_depth_m(
    width_m: float, *, lost_m: float | None, rake_widths: float, minimum_m: float, beyond_m: float
) -> float:
    """Depth to which a joint is raked: a multiple of its width, a least depth, and beyond what is lost.

    References
    ----------
    NPS Preservation Brief 2, 2 to 2.5 times the width (from memory; the least depth is common practice).

    Examples
    --------
    >>> raking_depth_m(0.010, lost_m=None, rake_widths=2.5, minimum_m=0.02, beyond_m=0.005)
    0.025
    >>> raking_depth_m(0.004, lost_m=0.03, rake_widths=2.5, minimum_m=0.02, beyond_m=0.005)
    0.035
    """
    lost = 0.0 if lost_m is None else lost_m + beyond_m
    return round(max(rake_widths * width_m, minimum_m, lost), 9)


def joints_of(case: Case) -> tuple[list[Joint], list[str]]:
    """The joints of a case, and what keeps them from being worked out.

    A line is a joint along it and needs a typed width. An area is what lies between the stones drawn in it; where no stones
    are drawn its own length and width are taken, unless it is no narrow band: then the width is wanted.
    """
    typed, lost = case.greatest("width_m"), case.greatest("depth_m")
    values = case.values
    found: list[tuple[Strip, str]] = []
    missing: list[str] = []
    for line in case.lines():
        if typed is None:
            missing.append(
                "The width of the joint is not known: measure it at three places and enter the width of the condition."
            )
            continue
        (u0, v0), (u1, v1) = line.coords[0], line.coords[-1]
        slope = math.degrees(math.atan2(abs(v1 - v0), abs(u1 - u0)))
        lies = "bed" if slope <= 30 else "perpend" if slope >= 60 else "slanting"
        found.append((Strip(length_m=line.length, width_m=typed, lies=lies), "survey"))
    for zone in case.zones():
        near = [s for s in case.near if s.intersects(zone)]
        strips = strips_of_joints(zone, near)
        narrow = [s for s in strips if s.length_m >= 3 * s.width_m]
        if not narrow:
            missing.append(
                "No joint can be made out in the outline: draw the stones beside it, or draw the joint as a line and enter its width."
            )
        for s in narrow:
            if typed is None:
                found.append((s, "outlines"))
            else:
                found.append((Strip(length_m=s.length_m, width_m=typed, lies=s.lies), "survey"))
    joints = [
        Joint(
            strip=s,
            width_from=where,
            depth_m=raking_depth_m(
                s.width_m,
                lost_m=lost,
                rake_widths=values["repoint.rake_widths"],
                minimum_m=values["repoint.rake_minimum"],
                beyond_m=values["repoint.beyond_loss"],
            ),
        )
        for s, where in found
    ]
    return joints, missing


def design_repointing(case: Case) -> Job:
    """Repointing of one repair.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        Held where no width is known, where the joint is too fine to be raked, or where the mix may outdo the stone.
    """
    values = case.values
    joints, missing = joints_of(case)
    mix, faults, why_mix = chosen_mix(case)
    length = sum(j.strip.length_m for j in joints)
    area = sum(j.strip.area_m2 for j in joints)
    placed = sum(j.volume_m3 for j in joints)
    total = placed * (1 + values["repoint.waste"])
    widths = [j.strip.width_m for j in joints]
    hair = [w for w in widths if w < values["repoint.hair_width"]]
    by_hand = any(w < values["repoint.hand_width"] for w in widths)
    deepest = max((j.depth_m for j in joints), default=0.0)
    figures = _figures(case, joints, length=length, area=area, placed=placed) if joints else ()
    holds = list(dict.fromkeys(missing)) + list(faults)
    if hair:
        holds.append(
            f"A joint of {case.say(min(hair), 'width')} cannot be raked without hurting the arrises: leave it, or close it at the face "
            "with fine lime after a trial."
        )
    amounts = batch(total, mix) if joints else None
    return Job(
        repair=case.name,
        treatment="repoint",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Rake out and repoint the open joints only",
        why=f"Sound old mortar stays; mortar no stronger than the stone. Mix: {mix.name}, {why_mix}.",
        removes="Takes out no original stone; old mortar only where it has failed.",
        figures=figures,
        products=()
        if amounts is None
        else (
            Product(name=f"mortar {mix.name}", amount=total, kind="volume", purpose="with waste"),
            Product(name=mix.binder.name, amount=amounts["binder_kg"], kind="mass", purpose=OF_MIX),
            Product(
                name="sand, dry, loose",
                amount=amounts["sand_l"] / 1000,
                kind="volume",
                purpose=OF_MIX,
            ),
            Product(
                name="clean water", amount=amounts["water_l"] / 1000, kind="volume", purpose=OF_MIX
            ),
        ),
        tools=sentences(
            "plugging chisel, bent-tang chisel and hammer, joint hooks",
            "soft brush, low-pressure water spray, pointing keys as wide as the joint",
            "" if by_hand else "oscillating blade narrower than the joint, on a trial length first",
        ),
        never=sentences(
            "No rotary blade and no power tool in these joints: they widen them and cut the arrises."
            if by_hand
            else "No rotary blade in perpends or near arrises.",
            "No cement, and no mortar over the face or the arrises.",
        ),
        steps=(
            "Sound the stones beside the joint; stop and report a stone that moves.",
            f"Rake square to the depth given, at most {case.say(deepest, 'depth')}, back to mortar that holds; keep the arrises whole.",
            "Brush and flush clean from the top down; look into the joint; photograph it.",
            "Damp the joint until it draws no more; no standing water.",
            "Fill in layers, each pressed home and firm before the next; the last one flush with worn arrises or a hair behind.",
            "When thumb-hard, compact with the edge of a brush or a key; no feather edges.",
            "Cover with damp cloth; keep damp, from sun, wind and frost.",
        ),
        criteria=(
            f"Depth measured at three places a {'yard' if case.inches else 'metre'}, none less than given.",
            "No arris newly chipped; the joint no wider than before.",
            "No hollow sound and no crack after the cure; colour like the sound old mortar when dry.",
        ),
        cautions=sentences(case.repair.get("cautions") or ()),
        holds=tuple(dict.fromkeys(holds)),
        doubts=_doubts(case, joints),
    )


def _figures(
    case: Case, joints: list[Joint], *, length: float, area: float, placed: float
) -> tuple[Figure, ...]:
    values = case.values
    widths = [j.strip.width_m for j in joints]
    typed = all(j.width_from == "survey" for j in joints)
    width = area / length
    return (
        worked_out("joints", float(len(joints)), "count", "pieces of joint between the stones"),
        worked_out("length", length, "length", "along the middle of the joints"),
        (
            told("width, mean", width, "width")
            if typed
            else worked_out("width, mean", width, "width", "outlines of stones and condition")
        ),
        worked_out(
            "depth to rake, greatest",
            max(j.depth_m for j in joints),
            "depth",
            f"{values['repoint.rake_widths']:g} x width, not less than {case.say(values['repoint.rake_minimum'], 'depth')}, and beyond the loss",
        ),
        figure(values, "repoint.rake_widths", "depth in widths of the joint", "count"),
        worked_out(
            "layers",
            float(math.ceil(max(j.depth_m for j in joints) / values["repoint.layer"])),
            "count",
            "depth by the thickness of a layer",
        ),
        figure(values, "repoint.layer", "thickness of a layer", "depth"),
        worked_out(
            "largest grain of the sand",
            min(widths) * values["repoint.grain_share"],
            "width",
            "a third of the narrowest joint (common practice)",
        ),
        worked_out("mortar in place", placed, "volume", "length x width x depth, joint by joint"),
    )


def _doubts(case: Case, joints: list[Joint]) -> tuple[str, ...]:
    from_outlines = [j for j in joints if j.width_from == "outlines"]
    return sentences(
        "The width follows from drawn outlines, not from a measurement: measure it before mortar is ordered."
        if from_outlines
        else "",
        "The depth of the loss is not known: raking may go deeper than given, and take more mortar."
        if case.greatest("depth_m") is None and joints
        else "",
        strength_doubt(case),
    )
