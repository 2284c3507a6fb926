"""Densities from weighed blocks, and weights that cannot be."""

from __future__ import annotations

from typing import Any

import pytest

from facademap.errors import InputError
from facademap.salvage.densities import (
    density_of,
    estimate_weight,
    impossible_weights,
    measured_densities,
)


def block(
    name: str, t_per_m3: float, *, stone: str = "Quay limestone", **more: Any
) -> dict[str, Any]:
    """A block of 0.5 x 0.4 x 0.3 m."""
    return {
        "id": name,
        "stone_type": stone,
        "kind": "sedimentary",
        "length_m": 0.5,
        "height_m": 0.4,
        "depth_m": 0.3,
        "weight_kg": t_per_m3 * 1000 * 0.06,
        "weight_status": "measured",
        "parent": None,
        **more,
    }


def test_three_weighed_blocks_give_low_likely_and_high() -> None:
    found = measured_densities([block("A", 2.6), block("B", 2.7), block("C", 2.65)])
    stone = found["Quay limestone"]
    assert (stone.low_kg_per_m3, stone.likely_kg_per_m3, stone.high_kg_per_m3) == pytest.approx(
        (2600, 2650, 2700)
    )
    assert stone.weighed == 3
    assert density_of("quay LIMESTONE", densities=found) is stone


@pytest.mark.parametrize(
    "other",
    [
        {"weight_status": "from density"},
        {"parent": "B-7"},
        {"weight_kg": None},
        {"depth_m": None},
        {"weight_kg": 3.2 * 60},
    ],
)
def test_what_was_not_weighed_or_cannot_be_counts_for_nothing(other: dict[str, Any]) -> None:
    rows = [block("A", 2.6), block("B", 2.7), block("C", 2.65, **other)]
    assert measured_densities(rows) == {}


def test_a_lift_is_never_planned_for_less_than_the_handbook() -> None:
    light = measured_densities([block(n, 2.2) for n in "ABC"])["Quay limestone"]
    assert light.likely_kg_per_m3 == pytest.approx(2200)
    assert light.high_kg_per_m3 == density_of("limestone").likely_kg_per_m3


@pytest.mark.parametrize(
    ("t_per_m3", "impossible"),
    # grains of dolomite 2.87 t/m3 (memory) with 5 %: 3.0135; 45 % of light limestone 1.76: 0.792
    [(3.013, False), (3.014, True), (0.793, False), (0.791, True), (3.2, True), (2.6, False)],
)
def test_the_limits_of_a_possible_weight(t_per_m3: float, impossible: bool) -> None:
    found = impossible_weights([block("B-9", t_per_m3)])
    assert bool(found) is impossible
    if found:
        assert found[0].block == "B-9"
        assert f"{t_per_m3:.2f} t/m3" in found[0].problem
        assert found[0].remedy


def test_a_heavy_igneous_block_is_possible() -> None:
    assert not impossible_weights([block("B-9", 3.1, stone="Scar whin", kind="igneous")])


def test_the_estimate_is_the_heavy_one_and_water_comes_on_top() -> None:
    assert estimate_weight(0.5, "sandstone") == pytest.approx(0.5 * 2563)
    assert estimate_weight(0.5, "sandstone", saturated=True) == pytest.approx(0.5 * 2563 * 1.08)
    assert estimate_weight(0.5, None, densities={"x": 1.0}) == pytest.approx(1500)
    with pytest.raises(InputError, match="not positive"):
        estimate_weight(0.0, "sandstone")


def test_a_decided_density_goes_before_the_handbook() -> None:
    assert density_of("Quay limestone", densities={"QUAY limestone": 2555}).high_kg_per_m3 == 2555
