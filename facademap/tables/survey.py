"""Tables of the survey: elevations, surfaces, photos, control, wall stones, openings."""

from __future__ import annotations

from facademap.tables.column_shapes import (
    CAMERA,
    FOLD,
    MEASURED_FACE,
    RELIEFS,
    REPORT,
    SECTIONS,
    WORLD,
)
from facademap.tables.contract import Column, Table

__all__ = [
    "BEDS_IN_WALL",
    "CONTROL_POINTS",
    "ELEVATIONS",
    "OBSERVATIONS",
    "OPENINGS",
    "PHOTOS",
    "STONE_KINDS",
    "SURFACES",
    "WALL_STONES",
]

STONE_KINDS = ("sedimentary", "igneous", "metamorphic", "unknown")
BEDS_IN_WALL = ("horizontal", "edge", "parallel", "unknown")

ID = Column(
    name="id",
    kind="text",
    nullable=False,
    meaning="Stable name of the row, never used again after deletion: letters, digits, '-', '_' and '.'.",
)
SURFACE = Column(
    name="surface",
    kind="text",
    nullable=False,
    refers="surfaces",
    meaning="Surface the outline lies on.",
)

ELEVATIONS = Table(
    name="elevations",
    title="Elevations",
    meaning="A named side of the building, made of surfaces.",
    columns=(
        ID,
        Column(name="name", kind="text", nullable=False, meaning="Name that people use."),
        Column(name="building", kind="text", meaning="Building the elevation belongs to."),
        Column(
            name="facing_deg",
            kind="float",
            unit="degree",
            minimum=0,
            maximum=360,
            meaning="Bearing that the outward normal points to, from north over east.",
        ),
        Column(name="sort", kind="int", default=0, meaning="Order in lists and drawings."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)

SURFACES = Table(
    name="surfaces",
    title="Surfaces",
    meaning="One developable piece of wall with a wall frame of its own: u to the right seen from outside, v up, "
    "w out, in metres.",
    geometry="polygon",
    geometry_nullable=True,
    columns=(
        ID,
        Column(
            name="elevation",
            kind="text",
            nullable=False,
            refers="elevations",
            meaning="Elevation it belongs to.",
        ),
        Column(name="name", kind="text", nullable=False, meaning="Name that people use."),
        Column(
            name="kind",
            kind="text",
            default="plane",
            choices=("plane", "cylinder"),
            meaning="Shape of the surface.",
        ),
        Column(
            name="radius_m",
            kind="float",
            unit="m",
            meaning="Radius of a cylinder, negative when seen from inside.",
        ),
        Column(
            name="frame_wkt",
            kind="text",
            meaning="Engineering reference system (WKT 2) of the wall frame.",
        ),
        Column(
            name="world",
            kind="json",
            shape=WORLD,
            meaning="Place in the world: EPSG code, 3x4 matrix from (u, v, w, 1) to (E, N, H), residuals, "
            "out-of-plane distances; missing until survey points are given.",
        ),
        Column(
            name="fold",
            kind="json",
            shape=FOLD,
            meaning="How the surface is folded out beside its neighbour in a development drawing: host surface, "
            "edge, offset.",
        ),
        Column(
            name="picture",
            kind="text",
            meaning="Rectified elevation, path inside the project folder.",
        ),
        Column(
            name="gsd_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Ground sample distance of the picture.",
        ),
        Column(
            name="control_rmse_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Radial RMSE at control points.",
        ),
        Column(name="control_n", kind="int", minimum=0, meaning="Number of control observations."),
        Column(
            name="check_rmse_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Radial RMSE at check points.",
        ),
        Column(name="check_n", kind="int", minimum=0, meaning="Number of check points."),
        Column(
            name="colour_state",
            kind="text",
            default="uncalibrated",
            choices=("uncalibrated", "grey card", "chart"),
            meaning="How the colours of the picture were made true.",
        ),
        Column(
            name="report",
            kind="json",
            shape=REPORT,
            meaning="Accuracy statement: per photo fit, residuals, warnings, colour report.",
        ),
        Column(
            name="reliefs",
            kind="json",
            shape=RELIEFS,
            meaning="Reliefs of the surface, the newest last: file, survey, date, source, accuracy.",
        ),
        Column(
            name="sections",
            kind="json",
            shape=SECTIONS,
            meaning="Lines along which sections of the relief are drawn: name and both ends, u and v.",
        ),
    ),
)

PHOTOS = Table(
    name="photos",
    title="Photos",
    meaning="Original pictures, never changed, known by the hash of their content.",
    columns=(
        ID,
        Column(name="path", kind="text", nullable=False, meaning="Path inside the project folder."),
        Column(name="sha256", kind="text", nullable=False, meaning="Hash of the file's content."),
        Column(
            name="width_px",
            kind="int",
            unit="px",
            nullable=False,
            minimum=1,
            meaning="Width of the upright picture.",
        ),
        Column(
            name="height_px",
            kind="int",
            unit="px",
            nullable=False,
            minimum=1,
            meaning="Height of the upright picture.",
        ),
        Column(
            name="exif_orientation",
            kind="int",
            minimum=1,
            maximum=8,
            meaning="How the stored picture is turned to stand upright, as in its EXIF: 1 to 8.",
        ),
        Column(
            name="subject",
            kind="text",
            default="elevation",
            choices=("elevation", "condition", "block", "record", "chart"),
            meaning="What the picture shows.",
        ),
        Column(
            name="surface",
            kind="text",
            refers="surfaces",
            meaning="Surface it shows, for a picture of a wall.",
        ),
        Column(
            name="camera",
            kind="json",
            shape=CAMERA,
            meaning="Lens: width, height, fx, fy, cx, cy, k1, k2, k3, p1, p2 in pixels of the upright picture.",
        ),
        Column(name="taken_at", kind="time", meaning="When it was taken."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)

CONTROL_POINTS = Table(
    name="control_points",
    joined_ids=True,
    title="Control and check points",
    meaning="Named points with known place on a surface; a check point is never used in a fit.",
    geometry="point",
    geometry_nullable=True,
    columns=(
        ID,
        Column(
            name="surface",
            kind="text",
            nullable=False,
            refers="surfaces",
            meaning="Surface the point lies on.",
        ),
        Column(name="name", kind="text", nullable=False, meaning="Name on the surveyor's list."),
        Column(
            name="role",
            kind="text",
            default="control",
            choices=("control", "check"),
            meaning="Used in the fit, or kept apart.",
        ),
        Column(
            name="u_m",
            kind="float",
            unit="m",
            meaning="Along the wall, to the right seen from outside.",
        ),
        Column(name="v_m", kind="float", unit="m", meaning="Up the wall."),
        Column(name="w_m", kind="float", unit="m", meaning="Out of the wall."),
        Column(
            name="east_m",
            kind="float",
            unit="m",
            meaning="Easting in the project's projected system.",
        ),
        Column(
            name="north_m",
            kind="float",
            unit="m",
            meaning="Northing in the project's projected system.",
        ),
        Column(name="height_m", kind="float", unit="m", meaning="Height."),
        Column(
            name="sigma_m",
            kind="float",
            unit="m",
            minimum=0,
            meaning="Standard deviation of the measured place.",
        ),
    ),
)

OBSERVATIONS = Table(
    name="observations",
    joined_ids=True,
    title="Control seen in photos",
    meaning="Where a control or check point appears in a photo.",
    columns=(
        ID,
        Column(name="photo", kind="text", nullable=False, refers="photos", meaning="Photo."),
        Column(
            name="control_point",
            kind="text",
            nullable=False,
            refers="control_points",
            meaning="Point.",
        ),
        Column(
            name="x_px",
            kind="float",
            unit="px",
            nullable=False,
            meaning="Right in the upright picture, pixel centre at the whole number.",
        ),
        Column(
            name="y_px",
            kind="float",
            unit="px",
            nullable=False,
            meaning="Down in the upright picture, pixel centre at the whole number.",
        ),
        Column(
            name="du_m",
            kind="float",
            unit="m",
            meaning="Residual along the wall after the last fit.",
        ),
        Column(
            name="dv_m", kind="float", unit="m", meaning="Residual up the wall after the last fit."
        ),
    ),
)

WALL_STONES = Table(
    name="wall_stones",
    title="Wall stones",
    meaning="Each stone in the wall, outlined without its joints.",
    geometry="polygon",
    columns=(
        ID,
        SURFACE,
        Column(name="course", kind="int", meaning="Course, counted from below."),
        Column(name="number", kind="int", meaning="Number in the course, from the left."),
        Column(name="stone_type", kind="text", meaning="Local name of the stone."),
        Column(
            name="kind",
            kind="text",
            default="unknown",
            choices=STONE_KINDS,
            meaning="Kind of rock.",
        ),
        Column(
            name="bed",
            kind="text",
            default="unknown",
            choices=BEDS_IN_WALL,
            meaning="Trace of the natural bed on the face: horizontal, edge (upright), parallel to the face.",
        ),
        Column(name="finish", kind="text", meaning="Tooling of the face."),
        Column(
            name="depth_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=5,
            meaning="Depth on the bed into the wall.",
        ),
        Column(
            name="exposed",
            kind="text",
            default="front",
            meaning="Exposed faces: front, left, right, top, bottom, separated by commas.",
        ),
        Column(
            name="part",
            kind="text",
            default="walling",
            choices=(
                "walling",
                "quoin",
                "lintel",
                "sill",
                "jamb",
                "string course",
                "cornice",
                "coping",
                "plinth",
                "voussoir",
                "other",
            ),
            meaning="Part of the building.",
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
        Column(name="note", kind="text", meaning="Remarks."),
        Column(
            name="origin",
            kind="text",
            default="drawn",
            choices=("drawn", "assisted", "imported"),
            meaning="How the outline came about; assisted ones need a person's confirmation.",
        ),
        Column(name="confirmed_by", kind="text", meaning="Who confirmed an assisted outline."),
        Column(
            name="measured_face",
            kind="json",
            shape=MEASURED_FACE,
            meaning="How its face lies in the wall as the relief has it: stand-out, lean, turn, planarity.",
        ),
    ),
)

OPENINGS = Table(
    name="openings",
    title="Architectural openings",
    meaning="Windows, doors and other voids, left out of every area.",
    geometry="polygon",
    columns=(
        ID,
        SURFACE,
        Column(
            name="kind",
            kind="text",
            default="window",
            choices=("window", "door", "hatch", "vent", "downpipe", "sign", "other"),
            meaning="What it is.",
        ),
        Column(name="depth_m", kind="float", unit="m", minimum=0, meaning="Depth of its reveal."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
