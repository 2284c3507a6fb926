"""Tables of the matching: plans, placements, saw plans, and the review of the planner."""

from __future__ import annotations

from facademap.tables.column_shapes import PREMISES, SOLUTION, THICKNESSES
from facademap.tables.contract import Column, Table
from facademap.tables.shapes import RING
from facademap.tables.survey import ID

__all__ = ["PLACEMENTS", "PLACEMENT_STATES", "PLANS", "REVIEWS"]

PLACEMENT_STATES = ("proposed", "approved", "reserved", "sawn")

PLANS = Table(
    name="plans",
    title="Plans",
    meaning="One run of the matching and its proof.",
    columns=(
        ID,
        Column(name="name", kind="text", meaning="Name that people gave it."),
        Column(
            name="kept",
            kind="bool",
            default=False,
            meaning="Whether it is kept beside the plan in force.",
        ),
        Column(name="note", kind="text", meaning="Remarks."),
        Column(name="made_at", kind="time", nullable=False, meaning="When it was made."),
        Column(
            name="status",
            kind="text",
            nullable=False,
            choices=("optimal", "feasible"),
            meaning="Whether it is proved best.",
        ),
        Column(
            name="objective",
            kind="float",
            nullable=False,
            meaning="Value of the plan; smaller is better.",
        ),
        Column(
            name="bound", kind="float", nullable=False, meaning="No plan can be better than this."
        ),
        Column(
            name="gap",
            kind="float",
            minimum=0,
            meaning="(objective - bound) / objective; empty where no bound worth telling is known.",
        ),
        Column(name="matched", kind="int", minimum=0, meaning="Repairs served."),
        Column(name="unmatched", kind="int", minimum=0, meaning="Repairs not served."),
        Column(
            name="mean_de00",
            kind="float",
            minimum=0,
            meaning="Mean CIEDE2000 between block and neighbourhood.",
        ),
        Column(name="seed", kind="int", meaning="Seed."),
        Column(name="seconds", kind="float", unit="s", minimum=0, meaning="Time taken."),
        Column(
            name="current",
            kind="bool",
            default=True,
            meaning="Whether the placements are of this plan.",
        ),
        Column(
            name="solution",
            kind="json",
            shape=SOLUTION,
            meaning="The whole solution, lengths in mm.",
        ),
        Column(
            name="premises",
            kind="json",
            shape=PREMISES,
            meaning="What it was made from: a digest of the problem, locks and forbidden blocks.",
        ),
    ),
)

PLACEMENTS = Table(
    name="placements",
    joined_ids=True,
    title="Placements",
    meaning="A piece on a block.",
    columns=(
        ID,
        Column(
            name="plan",
            kind="text",
            refers="plans",
            meaning="Plan it belongs to; empty when set by hand.",
        ),
        Column(name="repair", kind="text", nullable=False, refers="repairs", meaning="Repair."),
        Column(name="piece", kind="text", nullable=False, refers="pieces", meaning="Piece."),
        Column(name="block", kind="text", nullable=False, refers="blocks", meaning="Block."),
        Column(name="face", kind="text", nullable=False, refers="faces", meaning="Working face."),
        Column(
            name="slab", kind="int", default=0, minimum=0, meaning="Slab, counted from the face."
        ),
        Column(
            name="slab_thicknesses",
            kind="json",
            shape=THICKNESSES,
            meaning="Thickness of every slab of the block in metres.",
        ),
        Column(
            name="x_m",
            kind="float",
            unit="m",
            nullable=False,
            meaning="Left of the blank's box in the face frame.",
        ),
        Column(
            name="y_m",
            kind="float",
            unit="m",
            nullable=False,
            meaning="Bottom of the blank's box in the face frame.",
        ),
        Column(
            name="rotation_deg",
            kind="int",
            default=0,
            unit="degree",
            meaning="Turn counter-clockwise: 0, 90, 180, 270.",
        ),
        Column(
            name="de00",
            kind="float",
            minimum=0,
            meaning="CIEDE2000 between block and neighbourhood.",
        ),
        Column(name="visual", kind="float", minimum=0, meaning="Cost of appearance, all parts."),
        Column(
            name="state",
            kind="text",
            default="proposed",
            choices=PLACEMENT_STATES,
            meaning="approved, reserved and sawn places are locks.",
        ),
        Column(
            name="blank",
            kind="json",
            shape=RING,
            meaning="Ring of the blank in metres of the face frame.",
        ),
    ),
)

REVIEWS = Table(
    name="reviews",
    title="Reviews",
    meaning="What a reviewer said of a repair or a condition.",
    columns=(
        ID,
        Column(name="at", kind="time", nullable=False, meaning="When it was said."),
        Column(name="reviewer", kind="text", nullable=False, meaning="Who said it."),
        Column(
            name="about_table",
            kind="text",
            nullable=False,
            choices=("repairs", "conditions", "plans"),
            meaning="Table of the row.",
        ),
        Column(name="about", kind="text", nullable=False, meaning="Id of the row."),
        Column(
            name="decision",
            kind="text",
            default="comment",
            choices=("comment", "approve", "return"),
            meaning="What was decided.",
        ),
        Column(name="text", kind="text", meaning="Comment or reason; a return needs one."),
        Column(name="source", kind="text", meaning="Review file it came from."),
    ),
)
