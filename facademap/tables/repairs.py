"""Tables of the plan: repairs, the pieces they need and the record of the work."""

from __future__ import annotations

from facademap.tables.column_shapes import (
    APPEARANCE,
    EDGE_KINDS,
    EDGES,
    LAB,
    MATERIALS,
    MEASURED,
    PINS,
    READINGS,
    SIZE,
)
from facademap.tables.contract import Column, Table
from facademap.tables.shapes import NAMES, TEXTS
from facademap.tables.survey import ID, SURFACE

__all__ = [
    "PIECED",
    "PIECES",
    "PIECE_BEDS",
    "REPAIRS",
    "STAGES",
    "TREATMENTS",
    "UNDECIDED",
    "WORK_LOG",
]

TREATMENTS = (
    "leave",
    "clean",
    "repoint",
    "crack repair",
    "mortar repair",
    "inset",
    "whole stone",
    "consolidate",
    "make safe",
    "re-fix",
    "metal",
    "shelter",
)
#: What stands in place of a treatment until the data that decide it are there.
UNDECIDED = "undecided"
#: Treatments that set a new piece of stone into a cut-out.
PIECED = ("inset", "whole stone")
STAGES = (
    "proposed",
    "approved",
    "on hold",
    "cut out",
    "cut-out measured",
    "piece sawn",
    "dry-fitted",
    "bedded",
    "sounded",
    "pointed",
    "curing",
    "accepted",
    "redo",
)
PIECE_BEDS = ("horizontal", "edge", "any")

