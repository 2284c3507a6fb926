"""Table of conditions: what was seen on the wall."""

from __future__ import annotations

from facademap.tables.column_shapes import MEASURED_DEPTH
from facademap.tables.contract import Column, Table
from facademap.tables.survey import ID, SURFACE

__all__ = ["ACTIVITIES", "CONDITIONS", "CONDITION_LAYERS", "DEPTH_SOURCES"]

CONDITION_LAYERS = ("stone", "joint", "structural", "earlier repair")
ACTIVITIES = ("active", "stable", "unknown")
DEPTH_SOURCES = ("typed", "measured")

CONDITIONS = Table(
    name="conditions",
    title="Conditions",
    meaning="Observed defects as outlines, lines or points, each with its term and classes.",
    geometry="any",
    columns=(
        ID,
        SURFACE,
        Column(
            name="term",
            kind="text",
            nullable=False,
            meaning="Term of the glossary or of the joint, structural or earlier-repair layer.",
        ),
        Column(
            name="layer",
            kind="text",
            default="stone",
            choices=CONDITION_LAYERS,
            meaning="stone = stone deterioration glossary; the others are kept apart from it.",
        ),
        Column(name="family", kind="text", meaning="Family of the term, found from the term."),
        Column(
            name="depth_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=2,
            meaning="Greatest depth of the damage.",
        ),
        Column(
            name="width_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=1,
            meaning="Width of a crack or open joint.",
        ),
        Column(
            name="cc", kind="int", minimum=0, maximum=3, meaning="Condition class after EN 16096."
        ),
        Column(
            name="uc", kind="int", minimum=0, maximum=3, meaning="Urgency class after EN 16096."
        ),
        Column(
            name="rc",
            kind="int",
            minimum=0,
            maximum=3,
            meaning="Recommendation class after EN 16096.",
        ),
        Column(
            name="activity",
            kind="text",
            default="unknown",
            choices=ACTIVITIES,
            meaning="Whether the damage goes on.",
        ),
        Column(name="cause", kind="text", meaning="Cause, in words."),
        Column(
            name="cause_settled",
            kind="bool",
            default=False,
            meaning="Whether the cause is known and dealt with.",
        ),
        Column(
            name="wall_stone",
            kind="text",
            refers="wall_stones",
            meaning="Wall stone that most of it lies on, found from the outline.",
        ),
        Column(name="photo", kind="text", refers="photos", meaning="Photo that shows it."),
        Column(name="note", kind="text", meaning="Remarks."),
        Column(name="surveyor", kind="text", meaning="Who saw it; may be left empty."),
        Column(name="observed_on", kind="date", meaning="When it was seen."),
        Column(
            name="survey",
            kind="text",
            default="1",
            meaning="Survey campaign, so that two surveys can be compared.",
        ),
        Column(
            name="origin",
            kind="text",
            default="drawn",
            choices=("drawn", "assisted", "imported"),
            meaning="How the outline came to be.",
        ),
        Column(name="confirmed_by", kind="text", meaning="Who confirmed an assisted outline."),
        Column(
            name="area_m2",
            kind="float",
            unit="m2",
            minimum=0,
            meaning="Area net of openings, measured.",
        ),
        Column(
            name="length_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Length of a line, measured.",
        ),
        Column(
            name="depth_from",
            kind="text",
            choices=DEPTH_SOURCES,
            meaning="How the depth is known: typed by a person, or measured from the relief and confirmed.",
        ),
        Column(
            name="depth_confirmed_by",
            kind="text",
            meaning="Who confirmed a depth that was measured.",
        ),
        Column(
            name="measured_depth",
            kind="json",
            shape=MEASURED_DEPTH,
            meaning="Depth below the sound face round it as the relief has it: mean, deepest 5 %, plus or minus, volume, "
            "share of known cells, and what is proposed for the record.",
        ),
    ),
)
