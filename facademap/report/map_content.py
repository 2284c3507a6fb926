"""What the condition map says: features, summary, accuracy, help; plain values made from the tables."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely

from facademap.condition.glossary import CLASS_NAMES, FAMILIES, TERMS
from facademap.condition.records import measure_area_m2
from facademap.condition.signs import signs_as_json
from facademap.report.drawing_content import fold_out
from facademap.report.map_measures import Kind, measure
from facademap.report.proof_words import (
    NOT_PROVED,
    accuracy_words,
    disagreement_words,
    outside_words,
    proved_error_m,
)
from facademap.tables import PIECED, TABLES, UNDECIDED, is_missing
from facademap.units import least_mm

__all__ = ["map_data"]

_HIDDEN = frozenset(
    {"id", "surface", "family", "layer", "edges", "edge_kinds", "pins", "materials", "measured"}
)
_SHOWN = {
    "condition": (
        "term",
        "cc",
        "uc",
        "rc",
        "depth_m",
        "width_m",
        "area_m2",
        "length_m",
        "wall_stone",
        "activity",
        "cause",
        "cause_settled",
        "note",
        "photo",
        "surveyor",
        "observed_on",
        "survey",
        "origin",
        "confirmed_by",
    ),
    "repair": (
        "treatment",
        "stage",
        "conditions",
        "wall_stone",
        "depth_m",
        "priority",
        "removed_area_m2",
        "removed_volume_m3",
        "rule",
        "rule_source",
        "rule_status",
        "overruled_by",
        "reason",
        "held_back",
        "consent_reference",
        "consent_conditions",
        "lift",
        "bay",
        "note",
        "cautions",
    ),
    "stone": (
        "course",
        "number",
        "stone_type",
        "kind",
        "bed",
        "finish",
        "depth_m",
        "exposed",
        "part",
        "cc",
        "uc",
        "rc",
        "note",
    ),
    "opening": ("kind", "depth_m", "note"),
    "control": ("name", "role", "u_m", "v_m", "sigma_m"),
}
_TABLE = {
    "condition": "conditions",
    "repair": "repairs",
    "stone": "wall_stones",
    "opening": "openings",
    "control": "control_points",
}
_NUMBER = r"(?<![\d.])(-?\d+(?:\.\d+)?)"
#: Measures as sentences of reports and rules have them, and how many SI units one is.
_MEASURES: tuple[tuple[str, Kind, float], ...] = (
    (_NUMBER + r" mm\b", "error", 1e-3),
    (_NUMBER + r" m2\b", "area", 1.0),
    (_NUMBER + r" kg\b", "weight", 1.0),
    (_NUMBER + r"(?= to -?\d+(?:\.\d+)? m\b)", "length", 1.0),
    (_NUMBER + r" m\b(?![²³/])", "length", 1.0),
)
_SOURCES = (
    "Terms: ICOMOS-ISCS, Illustrated glossary on stone deterioration patterns, 2008; definitions in our own words.",
    "Classes: EN 16096:2012, condition, urgency and recommendation classes (wording from memory).",
    "Colour difference: CIEDE2000 after Sharma, Wu and Dalal 2005, CIELAB D50, 2 degree.",
)
_CAUTIONS = (
    "Sizes on this map are for planning. Every cut-out is measured as cut before its stone is sawn.",
    "Loose or hollow stone above a way is made safe at once; it is not left to a survey.",
    "Loads, lifting, dust and access follow local codes; structural stone is opened only with a licensed engineer's design.",
)
_HELP = (
    "The picture is to scale and square to the wall. Coordinates read along the wall (u, to the right seen from outside) "
    "and up the wall (v).",
    "Each family of conditions has its colour and its hatch; each term varies the hatch and has two letters. A heavier "
    "outline means a higher condition class.",
    "Dark red outlines are repairs; a full line cuts stone, a broken line does not. Circles are pins.",
    "Areas are net of windows and doors. The legend counts what is in view and passes the filters.",
    "A triangle marks a condition at a point.",
)


def map_data(
    tables: Mapping[str, Any],
    *,
    settings: Mapping[str, Any],
    photos: Mapping[str, str],
    seen: Sequence[Mapping[str, Any]] = (),
    extents: Mapping[str, tuple[float, float, float, float]] | None = None,
) -> dict[str, Any]:
    """The content of the page, made from the tables of a project.

    Parameters
    ----------
    tables : mapping of table name to frame
    settings : mapping
        ``project_id`` and whatever the summary mentions.
    photos : mapping of photo id to data address
        Small pictures for the details.
    seen : sequence of mapping
        Pieces seen in the wall: ``repair``, ``s`` (surface), ``box`` in mm, ``image``, ``before``.
    extents : mapping of surface id to (u0, v0, u1, v1), optional
        For the key plan.
    """
    conditions = tables["conditions"]
    area = conditions["area_m2"].where(
        conditions["area_m2"].notna(), measure_area_m2(conditions, tables["openings"])
    )
    tables = {**tables, "conditions": conditions.assign(area_m2=area.astype(float))}
    features = [
        f
        for kind in ("opening", "stone", "condition", "repair", "control")
        for f in _features(kind, tables)
    ]
    features.sort(key=_size)  # large outlines are drawn first
    said = _reviews(tables["reviews"])
    for feature in features:
        if found := said.get((feature["k"] + "s", feature["i"])):
            feature["rev"] = found
    plans = tables["plans"]
    current = plans[plans["current"].astype(bool)] if len(plans) else plans
    return {
        "project_id": settings.get("project_id", ""),
        "plan_id": current["id"].iloc[-1] if len(current) else "",
        "features": features,
        "plan_reviews": [
            r for (table, _), rows in sorted(said.items()) if table == "plans" for r in rows
        ],
        "photos": dict(photos),
        "seen": list(seen),
        "families": [
            {"id": f.id, "name": f.name, "layer": f.layer, "colour": f.colour} for f in FAMILIES
        ],
        "terms": [
            {
                "name": t.name,
                "family": t.family,
                "abbreviation": t.abbreviation,
                "meaning": t.meaning,
            }
            for t in TERMS
        ],
        "classes": {k: list(v) for k, v in CLASS_NAMES.items()},
        "signs": signs_as_json(),
        "labels": _labels(),
        "summary": _summary(tables),
        "accuracy": _accuracy(tables["surfaces"]),
        "help": list(_HELP),
        "cautions": list(_CAUTIONS),
        "sources": list(_SOURCES),
        "plan_of_building": _plan_of_building(tables["surfaces"]),
        "key_plan": _key_plan(tables["surfaces"], tables["elevations"], extents or {}),
    }


def _labels() -> dict[str, dict[str, str]]:
    """Words for the columns: their names without the unit."""

    def words(name: str) -> str:
        for unit in ("_m3", "_m2", "_m"):
            name = (
                name.removesuffix(unit)
                if name.endswith(unit) and len(name) > len(unit) + 1
                else name
            )
        return (
            name.replace("_", " ").upper() if name in ("cc", "uc", "rc") else name.replace("_", " ")
        )

    labels = {kind: {c: words(c) for c in TABLES[table].names} for kind, table in _TABLE.items()}
    labels["control"].update(residual="residual", u_m="along (u)", v_m="up (v)")
    return {**labels, "more": {"edges": "joints round the cut-out", "pins": "pins"}}


def _features(kind: str, tables: Mapping[str, Any]) -> list[dict[str, Any]]:
    frame = tables[_TABLE[kind]]
    result = []
    residuals = _residuals(tables["observations"]) if kind == "control" else {}
    names = [c for c in frame.columns if c in _SHOWN[kind]]
    columns = {c: frame[c].tolist() for c in names}
    for n, (id, surface, shape) in enumerate(
        zip(frame["id"], frame["surface"], frame.geometry, strict=True)
    ):
        if shape is None or shape.is_empty:
            continue
        values = {c: columns[c][n] for c in names if not is_missing(columns[c][n])}
        feature = {"i": str(id), "k": kind, "s": str(surface), **_geometry(shape), "p": values}
        if feature["t"] == "P" and "area_m2" not in values:
            feature["a"] = float(shape.area)
        if kind == "repair":
            values.update(_repair_words(id, frame.iloc[n], tables))
        if "observed_on" in values:
            values["observed_on"] = str(values["observed_on"])[:10]
        if id in residuals:
            feature["rv"], values["residual"] = residuals[id]
        result.append(feature)
    return result


def _geometry(shape: Any) -> dict[str, Any]:
    """Whole millimetres: rings and lines as flat lists (u, v, u, v), and the place of the label; a point has its place alone."""

    def corners(line: Any, *, ring: bool = False) -> list[int]:
        places = np.rint(shapely.get_coordinates(line) * 1000).astype(np.int64)
        found: list[int] = (places[:-1] if ring else places).ravel().tolist()
        return found

    parts = list(shapely.get_parts(shape))
    inside = shape.representative_point()
    centre = [round(inside.x * 1000), round(inside.y * 1000)]
    match shapely.get_dimensions(shape):
        case 2:
            rings = [corners(r, ring=True) for p in parts for r in (p.exterior, *p.interiors)]
            return {"t": "P", "g": rings, "c": centre}
        case 1:
            return {"t": "L", "g": [corners(p) for p in parts], "c": centre}
    return {"t": "X", "g": [], "c": centre}


def _size(feature: Mapping[str, Any]) -> float:
    """What sorts large areas before small ones, and those before lines and points."""
    area: float = feature.get("a", feature["p"].get("area_m2", 0.0))
    return -area if feature["t"] == "P" else 0.0


def _residuals(observations: pd.DataFrame) -> dict[Any, tuple[list[float], str]]:
    """Mean residual of each control point over the photos that show it, in millimetres."""
    known = observations.dropna(subset=["du_m", "dv_m"]) if len(observations) else observations
    found = {}
    for id, rows in known.groupby("control_point", sort=True) if len(known) else ():
        du, dv = float(rows["du_m"].mean() * 1000), float(rows["dv_m"].mean() * 1000)
        found[id] = (
            [round(du, 2), round(dv, 2)],
            f"u {measure('shift', du / 1000)}, v {measure('shift', dv / 1000)} (mean over {len(rows)} photos)",
        )
    return found


def _reviews(reviews: pd.DataFrame) -> dict[tuple[str, str], list[list[str]]]:
    """What earlier reviews said, by what it is about, oldest first."""
    said: dict[tuple[str, str], list[list[str]]] = {}
    for row in (reviews.sort_values(["at", "id"]) if len(reviews) else reviews).to_dict("records"):
        text = "" if is_missing(row["text"]) else str(row["text"])
        said.setdefault((str(row["about_table"]), str(row["about"])), []).append(
            [str(row["at"])[:10], str(row["reviewer"]), str(row["decision"]), text]
        )
    return said


def _key_plan(
    surfaces: pd.DataFrame, elevations: pd.DataFrame, extents: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Surfaces folded out beside each other, elevation by elevation, in metres."""
    rows: list[dict[str, Any]] = [
        {str(k): v for k, v in row.items()} for row in surfaces.to_dict("records")
    ]
    plan = []
    for elevation in elevations.to_dict("records"):
        panels = fold_out([r for r in rows if r["elevation"] == elevation["id"]], extents)
        plan.append(
            {
                "name": str(elevation["name"]),
                "panels": [
                    {"s": p.surface, "name": p.name, "box": [round(v, 3) for v in p.box]}
                    for p in panels
                ],
            }
        )
    return [p for p in plan if p["panels"]]


