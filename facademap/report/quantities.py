"""Quantities of a project, measured from its tables: one row a repair, one row a condition.

Every row stands under exactly one treatment, term, class, elevation, lift and stone type, so that the
totals of each breakdown are the same.

References
----------
Measuring rules follow two customs, both common practice: solid measure for material, superficial measure
for work (Building Construction, "Measurement of Masons' Work", chestofbooks.com). Whether small voids are
deducted differs between customs (Masonry Structures, 1921, gluedideas.com), so the rule is stated with
the figures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from facademap.condition.glossary import family_named, find_term
from facademap.errors import InputError
from facademap.repair.work_hours import WorkRates
from facademap.report.materials import number, read_materials, read_rods
from facademap.report.rows import rows_of
from facademap.tables import PIECED, TABLES, is_missing
from facademap.units import CUBIC_M_PER_CUBIC_FT, CUBIC_M_PER_US_GALLON, KG_PER_LB, M_PER_FT
from facademap.values import frozen_value
from facademap.wall.mending import mend_all

__all__ = [
    "DIMENSIONS",
    "LABOUR_H",
    "MEASURES",
    "NOT_STATED",
    "Measure",
    "Quantities",
    "measure_quantities",
    "measured_by",
    "unit_said",
]

NOT_STATED = "not stated"
#: Breakdowns: column and title.
DIMENSIONS: Mapping[str, str] = {
    "treatment": "Treatment",
    "term": "Term",
    "condition_class": "Condition class",
    "urgency_class": "Urgency class",
    "elevation": "Elevation",
    "lift": "Scaffold lift",
    "stone_type": "Stone type",
}
_TREATMENT_OF_NONE = "no treatment decided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One figure of a row.

    Parameters
    ----------
    name : str
        Column, with its unit.
    title, unit : str
        For people.
    decimals : int
        Shown; the figure itself is kept in full.
    """

    name: str
    title: str
    unit: str
    decimals: int = 3


MEASURES: tuple[Measure, ...] = (
    Measure(name="count", title="Count", unit="nr", decimals=0),
    Measure(name="area_gross_m2", title="Face area gross", unit="m2"),
    Measure(name="area_net_m2", title="Face area net", unit="m2"),
    Measure(name="length_m", title="Length", unit="m"),
    Measure(name="removed_area_m2", title="Original stone removed, face", unit="m2"),
    Measure(
        name="removed_volume_m3", title="Original stone removed, volume", unit="m3", decimals=4
    ),
    Measure(name="volume_gross_m3", title="Piece volume gross", unit="m3", decimals=4),
    Measure(name="volume_net_m3", title="Piece volume net", unit="m3", decimals=4),
    Measure(name="block_volume_m3", title="Volume of block used", unit="m3", decimals=4),
    Measure(name="cut_length_m", title="Cut length", unit="m"),
    Measure(name="rake_length_m", title="Joints raked out", unit="m"),
    Measure(name="pins", title="Pins", unit="nr", decimals=0),
    Measure(name="drill_length_m", title="Drill length", unit="m"),
    Measure(name="mortar_l", title="Mortar in place", unit="L", decimals=2),
    Measure(name="weight_kg", title="Weight of pieces", unit="kg", decimals=1),
    Measure(name="hours", title="Work", unit="h", decimals=1),
    Measure(name="stone_waste_m3", title="Waste: stone", unit="m3", decimals=4),
    Measure(name="mortar_waste_l", title="Waste: mortar and trials", unit="L", decimals=2),
)

#: Unit, and how many of it one of the stored unit is, for an office that reads inches first.
_IN_FEET = {
    "m": ("ft", 1 / M_PER_FT),
    "m2": ("ft²", 1 / M_PER_FT**2),
    "m3": ("ft³", 1 / CUBIC_M_PER_CUBIC_FT),
    "L": ("gal", 0.001 / CUBIC_M_PER_US_GALLON),
    "kg": ("lb", 1 / KG_PER_LB),
}
_IN_METRES = {"m2": "m²", "m3": "m³"}


