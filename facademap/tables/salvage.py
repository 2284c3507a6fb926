"""Tables of the yard: salvaged blocks and their faces."""

from __future__ import annotations

from facademap.tables.column_shapes import ACCEPTANCE_CHECKS, APPEARANCE, FLAWS, LAB
from facademap.tables.contract import Column, Table
from facademap.tables.shapes import RING, matrix
from facademap.tables.survey import ID, STONE_KINDS

__all__ = ["ACCEPTANCES", "BLOCKS", "BLOCK_STATES", "FACES", "FACE_BEDS"]

BLOCK_STATES = ("available", "reserved", "sawn", "used", "rejected", "future")
ACCEPTANCES = ("accepted", "to test", "rejected")
FACE_BEDS = ("x", "none", "parallel", "unknown")

BLOCKS = Table(
    name="blocks",
    title="Blocks",
    meaning="Salvaged stones.",
    columns=(
        ID,
        Column(name="stone_type", kind="text", nullable=False, meaning="Local name of the stone."),
        Column(
            name="kind",
            kind="text",
            default="unknown",
            choices=STONE_KINDS,
            meaning="Kind of rock.",
        ),
        Column(
            name="provenance",
            kind="text",
            meaning="Where it came from: surface, wall stone or delivery.",
        ),
        Column(name="location", kind="text", meaning="Where it lies."),
        Column(
            name="length_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=10,
            meaning="Length over all.",
        ),
        Column(
            name="height_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=10,
            meaning="Height over all.",
        ),
        Column(
            name="depth_m", kind="float", unit="m", minimum=0, maximum=10, meaning="Depth over all."
        ),
        Column(
            name="weight_kg", kind="float", unit="kg", minimum=0, maximum=50_000, meaning="Weight."
        ),
        Column(
            name="weight_status",
            kind="text",
            default="from density",
            choices=("measured", "from density"),
            meaning="How the weight is known.",
        ),
        Column(
            name="state",
            kind="text",
            default="available",
            choices=BLOCK_STATES,
            meaning="future = exists only after the repair named in after_repair was cut out.",
        ),
        Column(
            name="acceptance",
            kind="text",
            default="to test",
            choices=ACCEPTANCES,
            meaning="Whether the stone was found fit (sounded, salts, old iron, residues, absorption): before any matching, and "
            "where it is still in the wall, before it is sawn.",
        ),
        Column(
            name="acceptance_checks",
            kind="json",
            shape=ACCEPTANCE_CHECKS,
            meaning="Result of each acceptance check.",
        ),
        Column(
            name="after_repair",
            kind="text",
            refers="repairs",
            meaning="Repair whose cut-out yields this block.",
        ),
        Column(name="parent", kind="text", refers="blocks", meaning="Block it is a remainder of."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)

FACES = Table(
    name="faces",
    title="Faces of blocks",
    meaning="Faces that may be worked. Outline and flaws are in metres of the face: x along the bed trace where bed "
    "is x, y square to it.",
    columns=(
        ID,
        Column(name="block", kind="text", nullable=False, refers="blocks", meaning="Block."),
        Column(
            name="outline",
            kind="json",
            shape=RING,
            nullable=False,
            meaning="Ring [[x_m, y_m], ..] that is sound through the whole usable depth.",
        ),
        Column(
            name="usable_depth_m",
            kind="float",
            unit="m",
            nullable=False,
            minimum=0,
            maximum=10,
            meaning="Usable depth behind the face.",
        ),
        Column(
            name="bed",
            kind="text",
            default="unknown",
            choices=FACE_BEDS,
            meaning="Natural bed: trace along x, none (no bed), parallel to the face, unknown.",
        ),
        Column(
            name="flaws",
            kind="json",
            shape=FLAWS,
            default=[],
            meaning="Flaws: kind, ring in metres, depth_m reached (null = right through), from_m.",
        ),
        Column(name="finish", kind="text", meaning="Tooling of the face."),
        Column(
            name="weathered", kind="bool", default=False, meaning="Whether the face is weathered."
        ),
        Column(
            name="wetness",
            kind="text",
            default="dry",
            choices=("dry", "damp", "wet"),
            meaning="State when photographed.",
        ),
        Column(
            name="calibrated",
            kind="bool",
            default=False,
            meaning="Whether the colour was made true by a chart or a grey card.",
        ),
        Column(name="lab", kind="json", shape=LAB, meaning="Mean colour, CIELAB D50 [L, a, b]."),
        Column(
            name="lab_covariance",
            kind="json",
            shape=matrix(3, 3),
            meaning="Covariance of the colour, 3 x 3.",
        ),
        Column(name="lab_n", kind="int", minimum=0, meaning="Number of samples."),
        Column(
            name="spread",
            kind="float",
            minimum=0,
            meaning="Mean CIEDE2000 of the samples to their mean.",
        ),
        Column(
            name="appearance",
            kind="json",
            shape=APPEARANCE,
            meaning="Colour distribution and grain.",
        ),
        Column(name="photo", kind="text", refers="photos", meaning="Photo of the face."),
        Column(
            name="photo_matrix",
            kind="json",
            shape=matrix(3, 3),
            meaning="3 x 3 homography from metres of the face to pixels of the photo.",
        ),
        Column(
            name="width_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Width of the outline's box along x.",
        ),
        Column(
            name="height_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Height of the outline's box.",
        ),
        Column(
            name="size_pm95_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Uncertainty of a length at 95 %.",
        ),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
