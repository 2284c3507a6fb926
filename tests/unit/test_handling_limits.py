"""Lifting and stacking: what the equations say by hand, and both sides of every limit.

The factors of the revised NIOSH equation are those of its manual (NIOSH 94-110, rev. 2021); the frequency and coupling factors
follow tables that are known from memory, as the module says.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from facademap.errors import InputError
from facademap.io.rule_files import load_profile
from facademap.repair.handling import (
    SCAFFOLD_CLASSES,
    Lift,
    niosh_lift,
    scaffold_load,
    stack_loads,
)
from facademap.units import GRAVITY_M_PER_S2

METRIC = load_profile("metric")

EASY = Lift(horizontal_m=0.25, height_m=0.75, travel_m=0.25, coupling="good")


@pytest.mark.parametrize(
    ("most", "beyond"),
    [
        ({"horizontal_m": 0.63}, {"horizontal_m": 0.6301}),
        ({"height_m": 1.75}, {"height_m": 1.7501}),
        ({"height_m": 0.0}, {"height_m": -0.001}),
        ({"twist_deg": 135.0}, {"twist_deg": 135.1}),
        ({"twist_deg": 0.0}, {"twist_deg": -0.1}),
        ({"lifts_per_minute": 0.2}, {"lifts_per_minute": 0.21}),
        ({"hours": 8.0}, {"hours": 8.01}),
    ],
)
def test_the_equation_covers_lifts_up_to_its_limits(
    most: dict[str, float], beyond: dict[str, float]
) -> None:
    assert niosh_lift(10.0, replace(EASY, **most)).limit_kg > 0  # type: ignore[arg-type]
    with pytest.raises(InputError):
        niosh_lift(10.0, replace(EASY, **beyond))  # type: ignore[arg-type]


def test_every_factor_of_a_lift_by_hand() -> None:
    lift = Lift(
        horizontal_m=0.50, height_m=0.35, travel_m=0.90, twist_deg=45.0, hours=2.0, coupling="fair"
    )
    m = niosh_lift(10.0, lift).multipliers
    assert m["HM"] == pytest.approx(25 / 50)
    assert m["VM"] == pytest.approx(1 - 0.003 * 40)
    assert m["DM"] == pytest.approx(0.82 + 4.5 / 90)
    assert m["AM"] == pytest.approx(1 - 0.0032 * 45)
    assert m["FM"] == pytest.approx(0.95)
    assert m["CM"] == pytest.approx(0.95)
    assert niosh_lift(10.0, lift).limit_kg == pytest.approx(23 * np.prod(list(m.values())))


def test_a_close_short_lift_is_no_easier_than_the_constant() -> None:
    """Reach below 25 cm and travel below 25 cm count as 25 cm (10 in)."""
    near = replace(EASY, horizontal_m=0.10, travel_m=0.01)
    assert niosh_lift(10.0, near).limit_kg == pytest.approx(23.0)
    inches = replace(EASY, horizontal_m=0.10, height_m=30 * 0.0254, travel_m=0.01)
    pounds = niosh_lift(10.0, inches, form="us")
    assert pounds.multipliers["DM"] == 1.0
    assert pounds.multipliers["HM"] == 1.0
    short = niosh_lift(10.0, replace(inches, travel_m=12 * 0.0254), form="us")
    assert short.multipliers["DM"] == pytest.approx(0.82 + 1.8 / 12)


@pytest.mark.parametrize(
    ("hours", "factor"),
    [(0.5, 1.0), (1.0, 1.0), (1.01, 0.95), (2.0, 0.95), (2.01, 0.85), (8, 0.85)],
)
def test_long_lifting_lowers_the_limit(hours: float, factor: float) -> None:
    assert niosh_lift(10.0, replace(EASY, hours=hours)).multipliers["FM"] == factor


@pytest.mark.parametrize(
    ("coupling", "height_m", "factor"),
    [
        ("good", 0.74, 1.0),
        ("good", 0.75, 1.0),
        ("fair", 0.74, 0.95),
        ("fair", 0.75, 1.0),
        ("poor", 0.74, 0.9),
        ("poor", 0.75, 0.9),
    ],
)
def test_the_grip_counts_by_height(coupling: str, height_m: float, factor: float) -> None:
    lift = replace(EASY, coupling=coupling, height_m=height_m)  # type: ignore[arg-type]
    assert niosh_lift(10.0, lift).multipliers["CM"] == factor


@pytest.mark.parametrize(
    ("load_kg", "band"),
    [
        (22.9, "acceptable"),
        (23.0, "acceptable"),
        (23.1, "raised"),
        (69.0, "raised"),
        (69.1, "high"),
    ],
)
def test_the_band_changes_at_an_index_of_one_and_three(load_kg: float, band: str) -> None:
    assert niosh_lift(load_kg, EASY).limit_kg == 23.0
    assert niosh_lift(load_kg, EASY).band == band


def test_what_cannot_stand_on_a_scaffold_is_refused() -> None:
    with pytest.raises(InputError, match="is unknown"):
        scaffold_load(10.0, 1.0, scaffold_class="EN 12811-1 class 7")
    for mass_kg, area_m2 in ((10.0, 0.0), (10.0, -1.0), (-0.1, 1.0), (10.0, float("nan"))):
        with pytest.raises(InputError, match="area above 0"):
            scaffold_load(mass_kg, area_m2)
    assert scaffold_load(0.0, 0.5).load_kn_per_m2 == 0.0


def exactly(allowed: float) -> tuple[float, float]:
    """A mass and an area whose load is that of a class to the last digit."""
    for mass_kg in range(50, 5000):
        area_m2 = mass_kg * GRAVITY_M_PER_S2 / 1000.0 / allowed
        if mass_kg * GRAVITY_M_PER_S2 / 1000.0 / area_m2 == allowed:
            return float(mass_kg), area_m2
    raise AssertionError(allowed)


@pytest.mark.parametrize("name", SCAFFOLD_CLASSES)
def test_a_class_carries_its_own_load_and_no_more(name: str) -> None:
    mass_kg, area_m2 = exactly(SCAFFOLD_CLASSES[name][0])
    full = scaffold_load(mass_kg, area_m2, scaffold_class=name)
    assert full.within
    assert full.needed_class == name
    more = scaffold_load(mass_kg * 1.0001, area_m2, scaffold_class=name)
    assert not more.within
    assert more.needed_class != name
    heavier = [v for n, (v, _) in SCAFFOLD_CLASSES.items() if n[:2] == name[:2]]
    if SCAFFOLD_CLASSES[name][0] < max(heavier):
        assert more.needed_class is not None
        assert SCAFFOLD_CLASSES[more.needed_class][0] == min(
            v for v in heavier if v > SCAFFOLD_CLASSES[name][0]
        )
    else:
        assert more.needed_class is None


def test_stone_is_stacked_where_its_repair_lies() -> None:
    repairs = pd.DataFrame(
        {
            "id": ["R-1", "R-2", "R-3", "R-4"],
            "surface": ["S", "S", "S", "S"],
            "lift": [2, 2, None, 0],
            "bay": [3, 3, None, 0],
        }
    )
    pieces = pd.DataFrame(
        {
            "repair": ["R-1", "R-2", "R-3", "R-4", "R-1", "R-9"],
            "weight_saturated_kg": [100.0, 50.0, 30.0, 20.0, float("nan"), 500.0],
        }
    )
    loads = stack_loads(pieces, repairs, settings=METRIC).set_index(["lift", "bay"])
    # a repair without a bay is put to the first; a piece without a weight or a repair is not stacked
    assert loads.loc[(2, 3), ["pieces", "mass_kg"]].tolist() == [2, 150.0]
    assert loads.loc[(0, 0), ["pieces", "mass_kg"]].tolist() == [2, 50.0]
    assert len(loads) == 2


@pytest.mark.parametrize("mass_kg", [100, 101, 333])
def test_a_bay_that_is_loaded_to_its_class_is_within(mass_kg: int) -> None:
    area_m2 = METRIC.bay_length_m * METRIC.bay_width_m
    load = mass_kg * GRAVITY_M_PER_S2 / 1000 / area_m2
    repairs = pd.DataFrame({"id": ["R-1"], "surface": ["S"], "lift": [1], "bay": [1]})
    pieces = pd.DataFrame({"repair": ["R-1"], "weight_saturated_kg": [float(mass_kg)]})
    for allowed, within in ((load, True), (float(np.nextafter(load, 0.0)), False)):
        settings = replace(METRIC, scaffold_load_kn_per_m2=allowed)
        assert stack_loads(pieces, repairs, settings=settings)["within"].tolist() == [within]
