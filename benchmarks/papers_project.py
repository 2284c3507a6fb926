"""A seeded make-believe project for trying the papers: a wall with stones, conditions, repairs, pieces and blocks.

Everything is invented and drawn by number; no record of a real building is in it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point, Polygon, box

from facademap.io.rule_files import load_profile
from facademap.repair.offsets import offset_edges
from facademap.repair.pins import set_out_pins
from facademap.store.project import Project
from facademap.wall.world import wall_crs

TERMS = (
    "blistering",
    "scaling",
    "delamination",
    "black crust",
    "erosion",
    "missing part",
    "crack",
    "alga",
    "open joint",
    "cement repair",
    "efflorescence",
    "moss",
    "lichen",
    "pitting",
    "alveolization",
)
STONES = ("Quay sandstone", "Sallow limestone", "Hard grey")
NAMES = ("Sail loft, quay front", "Yard return")


def make_project(
    folder: Path, *, insets: int = 18, conditions: int = 60, seed: int = 7, world: bool = True
) -> Project:
    """Create the project; returns it open for writing."""
    rng = np.random.default_rng(seed)
    project = Project.create(folder, name="Sallow Quay sail loft")
    with project.edit(who="sample", what="make a sample") as edit:
        edit.set("name", "Sallow Quay sail loft")
        edit.insert(
            "elevations",
            [
                {
                    "id": "E-1",
                    "name": NAMES[0],
                    "building": "Sail loft",
                    "facing_deg": 190.0,
                    "sort": 1,
                },
                {
                    "id": "E-2",
                    "name": NAMES[1],
                    "building": "Sail loft",
                    "facing_deg": 100.0,
                    "sort": 2,
                },
            ],
        )
        width = min(24.0, max(9.0, 0.55 * insets))
        for k, name in enumerate(NAMES):
            place = {
                "epsg": 32630,
                "matrix": [
                    [0.985, 0.0, 0.174, 431000.0 + 40 * k],
                    [-0.174, 0.0, 0.985, 5640000.0],
                    [0.0, 1.0, 0.0, 12.5],
                ],
            }
            edit.insert(
                "surfaces",
                [
                    {
                        "id": f"S-{k + 1}",
                        "elevation": f"E-{k + 1}",
                        "name": name,
                        "frame_wkt": wall_crs(name, f"sample {k}"),
                        "picture": f"elevations/S-{k + 1}.tif",
                        "gsd_m": 0.004,
                        "control_rmse_m": 0.0011,
                        "control_n": 12,
                        "check_rmse_m": 0.0018,
                        "check_n": 9,
                        "colour_state": "chart",
                        "world": place if world else None,
                        "geometry": box(0, 0, width if k == 0 else 5.0, 6.4),
                    }
                ],
            )
        stones = _stones(rng, width)
        edit.insert("wall_stones", stones)
        edit.insert(
            "openings",
            [
                {
                    "id": "O-1",
                    "surface": "S-1",
                    "kind": "window",
                    "depth_m": 0.2,
                    "geometry": box(2.1, 2.0, 3.2, 3.8),
                },
                {
                    "id": "O-2",
                    "surface": "S-1",
                    "kind": "door",
                    "depth_m": 0.2,
                    "geometry": box(5.4, 0.0, 6.7, 2.3),
                },
            ],
        )
        seen = _conditions(rng, stones, conditions)
        edit.insert("conditions", seen)
        blocks, faces, photos = _blocks(rng, max(6, insets // 2))
        edit.insert("photos", photos)
        edit.insert("blocks", blocks)
        edit.insert("faces", faces)
        repairs, pieces, places = _repairs(rng, stones, seen, faces, insets)
        edit.insert("repairs", repairs)
        edit.insert("pieces", pieces)
        edit.insert("placements", places)
        edit.insert(
            "work_log",
            [
                {
                    "id": "W-1",
                    "repair": repair["id"],
                    "at": "2026-06-02T09:30:00+00:00",
                    "check": "cut-out square",
                    "result": "pass",
                    "measured": {"diagonal_difference_m": 0.001},
                    "mason": "",
                    "note": "clean stone all round",
                }
                for repair in repairs[:1]
            ],
        )
    for k in range(2):
        _picture(
            folder / f"elevations/S-{k + 1}.tif",
            stones if k == 0 else [],
            width if k == 0 else 5.0,
            rng,
        )
    for photo in photos:
        _face_photo(folder / photo["path"], rng)
    return project


def _stones(rng: np.random.Generator, width: float) -> list[dict[str, Any]]:
    rows = []
    v = 0.0
    course = 0
    while v < 6.1:
        course += 1
        high = float(rng.uniform(0.28, 0.36))
        u, number = 0.0, 0
        while u < width - 0.2:
            number += 1
            long = min(float(rng.uniform(0.45, 0.9)), width - u)
            rows.append(
                {
                    "id": f"WS-{course:02d}.{number:02d}",
                    "surface": "S-1",
                    "course": course,
                    "number": number,
                    "stone_type": STONES[int(rng.integers(3))],
                    "kind": "sedimentary",
                    "bed": "horizontal",
                    "finish": "droved",
                    "depth_m": 0.25,
                    "exposed": "front",
                    "geometry": box(u + 0.002, v + 0.002, u + long - 0.002, v + high - 0.002),
                }
            )
            u += long
        v += high
    return rows


def _blob(rng: np.random.Generator, cx: float, cy: float, rx: float, ry: float) -> Polygon:
    angle = np.linspace(0, 2 * np.pi, 22, endpoint=False)
    radius = (
        1
        + 0.25 * np.sin(3 * angle + rng.uniform(0, 6)) * rng.uniform(0.2, 1)
        + rng.normal(0, 0.05, 22)
    )
    return Polygon(
        np.column_stack([cx + rx * radius * np.cos(angle), cy + ry * radius * np.sin(angle)]).round(
            4
        )
    ).buffer(0)


def _conditions(
    rng: np.random.Generator, stones: list[dict[str, Any]], count: int
) -> list[dict[str, Any]]:
    rows = []
    for i in range(count):
        stone = stones[int(rng.integers(len(stones)))]
        c = stone["geometry"].centroid
        term = TERMS[i % len(TERMS)]
        if term in ("crack", "open joint"):
            shape: Any = LineString(
                [(c.x - 0.2, c.y - 0.1), (c.x, c.y + 0.02), (c.x + 0.22, c.y + 0.13)]
            )
        elif term == "pitting":
            shape = Point(c.x, c.y).buffer(0.05)
        else:
            shape = _blob(
                rng, c.x, c.y, float(rng.uniform(0.08, 0.25)), float(rng.uniform(0.05, 0.16))
            )
        rows.append(
            {
                "id": f"C-{i + 1:03d}",
                "surface": "S-1",
                "term": term,
                "layer": "stone",
                "depth_m": float(rng.uniform(0.004, 0.05)),
                "cc": int(rng.integers(4)),
                "uc": int(rng.integers(4)),
                "rc": int(rng.integers(4)),
                "wall_stone": stone["id"],
                "geometry": shape,
                "note": "=1+1 is text" if i == 0 else None,
                "observed_on": "2026-05-12",
            }
        )
    for row in rows:
        row["layer"] = {"open joint": "joint", "cement repair": "earlier repair"}.get(
            row["term"], "stone"
        )
    return rows


def _blocks(
    rng: np.random.Generator, count: int
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    blocks, faces, photos = [], [], []
    for i in range(count):
        w, h, d = (float(rng.uniform(*r)) for r in ((0.5, 0.9), (0.3, 0.45), (0.18, 0.3)))
        photos.append(
            {
                "id": f"P-B{i + 1:02d}",
                "path": f"blocks/B-{i + 1:02d}.jpg",
                "sha256": f"{i:064x}",
                "width_px": 1200,
                "height_px": 800,
                "subject": "block",
            }
        )
        blocks.append(
            {
                "id": f"B-{i + 1:02d}",
                "stone_type": STONES[i % 3],
                "kind": "sedimentary",
                "provenance": "north boundary wall",
                "location": f"bay {i % 4 + 1}, shelf {i % 3 + 1}",
                "length_m": w,
                "height_m": h,
                "depth_m": d,
                "weight_kg": round(w * h * d * 2300, 1),
                "acceptance": "accepted",
            }
        )
        outline = [[0.01, 0.0], [w - 0.02, 0.012], [w, h - 0.03], [w * 0.55, h], [0.0, h - 0.01]]
        scale = 1000 / w
        faces.append(
            {
                "id": f"B-{i + 1:02d}.1",
                "block": f"B-{i + 1:02d}",
                "outline": outline,
                "usable_depth_m": d - 0.02,
                "bed": "x",
                "flaws": [
                    {
                        "kind": "crack",
                        "ring": [[w - 0.12, h - 0.12], [w - 0.05, h - 0.12], [w - 0.05, h - 0.06]],
                        "depth_m": None,
                    }
                ],
                "finish": "sawn",
                "photo": f"P-B{i + 1:02d}",
                "lab": [62.0, 3.0, 14.0],
                "photo_matrix": [
                    [scale, 12.0, 90.0],
                    [8.0, -scale, 90.0 + scale * h],
                    [0.01, 0.02, 1.0],
                ],
                "width_m": w,
                "height_m": h,
            }
        )
    return blocks, faces, photos


def _repairs(
    rng: np.random.Generator,
    stones: list[dict[str, Any]],
    seen: list[dict[str, Any]],
    faces: list[dict[str, Any]],
    count: int,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    repairs, pieces, places = [], [], []
    by_stone: dict[str, list[str]] = {}
    for c in seen:
        by_stone.setdefault(c["wall_stone"], []).append(c["id"])
    profile = load_profile("metric")
    order = rng.permutation(len(stones))
    for i in range(count):
        stone = stones[int(order[i % len(order)])]
        u0, v0, u1, v1 = stone["geometry"].bounds
        w, h = float(rng.uniform(0.14, 0.34)), float(rng.uniform(0.1, min(0.24, v1 - v0 - 0.02)))
        joint = 0.002
        left = u0 + float(rng.uniform(0, max(0.0, u1 - u0 - w)))
        w = min(w, u1 - left)
        cut = Polygon([(left, v0), (left + w, v0), (left + w, v0 + h), (left, v0 + h)])
        if i % 5 == 3:
            cut = Polygon(
                [
                    (left, v0),
                    (left + w, v0),
                    (left + w, v0 + h * 0.5),
                    (left + w * 0.55, v0 + h * 0.5),
                    (left + w * 0.55, v0 + h),
                    (left, v0 + h),
                ]
            )
        depth = float(rng.choice([0.05, 0.06, 0.075]))
        n = len(cut.exterior.coords) - 1
        edges = [0.003] + [joint] * (n - 1)
        piece = offset_edges(np.asarray(cut.exterior.coords)[:-1], edges)
        pu0, pv0, pu1, pv1 = piece.bounds
        rid = f"R-{i + 1:03d}"
        kg = piece.area * depth * 2300
        measured = (
            {
                "widths_m": [w + 0.001, w],
                "heights_m": [h, h + 0.001],
                "diagonals_m": [0.4, 0.401],
                "depths_m": [depth] * 4,
            }
            if i % 6 == 5
            else None
        )
        repairs.append(
            {
                "id": rid,
                "surface": "S-1",
                "treatment": "inset",
                "conditions": by_stone.pop(stone["id"], []),
                "wall_stone": stone["id"],
                "priority": float(rng.integers(1, 5)),
                "stage": "cut-out measured"
                if measured
                else "accepted"
                if i % 6 == 2
                else "approved",
                "depth_m": depth,
                "edges": edges,
                "edge_kinds": ["joint"] + ["inset"] * (n - 1),
                "geometry": cut,
                "lift": int(v0 // 2),
                "bay": int(u0 // 2.1) + 1,
                "pins": [
                    p.as_json()
                    for p in set_out_pins(
                        piece,
                        depth - profile.bedding_m,
                        weight_kg=kg,
                        settings=profile,
                    ).pins
                ],
                "materials": {
                    "mortar": {
                        "in_place_m3": cut.area * 0.003 + 0.00005,
                        "trials_m3": cut.area * 0.003,
                        "waste_m3": 0.0001,
                    },
                    "batch": {"mix": "NHL 3.5 1:2.5", "binder_kg": 0.21, "sand_l": 0.8},
                    "spacers": {"count": 6},
                    "spacer_m": joint,
                    "hours": 3.5,
                },
                "removed_area_m2": cut.area,
                "removed_volume_m3": cut.area * depth,
                "measured": measured,
                "cautions": ["Stone over the cut-out may be loose: sound it before cutting."],
                "rule": "detachment deeper than 10 mm",
            }
        )
        pieces.append(
            {
                "id": f"{rid}.1",
                "surface": "S-1",
                "repair": rid,
                "width_m": pu1 - pu0,
                "height_m": pv1 - pv0,
                "depth_m": depth - 0.001,
                "bed": "horizontal",
                "stone_type": stone["stone_type"],
                "finish": "droved",
                "exposed": "front" if i % 4 else "front, left",
                "weight_kg": kg,
                "weight_saturated_kg": kg * 1.08,
                "provisional": measured is None,
                "geometry": piece,
            }
        )
        if i % 7 == 6:
            pieces[-1] |= {"unmatched_reason": "size", "source_size": [0.36, 0.26, depth + 0.01]}
            continue
        face = faces[i % len(faces)]
        trim = 0.003
        bw, bh = pu1 - pu0 + 2 * trim, pv1 - pv0 + 2 * trim
        x, y = 0.02 + (0.3 if (i // len(faces)) % 2 else 0.0), 0.015
        blank = np.asarray(shapely.buffer(piece, trim, join_style="mitre").exterior.coords)[:-1] - [
            pu0 - trim - x,
            pv0 - trim - y,
        ]
        places.append(
            {
                "id": f"PL-{i + 1:03d}",
                "repair": rid,
                "piece": f"{rid}.1",
                "block": face["block"],
                "face": face["id"],
                "slab": 0,
                "slab_thicknesses": [depth + 0.008],
                "x_m": x,
                "y_m": y,
                "rotation_deg": 0,
                "de00": float(rng.uniform(0.6, 3.2)),
                "state": "approved",
                "blank": json.loads(json.dumps(blank.tolist())),
            }
        )
        del bw, bh
    used = {c for r in repairs for c in r["conditions"]}
    for c in seen:
        if c["id"] in used:
            continue
        k = len(repairs) + 1
        line = c["geometry"].geom_type == "LineString"
        treatment = (
            "repoint"
            if c["term"] == "open joint"
            else "crack repair"
            if line
            else ("clean" if c["term"] in ("alga", "moss", "black crust") else "mortar repair")
        )
        if c["cc"] == 0:
            continue
        repairs.append(
            {
                "id": f"R-{k:03d}",
                "surface": c["surface"],
                "treatment": treatment,
                "conditions": [c["id"]],
                "wall_stone": c["wall_stone"],
                "geometry": c["geometry"],
                "depth_m": 0.02,
                "lift": max(0, int(c["geometry"].bounds[1] // 2)),
            }
        )
    return repairs, pieces, places


def _picture(
    path: Path, stones: list[dict[str, Any]], width: float, rng: np.random.Generator
) -> None:
    gsd = 0.004
    w, h = round(width / gsd), round(6.4 / gsd)
    image = np.full((h, w, 3), (150, 142, 130), np.float32)
    for s in stones:
        u0, v0, u1, v1 = s["geometry"].bounds
        tone = rng.normal(0, 14) + np.array([188, 176, 152])
        image[h - int(v1 / gsd) : h - int(v0 / gsd), int(u0 / gsd) : int(u1 / gsd)] = tone
    noise = cv2.resize(rng.normal(0, 10, (h // 8, w // 2, 1)).astype(np.float32), (w, h))[..., None]
    image = np.clip(image + noise + rng.normal(0, 6, (h, w, 1)), 0, 255).astype(np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=w,
        height=h,
        count=3,
        dtype="uint8",
        transform=from_origin(0, 6.4, gsd, gsd),
        tiled=True,
        blockxsize=256,
        blockysize=256,
        compress="deflate",
        photometric="RGB",
    ) as file:
        file.write(np.moveaxis(image, 2, 0))


def _face_photo(path: Path, rng: np.random.Generator) -> None:
    image = np.full((800, 1200, 3), (92, 110, 122), np.uint8)
    cv2.fillPoly(image, [np.array([[90, 60], [1110, 90], [1120, 640], [70, 700]])], (150, 178, 196))
    image = np.clip(
        image + cv2.resize(rng.normal(0, 12, (100, 300, 3)), (1200, 800)), 0, 255
    ).astype(np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), image, [cv2.IMWRITE_JPEG_QUALITY, 88])
