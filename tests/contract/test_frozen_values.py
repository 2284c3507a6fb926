"""Values that hold arrays are values: they compare by content, nobody writes into them, and they print in a line."""

from __future__ import annotations

import copy
import dataclasses
import importlib
import json
import pickle
import pkgutil
import typing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import facademap
from facademap.photo.control import ControlPoints
from facademap.salvage.stock import Flaw
from facademap.values import ReadOnly, same
from facademap.wall.plane_fit import fit_plane

ROOT = Path(facademap.__file__).parent


def classes_with_arrays() -> list[type]:
    """Every dataclass whose fields are arrays or tables, by itself or within a tuple."""
    found = []
    for module in pkgutil.walk_packages([str(ROOT)], "facademap."):
        if ".demo_facade" in module.name or module.name.endswith(("__main__", "build_hook")):
            continue
        for item in vars(importlib.import_module(module.name)).values():
            if (
                isinstance(item, type)
                and item.__module__ == module.name
                and dataclasses.is_dataclass(item)
            ):
                try:
                    hints = typing.get_type_hints(item)
                except NameError:  # names that are imported for the type checker only
                    hints = {f.name: str(f.type) for f in dataclasses.fields(item)}
                words = ("ndarray", "NDArray", "DataFrame")
                if any(word in str(h) for h in hints.values() for word in words):
                    found.append(item)
    return found


def test_no_class_with_arrays_has_an_equality_that_raises() -> None:
    """Either it is a value (compared by content), or it says that it is compared as an object."""
    found = classes_with_arrays()
    assert len(found) > 60
    generated = [
        c.__qualname__
        for c in found
        if not getattr(c, "__holds_arrays__", False) and c.__eq__ is not object.__eq__
    ]
    assert generated == []


def test_frozen_classes_with_arrays_offered_to_others_are_values() -> None:
    loose = [
        c.__qualname__
        for c in classes_with_arrays()
        if not c.__name__.startswith("_")
        and c.__dataclass_params__.frozen  # type: ignore[attr-defined]
        and not getattr(c, "__holds_arrays__", False)
        and ".match." not in c.__module__  # compiled code takes arrays that may be written
        and c.__module__
        != "facademap.relief.build"  # its rasters are filled by whoever builds a wall
    ]
    assert loose == []


def points(**changed: object) -> ControlPoints:
    given = {
        "name": ("A", "B"),
        "wall_m": np.array([[0.0, 0.0], [1.0, 2.0]]),
        "pixel_px": np.array([[1.0, 2.0], [3.0, 4.0]]),
        "is_control": np.array([True, False]),
        "sigma_px": np.array([0.3, 0.3]),
        "sigma_m": np.array([0.001, np.nan]),
    }
    return ControlPoints(**{**given, **changed})  # type: ignore[arg-type]


def test_a_value_is_equal_by_content_and_tells_its_shape() -> None:
    one = points()
    assert one == points()
    assert hash(one) == hash(points())
    assert one != points(wall_m=np.array([[0.0, 0.0], [1.0, 2.0000001]]))
    assert one != points(name=("A", "C"))
    assert one != "A"
    assert len(repr(one)) < 300
    assert "<2x2 float64>" in repr(one)
    kept = pickle.loads(pickle.dumps(one))
    assert kept == one
    assert not kept.wall_m.flags.writeable


@pytest.mark.parametrize("name", ["wall_m", "pixel_px", "is_control", "sigma_m"])
def test_arrays_of_a_value_cannot_be_written(name: str) -> None:
    held = getattr(points(), name)
    with pytest.raises(ValueError, match="read-only"):
        held[0] = held[1]


def test_results_of_fits_are_values_too() -> None:
    places = np.array([[0.0, 0, 0], [1, 0, 0.001], [0, 1, 0], [1, 1, 0], [0.5, 0.2, 0.0]])
    sigma_m = np.full(len(places), 0.001)
    fitted = fit_plane(places, sigma_m)
    assert fitted == fit_plane(places.copy(), sigma_m)
    assert fitted != fit_plane(places + np.array([0.0, 0.0, 0.01]), sigma_m)
    with pytest.raises(ValueError, match="read-only"):
        fitted.normal[0] = 1.0


def test_a_flaw_with_another_ring_is_another_flaw() -> None:
    ring = np.array([[0.0, 0.0], [0.1, 0.0], [0.1, 0.1]])
    assert Flaw(kind="crack", ring_m=ring) == Flaw(kind="crack", ring_m=ring.copy())
    assert Flaw(kind="crack", ring_m=ring) != Flaw(kind="crack", ring_m=ring * 2)


def test_a_mapping_of_a_result_is_read_and_not_changed() -> None:
    told = ReadOnly(inset=3, clean=1)
    for change in (
        lambda: told.update(inset=4),
        lambda: told.pop("inset"),
        lambda: told.__setitem__("inset", 4),
        lambda: told.__delitem__("inset"),
        lambda: told.setdefault("new", 1),
        told.clear,
        told.popitem,
    ):
        with pytest.raises(TypeError, match="change a copy"):
            change()
    assert told == {"inset": 3, "clean": 1}
    assert pickle.loads(pickle.dumps(told)) == told
    assert copy.deepcopy(told) == told
    assert json.dumps(told) == '{"inset": 3, "clean": 1}'


def test_same_looks_into_tuples_tables_and_mappings() -> None:
    frame = pd.DataFrame({"depth_m": [0.1, np.nan]})
    assert same((np.arange(3), {"a": frame}), (np.arange(3), {"a": frame.copy()}))
    assert not same((np.arange(3),), (np.arange(4),))
    assert not same({"a": frame}, {"a": frame * 2})
    assert same(float("nan"), float("nan"))
    assert not same(1.0, float("nan"))
    assert not same(np.arange(2), [0, 1])
    assert same(np.array([None, "a"], dtype=object), np.array([None, "a"], dtype=object))
