"""The index of a pack: every line once, none left alone on a page."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from facademap.report.pack_index import Entry, write_pack_index


@pytest.mark.parametrize(("lines", "pages"), [(1, 1), (42, 1), (44, 1), (48, 1), (56, 2)])
def test_a_few_lines_more_than_a_page_are_set_closer(lines: int, pages: int) -> None:
    entries = [Entry(title=f"R-{k:03d}", number="3F2A", page=k, sheets=1) for k in range(lines)]
    made = write_pack_index(
        "Papers for the mason", entries, project="p", day="2026-05-04", paper="A4"
    )
    held = [
        [w for w in page.extract_text().split() if w.startswith("R-")]
        for page in PdfReader(io.BytesIO(made)).pages
    ]
    assert [name for page in held for name in page] == [e.title for e in entries]
    assert len(held) == pages
    assert min(map(len, held)) >= min(lines, 5)