def _repair_words(id: Any, row: pd.Series, tables: Mapping[str, Any]) -> dict[str, Any]:
    pieced = row["treatment"] in PIECED
    words: dict[str, Any] = {
        "pieced": pieced,
        "cautions": [_in_units(c) for c in row["cautions"] or ()],
    }
    if not pieced:
        return words
    pins = row["pins"] or []
    words["pin_places"] = [[round(p["u_m"] * 1000), round(p["v_m"] * 1000)] for p in pins]
    words["pin_words"] = [
        f"{p.get('grade', 'stainless')} rod {measure('length', p['rod_m'])}, hole {measure('length', p['hole_m'])}, "
        f"{measure('length', p['embedment_m'])} into the wall, {measure('length', p['into_piece_m'])} into the piece"
        for p in pins
        if {"rod_m", "hole_m", "embedment_m", "into_piece_m"} <= set(p)
    ]
    kinds = row["edge_kinds"] or [""] * len(row["edges"] or ())
    words["edge_words"] = [
        f"edge {n + 1}: {kind or 'edge'}, joint {measure('joint', edge)}"
        for n, (edge, kind) in enumerate(zip(row["edges"] or (), kinds, strict=False))
    ]
    pieces = tables["pieces"]
    piece = pieces[pieces["repair"] == id]
    if len(piece):
        p = piece.iloc[0]
        words["piece_size"] = " x ".join(
            measure("length", p[c]) for c in ("width_m", "height_m", "depth_m")
        )
        words["piece"] = str(p["id"])
    placements = tables["placements"]
    placed = placements[placements["repair"] == id]
    if len(placed):
        q = placed.iloc[0]
        match = "" if is_missing(q["de00"]) else f", colour difference {q['de00']:.1f} (CIEDE2000)"
        unseen = " (its face has not been seen yet)" if int(q["slab"]) else ""
        words["block_words"] = (
            f"{q['block']}, face {q['face']}, slab {int(q['slab']) + 1}{unseen}, turned {int(q['rotation_deg'])} degrees, "
            f"{measure('length', q['x_m'])} from the left, {measure('length', q['y_m'])} from below{match}; {q['state']}"
        )
    elif len(piece) and not is_missing(piece.iloc[0]["unmatched_reason"]):
        size = piece.iloc[0]["source_size"] or []
        words["block_words"] = (
            f"No block serves it ({piece.iloc[0]['unmatched_reason']}); look for "
            + " x ".join(measure("length", least_mm(s) / 1000) for s in size)
        )
    return words


