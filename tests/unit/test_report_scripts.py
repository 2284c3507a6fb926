"""Names in other scripts: every letter is drawn, shaped and in its direction, in PDF and SVG."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
import uharfbuzz as hb
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.paper_texts import faults_of
from facademap.report import scripts
from facademap.report.page import Page, Rings, Text
from facademap.report.pdf import write_pdf
from facademap.report.svg import write_svg
from facademap.report.typeface import own_letters, printable, text_width_mm, wrap_text

NAMES = {"arabic": "الواجهة الشرقية", "hebrew": "חזית צפון", "japanese": "石造建築東正面"}


@pytest.mark.parametrize("name", NAMES.values(), ids=list(NAMES))
def test_no_letter_is_replaced_and_all_of_them_are_drawn(name: str) -> None:
    assert printable(name) == name
    page = Page(width_mm=120, height_mm=30)
    page.text(10, 10, name, size_pt=20)
    drawn = [m for m in page.marks if isinstance(m, Rings)]
    assert sum(len(m.rings) for m in drawn) >= len(name.replace(" ", ""))
    image = pypdfium2.PdfDocument(write_pdf([page], title="x"))[0].render(scale=2).to_numpy()
    columns = np.flatnonzero((image[..., 0] < 128).any(axis=0)) / 2 * 25.4 / 72
    assert columns.min() > 9.5
    assert columns.max() == pytest.approx(10 + text_width_mm(name, 20), abs=2.0)
    assert b"<path" in write_svg(page)


def test_hebrew_stands_from_right_to_left_and_a_number_in_it_from_left_to_right() -> None:
    """By the shaping library's own glyph numbers: the first letter read is the last from the left."""
    runs = scripts.runs_of("אב 12 (ג)", "regular", own_letters())
    foreign = [g for r in runs if r.font >= 0 for g, _, _ in r.glyphs]
    face = scripts._faces()[next(i for i, k in enumerate(scripts._known()) if ord("א") in k)]
    font = hb.Font(face)
    wanted = [font.get_nominal_glyph(ord(c)) for c in "גבא"]
    assert [g for g in foreign if g in wanted] == wanted
    own = "".join(r.text for r in runs if r.font < 0)
    assert "12" in own
    assert own.index("(") < own.index(")")


def test_arabic_letters_are_joined() -> None:
    """One letter three times: its first, middle and last form are not the one that stands alone."""
    [run] = scripts.runs_of("ببب", "regular", own_letters())
    alone = hb.Font(scripts._faces()[run.font]).get_nominal_glyph(ord("ب"))
    forms = [glyph for glyph, _, _ in run.glyphs]
    assert len(set(forms[:2])) == 2 or len(set(forms)) >= 3
    assert forms != [alone] * 3


def test_long_names_wrap_and_latin_stays_text() -> None:
    for name in NAMES.values():
        lines = wrap_text(name * 9, 60, 12)
        assert len(lines) > 1
        assert all(text_width_mm(line, 12) <= 60.01 for line in lines)
    page = Page(width_mm=120, height_mm=30)
    page.text(10, 10, "R-012 石", size_pt=12)
    assert [m.text.strip() for m in page.marks if isinstance(m, Text)] == ["R-012"]


def test_without_fonts_a_sign_stands_for_each_letter(monkeypatch: pytest.MonkeyPatch) -> None:
    from facademap.report import typeface

    typeface._shown.cache_clear()
    monkeypatch.setattr(typeface, "covers", lambda character: False)
    try:
        assert printable("石A") == "¤A"
    finally:
        monkeypatch.undo()
        typeface._shown.cache_clear()


def test_outlined_letters_say_what_they_read_and_are_checked_for_what_they_cover() -> None:
    """ISO 32000-1, 14.9.4: the replacement text of a marked stretch, read back by pypdf."""
    said = ("旧海关大楼", "مبنى")
    page = Page(width_mm=100, height_mm=40)
    for n, text in enumerate(said):
        page.text(10, 10 + 15 * n, text, size_pt=12)
    pdf = write_pdf([page], title="x")
    stream = PdfReader(io.BytesIO(pdf)).pages[0].get_contents()
    assert stream is not None
    marks = [o for o, operator in stream.operations if operator == b"BDC"]
    assert [str(o[1]["/ActualText"]) for o in marks] == list(said)
    assert faults_of(pdf) == []
    page.text(14, 10, said[1], size_pt=12)
    assert len(faults_of(write_pdf([page], title="x"))) == 1
