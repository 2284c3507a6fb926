"""Letters of other scripts than the typeface of the papers has: shaped, set in their direction, drawn as outlines.

Fonts come with ``pip install "facademap[scripts]"``: Arabic, Hebrew, Devanagari, Thai, Chinese, Japanese, Korean. Without
them such letters are shown by a sign that something is missing, as :func:`facademap.report.typeface.printable` says.

References
----------
Unicode Standard Annex 9 for the order of letters, by python-bidi; shaping by HarfBuzz.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import shapely

__all__ = ["Run", "covers", "glyph_rings", "runs_of"]

Array = npt.NDArray[np.float64]
_FILES = (
    ("fontpkg_noto_sans_arabic", "files/NotoSansArabic[wdth,wght].ttf"),
    ("pylopdf_fonts_he", "NotoSansHebrew-Variable.ttf"),
    ("fontpkg_noto_sans_devanagari", "files/NotoSansDevanagari[wdth,wght].ttf"),
    ("fontpkg_noto_sans_thai", "files/NotoSansThai[wdth,wght].ttf"),
    ("pylopdf_fonts_zh_cn", "NotoSansSC-Regular.otf"),
    ("pylopdf_fonts_jp", "NotoSansJP-Regular.otf"),
    ("pylopdf_fonts_ko", "NotoSansKR-Regular.otf"),
)
_WEIGHTS = {"regular": 400, "bold": 700, "italic": 400}
_MIRRORED = str.maketrans("()[]{}<>«»", ")(][}{><»«")
#: Points on a curve of a letter.
_STEPS = np.linspace(0.0, 1.0, 7)[1:]
Weight = Literal["regular", "bold", "italic"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Letters of one font and direction, in the order they stand on the sheet.

    Parameters
    ----------
    text : str
        For the typeface of the papers; empty for another font.
    glyphs : tuple of (glyph, x, y)
        For another font: its number and where it stands, in em from the beginning of the run.
    font : int
        Which other font; -1 for the typeface.
    width_em : float
        Advance of the glyphs.
    said : str
        For another font: the letters in the order they are read.
    """

    text: str = ""
    glyphs: tuple[tuple[int, float, float], ...] = ()
    font: int = -1
    width_em: float = 0.0
    said: str = ""


@lru_cache(maxsize=1)
def _faces() -> tuple[Any, ...]:
    """The fonts that are installed."""
    try:
        import uharfbuzz as hb
    except ModuleNotFoundError:
        return ()
    found = []
    for package, file in _FILES:
        spec = importlib.util.find_spec(package)
        path = Path(spec.origin).parent / file if spec is not None and spec.origin else None
        if path is not None and path.is_file():
            found.append(hb.Face(hb.Blob.from_file_path(str(path))))
    return tuple(found)


@lru_cache(maxsize=1)
def _known() -> tuple[frozenset[int], ...]:
    return tuple(frozenset(face.unicodes) for face in _faces())


@lru_cache(maxsize=32)
def _font(index: int, weight: Weight) -> Any:
    import uharfbuzz as hb

    font = hb.Font(_faces()[index])
    font.set_variations({"wght": _WEIGHTS[weight]})
    return font


@lru_cache(maxsize=16384)
def _font_of(character: str) -> int:
    code = ord(character)
    return next((i for i, known in enumerate(_known()) if code in known), -1)


def covers(character: str) -> bool:
    """Whether one of the other fonts has a letter."""
    return _font_of(character) >= 0


def runs_of(text: str, weight: Weight, own: frozenset[int]) -> list[Run]:
    """A line as runs from left to right.

    Parameters
    ----------
    text : str
        In the order it is read.
    weight : str
    own : frozenset of int
        Letters that the typeface of the papers has.
    """
    runs: list[Run] = []
    for piece, to_left in _ordered(text):
        parts: list[Run] = []
        start = 0
        fonts = _fonts_of(piece, own)
        for k in range(1, len(piece) + 1):
            if k == len(piece) or fonts[k] != fonts[start]:
                parts.append(_run(piece[start:k], fonts[start], weight, to_left=to_left))
                start = k
        runs += parts[::-1] if to_left else parts
    return runs


def _fonts_of(piece: str, own: frozenset[int]) -> list[int]:
    """Font of each letter; blanks go with the letters before them, so that words stay together."""
    fonts: list[int] = []
    for character in piece:
        font = -1 if ord(character) in own else _font_of(character)
        if character == " " and fonts and ord(" ") in _known_of(fonts[-1]):
            font = fonts[-1]
        fonts.append(font)
    return fonts


def _known_of(font: int) -> frozenset[int]:
    return _known()[font] if font >= 0 else frozenset()


