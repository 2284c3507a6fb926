"""Sizes of paper, in millimetres."""

from __future__ import annotations

from facademap.errors import InputError

__all__ = ["PAPERS", "Size", "paper_named"]

Size = tuple[float, float]

_INCH = 25.4
#: Portrait, width and height in millimetres: ISO 216 A series, ANSI/ASME Y14.1 and US architectural sizes.
PAPERS: dict[str, Size] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "A2": (420.0, 594.0),
    "A1": (594.0, 841.0),
    "A0": (841.0, 1189.0),
    "Letter": (8.5 * _INCH, 11 * _INCH),
    "Legal": (8.5 * _INCH, 14 * _INCH),
    "Tabloid": (11 * _INCH, 17 * _INCH),
    "ANSI C": (17 * _INCH, 22 * _INCH),
    "ANSI D": (22 * _INCH, 34 * _INCH),
    "ANSI E": (34 * _INCH, 44 * _INCH),
    "ARCH A": (9 * _INCH, 12 * _INCH),
    "ARCH B": (12 * _INCH, 18 * _INCH),
    "ARCH C": (18 * _INCH, 24 * _INCH),
    "ARCH D": (24 * _INCH, 36 * _INCH),
    "ARCH E": (36 * _INCH, 48 * _INCH),
}


def paper_named(name: str, *, landscape: bool = False) -> Size:
    """Width and height of a sheet in millimetres.

    Raises
    ------
    InputError
        No such size.
    """
    wanted = " ".join(str(name).split()).lower()
    for known, (width_mm, height_mm) in PAPERS.items():
        if known.lower() == wanted:
            return (height_mm, width_mm) if landscape else (width_mm, height_mm)
    raise InputError(f"there is no paper {name!r}", f"Use one of {', '.join(PAPERS)}.")
