"""One book of signs: colour, hatch, weight, dash and letter of each term and class.

Drawings, the condition map, the survey desk and the styles for GIS programs all draw from here. Colour and hatch tell
what it is, the letter names the term, the weight of the line tells the condition class, marks after the letter the
urgency, and a dashed outline that nobody has confirmed it yet. A crack has no hatch: the dash of its line tells its term.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from facademap.condition.glossary import FAMILIES, TERMS, Hatch
from facademap.condition.hatch_cells import hatch_cell
from facademap.tables import UNDECIDED

__all__ = [
    "CONDITION_FILL",
    "DASH_OF_LINE",
    "DOT_RADIUS_MM",
    "HATCH_LINE_MM",
    "LINE_EXTRA_MM",
    "MARK_MM",
    "OTHER_SIGN",
    "PROPOSED_DASH_MM",
    "SIGN_OF_THING",
    "SIGN_OF_TREATMENT",
    "URGENCY_MARKS",
    "Sign",
    "letter_with_urgency",
    "signs_as_json",
    "weight_of_class",
]

#: Width of an outline by condition class 0 to 3 on paper; one that has no class is drawn as class 0.
_WEIGHTS_MM = (0.25, 0.35, 0.55, 0.85)
#: Marks after the letter by urgency class 0 to 3.
URGENCY_MARKS = ("", "", "!", "!!")
#: Dash of an outline that no person has confirmed.
PROPOSED_DASH_MM = (1.8, 1.2)
#: Width of the lines of a hatch, and the radius of its dots.
HATCH_LINE_MM = 0.25
DOT_RADIUS_MM = 0.3
#: Opacity of the plain fill under the hatch of a condition.
CONDITION_FILL = 0.14
#: A condition that is a line is drawn wider than an outline of its class; one that is a point is a triangle of this height.
LINE_EXTRA_MM = 0.25
MARK_MM = 3.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """How a thing is drawn.

    Parameters
    ----------
    colour : str
        ``#rrggbb``.
    hatch : Hatch or None
        Lines or dots that fill it.
    weight_mm : float
        Width of its outline on paper.
    fill : float
        Opacity of a plain fill under the hatch.
    letter : str
        Short name, empty for none.
    """

    colour: str
    hatch: Hatch | None = None
    weight_mm: float = 0.35
    fill: float = 0.0
    letter: str = ""


#: Treatments, told apart in grey too.
SIGN_OF_TREATMENT: Mapping[str, Sign] = {
    "inset": Sign(colour="#a3161b", hatch=Hatch(angles_deg=(45.0,), spacing_mm=1.3), weight_mm=0.6),
    "whole stone": Sign(
        colour="#a3161b", hatch=Hatch(angles_deg=(45.0, 135.0), spacing_mm=1.8), weight_mm=0.6
    ),
    "mortar repair": Sign(colour="#7a5a00", hatch=Hatch(spacing_mm=1.5)),
    "repoint": Sign(
        colour="#5d4a3a", hatch=Hatch(angles_deg=(0.0,), spacing_mm=1.2, dash_mm=(1.5, 1.0))
    ),
    "crack repair": Sign(colour="#c24a00", hatch=Hatch(angles_deg=(90.0,), spacing_mm=1.6)),
    "clean": Sign(colour="#0063a6", hatch=Hatch(angles_deg=(0.0,), spacing_mm=2.2)),
    "consolidate": Sign(
        colour="#00795a", hatch=Hatch(angles_deg=(135.0,), spacing_mm=2.0, dash_mm=(3.0, 1.0))
    ),
    "make safe": Sign(
        colour="#1c1c1c", hatch=Hatch(angles_deg=(0.0, 90.0), spacing_mm=2.0), weight_mm=0.6
    ),
    "re-fix": Sign(
        colour="#a04a7a", hatch=Hatch(angles_deg=(45.0, 135.0), spacing_mm=2.6), weight_mm=0.5
    ),
    "metal": Sign(
        colour="#8a2d00", hatch=Hatch(angles_deg=(0.0,), spacing_mm=1.6, dash_mm=(0.6, 1.0))
    ),
    "shelter": Sign(
        colour="#2f4f8f", hatch=Hatch(angles_deg=(45.0,), spacing_mm=2.6, dash_mm=(4.0, 1.2))
    ),
    "leave": Sign(
        colour="#6b7280", hatch=Hatch(angles_deg=(90.0,), spacing_mm=4.0, dash_mm=(1.0, 1.5))
    ),
    UNDECIDED: Sign(
        colour="#6d28a8", hatch=Hatch(angles_deg=(45.0,), spacing_mm=3.2, dash_mm=(2.0, 2.0))
    ),
}
#: What is not a condition, by its table.
SIGN_OF_THING: Mapping[str, Sign] = {
    "surfaces": Sign(colour="#6b7280", weight_mm=0.28),
    "wall_stones": Sign(colour="#7b6f63", weight_mm=0.22),
    "openings": Sign(colour="#3b4252", weight_mm=0.34, fill=0.35),
    "repairs": Sign(colour="#7a1f1f", weight_mm=0.6, fill=0.25),
    "pieces": Sign(colour="#7a1f1f", weight_mm=0.4),
    "control_points": Sign(colour="#111111", weight_mm=0.28, fill=1.0),
}
_DASHES_MM: tuple[tuple[float, ...], ...] = (
    (),
    (3.0, 1.0),
    (1.2, 1.0),
    (4.0, 1.0, 0.6, 1.0),
    (6.0, 1.5),
    (3.0, 0.8, 0.6, 0.8, 0.6, 0.8),
)
#: Dash of the terms of a family that are lines, each its own, once confirmed.
DASH_OF_LINE: Mapping[str, tuple[float, ...]] = {
    term.name: dash
    for family in FAMILIES
    for term, dash in zip(
        (t for t in TERMS if t.family == family.id and t.shape == "line"), _DASHES_MM, strict=False
    )
}
#: A word that is not in the glossary.
OTHER_SIGN = Sign(colour="#444444", hatch=Hatch(angles_deg=(45.0,), spacing_mm=3.4))


def weight_of_class(cc: float | None) -> float:
    """Width in millimetres of paper of the outline of a condition of a class; ``None`` where it has none."""
    return _WEIGHTS_MM[0 if cc is None else min(3, max(0, int(cc)))]


def letter_with_urgency(letter: str, uc: float | None) -> str:
    """The letter of a term with the marks of its urgency.

    Examples
    --------
    >>> letter_with_urgency("SC", 3), letter_with_urgency("SC", None)
    ('SC!!', 'SC')
    """
    return letter + URGENCY_MARKS[0 if uc is None else min(3, max(0, int(uc)))]


@cache
def signs_as_json() -> dict[str, Any]:
    """The whole book as plain values, for pages and other programs; not to be changed."""
    families = {f.id: f for f in FAMILIES}
    return {
        "version": 2,
        "hatch": {"line_mm": HATCH_LINE_MM, "dot_radius_mm": DOT_RADIUS_MM, "fill": CONDITION_FILL},
        "lines": {"extra_mm": LINE_EXTRA_MM},
        "points": {"mark": "triangle", "size_mm": MARK_MM},
        "other": _plain(OTHER_SIGN),
        "families": {
            f.id: {"name": f.name, "colour": f.colour, "hatch": _hatch(f.hatch)} for f in FAMILIES
        },
        "terms": {
            t.name: {
                "family": t.family,
                "letter": t.abbreviation,
                "colour": families[t.family].colour,
                "hatch": _hatch(t.hatch),
                "shape": t.shape,
                "dash_mm": list(DASH_OF_LINE.get(t.name, ())),
            }
            for t in TERMS
        },
        "classes": {
            "cc": {
                **{str(k): {"weight_mm": w} for k, w in enumerate(_WEIGHTS_MM)},
                "none": {"weight_mm": weight_of_class(None)},
            },
            "uc": {str(k): {"mark": m} for k, m in enumerate(URGENCY_MARKS)},
        },
        "treatments": {n: _plain(s) for n, s in SIGN_OF_TREATMENT.items()},
        "things": {n: _plain(s) for n, s in SIGN_OF_THING.items()},
        "states": {
            "proposed": {"dash_mm": list(PROPOSED_DASH_MM)},
            "confirmed": {"dash_mm": []},
            UNDECIDED: {"colour": SIGN_OF_TREATMENT[UNDECIDED].colour},
        },
    }


def _plain(sign: Sign) -> dict[str, Any]:
    return {
        "colour": sign.colour,
        "hatch": None if sign.hatch is None else _hatch(sign.hatch),
        "weight_mm": sign.weight_mm,
        "fill": sign.fill,
        "letter": sign.letter,
    }


def _hatch(hatch: Hatch) -> dict[str, Any]:
    cell = hatch_cell(hatch)
    return {
        "angles": list(hatch.angles_deg),
        "spacing_mm": hatch.spacing_mm,
        "dash_mm": list(hatch.dash_mm),
        "dots": not hatch.angles_deg,
        "cell": {
            "width_mm": round(cell.width_mm, 4),
            "height_mm": round(cell.height_mm, 4),
            "strokes_mm": [[round(v, 3) for v in s] for s in cell.strokes_mm],
            "dots_mm": [[round(v, 3) for v in d] for d in cell.dots_mm],
        },
    }
