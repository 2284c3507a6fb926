"""Trials before treatments: panels and samples, what they showed, and who approved them."""

from __future__ import annotations

from facademap.tables.column_shapes import LAB
from facademap.tables.contract import Column, Table
from facademap.tables.repairs import TREATMENTS
from facademap.tables.survey import ID

__all__ = ["SOILINGS", "TRIALS", "TRIAL_KINDS", "TRIAL_RESULTS"]

TRIAL_KINDS = ("cleaning panel", "consolidation panel", "mortar sample", "mock-up", "other")
#: What lies on the stone: a panel on one of them says nothing of another.
SOILINGS = ("crust", "soiling", "salts", "growth", "plant", "graffiti")
TRIAL_RESULTS = ("open", "approved", "refused")

TRIALS = Table(
    name="trials",
    title="Trials and samples",
    meaning="A panel, sample or mock-up that a treatment waits for, what it showed, and who approved it.",
    columns=(
        ID,
        Column(
            name="kind", kind="text", nullable=False, choices=TRIAL_KINDS, meaning="What was made."
        ),
        Column(
            name="treatment",
            kind="text",
            nullable=False,
            choices=TREATMENTS,
            meaning="Treatment that it is for.",
        ),
        Column(
            name="stone_type",
            kind="text",
            meaning="Local name of the stone that it was made on; it counts for this stone only.",
        ),
        Column(
            name="soiling",
            kind="text",
            choices=SOILINGS,
            meaning="What lay on the stone of a cleaning panel; it counts for this soiling only.",
        ),
        Column(name="wall_stone", kind="text", refers="wall_stones", meaning="Stone it lies on."),
        Column(name="place", kind="text", meaning="Where, in words."),
        Column(
            name="method", kind="text", meaning="What was done, with what, for how long, how often."
        ),
        Column(name="mix", kind="text", meaning="Mix of a mortar sample, by its name."),
        Column(name="made_on", kind="date", meaning="When it was made."),
        Column(name="photo_before", kind="text", refers="photos", meaning="Photo before."),
        Column(name="photo_after", kind="text", refers="photos", meaning="Photo after, dry."),
        Column(
            name="colour_before",
            kind="json",
            shape=LAB,
            meaning="CIELAB before, dry (D50, 2 degrees).",
        ),
        Column(name="colour_dry", kind="json", shape=LAB, meaning="CIELAB after, dry."),
        Column(name="colour_wet", kind="json", shape=LAB, meaning="CIELAB after, wet."),
        Column(
            name="uptake_m3_per_m2",
            kind="float",
            unit="m3/m2",
            minimum=0,
            maximum=0.1,
            meaning="What the stone took in.",
        ),
        Column(name="measured", kind="text", meaning="What else was measured, each with its unit."),
        Column(
            name="result",
            kind="text",
            default="open",
            choices=TRIAL_RESULTS,
            meaning="Whether it may be followed.",
        ),
        Column(name="finding", kind="text", meaning="What it showed; a refusal needs it."),
        Column(name="approved_by", kind="text", meaning="Who approved it."),
        Column(name="approved_on", kind="date", meaning="When it was approved."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
