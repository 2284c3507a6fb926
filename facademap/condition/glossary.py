"""The words for what is seen on a wall: families and terms, with definitions in our own words.

References
----------
.. [1] ICOMOS-ISCS, "Illustrated glossary on stone deterioration patterns", Monuments and Sites XV,
   2008: the five families and the names of their terms. Definitions and abbreviations are ours.
.. [2] EN 16096:2012, condition, urgency and recommendation classes; the wording of the classes is
   from memory.

Joints, structural items and earlier repairs are not deterioration patterns of stone and stand in
layers of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from facademap.errors import InputError

__all__ = [
    "CLASS_NAMES",
    "FAMILIES",
    "TERMS",
    "Family",
    "Hatch",
    "Term",
    "family_named",
    "find_term",
    "terms_of",
]

Shape = Literal["polygon", "line", "point"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hatch:
    """Lines or dots that fill an outline, readable without colour.

    Parameters
    ----------
    angles_deg : tuple of float
        Directions of the sets of lines, counter-clockwise from the right; empty for dots.
    spacing_mm : float
        Distance of the lines, or of the dots, on paper.
    dash_mm : tuple of float
        Lengths on and off along a line; empty for a full line.
    """

    angles_deg: tuple[float, ...] = ()
    spacing_mm: float = 2.0
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A family of terms, told apart by colour and by hatch."""

    id: str
    name: str
    layer: str
    colour: str
    hatch: Hatch
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One word of the glossary."""

    name: str
    family: str
    abbreviation: str
    meaning: str
    shape: Shape = "polygon"
    parent: str = ""
    hatch: Hatch

    @property
    def layer(self) -> str:
        """Layer of its family."""
        return family_named(self.family).layer


#: Colours that people with a colour vision deficiency tell apart (Okabe and Ito 2008), darkened
#: where needed to stand against pale stone.
FAMILIES: tuple[Family, ...] = (
    Family(
        id="A",
        name="Crack and deformation",
        layer="stone",
        colour="#c24a00",
        hatch=Hatch(angles_deg=(90.0,), spacing_mm=1.6),
        meaning="The stone is broken or bent.",
    ),
    Family(
        id="B",
        name="Detachment",
        layer="stone",
        colour="#0063a6",
        hatch=Hatch(angles_deg=(45.0,), spacing_mm=1.8),
        meaning="Part of the stone comes away from the rest.",
    ),
    Family(
        id="C",
        name="Features induced by material loss",
        layer="stone",
        colour="#a86f00",
        hatch=Hatch(angles_deg=(135.0,), spacing_mm=1.8),
        meaning="Stone has gone and left a new relief.",
    ),
    Family(
        id="D",
        name="Discoloration and deposit",
        layer="stone",
        colour="#a8447e",
        hatch=Hatch(angles_deg=(0.0,), spacing_mm=1.8),
        meaning="The surface has changed colour or carries a layer.",
    ),
    Family(
        id="E",
        name="Biological colonization",
        layer="stone",
        colour="#00795a",
        hatch=Hatch(spacing_mm=1.8),
        meaning="Something grows on the stone.",
    ),
    Family(
        id="J",
        name="Joints",
        layer="joint",
        colour="#5d4a3a",
        hatch=Hatch(angles_deg=(0.0,), spacing_mm=1.2, dash_mm=(1.5, 1.0)),
        meaning="What is wrong with joints and mortar.",
    ),
    Family(
        id="S",
        name="Structural items",
        layer="structural",
        colour="#1c1c1c",
        hatch=Hatch(angles_deg=(45.0, 135.0), spacing_mm=2.4),
        meaning="What may move, fall or carry load wrongly.",
    ),
    Family(
        id="R",
        name="Earlier repairs",
        layer="earlier repair",
        colour="#2f7fb8",
        hatch=Hatch(angles_deg=(0.0, 90.0), spacing_mm=2.4),
        meaning="Repairs of earlier campaigns that matter today.",
    ),
)

# family, term, parent, abbreviation, shape, meaning
_ROWS: tuple[tuple[str, str, str, str, Shape, str], ...] = (
    (
        "A",
        "crack",
        "",
        "CR",
        "line",
        "A break line that can be seen, between two parts of a stone that still hold together.",
    ),
    ("A", "fracture", "crack", "FR", "line", "A crack that runs right through the stone."),
    (
        "A",
        "star crack",
        "crack",
        "SC",
        "point",
        "Cracks that spread from one point, often rusting iron or a blow.",
    ),
    ("A", "hair crack", "crack", "HC", "line", "A crack less than 0.1 mm wide."),
    ("A", "craquele", "crack", "CQ", "polygon", "A net of fine cracks."),
    (
        "A",
        "splitting",
        "crack",
        "SP",
        "line",
        "Cracks along planes of weakness, such as upright beds.",
    ),
    (
        "A",
        "deformation",
        "",
        "DF",
        "polygon",
        "A change of shape without loss: bowing, bending, twisting.",
    ),
    ("B", "blistering", "", "BL", "polygon", "Hollow domes raised on the surface."),
    (
        "B",
        "bursting",
        "",
        "BU",
        "polygon",
        "A crater left when pressure from inside, such as rust, threw the surface off.",
    ),
    ("B", "delamination", "", "DE", "polygon", "Layers part along the bedding of the stone."),
    (
        "B",
        "exfoliation",
        "delamination",
        "EX",
        "polygon",
        "Delamination into many thin sheets that curl, like a wet book.",
    ),
    ("B", "disintegration", "", "DI", "polygon", "Grains or small crumbs come loose."),
    ("B", "crumbling", "disintegration", "CB", "polygon", "Crumbs of stone fall out."),
    (
        "B",
        "granular disintegration",
        "disintegration",
        "GD",
        "polygon",
        "Single grains come loose.",
    ),
    (
        "B",
        "powdering",
        "granular disintegration",
        "PD",
        "polygon",
        "Granular disintegration to a fine powder.",
    ),
    (
        "B",
        "sanding",
        "granular disintegration",
        "SD",
        "polygon",
        "Granular disintegration of a sandstone.",
    ),
    (
        "B",
        "sugaring",
        "granular disintegration",
        "SU",
        "polygon",
        "Granular disintegration of a crystalline marble.",
    ),
    ("B", "fragmentation", "", "FG", "polygon", "Pieces of uneven size and shape break off."),
    ("B", "splintering", "fragmentation", "SL", "polygon", "Fragmentation into sharp slivers."),
    ("B", "chipping", "fragmentation", "CH", "polygon", "Chips broken from edges and arrises."),
    (
        "B",
        "peeling",
        "",
        "PE",
        "polygon",
        "A film thinner than a few millimetres comes off, often a coating with some stone.",
    ),
    (
        "B",
        "scaling",
        "",
        "SG",
        "polygon",
        "Scales come off that do not follow the structure of the stone.",
    ),
    ("B", "flaking", "scaling", "FL", "polygon", "Scaling in thin small flakes."),
    ("B", "contour scaling", "scaling", "CS", "polygon", "A scale that runs parallel to the face."),
    ("C", "alveolization", "", "AL", "polygon", "Cavities like a honeycomb."),
    (
        "C",
        "coving",
        "alveolization",
        "CV",
        "polygon",
        "A single cavity grown from one edge of the stone.",
    ),
    ("C", "erosion", "", "ER", "polygon", "The surface has worn back."),
    (
        "C",
        "differential erosion",
        "erosion",
        "DR",
        "polygon",
        "Soft parts have worn back more than hard ones.",
    ),
    (
        "C",
        "loss of components",
        "differential erosion",
        "LC",
        "polygon",
        "Grains, shells or clasts have gone from the matrix.",
    ),
    (
        "C",
        "loss of matrix",
        "differential erosion",
        "LM",
        "polygon",
        "The matrix has gone from between the grains.",
    ),
    ("C", "rounding", "erosion", "RD", "polygon", "Arrises have worn round."),
    ("C", "roughening", "erosion", "RG", "polygon", "A once smooth face has become rough."),
    ("C", "mechanical damage", "", "MD", "polygon", "Loss by a mechanical action."),
    ("C", "impact damage", "mechanical damage", "IM", "polygon", "Loss by a blow."),
    ("C", "cut", "mechanical damage", "CU", "polygon", "Loss by an edge tool."),
    ("C", "scratch", "mechanical damage", "ST", "line", "A long shallow groove."),
    ("C", "abrasion", "mechanical damage", "AB", "polygon", "Wear by rubbing."),
    (
        "C",
        "keying",
        "mechanical damage",
        "KY",
        "polygon",
        "Marks picked into the face to hold a plaster.",
    ),
    ("C", "microkarst", "", "MK", "polygon", "Small channels dissolved in a limestone."),
    ("C", "missing part", "", "MP", "polygon", "A part that once was there has gone."),
    ("C", "gap", "missing part", "GP", "polygon", "A missing part that leaves a deep hole."),
    ("C", "perforation", "", "PF", "point", "A hole deeper than wide, by a tool or an animal."),
    ("C", "pitting", "", "PT", "polygon", "Many small separate pits."),
    ("D", "crust", "", "CT", "polygon", "A firm layer of outside matter on the face."),
    (
        "D",
        "black crust",
        "crust",
        "BC",
        "polygon",
        "A dark crust, mostly gypsum with soot, where rain does not wash.",
    ),
    ("D", "salt crust", "crust", "SK", "polygon", "A crust of soluble salts."),
    (
        "D",
        "deposit",
        "",
        "DP",
        "polygon",
        "Loose or clinging outside matter: droppings, splashes, dust.",
    ),
    ("D", "discolouration", "", "DC", "polygon", "A change of hue, lightness or chroma."),
    ("D", "colouration", "discolouration", "CO", "polygon", "A new or stronger colour."),
    ("D", "bleaching", "discolouration", "BH", "polygon", "A paler colour by leaching or light."),
    ("D", "moist area", "discolouration", "MA", "polygon", "Darker stone where it is damp."),
    (
        "D",
        "staining",
        "discolouration",
        "SN",
        "polygon",
        "A stain of limited extent, such as rust or copper.",
    ),
    ("D", "efflorescence", "", "EF", "polygon", "Loose salt crystals on the face."),
    ("D", "encrustation", "", "EN", "polygon", "A hard mineral layer that clings to the face."),
    ("D", "concretion", "encrustation", "CN", "polygon", "An encrustation of knobs or drips."),
    (
        "D",
        "film",
        "",
        "FI",
        "polygon",
        "A thin layer that covers the face, such as an old paint or a water repellent.",
    ),
    ("D", "glossy aspect", "", "GA", "polygon", "A face that shines by rubbing or a film."),
    ("D", "graffiti", "", "GR", "polygon", "Writing or drawing, painted or scratched."),
    ("D", "patina", "", "PA", "polygon", "A change by age that does no harm."),
    ("D", "iron-rich patina", "patina", "IP", "polygon", "A brown patina of iron minerals."),
    ("D", "oxalate patina", "patina", "OP", "polygon", "An ochre patina of calcium oxalate."),
    ("D", "soiling", "", "SO", "polygon", "Soot and dirt that cling a little."),
    ("D", "subflorescence", "", "SB", "polygon", "Salt crystals under the face."),
    (
        "E",
        "biological colonization",
        "",
        "BI",
        "polygon",
        "Growth that was not told apart further.",
    ),
    ("E", "alga", "", "AG", "polygon", "A green, red or black film of algae."),
    ("E", "lichen", "", "LI", "polygon", "Round leathery or crusty patches."),
    ("E", "moss", "", "MO", "polygon", "Green cushions."),
    ("E", "mould", "", "MU", "polygon", "A web of fungus."),
    ("E", "plant", "", "PL", "polygon", "A higher plant rooted in stone or joint."),
    ("J", "open joint", "", "OJ", "line", "A joint that has lost its mortar."),
    ("J", "decayed pointing", "", "DJ", "line", "Pointing that is soft, cracked or coming away."),
    ("J", "hard pointing", "", "HJ", "line", "Pointing harder or denser than the stone."),
    (
        "S",
        "loose stone",
        "",
        "LS",
        "polygon",
        "A stone or a part of one that moves or rings hollow and may fall.",
    ),
    ("S", "displacement", "", "DS", "polygon", "A stone that has moved out of its place."),
    ("S", "bulge", "", "BG", "polygon", "A stretch of wall that leans out."),
    ("S", "corroding iron", "", "CI", "point", "Iron built in that rusts and swells."),
    (
        "R",
        "failed repair",
        "",
        "XR",
        "polygon",
        "An earlier repair that is loose, cracked or does harm.",
    ),
    ("R", "cement repair", "", "XC", "polygon", "An earlier repair in cement."),
    ("R", "sound repair", "", "XS", "polygon", "An earlier repair that serves well."),
)


def _hatch_of(family: Family, index: int) -> Hatch:
    """Terms of a family vary its hatch in spacing and dash, so that print without colour still tells them apart."""
    dashes: tuple[tuple[float, ...], ...] = ((), (3.0, 1.0), (1.2, 1.0), (4.0, 1.0, 0.6, 1.0))
    spacings = (1.0, 1.35, 0.75, 1.75, 2.3, 2.9)
    if family.hatch.dash_mm or not family.hatch.angles_deg:  # dots, or one dash for the family
        spacing, dash = spacings[index % len(spacings)], family.hatch.dash_mm
    else:
        spacing, dash = spacings[index // len(dashes) % len(spacings)], dashes[index % len(dashes)]
    spacing *= family.hatch.spacing_mm
    return Hatch(angles_deg=family.hatch.angles_deg, spacing_mm=round(spacing, 3), dash_mm=dash)


def _make_terms() -> tuple[Term, ...]:
    counts: dict[str, int] = {}
    terms = []
    for family_id, name, parent, abbreviation, shape, meaning in _ROWS:
        index = counts.get(family_id, 0)
        counts[family_id] = index + 1
        hatch = _hatch_of(family_named(family_id), index)
        terms.append(
            Term(
                name=name,
                family=family_id,
                parent=parent,
                abbreviation=abbreviation,
                shape=shape,
                meaning=meaning,
                hatch=hatch,
            )
        )
    return tuple(terms)


def family_named(id: str) -> Family:
    """The family of that letter.

    Raises
    ------
    InputError
        There is no such family.
    """
    for family in FAMILIES:
        if family.id == id:
            return family
    raise InputError(
        f"there is no family {id!r}", "Use one of " + ", ".join(f.id for f in FAMILIES) + "."
    )


TERMS: tuple[Term, ...] = _make_terms()
_BY_NAME = {t.name: t for t in TERMS}
_OTHER_SPELLINGS = {
    "algae": "alga",
    "biological colonisation": "biological colonization",
    "chalking": "powdering",
    "craquelé": "craquele",
    "discoloration": "discolouration",
    "coloration": "colouration",
    "fading": "bleaching",
    "lichens": "lichen",
    "mold": "mould",
    "mosses": "moss",
    "plants": "plant",
    "spalling": "contour scaling",
    "alveolisation": "alveolization",
}
_REFUSED = {
    "crazing": "Crazing is a word for glazes; for a net of fine cracks in stone use craquele."
}


def find_term(name: str) -> Term:
    """The term of that name, whatever the case; common other spellings are understood.

    Raises
    ------
    InputError
        No such term; the nearest ones are named.
    """
    word = " ".join(str(name).strip().lower().split())
    word = _OTHER_SPELLINGS.get(word, word)
    if word in _BY_NAME:
        return _BY_NAME[word]
    if word in _REFUSED:
        raise InputError(f"unknown term {name!r}", _REFUSED[word])
    near = get_close_matches(word, _BY_NAME, n=3)
    hint = f"Did you mean {' or '.join(near)}?" if near else "See facademap glossary for the words."
    raise InputError(f"unknown term {str(name)[:60]!r}", hint)


def terms_of(family_id: str) -> tuple[Term, ...]:
    """All terms of a family, in glossary order."""
    return tuple(t for t in TERMS if t.family == family_id)


#: Class wording from memory of EN 16096:2012; the numbers are what is stored.
CLASS_NAMES: dict[str, tuple[str, str, str, str]] = {
    "cc": ("no symptoms", "minor symptoms", "moderately strong symptoms", "major symptoms"),
    "uc": ("long term", "intermediate term", "short term", "urgent and immediate"),
    "rc": (
        "no measures",
        "maintenance or preventive conservation",
        "moderate repair or further investigation",
        "major intervention based on diagnosis",
    ),
}