def _summary(tables: Mapping[str, Any]) -> dict[str, Any]:
    conditions, repairs, stones, openings = (
        tables[n] for n in ("conditions", "repairs", "wall_stones", "openings")
    )
    area = float(conditions["area_m2"].sum()) if len(conditions) else 0.0
    removed, volume = (
        float(repairs[c].fillna(0).sum()) if len(repairs) else 0.0
        for c in ("removed_area_m2", "removed_volume_m3")
    )
    faces = float(stones.geometry.area.sum()) if len(stones) else 0.0
    placed = len(tables["placements"])
    pieces = len(tables["pieces"])
    urgent = conditions[conditions["uc"].map(lambda v: v == 3)] if len(conditions) else conditions
    figures = [
        {"value": str(len(conditions)), "label": "conditions"},
        {"value": measure("area", area), "label": "area of conditions, net of openings"},
        {"value": str(len(urgent)), "label": "urgent and immediate (UC3)"},
        {
            "value": str(
                int((~repairs["treatment"].isin(["leave", UNDECIDED])).sum()) if len(repairs) else 0
            ),
            "label": "repairs proposed or done",
        },
        {"value": f"{placed} / {pieces}", "label": "pieces with a block"},
        {
            "value": measure("area", removed),
            "label": f"original stone faces removed, {measure('volume', volume)}"
            + (f", {removed / faces:.2%} of the stone faces" if faces else ""),
        },
    ]
    blocks = []
    if len(conditions):
        for name, title in (("uc", "Urgency class"), ("cc", "Condition class")):
            classes = {
                n: f"{name.upper()}{n} {w}" for n, w in reversed(list(enumerate(CLASS_NAMES[name])))
            }
            blocks.append(
                {
                    "title": title,
                    "heads": ["class", "count", "net area"],
                    "rows": _by(conditions, name, classes),
                }
            )
        blocks.append(
            {
                "title": "Conditions by family",
                "heads": ["family", "count", "net area"],
                "rows": _by(conditions, "family", {f.id: f.name for f in FAMILIES}),
            }
        )
    if len(repairs):
        counted = repairs.groupby("treatment", sort=True).agg(
            n=("id", "size"), removed=("removed_area_m2", "sum")
        )
        blocks.append(
            {
                "title": "Treatments",
                "heads": ["treatment", "count", "stone removed"],
                "rows": [[t, int(r.n), measure("area", r.removed)] for t, r in counted.iterrows()],
            }
        )
    words = [
        {
            "id": r["id"],
            "term": r["term"],
            "words": [_short(v) for v in (r["wall_stone"], r["note"]) if not is_missing(v)],
        }
        for r in urgent.to_dict("records")
    ]
    return {
        "figures": figures,
        "urgent": words,
        "tables": blocks,
        "looks": _looks(tables),
        "lines": _void(openings),
    }


