"""Outlines from outside cost little to look at, and what cannot be mended within limits is refused by name."""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
import pytest
import shapely

from facademap.condition.records import find_overlaps, mend_outlines
from facademap.errors import GeometryError
from facademap.limits import Limits, other_limits
from facademap.tasks.survey.doubts import identical_pairs
from facademap.wall.mending import count_contacts, mend


def tangle(corners: int) -> shapely.Polygon:
    return shapely.Polygon(np.random.default_rng(14).random((corners, 2)))


@pytest.mark.parametrize("corners", [100, 600, 3_000, 12_000])
def test_a_tangle_is_refused_by_name_in_no_time(corners: int) -> None:
    """600 corners took 99 s of processor time and 1.4 GB, 12,000 ended in a fault of the geometry library."""
    frame = gpd.GeoDataFrame({"id": ["C-7"]}, geometry=[tangle(corners)])
    began = time.process_time()
    with pytest.raises(GeometryError, match="C-7: it meets itself in more than 400 places"):
        mend_outlines(frame)
    assert time.process_time() - began < 2.0


def test_too_many_corners_are_refused_before_anything_is_worked_out() -> None:
    circle = shapely.Point(0, 0).buffer(1, quad_segs=6_000)
    with pytest.raises(GeometryError, match="C-1: an outline of 24001 corners, more than 20000"):
        mend(circle, name="C-1")
    assert mend(circle, name="C-1", limits=Limits(corners=30_000)) is circle


def test_crossings_are_counted_to_the_limit_and_no_further() -> None:
    bow = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    assert count_contacts(bow, most=400) == 1
    assert count_contacts(shapely.box(0, 0, 1, 1), most=400) == 0
    assert count_contacts(tangle(50), most=10) > 10


def test_a_small_fault_is_still_mended() -> None:
    spike = shapely.Polygon([(0, 0), (1, 0), (1, 1), (1, 2), (1, 1), (0, 1)])
    assert mend(spike, name="C-1").equals(shapely.box(0, 0, 1, 1))


def test_a_heap_of_outlines_is_refused_within_the_limit() -> None:
    """3,000 outlines over each other took 2.6 GB."""
    heap = [shapely.box(0, 0, 1 + k * 1e-4, 1) for k in range(3_000)]
    frame = gpd.GeoDataFrame(
        {
            "id": [f"C-{k}" for k in range(3_000)],
            "surface": "front",
            "term": "scaling",
        },
        geometry=heap,
    )
    began = time.process_time()
    shapes = frame.geometry.to_numpy()
    with other_limits(overlaps=20_000):
        with pytest.raises(GeometryError, match="more than 20000 pairs"):
            find_overlaps(frame)
        with pytest.raises(GeometryError, match="lie over each other"):
            identical_pairs(shapes, shapes, one=True)
    assert time.process_time() - began < 3.0
