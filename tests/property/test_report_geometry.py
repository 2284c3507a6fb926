"""Laws of the geometry on paper: hatches stay inside, labels apart."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from facademap.condition.glossary import TERMS, Hatch
from facademap.report.hatching import hatch_dots, hatch_lines
from facademap.report.labelling import place_labels
from facademap.report.typeface import fit_text, printable, text_width_mm, wrap_text


@st.composite
def polygons(draw):
    n = draw(st.integers(3, 14))
    radii = draw(st.lists(st.floats(0.5, 20), min_size=n, max_size=n))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False) + draw(st.floats(0, 1))
    x, y = draw(st.floats(-100, 100)), draw(st.floats(-100, 100))
    outer = shapely.Polygon(np.column_stack([x + radii * np.cos(angle), y + radii * np.sin(angle)]))
    hole = shapely.Point(x, y).buffer(0.3, quad_segs=3)
    return shapely.make_valid(outer.difference(hole) if draw(st.booleans()) else outer)


@settings(max_examples=60, deadline=None)
@given(
    polygons(), st.sampled_from(sorted({t.hatch for t in TERMS if t.hatch.angles_deg}, key=repr))
)
def test_hatch_lines_are_what_shapely_cuts(shape, hatch):
    """Each set of lines has the length that GEOS gives for the same lines cut by the outline, and no line leaves it."""
    for angle in hatch.angles_deg:
        lines = hatch_lines([shape], Hatch(angles_deg=(angle,), spacing_mm=hatch.spacing_mm))
        a = np.radians(angle)
        along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
        reach = shapely.get_coordinates(shape) @ across
        levels = (
            np.arange(
                np.floor(reach.min() / hatch.spacing_mm),
                np.ceil(reach.max() / hatch.spacing_mm) + 1,
            )
            * hatch.spacing_mm
        )
        full = shapely.multilinestrings(
            [
                shapely.linestrings([across * v - along * 1000, across * v + along * 1000])
                for v in levels
            ]
        )
        expected = shapely.intersection(full, shape).length
        assert np.hypot(*(lines[:, 1] - lines[:, 0]).T).sum() == pytest.approx(expected, abs=1e-6)
        if len(lines):
            assert shapely.covers(shape.buffer(1e-7), shapely.linestrings(lines)).all()


@settings(max_examples=40, deadline=None)
@given(polygons())
def test_dots_lie_inside_and_are_as_dense_as_asked(shape):
    dots = hatch_dots([shape], Hatch(spacing_mm=0.4))
    assert shapely.covers(shape.buffer(1e-9), shapely.points(dots)).all()
    cell = 0.4 * 0.4 * np.sqrt(3) / 2
    assert abs(len(dots) * cell - shape.area) < 0.6 * shape.length * 0.4 + 4 * cell


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 100),
            st.floats(0, 60),
            st.floats(2, 15),
            st.floats(1, 3),
            st.sampled_from([0.0, 1.0]),
        ),
        max_size=60,
    )
)
def test_no_two_labels_overlap_and_none_is_lost_without_being_named(rows):
    anchors, sizes = [(x, y) for x, y, *_ in rows], [(w, h) for _, _, w, h, _ in rows]
    placed, left_out = place_labels(
        anchors, sizes, within=(0, 0, 100, 60), beside=[r[4] for r in rows]
    )
    assert sorted([p.index for p in placed] + left_out) == list(range(len(rows)))
    boxes = [
        (
            p.x - sizes[p.index][0] / 2,
            p.y - sizes[p.index][1] / 2,
            p.x + sizes[p.index][0] / 2,
            p.y + sizes[p.index][1] / 2,
        )
        for p in placed
    ]
    for i, a in enumerate(boxes):
        assert a[0] >= -1e-9
        assert a[3] <= 60 + 1e-9
        assert not any(
            a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in boxes[:i]
        )


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=80), st.floats(5, 80), st.floats(5, 20))
def test_any_text_can_be_printed_and_fits(text, width, size):
    line = printable(text)
    assert line.isprintable() or not line
    fitted, points = fit_text(text, width, size)
    assert text_width_mm(fitted, points) <= width + 1e-6 or len(fitted) <= 1
    assert all(
        text_width_mm(row, size) <= width + 1e-6 or len(row) == 1
        for row in wrap_text(text, width, size)
    )