def _short(value: Any, *, most: int = 140) -> str:
    text = str(value)
    return text if len(text) <= most else text[:most].rstrip() + " \u2026"


def _by(conditions: pd.DataFrame, column: str, names: Mapping[Any, str]) -> list[list[Any]]:
    rows = []
    for value, words in names.items():
        part = conditions[conditions[column].map(lambda v, value=value: v == value)]
        if len(part):
            rows.append([words, len(part), measure("area", part["area_m2"].sum())])
    rest = conditions[conditions[column].map(lambda v: is_missing(v) or v not in names)]
    return [
        *rows,
        *(
            [["not classed", len(rest), measure("area", rest["area_m2"].sum())]]
            if len(rest)
            else []
        ),
    ]


def _looks(tables: Mapping[str, Any]) -> list[str]:
    """What will change in appearance: stone renewed, other work that is seen, closeness of colour."""
    repairs, pieces, placements = tables["repairs"], tables["pieces"], tables["placements"]
    if not len(repairs):
        return []
    lines = []
    pieced = repairs[repairs["treatment"].isin(PIECED)]
    if len(pieced):
        new = float(pieced["removed_area_m2"].fillna(0).sum())
        lines.append(
            f"{len(pieced)} places get new stone faces ({', '.join(f'{int(n)} {t}' for t, n in pieced['treatment'].value_counts().sort_index().items())}): "
            f"{measure('area', new)} of the wall."
        )
    seen = repairs[~repairs["treatment"].isin((*PIECED, "leave", UNDECIDED))]
    if len(seen):
        sizes = [
            (t, len(rows), float(rows.geometry.area.sum()))
            for t, rows in seen.groupby("treatment", sort=True)
        ]
        parts = [
            f"{t} {n}" + (f" ({measure('area', size)})" if size >= 0.005 else "")
            for t, n, size in sizes
        ]
        lines.append("Other work that will be seen: " + ", ".join(parts) + ".")
    left = int((repairs["treatment"] == "leave").sum())
    if left:
        lines.append(f"{left} conditions are left as they are.")
    undecided = int((repairs["treatment"] == UNDECIDED).sum())
    if undecided:
        lines.append(f"{undecided} conditions are undecided: data that decide them are wanted.")
    without = len(pieces) - len(placements)
    if without > 0:
        lines.append(f"{without} pieces have no block yet, so how they will look is not known.")
    return lines + _closeness(placements)


