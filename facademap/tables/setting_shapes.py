"""The shape of every setting that is read by name; other settings are any plain value."""

from __future__ import annotations

from collections.abc import Mapping

from facademap.tables.shapes import (
    JUST,
    LARGEST,
    NAMES,
    NUMBER,
    POINT,
    TEXT,
    WHOLE,
    YES_NO,
    Either,
    Listed,
    Maybe,
    Number,
    Record,
    Shape,
    Text,
)

__all__ = ["ISSUE", "PAPER", "setting_shape"]

#: Settings whose names begin so are papers that were made.
PAPER = "paper:"
#: Settings whose names begin so are transmittals of issued papers.
ISSUE = "issue:"
_TEMPLATE = "template:"

_PATCH = Record(
    needs={
        "name": TEXT,
        "x_px": NUMBER,
        "y_px": NUMBER,
        "half_px": NUMBER,
        "role": Text(choices=("fit", "check")),
    },
    may={"lab": Maybe(shape=Listed(of=NUMBER, least=3, most=3))},
    rest=JUST,
)
_CHART = Record(
    needs={"photo": TEXT, "edition": TEXT, "patches": Listed(of=_PATCH)},
    rest=JUST,
)
_GAP = Record(
    needs=dict.fromkeys(("about", "problem", "remedy"), TEXT), may={"asks": NAMES}, rest=JUST
)
_OVERRULE = Record(
    needs=dict.fromkeys(("treatment", "by", "reason"), TEXT), may={"planned": YES_NO}, rest=JUST
)
_STANDARD = Record(
    needs={
        "fixed_on": TEXT,
        "shares": Record(rest=NUMBER),
        "critical": NAMES,
        "least_repairs": WHOLE,
        "pass_share": NUMBER,
    },
    rest=JUST,
)
_PAPER = Record(
    may=dict.fromkeys(("name", "recalled_at", "recalled_by", "why"), Maybe(shape=TEXT)), rest=JUST
)
_REVISION = Record(
    needs=dict.fromkeys(("letter", "date", "status", "reason", "drawn_by", "checked_by"), TEXT)
)
_DOCUMENT = Record(
    needs={
        **dict.fromkeys(("number", "title", "paper", "file", "made_from", "content"), TEXT),
        "revision": _REVISION,
        "files": Record(rest=TEXT),
        "rows": Record(rest=TEXT),
        "pages": WHOLE,
    }
)
_TRANSMITTAL = Record(
    needs={
        **dict.fromkeys(("date", "status", "reason", "by"), TEXT),
        "to": NAMES,
        "documents": NAMES,
        "fresh": Listed(of=_DOCUMENT),
    }
)
_CONTRACT = Record(
    needs={
        "on": TEXT,
        "by": TEXT,
        "quantities": Listed(
            of=Record(needs={"treatment": TEXT, "measure": TEXT, "quantity": NUMBER})
        ),
    }
)
_LINK = Record(needs=dict.fromkeys(("id", "name", "hash"), TEXT), rest=JUST)
_BY_NAME = Record(rest=TEXT)
_WORDS = Record(rest=_BY_NAME)

_SHAPES: Mapping[str, Shape] = {
    "name": TEXT,
    "epsg": WHOLE,
    "lift_height_m": NUMBER,
    "datum": TEXT,
    "profile": TEXT,
    "units": TEXT,
    "rules_path": TEXT,
    "criteria_path": TEXT,
    "repair_link": TEXT,
    "outline_model": TEXT,
    "outline_tuning": Record(
        needs={"weights": Listed(of=NUMBER), "bias": Listed(of=NUMBER, least=4, most=4)}, rest=JUST
    ),
    "mix": TEXT,
    "fixing": TEXT,
    "mixes": _BY_NAME,
    "charts": Record(rest=_CHART),
    "plan_gaps": Listed(of=_GAP),
    "contract": Maybe(shape=_CONTRACT),
    "overrules": Record(rest=_OVERRULE),
    "standards": Record(rest=_STANDARD),
    "crews": Listed(of=Record(needs={"name": TEXT}, rest=JUST)),
    "reviewer_links": Listed(of=_LINK),
    "required_fields": NAMES,
    "coursing": Record(rest=Either(shapes=(NUMBER, TEXT))),
    "column_names": _WORDS,
    "renamed_ids": _WORDS,
    "trade_values": Record(rest=Either(shapes=(NUMBER, TEXT, YES_NO))),
    "treatment_values": Record(rest=NUMBER),
    "matching": Record(rest=Either(shapes=(NUMBER, TEXT, YES_NO))),
    "limits": Record(rest=Number(least=1, most=LARGEST, whole=True)),
    "densities": Record(rest=NUMBER),
    "likeness": Record(rest=NUMBER),
    "de_tolerance": NUMBER,
    "donor_cut_back_m": NUMBER,
    "profile_lines": Record(rest=Listed(of=POINT)),
    "cold_months": Listed(of=Number(least=1, most=12, whole=True)),
    "dust_tasks": Listed(of=Record(needs={"task": TEXT, "hours": NUMBER, "place": TEXT})),
}
_TEMPLATE_SHAPE = Record(needs={"values": Record(rest=JUST)}, may={"key": Maybe(shape=TEXT)})


def setting_shape(name: str) -> Shape:
    """What the value of a setting must look like; ``null`` is always allowed, and says the usual."""
    if name.startswith(PAPER):
        return Maybe(shape=_PAPER)
    if name.startswith(ISSUE):
        return _TRANSMITTAL
    if name.startswith(_TEMPLATE):
        return Maybe(shape=_TEMPLATE_SHAPE)
    return Maybe(shape=_SHAPES.get(name, JUST))
