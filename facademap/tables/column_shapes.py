"""The shape of every JSON value that a project keeps, named as its column."""

from __future__ import annotations

from facademap.tables.shapes import (
    JUST,
    NAMES,
    NUMBER,
    POINT,
    RING,
    TEXT,
    TEXTS,
    WHOLE,
    YES_NO,
    Either,
    Floats,
    Listed,
    Maybe,
    Number,
    Record,
    Text,
    matrix,
)

__all__ = [
    "ACCEPTANCE_CHECKS",
    "APPEARANCE",
    "BOX",
    "CAMERA",
    "EDGES",
    "EDGE_KINDS",
    "FLAWS",
    "FOLD",
    "LAB",
    "MATERIALS",
    "MEASURED",
    "MEASURED_DEPTH",
    "MEASURED_FACE",
    "PATTERN_SIZE",
    "PINS",
    "PREMISES",
    "READINGS",
    "RELIEFS",
    "REPORT",
    "SECTIONS",
    "SIZE",
    "SOLUTION",
    "STONE_TESTS",
    "THICKNESSES",
    "WORLD",
]

#: Numbers of one grain pattern; the salvage room makes them.
PATTERN_SIZE = 410
_LENGTH = Number(least=0, most=1000)
_COST = Number(least=-1e300, most=1e300)
BOX = Listed(of=NUMBER, least=4, most=4)
_COUNT = Number(least=0, whole=True)
_NUMBERS_BY_NAME = Record(rest=NUMBER)
_ANY_RECORD = Record(rest=JUST)

LAB = Listed(of=Number(least=-1000, most=1000), least=3, most=3)
SIZE = Listed(of=_LENGTH, least=3, most=3)
EDGES = Listed(of=_LENGTH)
THICKNESSES = Listed(of=_LENGTH)
EDGE_KINDS = Listed(of=Text(choices=("inset", "joint", "exposed")))
ACCEPTANCE_CHECKS = Record(rest=TEXT)
#: Tests of a sample of stone: what was tested, what came out with its unit, by whom, when, and whether that is enough.
STONE_TESTS = Listed(
    of=Record(
        needs={"name": Text(longest=200), "value": Text(longest=200)},
        may={
            "by": Text(longest=200),
            "on": Text(longest=10),
            "result": Text(choices=("pass", "fail", "open")),
        },
    ),
    most=200,
)

CAMERA = Record(
    needs={
        "width": Number(least=1, most=1e6, whole=True),
        "height": Number(least=1, most=1e6, whole=True),
        **dict.fromkeys(("fx", "fy", "cx", "cy"), NUMBER),
    },
    may=dict.fromkeys(("k1", "k2", "k3", "p1", "p2"), NUMBER),
)

#: Place in the world; what a file of another survey cannot say is ``null``.
WORLD = Record(
    needs={"matrix": matrix(3, 4)},
    may={
        "epsg": Maybe(shape=WHOLE),
        "names": NAMES,
        "residual_m": Listed(of=Listed(of=Maybe(shape=NUMBER), least=3, most=3)),
        "out_of_plane_m": Listed(of=Maybe(shape=NUMBER)),
        "used": Listed(of=YES_NO),
        "rmse_m": Maybe(shape=NUMBER),
        "flags": TEXTS,
    },
    rest=JUST,
)

_SIDE = Text(choices=("left", "right", "top", "bottom"))
FOLD = Record(
    needs={"host": TEXT},
    may={
        "edge": _SIDE,
        "reveal": _SIDE,
        "opening": BOX,
        "offset_m": NUMBER,
        "set_back_m": NUMBER,
        "depth_m": NUMBER,
    },
    rest=JUST,
)

_FIT = Record(
    needs={"photo": TEXT},
    may={
        "lens": TEXT,
        "control_n": _COUNT,
        "check_n": _COUNT,
        "control_rmse_m": Maybe(shape=NUMBER),
        "check_rmse_m": Maybe(shape=NUMBER),
        "camera": Maybe(shape=_ANY_RECORD),
        "joined": YES_NO,
        "left_out": NAMES,
        "statement": Maybe(shape=_ANY_RECORD),
    },
    rest=JUST,
)
REPORT = Record(
    may={
        "photos": Listed(of=_FIT),
        "warnings": TEXTS,
        "extent_m": BOX,
        "control_hull_m": Maybe(shape=Listed(of=POINT)),
        "proved": YES_NO,
        "proof": TEXT,
        "supports_scale": Maybe(shape=NUMBER),
        "scale": Maybe(shape=NUMBER),
        "outside_share": Maybe(shape=NUMBER),
        "scale_error_m": Maybe(shape=NUMBER),
        "colour": Maybe(shape=_ANY_RECORD),
        **dict.fromkeys(("gsd_m", "control_rmse_m", "check_rmse_m"), Maybe(shape=NUMBER)),
        **dict.fromkeys(("control_n", "check_n", "check_observations"), Maybe(shape=_COUNT)),
    },
    rest=JUST,
)