def _closeness(placements: pd.DataFrame) -> list[str]:
    known = placements["de00"].dropna() if len(placements) else pd.Series(dtype=float)
    if known.empty:
        return []
    close = int((known <= 3).sum())
    return [
        f"Colour: {close} of {len(known)} pieces come from a block within a colour difference of 3 of their "
        f"neighbourhood (CIEDE2000, mean {known.mean():.1f}, largest {known.max():.1f}); small differences fade as the "
        "pieces weather."
    ]


def _void(openings: pd.DataFrame) -> list[str]:
    return (
        [
            f"{len(openings)} architectural openings, {measure('area', openings.geometry.area.sum())}, are left out of all areas."
        ]
        if len(openings)
        else []
    )


def _in_units(sentence: str) -> str:
    """A sentence of the report or of the rules in which measures follow the units that the reader chose."""
    for shape, kind, factor in _MEASURES:
        parts = re.split(shape, sentence)
        parts[1::2] = [measure(kind, float(number) * factor) for number in parts[1::2]]
        sentence = "".join(parts)
    return sentence


def _accuracy(surfaces: pd.DataFrame) -> list[str]:
    lines = []
    for row in surfaces.to_dict("records"):
        if "origin" in (row["report"] or {}) and not is_missing(row["picture"]):
            lines.append(_picture_from_elsewhere(row))
            lines += [f"{row['name']}: {words}." for words in [disagreement_words(row)] if words]
            lines += [f"{row['name']}: {w}" for w in (row["report"] or {}).get("warnings", [])[:6]]
            continue
        if is_missing(row["gsd_m"]) or is_missing(row["picture"]):
            lines.append(
                f"{row['name']}: no rectified picture was made; sizes are those of the drawing."
            )
            continue
        lines.append(
            f"{row['name']}: {accuracy_words(row)}; one pixel is {measure('error', row['gsd_m'])}; colours "
            f"{row['colour_state']}."
        )
        lines += [
            f"{row['name']}: {words}."
            for words in (outside_words(row), disagreement_words(row))
            if words
        ]
        if (error := proved_error_m(row)) is not None:
            # a circular normal error: sqrt(-2 ln 0.05) = 2.448 sigma holds 95 of 100, sigma = radial RMSE / sqrt(2)
            radius = math.sqrt(-math.log(0.05)) * error
            lines.append(
                f"{row['name']}: about 95 of 100 places lie within {measure('length', radius)} of where this map puts them "
                "(from points that had no part in the fit, errors taken as normal)."
            )
        lines += [f"{row['name']}: {w}" for w in (row["report"] or {}).get("warnings", [])[:6]]
    return [_in_units(line) for line in lines]