REPAIRS = Table(
    name="repairs",
    title="Repairs",
    meaning="What is decided for one or more conditions; the outline is the cut-out, or the area treated.",
    geometry="any",
    columns=(
        ID,
        SURFACE,
        Column(
            name="treatment",
            kind="text",
            nullable=False,
            choices=(*TREATMENTS, UNDECIDED),
            meaning="What is to be done; undecided = data that decide it are wanting.",
        ),
        Column(
            name="conditions",
            kind="json",
            shape=NAMES,
            default=[],
            refers="conditions",
            many=True,
            meaning="Ids of the conditions it answers.",
        ),
        Column(
            name="wall_stone", kind="text", refers="wall_stones", meaning="Wall stone it lies in."
        ),
        Column(
            name="priority",
            kind="float",
            default=1.0,
            minimum=0,
            maximum=1000,
            meaning="Weight in the matching; larger is more wanted.",
        ),
        Column(
            name="stage",
            kind="text",
            default="proposed",
            choices=STAGES,
            meaning="Where the repair stands.",
        ),
        Column(
            name="depth_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=5,
            meaning="Even depth of the cut-out.",
        ),
        Column(
            name="edges",
            kind="json",
            shape=EDGES,
            meaning="Joint of each edge of the cut-out in metres, edge i from vertex i to i + 1, 0 for an exposed edge.",
        ),
        Column(
            name="edge_kinds",
            kind="json",
            shape=EDGE_KINDS,
            meaning="Kind of each edge: inset, joint or exposed.",
        ),
        Column(
            name="pins",
            kind="json",
            shape=PINS,
            meaning="Pins: u_m, v_m, angle_deg, hole_m, rod_m, embedment_m, into_piece_m, grade.",
        ),
        Column(
            name="materials",
            kind="json",
            shape=MATERIALS,
            meaning="Mortar, holes, spacers, rods and times, each with inputs and source.",
        ),
        Column(
            name="removed_area_m2",
            kind="float",
            unit="m2",
            minimum=0,
            meaning="Face area of original stone taken out.",
        ),
        Column(
            name="removed_volume_m3",
            kind="float",
            unit="m3",
            minimum=0,
            meaning="Volume of original stone taken out.",
        ),
        Column(
            name="rule", kind="text", meaning="Rule that decided, by its name in the rule table."
        ),
        Column(name="rule_source", kind="text", meaning="Where the rule comes from."),
        Column(name="rule_status", kind="text", meaning="confirmed, memory, practice or project."),
        Column(name="overruled_by", kind="text", meaning="Who decided otherwise than the rule."),
        Column(
            name="reason", kind="text", meaning="Why it was decided so, where a person decided."
        ),
        Column(
            name="held_back",
            kind="text",
            meaning="Why it waits, for instance a cause that is not settled.",
        ),
        Column(
            name="asks",
            kind="json",
            shape=NAMES,
            default=[],
            meaning="Columns of its conditions that are wanted before it can be decided.",
        ),
        Column(
            name="cautions",
            kind="json",
            shape=TEXTS,
            default=[],
            meaning="What may hurt somebody, in sentences.",
        ),
        Column(
            name="consent_reference",
            kind="text",
            meaning="Reference of the consent that covers it, as papers print it; what holds work is a condition entered under Consents.",
        ),
        Column(
            name="consent_conditions",
            kind="text",
            meaning="Conditions of that consent in short, for papers; nothing waits for them.",
        ),
        Column(
            name="lift", kind="int", minimum=0, meaning="Scaffold lift, counted from the ground."
        ),
        Column(name="bay", kind="int", minimum=0, meaning="Scaffold bay, counted from the left."),
        Column(
            name="measured",
            kind="json",
            shape=MEASURED,
            meaning="Cut-out as measured on site: widths, heights, diagonals, depths at the corners, all in metres.",
        ),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)

PIECES = Table(
    name="pieces",
    title="Pieces",
    meaning="The stone to cut for an inset; the outline is its face in the wall, cut-out less joints.",
    geometry="polygon",
    columns=(
        ID,
        SURFACE,
        Column(
            name="repair",
            kind="text",
            nullable=False,
            refers="repairs",
            meaning="Repair it is for.",
        ),
        Column(
            name="width_m",
            kind="float",
            unit="m",
            nullable=False,
            minimum=0,
            meaning="Width of its bounding box.",
        ),
        Column(
            name="height_m",
            kind="float",
            unit="m",
            nullable=False,
            minimum=0,
            meaning="Height of its bounding box.",
        ),
        Column(
            name="depth_m",
            kind="float",
            unit="m",
            nullable=False,
            minimum=0,
            meaning="Depth into the wall: cut depth less bedding plus proud allowance.",
        ),
        Column(
            name="bed",
            kind="text",
            nullable=False,
            choices=PIECE_BEDS,
            meaning="Trace of the natural bed on its face in the wall.",
        ),
        Column(name="stone_type", kind="text", meaning="Stone wanted."),
        Column(
            name="accept",
            kind="json",
            shape=NAMES,
            default=[],
            meaning="Other stone types that are accepted.",
        ),
        Column(name="finish", kind="text", meaning="Finish wanted."),
        Column(
            name="weathered",
            kind="bool",
            default=False,
            meaning="Whether the weathered face must be kept.",
        ),
        Column(
            name="exposed",
            kind="text",
            default="front",
            meaning="Exposed faces, separated by commas.",
        ),
        Column(
            name="turn_180",
            kind="bool",
            default=True,
            meaning="Whether it may be turned upside down on the block.",
        ),
        Column(name="lab", kind="json", shape=LAB, meaning="Colour wanted, CIELAB D50 [L, a, b]."),
        Column(
            name="appearance",
            kind="json",
            shape=APPEARANCE,
            meaning="Appearance of the neighbourhood it must match.",
        ),
        Column(
            name="de_tolerance",
            kind="float",
            minimum=0,
            meaning="Greatest CIEDE2000 allowed; missing = colour never excludes.",
        ),
        Column(name="weight_kg", kind="float", unit="kg", minimum=0, meaning="Dry weight."),
        Column(
            name="weight_saturated_kg",
            kind="float",
            unit="kg",
            minimum=0,
            meaning="Weight when saturated.",
        ),
        Column(
            name="provisional",
            kind="bool",
            default=True,
            meaning="True until the cut-out has been measured.",
        ),
        Column(
            name="lock_block",
            kind="text",
            refers="blocks",
            meaning="Block the piece must come from; '-' leaves it unmatched.",
        ),
        Column(
            name="forbid_blocks",
            kind="json",
            shape=NAMES,
            default=[],
            refers="blocks",
            many=True,
            meaning="Blocks it must not come from.",
        ),
        Column(
            name="unmatched_reason",
            kind="text",
            meaning="Why no block serves it, after the last matching.",
        ),
        Column(
            name="source_size",
            kind="json",
            shape=SIZE,
            meaning="Stone size to look for [width, height, depth] in metres.",
        ),
    ),
)

WORK_LOG = Table(
    name="work_log",
    title="Work record",
    meaning="What was done and checked, one entry a fact; never changed, corrected by a new entry.",
    columns=(
        ID,
        Column(name="repair", kind="text", nullable=False, refers="repairs", meaning="Repair."),
        Column(name="at", kind="time", nullable=False, meaning="When it was done."),
        Column(
            name="stage",
            kind="text",
            choices=STAGES,
            meaning="Stage entered, where the entry moves the repair on.",
        ),
        Column(name="check", kind="text", meaning="Criterion checked, by its name."),
        Column(
            name="result",
            kind="text",
            choices=("pass", "redo", "not applicable"),
            meaning="Outcome of the check.",
        ),
        Column(
            name="measured",
            kind="json",
            shape=READINGS,
            meaning="Values measured, each with its unit in its name.",
        ),
        Column(
            name="mason",
            kind="text",
            meaning="Who did it; optional, and can be removed without breaking the record.",
        ),
        Column(name="photo", kind="text", refers="photos", meaning="Photo that shows it."),
        Column(name="reason", kind="text", meaning="Reason of a redo or of a correction."),
        Column(
            name="corrects", kind="text", refers="work_log", meaning="Entry that this one corrects."
        ),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