#: What a treatment is measured by where no rate says so (common practice).
_MEASURED_BY: Mapping[str, tuple[str, ...]] = {
    "inset": ("count", "removed_area_m2", "drill_length_m"),
    "whole stone": ("count", "removed_area_m2"),
    "repoint": ("length_m",),
    "crack repair": ("length_m",),
    "make safe": ("count",),
}


def measured_by(treatment: str) -> tuple[str, ...]:
    """Names of the measures by which a treatment is billed where no rate says otherwise."""
    return _MEASURED_BY.get(treatment, ("area_net_m2",))


def unit_said(measure: Measure, *, inches: bool) -> tuple[str, float]:
    """The unit in which an office reads a measure, and how many of it one of the stored unit is.

    Examples
    --------
    >>> unit_said(MEASURES[1], inches=False)
    ('m²', 1.0)
    """
    if inches:
        return _IN_FEET.get(measure.unit, (measure.unit, 1.0))
    return _IN_METRES.get(measure.unit, measure.unit), 1.0


def _labour(rates: WorkRates) -> dict[str, dict[str, float]]:
    """The norms of the work programme as hours a unit of a measure."""
    begin, surface_h = rates.small_set_up.likely_h, rates.surface_per_m2.likely_h
    surface = {"count": begin, "area_net_m2": surface_h, "length_m": 0.05 * surface_h}
    return {
        "inset": {
            "count": rates.set_up.likely_h,
            "removed_volume_m3": rates.inset_per_dm3.likely_h * 1000.0,
        },
        "whole stone": {
            "count": rates.set_up.likely_h,
            "removed_area_m2": rates.whole_per_m2.likely_h,
        },
        "repoint": {"count": begin, "length_m": rates.joint_per_m.likely_h},
        **dict.fromkeys(
            (
                "clean",
                "crack repair",
                "mortar repair",
                "consolidate",
                "make safe",
                "re-fix",
                "metal",
                "shelter",
            ),
            surface,
        ),
    }


#: Hours of work a unit of a measure, by treatment: those of the work programme, common practice, to be replaced by the
#: office's own records.
LABOUR_H: Mapping[str, Mapping[str, float]] = _labour(WorkRates())
_LABELS = (
    "id",
    "elevation",
    "surface",
    "lift",
    "bay",
    "wall_stone",
    "stone_type",
    "treatment",
    "term",
    "family",
    "condition_class",
    "urgency_class",
    "recommendation_class",
    "stage",
)


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Quantities:
    """Measured rows and the rules they were measured by.

    Parameters
    ----------
    repairs, conditions : DataFrame
        Labels, then the columns of ``MEASURES``.
    rules : tuple of str
        Measuring rules in sentences.
    gaps : tuple of str
        What is not known and therefore counts as nothing.
    """

    repairs: pd.DataFrame
    conditions: pd.DataFrame
    rules: tuple[str, ...]
    gaps: tuple[str, ...] = field(default=())

    def breakdown(self, basis: str, dimension: str) -> pd.DataFrame:
        """Sums of every measure by one dimension, sorted; the index holds the keys as text."""
        frame = self.repairs if basis == "repairs" else self.conditions
        names = [m.name for m in MEASURES]
        grouped = (
            frame.groupby(dimension, sort=True)[names].sum()
            if len(frame)
            else pd.DataFrame(columns=names, dtype=float)
        )
        order = sorted(grouped.index, key=_natural)
        return grouped.loc[order]

    def total(self, basis: str) -> pd.Series:
        """Sum of every measure over all rows."""
        frame = self.repairs if basis == "repairs" else self.conditions
        return frame[[m.name for m in MEASURES]].sum()


