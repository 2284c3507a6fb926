"""Where the control ends is drawn: on drawings as a dashed line that the notes name, in the map's data, and nowhere else."""

from __future__ import annotations

from typing import Any

import pytest

from facademap.report.drawing_content import fold_out
from facademap.report.proof_words import control_edge_m, in_inches, outside_words

HULL = [[1.0, 0.5], [3.0, 0.5], [3.0, 2.0], [1.0, 2.0]]


def _surface(share: float | None, hull: Any = HULL) -> dict[str, Any]:
    return {
        "id": "wall",
        "name": "Wall",
        "report": {"outside_share": share, "control_hull_m": hull},
    }


@pytest.mark.parametrize(
    ("share", "drawn"), [(0.25, True), (0.005, True), (0.0049, False), (0.0, False), (None, False)]
)
def test_the_edge_is_drawn_where_the_picture_reaches_beyond_it(
    share: float | None, drawn: bool
) -> None:
    surface = _surface(share)
    assert bool(control_edge_m(surface)) is drawn
    words = outside_words(surface)
    assert (words is not None) is drawn
    if words is not None:
        assert "beyond the dashed line" in words


def test_words_name_no_line_that_is_not_there() -> None:
    words = outside_words(_surface(0.25, hull=None))
    assert words == "25% of the picture lies outside the control: places there are extrapolated"


def test_the_edge_lies_on_the_panel_of_its_surface() -> None:
    first = _surface(0.25)
    second = {**_surface(0.25), "id": "b", "name": "B"}
    panels = fold_out([first, second], {"wall": (0, 0, 4, 3), "b": (0, 0, 4, 3)})
    assert panels[0].control_edge == tuple(tuple(p) for p in HULL)
    moved = panels[1].shift[0]
    assert moved > 4
    assert panels[1].control_edge == tuple((u + moved, v) for u, v in HULL)


@pytest.mark.parametrize(
    ("mm", "inch"),
    [("5.0 mm", "0.20 in"), ("0.4 mm", "0.016 in"), ("25.4 mm", "1.00 in"), ("0.0 mm", "0.00 in")],
)
def test_an_office_in_inches_reads_inches(mm: str, inch: str) -> None:
    assert (
        in_inches(f"radial RMSE at 6 check points {mm} (indicative), good for 1:50")
        == f"radial RMSE at 6 check points {inch} (indicative), good for 1:64"
    )


def test_a_scale_that_both_offices_draw_at_stays() -> None:
    assert in_inches("good for 1:2") == "good for 1:2"
