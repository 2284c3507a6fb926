"""The pages' script knows the columns of every table as their contracts have them."""

from __future__ import annotations

from pathlib import Path

from docs.row_types import page

TYPES = Path(__file__).parents[2] / "facademap" / "web" / "frontend" / "types" / "rows.d.ts"


def test_types_of_rows_are_those_of_the_contracts() -> None:
    assert TYPES.read_text("utf-8") == page() + "\n", (
        f"python -m docs.row_types > {TYPES.relative_to(Path(__file__).parents[2])}"
    )


def test_what_may_be_missing_and_what_is_chosen_is_told() -> None:
    said = page().splitlines()
    assert "    depth_m: number | null;" in said
    assert '    wetness: "dry" | "damp" | "wet";' in said
    assert "    geometry: Area | null;" in said