#: Depth of a condition as the relief has it; ``depth_m`` is what a person may confirm, ``null`` where nothing is proved.
MEASURED_DEPTH = Record(
    needs={
        **dict.fromkeys(
            ("mean_m", "deepest_m", "plus_minus_95_m", "volume_m3", "known_share", "area_m2"),
            NUMBER,
        ),
        "depth_m": Maybe(shape=_LENGTH),
        "outline": TEXT,
        "relief": TEXT,
    },
    rest=JUST,
)
#: How the face of a wall stone lies in the wall, as the relief has it.
MEASURED_FACE = Record(
    needs={
        **dict.fromkeys(
            (
                "stand_out_m",
                "plus_minus_95_m",
                "lean_out_m_m",
                "turn_m_m",
                "planarity_m",
                "known_share",
            ),
            NUMBER,
        ),
        "outline": TEXT,
        "relief": TEXT,
    },
    rest=JUST,
)
#: Reliefs of a surface, the newest last.
RELIEFS = Listed(
    of=Record(
        needs={"path": TEXT, "survey": TEXT, "source": TEXT, "sha256": TEXT, "cell_m": _LENGTH},
        may={
            "taken_on": Maybe(shape=TEXT),
            "check_rmse_w_m": Maybe(shape=NUMBER),
            "check_n": Maybe(shape=_COUNT),
            **dict.fromkeys(("known_share", "sigma_median_m"), NUMBER),
            "photos": TEXTS,
            "warnings": TEXTS,
            "note": TEXT,
        },
        rest=JUST,
    )
)

#: Lines of sections.
SECTIONS = Listed(of=Record(needs={"name": TEXT, "line_m": BOX}))

FLAWS = Listed(
    of=Record(
        needs={"ring": RING},
        may={"kind": TEXT, "depth_m": Maybe(shape=_LENGTH), "from_m": Maybe(shape=_LENGTH)},
        rest=JUST,
    )
)
APPEARANCE = Record(
    needs={
        "version": WHOLE,
        "lab": LAB,
        "covariance": matrix(3, 3),
        "n": _COUNT,
        "spread": NUMBER,
        "quantiles": Listed(of=Listed(of=NUMBER, least=3, most=3), least=2),
        "pattern": Floats(count=PATTERN_SIZE),
        "direction_deg": NUMBER,
        "anisotropy": NUMBER,
        "scale_px": NUMBER,
        "pattern_n": _COUNT,
        "grain_scale_m": Maybe(shape=NUMBER),
        "wetness": Text(choices=("dry", "damp", "wet")),
        "weathered": Maybe(shape=YES_NO),
        "finish": TEXT,
        "calibrated": YES_NO,
    },
    may={"source_gsd_m": Maybe(shape=NUMBER)},
)

PINS = Listed(
    of=Record(
        needs=dict.fromkeys(
            ("u_m", "v_m", "hole_m", "rod_m", "embedment_m", "into_piece_m"), NUMBER
        ),
        may={
            **dict.fromkeys(
                (
                    "angle_deg",
                    "turn_deg",
                    "hole_wall_m",
                    "hole_piece_m",
                    "rod_length_m",
                    "gap_m",
                    "bore_piece_m",
                ),
                Maybe(shape=NUMBER),
            ),
            "grade": Maybe(shape=TEXT),
            "fixing": Maybe(shape=TEXT),
        },
        rest=JUST,
    )
)
_NOTED = Record(may={"faults": TEXTS, "notes": TEXTS}, rest=JUST)
MATERIALS = Record(
    may={
        "mortar": Record(may={"inputs": Listed(of=_ANY_RECORD)}, rest=Maybe(shape=NUMBER)),
        "moulding": Record(may={"projection_m": Maybe(shape=NUMBER)}, rest=JUST),
        "pins": _NOTED,
        "cut": Record(may={"tools": TEXTS, "notes": TEXTS}, rest=JUST),
        "hours": Either(shapes=(NUMBER, _NUMBERS_BY_NAME)),
        "hours_range": _NUMBERS_BY_NAME,
        "edges": Listed(of=_ANY_RECORD),
        "mix_faults": TEXTS,
        "hold_points": TEXTS,
        "proud_m": NUMBER,
        **dict.fromkeys(
            (
                "batch",
                "bond_side",
                "covers",
                "drilling_template",
                "dust",
                "fixing",
                "handling",
                "spacers",
                "times",
            ),
            _ANY_RECORD,
        ),
    },
    rest=JUST,
)
_LENGTHS = Listed(of=_LENGTH)
#: Cut-out as measured.
MEASURED = Record(
    may={
        **dict.fromkeys(("widths_m", "heights_m", "depths_m", "diagonals_m"), _LENGTHS),
        "sides_m": Record(rest=_LENGTH),
        "joints_m": Record(rest=_LENGTH),
    },
)
#: Values of an entry of the work record, as typed.
READINGS = Record(rest=Either(shapes=(NUMBER, TEXT, YES_NO, Listed(of=NUMBER), JUST)))

_PLACEMENT = Record(
    needs={
        **dict.fromkeys(("repair", "block", "face"), TEXT),
        **dict.fromkeys(("x", "y"), NUMBER),
        "rot": WHOLE,
    },
    may={"slab": WHOLE},
)
_UNMATCHED = Record(
    needs={"repair": TEXT, "reason": TEXT, "source": Listed(of=NUMBER, least=3, most=3)}
)
#: As the file of a solution.
SOLUTION = Record(
    may={
        "status": TEXT,
        "ended_by": TEXT,
        **dict.fromkeys(("objective", "bound", "gap", "seconds"), _COST),
        "seed": WHOLE,
        "placements": Listed(of=_PLACEMENT),
        "unmatched": Listed(of=_UNMATCHED),
        "slabs": Record(rest=Record(needs={"face": TEXT, "thickness": Listed(of=NUMBER)})),
        "meta": JUST,
    }
)
PREMISES = Record(
    needs={"digest": TEXT, "locks": Record(rest=_ANY_RECORD), "forbid": Record(rest=NAMES)}
)