def _run(text: str, font: int, weight: Weight, *, to_left: bool) -> Run:
    if font < 0:
        # rule L4: brackets are turned round where the text runs to the left
        return Run(text=text[::-1].translate(_MIRRORED) if to_left else text)
    import uharfbuzz as hb

    buffer = hb.Buffer()
    buffer.add_str(text)
    buffer.guess_segment_properties()
    buffer.direction = "rtl" if to_left else "ltr"
    hb.shape(_font(font, weight), buffer)
    em = float(_faces()[font].upem)
    x = 0.0
    glyphs = []
    for info, at in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True):
        glyphs.append((int(info.codepoint), (x + at.x_offset) / em, at.y_offset / em))
        x += at.x_advance
    return Run(glyphs=tuple(glyphs), font=font, width_em=x / em, said=text)


def _ordered(text: str) -> list[tuple[str, bool]]:
    """Stretches of one direction from left to right, each in the order it is read, and whether it runs to the left."""
    try:
        from bidi import algorithm as bidi
    except ModuleNotFoundError:
        return [(text, False)]
    storage = bidi.get_empty_storage()
    storage["base_level"] = bidi.get_base_level(text)
    storage["base_dir"] = ("L", "R")[storage["base_level"]]
    bidi.get_embedding_levels(text, storage)
    bidi.explicit_embed_and_overrides(storage)
    bidi.resolve_weak_types(storage)
    bidi.resolve_neutral_types(storage, False)
    bidi.resolve_implicit_levels(storage, False)
    levels = [int(c["level"]) for c in storage["chars"]]
    letters = [str(c["ch"]) for c in storage["chars"]]
    stretches: list[tuple[int, str]] = []
    for level, letter in zip(levels, letters, strict=True):
        if stretches and stretches[-1][0] == level:
            stretches[-1] = (level, stretches[-1][1] + letter)
        else:
            stretches.append((level, letter))
    # rule L2: from the highest level down, turn what is at that level or above
    for level in range(max(levels, default=0), 0, -1):
        k = 0
        while k < len(stretches):
            end = k
            while end < len(stretches) and stretches[end][0] >= level:
                end += 1
            if end > k:
                stretches[k:end] = stretches[k:end][::-1]
            k = max(end, k + 1)
    return [(piece, bool(level % 2)) for level, piece in stretches]


@lru_cache(maxsize=8192)
def glyph_rings(font: int, glyph: int, weight: Weight) -> tuple[Array, ...]:
    """Outline of a letter in em, to be filled by the even-odd rule."""
    pen = _Pen()
    _font(font, weight).draw_glyph_with_pen(glyph, pen)
    rings = [np.array(r) for r in pen.rings if len(r) > 2]
    if not rings:
        return ()
    em = float(_faces()[font].upem)
    areas = [
        0.5 * float(np.sum(r[:, 0] * np.roll(r[:, 1], -1) - np.roll(r[:, 0], -1) * r[:, 1]))
        for r in rings
    ]
    # the largest contour is an outer one; fonts turn inner ones the other way, and let outer ones overlap
    outer = np.sign(areas[int(np.argmax(np.abs(areas)))])
    full = [
        shapely.Polygon(r).buffer(0) for r, a in zip(rings, areas, strict=True) if a * outer > 0
    ]
    holes = [
        shapely.Polygon(r).buffer(0) for r, a in zip(rings, areas, strict=True) if a * outer < 0
    ]
    shape = shapely.difference(shapely.union_all(full), shapely.union_all(holes))
    return tuple(
        np.asarray(ring.coords)[:-1] / em
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon"
        for ring in (part.exterior, *part.interiors)
    )


class _Pen:
    """Takes down the contours of a letter, curves as short strokes."""

    def __init__(self) -> None:
        self.rings: list[list[tuple[float, float]]] = []

    def moveTo(self, at: tuple[float, float]) -> None:  # noqa: N802 - names that the font library calls
        """Begin a contour."""
        self.rings.append([at])

    def lineTo(self, at: tuple[float, float]) -> None:  # noqa: N802
        """A straight side."""
        self.rings[-1].append(at)

    def qCurveTo(self, *points: tuple[float, float]) -> None:  # noqa: N802
        """A side of the second degree."""
        a, (b, c) = np.array(self.rings[-1][-1]), (np.array(p) for p in points)
        for t in _STEPS:
            self.rings[-1].append(tuple((1 - t) ** 2 * a + 2 * t * (1 - t) * b + t * t * c))

    def curveTo(self, *points: tuple[float, float]) -> None:  # noqa: N802
        """A side of the third degree."""
        a, (b, c, d) = np.array(self.rings[-1][-1]), (np.array(p) for p in points)
        for t in _STEPS:
            u = 1 - t
            self.rings[-1].append(
                tuple(u**3 * a + 3 * u * u * t * b + 3 * u * t * t * c + t**3 * d)
            )

    def closePath(self) -> None:  # noqa: N802
        """End a contour."""
