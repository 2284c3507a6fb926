"""The pages' script knows the columns of every table as their contracts have them."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parents[2]
TYPES = ROOT / "facademap" / "web" / "frontend" / "types" / "rows.d.ts"
page = runpy.run_path(str(ROOT / "docs" / "row_types.py"))["page"]


def test_types_of_rows_are_those_of_the_contracts() -> None:
    assert TYPES.read_text("utf-8") == page() + "\n", (
        f"python -m docs.row_types > {TYPES.relative_to(ROOT)}"
    )


def test_what_may_be_missing_and_what_is_chosen_is_told() -> None:
    said = page().splitlines()
    assert "    depth_m: number | null;" in said
    assert '    wetness: "dry" | "damp" | "wet";' in said
    assert "    geometry: Area | null;" in said