def _picture_from_elsewhere(row: Mapping[Any, Any]) -> str:
    report = row["report"] or {}
    stamp = "" if report.get("proved", True) else f"{NOT_PROVED}: "
    return (
        f"{row['name']}: {stamp}{report.get('origin', 'picture')}, placed by {report.get('placed_by', 'its own place')}; accuracy "
        f"{report.get('accuracy', 'not stated')}; one pixel is {measure('error', row['gsd_m'])}; colours {row['colour_state']}."
    )


def _plan_of_building(surfaces: pd.DataFrame) -> dict[str, Any] | None:
    lines = []
    for row in surfaces.to_dict("records"):
        world, report = row["world"], row["report"] or {}
        if is_missing(world) or "matrix" not in world:
            continue
        u0, _, u1, _ = report.get("extent_m", [0, 0, 5, 0])
        matrix = np.asarray(world["matrix"], dtype=float)
        ends = [(matrix @ np.array([u, 0.0, 0.0, 1.0]))[:2] for u in (u0, u1)]
        if all(math.isfinite(v) for end in ends for v in end):
            lines.append(
                {
                    "name": row["name"],
                    "from": [round(float(v), 2) for v in ends[0]],
                    "to": [round(float(v), 2) for v in ends[1]],
                }
            )
    return {"lines": lines} if lines else None