def _natural(key: str) -> tuple[int, float, str]:
    """Numbers in their order, words after them, what is not stated last."""
    if key == NOT_STATED:
        return (2, 0.0, key)
    try:
        return (0, float(key), key)
    except ValueError:
        return (1, 0.0, key)


def measure_quantities(
    frames: Mapping[str, pd.DataFrame],
    *,
    least_void_m2: float = 0.0,
    lift_height_m: float = 2.0,
    labour_h: Mapping[str, Mapping[str, float]] | None = None,
    blank_m3: Mapping[str, float] | None = None,
) -> Quantities:
    """Measure all repairs and conditions.

    Parameters
    ----------
    frames : mapping of table name to frame
        As read from a project; a table that is not given counts as empty.
    least_void_m2 : float
        Openings of this area or smaller are not deducted. 0 deducts all.
    lift_height_m : float
        Height of a scaffold lift, for what has no lift of its own.
    labour_h : mapping, optional
        Hours of work a unit of a measure, by treatment; :data:`LABOUR_H` where not given.
    blank_m3 : mapping of piece id to float, optional
        Volume of the blanks as they come off the saw; the box of the blank times its slab where not given.

    Returns
    -------
    Quantities

    Raises
    ------
    InputError
        A least void below 0, or a height of a lift that is not above 0.
    """
    if not least_void_m2 >= 0 or not lift_height_m > 0:
        raise InputError(
            f"least void {least_void_m2} m2, lift height {lift_height_m} m",
            "Give a void of 0 or more and a height above 0.",
        )
    tables = {
        name: frames[name] if name in frames else TABLES[name].empty()
        for name in (
            "elevations",
            "surfaces",
            "wall_stones",
            "openings",
            "conditions",
            "repairs",
            "pieces",
            "placements",
            "faces",
        )
    }
    lookup = _Lookup(tables)
    voids = _voids(tables["openings"], least_void_m2)
    gaps: list[str] = []
    repairs = _repair_rows(tables, lookup, voids, lift_height_m, gaps, blank_m3 or {})
    norms = LABOUR_H if labour_h is None else labour_h
    unknown = repairs["hours"].isna()
    repairs.loc[unknown, "hours"] = [
        sum(r[m] * h for m, h in norms.get(r["treatment"], {}).items())
        for r in rows_of(repairs[unknown])
    ]
    repairs["hours"] = repairs["hours"].astype(float)
    conditions = _condition_rows(tables, lookup, voids, lift_height_m)
    return Quantities(
        repairs=repairs,
        conditions=conditions,
        rules=_rules(least_void_m2, lift_height_m),
        gaps=tuple(gaps),
    )


class _Lookup:
    """Names and labels by id."""

    def __init__(self, tables: Mapping[str, pd.DataFrame]) -> None:
        elevations = dict(
            zip(tables["elevations"]["id"], tables["elevations"]["name"], strict=True)
        )
        surfaces = tables["surfaces"]
        self.elevation = {
            s: str(elevations.get(e, e))
            for s, e in zip(surfaces["id"], surfaces["elevation"], strict=True)
        }
        self.surface = dict(zip(surfaces["id"], surfaces["name"], strict=True))
        stones = tables["wall_stones"]
        self.stone_type = dict(zip(stones["id"], stones["stone_type"], strict=True))
        self.conditions = {
            r["id"]: r for r in rows_of(tables["conditions"].drop(columns="geometry"))
        }
        self.area = dict(
            zip(
                tables["conditions"]["id"],
                shapely.area(np.asarray(tables["conditions"].geometry.array)),
                strict=True,
            )
        )
        self.repair_of: dict[str, dict[str, Any]] = {}
        for repair in rows_of(tables["repairs"].drop(columns="geometry")):
            for condition in repair["conditions"] or []:
                self.repair_of.setdefault(str(condition), repair)


def _text(value: Any) -> str:
    return NOT_STATED if is_missing(value) else str(value)


def _class(letters: str, value: Any) -> str:
    n = number(value)
    return NOT_STATED if n is None else f"{letters}{int(n)}"


