"""What is left and looked at again, and what is made safe."""

from __future__ import annotations

import math

from facademap.treatment.case import Case
from facademap.treatment.job import Job, Product, figure, sentences, worked_out

__all__ = ["design_leave", "design_make_safe", "watch_months_key"]


def watch_months_key(case: Case) -> str:
    """Name of the value that says after how many months to look again: by the liveliest of its conditions."""
    found = {str(c.get("activity") or "unknown") for c in case.conditions}
    if "active" in found:
        return "watch.active"
    return (
        "watch.stable"
        if found and found <= {"inactive", "stable", "dormant", "stopped"}
        else "watch.unknown"
    )


def design_leave(case: Case) -> Job:
    """Leave it, and when to look again."""
    key = watch_months_key(case)
    return Job(
        repair=case.name,
        treatment="leave",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Leave, and look again",
        why="Every cut takes sound stone as well: what does no harm stays.",
        figures=(figure(case.values, key, "look again after", "months"),),
        steps=(
            "Photograph from the same place with a scale.",
            "Compare outline, depth and class with this survey.",
        ),
        criteria=("Not grown; nothing loose; no water behind.",),
        cautions=sentences(case.repair.get("cautions") or ()),
    )


def design_make_safe(case: Case) -> Job:
    """Make it safe first; everything else is decided after. A net is sized over the place and a margin round it."""
    net, fixings = None, 0
    if case.shape is not None and case.shape.area > 0:
        net = case.shape.envelope.buffer(case.values["net.margin"], join_style="mitre")
        fixings = max(4, math.ceil(net.length / case.values["net.spacing"] - 1e-9))
    return Job(
        repair=case.name,
        treatment="make safe",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Close off below, sound, then take down, tie, wedge or net",
        why="People first. A piece taken down is marked and kept for the repair.",
        figures=()
        if net is None
        else (
            worked_out("net, if it is netted", float(net.area), "area", "outline and margin"),
            worked_out("fixings of the net, in joints", float(fixings), "count", "by spacing"),
            figure(case.values, "net.margin", "net beyond the place", "length"),
            figure(case.values, "net.spacing", "fixings, at most apart", "length"),
            figure(case.values, "watch.active", "look at the net again after", "months"),
        ),
        products=()
        if net is None
        else (
            Product(
                name="netting and cord",
                amount=float(net.area),
                kind="area",
                purpose="outline and margin",
            ),
            Product(
                name="stainless eyes, set in joints",
                amount=float(fixings),
                kind="count",
                purpose="by spacing",
            ),
        ),
        removes="A piece that is taken down is marked with stone and place, photographed, and kept.",
        tools=(
            "barriers and fan",
            "mallet",
            "wedges of wood or lead, netting, straps",
            "tags and a box for what comes down",
        ),
        steps=(
            "Keep people away below; tell the responsible person at once.",
            "Sound from a safe stand, from the sound stone toward the loose.",
            "What comes away by hand is taken down, marked and kept; what does not is held: wedged, strapped or netted.",
            "Photograph; write down what was done and until when it holds.",
        ),
        criteria=("Nothing moves under hand pressure; nothing can fall on a way.",),
        never=(
            "Never pull out a stone that carries others; never leave a netted stone without a date to look again.",
        ),
        cautions=sentences(case.repair.get("cautions") or ()),
        holds=sentences(
            "A structural engineer or another licensed person decides how it is held before anything that carries is touched."
            if case.part in {"lintel", "voussoir", "corbel", "arch"}
            else ""
        ),
    )
