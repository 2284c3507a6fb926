"""The typeface of all papers, and text made fit to print.

The font is embedded in every PDF. Names come from people and files: letters of other scripts are drawn from fonts of
their own where those are installed (:mod:`facademap.report.scripts`), and whatever nothing can show is replaced by
something that can be seen: never dropped in silence, never a crash.
"""

from __future__ import annotations

import importlib.util
import threading
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Literal

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from facademap.report.scripts import covers, runs_of

__all__ = [
    "MM_PER_PT",
    "Weight",
    "common_size",
    "fit_text",
    "font_name",
    "is_foreign",
    "missing_letters",
    "own_letters",
    "printable",
    "text_width_mm",
    "wrap_text",
]

Weight = Literal["regular", "bold", "italic"]
MM_PER_PT = 25.4 / 72.0
_FAMILY = "facademap"
#: Stands for a letter that the font does not have.
_MISSING = "\u00a4"
_FILES: dict[str, dict[Weight, str]] = {
    "ttf_opensans": {
        "regular": "ttf/OpenSans-Regular.ttf",
        "bold": "ttf/OpenSans-Bold.ttf",
        "italic": "ttf/OpenSans-Italic.ttf",
    },
    "reportlab": {
        "regular": "fonts/Vera.ttf",
        "bold": "fonts/VeraBd.ttf",
        "italic": "fonts/VeraIt.ttf",
    },
}
_lock = threading.Lock()


def _folder() -> tuple[str, Path]:
    for package in _FILES:
        found = importlib.util.find_spec(package)
        if found is not None and found.origin:
            return package, Path(found.origin).parent
    raise ModuleNotFoundError("reportlab")


@lru_cache(maxsize=1)
def _register() -> dict[Weight, TTFont]:
    with _lock:
        package, folder = _folder()
        fonts = {}
        for weight, file in _FILES[package].items():
            font = TTFont(f"{_FAMILY}-{weight}", str(folder / file))
            pdfmetrics.registerFont(font)
            fonts[weight] = font
    return fonts


def font_name(weight: Weight) -> str:
    """Name under which the PDF writer knows the font."""
    _register()
    return f"{_FAMILY}-{weight}"


@lru_cache(maxsize=8192)
def _shown(character: str) -> str:
    glyphs = _register()["regular"].face.charToGlyph
    code = ord(character)
    category = unicodedata.category(character)
    if character in "\n\t\r\x0b\x0c\x85\u2028\u2029":
        return " "
    if category in ("Cc", "Cf", "Cs", "Co", "Cn"):
        return ""
    if category == "Zs":
        return " "
    if code in glyphs or covers(character):
        return character
    plain = "".join(
        c
        for c in unicodedata.normalize("NFKD", character)
        if ord(c) in glyphs and not unicodedata.combining(c)
    )
    if plain:
        return plain
    return "" if unicodedata.combining(character) else _MISSING


def printable(text: object) -> str:
    """Text that the font can show, on one line.

    Control and direction characters are dropped, white space becomes a space, a letter that the font
    lacks becomes its plain form (``ạ`` to ``a``) or a sign that shows that something is missing.

    Examples
    --------
    >>> printable("A\\x07B\\nC")
    'AB C'
    """
    return "".join(_shown(c) for c in unicodedata.normalize("NFC", str(text)))


def missing_letters(text: str) -> str:
    """Letters of a text that no font here has, each once, in order; a sign stands for them on paper.

    Examples
    --------
    >>> missing_letters("wall \U0001faa8")
    '\U0001faa8'
    """
    return "".join(sorted({c for c in text if _MISSING in _shown(c) and c != _MISSING}))


@lru_cache(maxsize=1)
def own_letters() -> frozenset[int]:
    """Letters that the typeface itself has."""
    return frozenset(_register()["regular"].face.charToGlyph)


def is_foreign(text: str) -> bool:
    """Whether some of a line is drawn from another font."""
    return not text.isascii() and any(ord(c) not in own_letters() for c in text)


@lru_cache(maxsize=65536)
def text_width_mm(text: str, size_pt: float, weight: Weight = "regular") -> float:
    """Width of a line of text on paper."""
    if is_foreign(text):
        return sum(
            text_width_mm(r.text, size_pt, weight)
            if r.font < 0
            else r.width_em * size_pt * MM_PER_PT
            for r in runs_of(text, weight, own_letters())
        )
    return float(pdfmetrics.stringWidth(text, font_name(weight), size_pt) * MM_PER_PT)


def fit_text(
    text: object,
    width_mm: float,
    size_pt: float,
    *,
    weight: Weight = "regular",
    least_pt: float = 6.0,
) -> tuple[str, float]:
    """Text and size that fit a width: set smaller first, shortened with dots when that is not enough."""
    line = printable(text)
    full = text_width_mm(line, size_pt, weight)
    if full <= width_mm:
        return line, size_pt
    smaller = max(least_pt, size_pt * width_mm / full)
    if text_width_mm(line, smaller, weight) <= width_mm + 1e-6:
        return line, smaller
    low, high = 0, len(line)
    while low < high:
        middle = (low + high + 1) // 2
        if text_width_mm(line[:middle].rstrip() + "…", smaller, weight) <= width_mm:
            low = middle
        else:
            high = middle - 1
    return line[:low].rstrip() + "…", smaller


def common_size(
    texts: Iterable[object],
    width_mm: float,
    size_pt: float,
    *,
    weight: Weight = "regular",
    least_pt: float = 6.0,
) -> float:
    """One size of type at which every line of a list fits a width; never below the least."""
    widest = max((text_width_mm(printable(t), size_pt, weight) for t in texts), default=0.0)
    return size_pt if widest <= width_mm else max(least_pt, size_pt * width_mm / widest)


def wrap_text(
    text: object,
    width_mm: float,
    size_pt: float,
    *,
    weight: Weight = "regular",
    most_lines: int = 1000,
) -> list[str]:
    """Lines of at most a width; words that are too long are broken, lines beyond the most are shown by dots."""
    lines: list[str] = []
    line = ""
    for word in printable(text).split():
        while text_width_mm(word, size_pt, weight) > width_mm and len(word) > 1:
            if line:
                lines.append(line)
                line = ""
            cut = max(1, int(len(word) * width_mm / text_width_mm(word, size_pt, weight)))
            while cut > 1 and text_width_mm(word[:cut], size_pt, weight) > width_mm:
                cut -= 1
            lines.append(word[:cut])
            word = word[cut:]
        longer = f"{line} {word}".strip()
        if line and text_width_mm(longer, size_pt, weight) > width_mm:
            lines.append(line)
            line = word
        else:
            line = longer
    if line:
        lines.append(line)
    if len(lines) > most_lines:
        lines = lines[:most_lines]
        lines[-1] = fit_text(lines[-1] + " …", width_mm, size_pt, weight=weight, least_pt=size_pt)[
            0
        ]
    return lines