def _family(term: Any) -> str:
    try:
        return family_named(find_term(str(term)).family).name
    except InputError:
        return NOT_STATED


def _voids(openings: pd.DataFrame, least_void_m2: float) -> dict[str, Any]:
    voids: dict[str, Any] = {}
    if len(openings):
        shapes = np.asarray(openings.geometry.array)
        for surface in dict.fromkeys(openings["surface"]):
            chosen = shapes[
                (openings["surface"] == surface).to_numpy() & (shapely.area(shapes) > least_void_m2)
            ]
            if len(chosen):
                voids[surface] = shapely.union_all(chosen)
    return voids


def _net(
    frame: pd.DataFrame, voids: Mapping[str, Any]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gross area, net area and net length of every row's outline."""
    shapes = (
        np.asarray(frame.geometry.array)
        if isinstance(frame, gpd.GeoDataFrame)
        else np.empty(0, dtype=object)
    )
    if not len(shapes):
        return np.zeros(0), np.zeros(0), np.zeros(0)
    kept = shapes.copy()
    for surface, void in voids.items():
        rows = np.flatnonzero(
            (frame["surface"] == surface).to_numpy() & shapely.intersects(shapes, void)
        )
        if len(rows):
            kept[rows] = shapely.difference(mend_all(shapes[rows]), void)
    dimension = shapely.get_dimensions(shapes)
    return (
        shapely.area(shapes),
        shapely.area(kept),
        np.where(dimension == 1, shapely.length(kept), 0.0),
    )


def _lifts(frame: pd.DataFrame, own: list[Any], lift_height_m: float) -> list[str]:
    heights = (
        shapely.get_y(shapely.centroid(np.asarray(frame.geometry.array))) if len(frame) else []
    )
    return [
        str(int(n))
        if (n := number(value)) is not None
        else str(max(0, int(height // lift_height_m)))
        for value, height in zip(own, heights, strict=True)
    ]


def _edges(repair: Mapping[str, Any], shape: Any) -> tuple[float, float]:
    """Length sawn within stone and length of joints raked out, by the kinds of the edges; all is sawn when unknown."""
    if repair["treatment"] not in PIECED or shape is None or shape.geom_type != "Polygon":
        return 0.0, 0.0
    ring = np.asarray(shape.exterior.coords)
    lengths = np.hypot(*np.diff(ring, axis=0).T)
    kinds = repair["edge_kinds"] if isinstance(repair["edge_kinds"], list) else []
    if len(kinds) != len(lengths):
        return (
            (float(lengths.sum()), 0.0)
            if repair["treatment"] == "inset"
            else (0.0, float(lengths.sum()))
        )
    sawn = float(sum(n for n, k in zip(lengths, kinds, strict=True) if k == "inset"))
    return sawn, float(sum(n for n, k in zip(lengths, kinds, strict=True) if k == "joint"))


def _piece_volumes(
    tables: Mapping[str, pd.DataFrame], blank_m3: Mapping[str, float]
) -> tuple[dict[str, float], dict[str, float], dict[str, float], dict[str, float]]:
    """Gross, net, block volume and weight of the pieces, by repair."""
    gross: dict[str, float] = {}
    net: dict[str, float] = {}
    used: dict[str, float] = {}
    weight: dict[str, float] = {}
    pieces = {p["id"]: p for p in rows_of(tables["pieces"])}
    for p in pieces.values():
        r = p["repair"]
        gross[r] = gross.get(r, 0.0) + p["width_m"] * p["height_m"] * p["depth_m"]
        net[r] = net.get(r, 0.0) + p["geometry"].area * p["depth_m"]
        weight[r] = weight.get(r, 0.0) + (number(p["weight_kg"]) or 0.0)
    for place in rows_of(tables["placements"]):
        piece = pieces.get(place["piece"])
        if piece is None:
            continue
        if place["piece"] in blank_m3:
            used[place["repair"]] = used.get(place["repair"], 0.0) + blank_m3[place["piece"]]
            continue
        ring = (
            np.asarray(place["blank"] or [], dtype=float).reshape(-1, 2)
            if place["blank"]
            else np.empty((0, 2))
        )
        width, height = np.ptp(ring, axis=0) if len(ring) else (piece["width_m"], piece["height_m"])
        slabs = place["slab_thicknesses"] or []
        slab = int(place["slab"] or 0)
        thick = number(slabs[slab]) if slab < len(slabs) else None
        used[place["repair"]] = used.get(place["repair"], 0.0) + float(width * height) * (
            thick or piece["depth_m"]
        )
    return gross, net, used, weight


def _repair_rows(
    tables: Mapping[str, pd.DataFrame],
    lookup: _Lookup,
    voids: Mapping[str, Any],
    lift_height_m: float,
    gaps: list[str],
    blank_m3: Mapping[str, float],
) -> pd.DataFrame:
    repairs = tables["repairs"]
    area_gross, area_net, length = _net(repairs, voids)
    lifts = _lifts(repairs, list(repairs["lift"]), lift_height_m)
    gross, net, used, weight = _piece_volumes(tables, blank_m3)
    piece_type = dict(zip(tables["pieces"]["repair"], tables["pieces"]["stone_type"], strict=True))
    rows = []
    for i, repair in enumerate(rows_of(repairs)):
        answered = [
            lookup.conditions[str(c)]
            for c in repair["conditions"] or []
            if str(c) in lookup.conditions
        ]
        main = max(answered, key=lambda c: (lookup.area[c["id"]], c["id"]), default=None)
        worst = {
            k: max((v for c in answered if (v := number(c[k])) is not None), default=None)
            for k in ("cc", "uc", "rc")
        }
        stone = piece_type.get(repair["id"])
        stone = lookup.stone_type.get(repair["wall_stone"]) if is_missing(stone) else stone
        rods = read_rods(repair["pins"])
        materials = read_materials(repair["materials"])
        sawn, raked = _edges(repair, repair["geometry"])
        used_m3, net_m3 = used.get(repair["id"], 0.0), net.get(repair["id"], 0.0)
        rows.append(
            {
                "id": repair["id"],
                "elevation": _text(lookup.elevation.get(repair["surface"], repair["surface"])),
                "surface": _text(lookup.surface.get(repair["surface"], repair["surface"])),
                "lift": lifts[i],
                "bay": _whole(repair["bay"]),
                "wall_stone": _text(repair["wall_stone"]),
                "stone_type": _text(stone),
                "treatment": _text(repair["treatment"]),
                "term": _text(main["term"] if main else None),
                "family": _family(main["term"]) if main else NOT_STATED,
                "condition_class": _class("CC", worst["cc"]),
                "urgency_class": _class("UC", worst["uc"]),
                "recommendation_class": _class("RC", worst["rc"]),
                "stage": _text(repair["stage"]),
                "count": 1.0,
                "area_gross_m2": area_gross[i],
                "area_net_m2": area_net[i],
                "length_m": length[i],
                "removed_area_m2": number(repair["removed_area_m2"]) or 0.0,
                "removed_volume_m3": number(repair["removed_volume_m3"]) or 0.0,
                "volume_gross_m3": gross.get(repair["id"], 0.0),
                "volume_net_m3": net_m3,
                "block_volume_m3": used_m3,
                "cut_length_m": sawn,
                "rake_length_m": raked,
                "pins": float(len(rods)),
                "drill_length_m": float(sum(r.drilled_m for r in rods)),
                "mortar_l": 1000.0 * (materials.mortar_in_place_m3 or 0.0),
                "weight_kg": weight.get(repair["id"], 0.0),
                "hours": math.nan if materials.hours is None else materials.hours,
                "stone_waste_m3": max(0.0, used_m3 - net_m3) if used_m3 else 0.0,
                "mortar_waste_l": 1000.0
                * ((materials.mortar_trials_m3 or 0.0) + (materials.mortar_waste_m3 or 0.0)),
            }
        )
        if repair["treatment"] in PIECED and not used_m3:
            gaps.append(f"{repair['id']}: no block is placed, so no volume of block used")
    return pd.DataFrame(rows, columns=[*_LABELS, *(m.name for m in MEASURES)])


def _whole(value: Any) -> str:
    n = number(value)
    return NOT_STATED if n is None else str(int(n))


def _condition_rows(
    tables: Mapping[str, pd.DataFrame],
    lookup: _Lookup,
    voids: Mapping[str, Any],
    lift_height_m: float,
) -> pd.DataFrame:
    conditions = tables["conditions"]
    area_gross, area_net, length = _net(conditions, voids)
    answers = [lookup.repair_of.get(str(i)) for i in conditions["id"]]
    lifts = _lifts(conditions, [a["lift"] if a else None for a in answers], lift_height_m)
    rows = []
    for i, condition in enumerate(rows_of(conditions.drop(columns="geometry"))):
        answer = answers[i]
        row: dict[str, Any] = {m.name: 0.0 for m in MEASURES}
        row |= {
            "id": condition["id"],
            "elevation": _text(lookup.elevation.get(condition["surface"], condition["surface"])),
            "surface": _text(lookup.surface.get(condition["surface"], condition["surface"])),
            "lift": lifts[i],
            "bay": _whole(answer["bay"]) if answer else NOT_STATED,
            "wall_stone": _text(condition["wall_stone"]),
            "stone_type": _text(lookup.stone_type.get(condition["wall_stone"])),
            "treatment": _text(answer["treatment"]) if answer else _TREATMENT_OF_NONE,
            "term": _text(condition["term"]),
            "family": _family(condition["term"]),
            "condition_class": _class("CC", condition["cc"]),
            "urgency_class": _class("UC", condition["uc"]),
            "recommendation_class": _class("RC", condition["rc"]),
            "stage": _text(answer["stage"]) if answer else NOT_STATED,
            "count": 1.0,
            "area_gross_m2": area_gross[i],
            "area_net_m2": area_net[i],
            "length_m": length[i],
        }
        rows.append(row)
    return pd.DataFrame(rows, columns=[*_LABELS, *(m.name for m in MEASURES)])


def _rules(least_void_m2: float, lift_height_m: float) -> tuple[str, ...]:
    deducted = (
        "all of them" if least_void_m2 == 0 else f"those larger than {least_void_m2:g} m2 each"
    )
    return (
        "Areas are face areas in the plane of the wall, from the outlines in the wall frame (superficial measure).",
        f"Gross area: the outline as drawn. Net area: the same less architectural openings ({deducted} deducted).",
        "Outlines of different terms may lie on one another: the areas of terms add up to the area recorded, not to wall covered.",
        "Original stone removed: face area and volume of the cut-out as designed, or as measured where it has been.",
        "Piece volume net: face of the piece times its depth. Gross: its enclosing box. Solid measure.",
        "Volume of block used: the blank as it comes off the saw, with its trim; the stone behind it and beside it goes back to the yard. Nothing where no block is placed.",
        "Waste stands apart and is in no other figure: stone = block used less piece net; mortar = trial beddings and mixing loss.",
        "Cut length: edges sawn within a stone. Joints raked out: edges that lie on an existing joint.",
        "Drill length: holes in wall and piece together. Mortar in place: bedding, joints, grooves and holes less rods.",
        "Work: hours recorded for the repair, else norms by treatment (common practice, to be replaced by the office's own records).",
        "A repair stands under the term of its largest condition and under the highest class of its conditions.",
        f"Scaffold lift: as set for the repair, else the height of its centre divided by {lift_height_m:g} m (common practice).",
    )
