"""What a surveyor drew becomes classed, attached and measured records."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box

from facademap.condition.indices import damage_indices
from facademap.condition.records import (
    attach_wall_stones,
    class_wall_stones,
    classify_terms,
    find_overlaps,
    measure_area_m2,
    measure_length_m,
    mend_outlines,
)
from facademap.errors import GeometryError, InputError, TableError


def _frame(shapes: list, **columns: list) -> gpd.GeoDataFrame:
    data = {
        "id": [f"C-{n}" for n in range(len(shapes))],
        "surface": ["front"] * len(shapes),
        **columns,
    }
    return gpd.GeoDataFrame(data, geometry=shapes)


def test_terms_get_family_and_layer_whatever_the_spelling() -> None:
    found = classify_terms(_frame([Point(0, 0)] * 3, term=["Black  Crust", "algae", "open joint"]))
    assert found.to_numpy().tolist() == [
        ["black crust", "D", "stone"],
        ["alga", "E", "stone"],
        ["open joint", "J", "joint"],
    ]


def test_every_unknown_term_is_named() -> None:
    with pytest.raises(TableError) as caught:
        classify_terms(_frame([Point(0, 0)] * 3, term=["scalling", "scaling", "crazing"]))
    assert len(caught.value.faults) == 2
    assert "scaling" in caught.value.faults[0]
    assert "craquele" in caught.value.faults[1]


def test_a_harmless_fault_is_mended_and_a_figure_of_eight_refused() -> None:
    spike = Polygon([(0, 0), (1, 0), (1, 1), (1, 1.2), (1, 1), (0, 1)])
    shapes, notes = mend_outlines(_frame([box(0, 0, 1, 1), spike]))
    assert shapes.is_valid.all()
    assert shapes.area.tolist() == pytest.approx([1, 1])
    assert len(notes) == 1
    assert notes[0].startswith("C-1")
    with pytest.raises(GeometryError, match="C-0"):
        mend_outlines(_frame([Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])]))


def test_a_condition_belongs_to_the_stone_that_holds_most_of_it() -> None:
    stones = _frame([box(0, 0, 1, 0.4), box(1.01, 0, 2, 0.4)]).assign(id=["left", "right"])
    conditions = _frame(
        [
            box(0.7, 0.1, 1.2, 0.3),
            box(0.95, 0.1, 1.5, 0.2),
            LineString([(0.2, 0.2), (1.3, 0.2)]),
            Point(1.005, 0.2),
            Point(5, 5),
        ]
    )
    assert attach_wall_stones(conditions, stones).tolist()[:3] == ["left", "right", "left"]
    assert attach_wall_stones(conditions, stones).tolist()[3] in ("left", "right")
    assert attach_wall_stones(conditions, stones).tolist()[4] is None


def test_stones_of_another_surface_are_not_looked_at() -> None:
    stones = _frame([box(0, 0, 1, 1)]).assign(surface="return")
    assert attach_wall_stones(_frame([box(0, 0, 1, 1)]), stones).tolist() == [None]


def test_areas_are_net_of_openings() -> None:
    conditions = _frame([box(0, 0, 2, 1), LineString([(0, 0), (3, 4)]), box(10, 0, 11, 1)])
    openings = _frame([box(1, 0, 2, 1), box(1.5, 0, 3, 0.5)])
    assert measure_area_m2(conditions, openings).tolist() == pytest.approx([1.0, 0.0, 1.0])
    assert measure_length_m(conditions).tolist()[1] == pytest.approx(5.0)


def test_overlaps_of_the_same_term_are_reported_once() -> None:
    frame = _frame(
        [box(0, 0, 1, 1), box(0.5, 0, 1.5, 1), box(0, 0, 1, 1), box(3, 3, 4, 4)],
        term=["scaling", "scaling", "alga", "scaling"],
    )
    found = find_overlaps(frame)
    assert found[["a", "b"]].to_numpy().tolist() == [["C-0", "C-1"]]
    assert found["area_m2"].iloc[0] == pytest.approx(0.5)


def test_wall_stones_take_the_highest_class_of_their_conditions_unless_one_was_given() -> None:
    stones = _frame([box(0, 0, 1, 1)] * 4).assign(
        id=["a", "b", "c", "d"], cc=[None, 1, None, None], uc=None, rc=None
    )
    conditions = _frame(
        [Point(0, 0)] * 4,
        wall_stone=["a", "a", "b", "d"],
        cc=[1, 3, 3, None],
        uc=[0, 2, 1, None],
        rc=[1, 1, 1, None],
    )
    found = class_wall_stones(stones, conditions)
    assert found["cc"].tolist()[:3] == [3, 1, 0]
    assert found["uc"].tolist()[:3] == [2, 1, 0]
    assert found["cc"].isna().tolist() == [False, False, False, True]


def test_damage_indices_of_a_worked_split() -> None:
    """Formula after Fitzner, Heinrichs & La Bouchardiere 2002 (from memory); the arithmetic is recomputed here."""
    found = damage_indices([50, 20, 15, 10, 4, 1])
    assert found.linear == pytest.approx(1.01)
    assert found.progressive == pytest.approx(1.609, abs=5e-4)
    assert damage_indices([0, 0, 0, 100, 0, 0]).progressive == pytest.approx(3.0)
    with pytest.raises(InputError, match="sum"):
        damage_indices([50, 20, 15, 10, 4, 9])


def test_inputs_are_left_alone() -> None:
    frame = _frame([box(0, 0, 1, 1)], term=["Scaling"])
    before = frame.copy()
    classify_terms(frame)
    attach_wall_stones(frame, frame)
    measure_area_m2(frame, frame)
    assert frame.equals(before)
    assert shapely.equals_exact(frame.geometry.iloc[0], before.geometry.iloc[0])
