"""A small project with a wall of its own making, for tests and benchmarks of the survey desk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import geopandas as gpd
import numpy as np
import shapely

from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.survey.add_features import complete_conditions
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

WIDTH_M, HEIGHT_M, GSD_M = 12.0, 7.2, 0.005
COURSE_M, JOINT_M = 0.36, 0.012
SURFACE = "landward"


def stones(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Stones of coursed ashlar, outlined without their joints."""
    rows: list[dict[str, Any]] = []
    for course in range(int(HEIGHT_M / COURSE_M)):
        left, number = 0.0, 1
        while left < WIDTH_M - 0.2:
            width = min(float(rng.uniform(0.45, 1.0)), WIDTH_M - left)
            if WIDTH_M - left - width < 0.3:
                width = WIDTH_M - left
            j = JOINT_M / 2
            box = shapely.box(
                left + j, course * COURSE_M + j, left + width - j, (course + 1) * COURSE_M - j
            )
            rows.append(
                {
                    "id": f"S-{len(rows) + 1:03d}",
                    "surface": SURFACE,
                    "course": course + 1,
                    "number": number,
                    "stone_type": "Quay sandstone",
                    "kind": "sedimentary",
                    "bed": "horizontal",
                    "depth_m": 0.3,
                    "geometry": box,
                }
            )
            left, number = left + width, number + 1
    return rows


def paint(
    rows: list[dict[str, Any]], conditions: list[dict[str, Any]], rng: np.random.Generator
) -> np.ndarray:
    """The wall as a picture, top row first."""
    height, width = round(HEIGHT_M / GSD_M), round(WIDTH_M / GSD_M)
    picture = np.full((height, width, 3), (171, 162, 146), np.float32)

    def ring_px(ring: Any) -> np.ndarray:
        xy = np.asarray(ring.coords)
        return np.round(np.column_stack([xy[:, 0] / GSD_M, (HEIGHT_M - xy[:, 1]) / GSD_M])).astype(
            np.int32
        )

    for row in rows:
        base = np.array([196, 178, 146]) + rng.normal(0, 9) + rng.normal(0, 3, 3)
        cv2.fillPoly(picture, [ring_px(row["geometry"].exterior)], tuple(float(v) for v in base))
    coarse = rng.normal(0, 1, (height // 24 + 2, width // 60 + 2)).astype(np.float32)
    bedding = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC) * 6
    fine = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 1.2) * 16
    picture += (bedding + fine)[..., None]
    for row in conditions:
        shape = row["geometry"]
        if shape.geom_type == "Polygon":
            mask = np.zeros((height, width), np.float32)
            cv2.fillPoly(mask, [ring_px(shape.exterior)], 1.0)
            mask = cv2.GaussianBlur(mask, (0, 0), 3)
            tone = {"A": -40, "B": -35, "C": -25, "D": -55, "E": -30}.get(row["family_hint"], -30)
            picture += mask[..., None] * (
                tone + rng.normal(0, 9, (height, width, 1)).astype(np.float32)
            )
        else:
            cv2.polylines(picture, [ring_px(shape)], False, (70, 62, 54), 2, cv2.LINE_AA)
    return np.clip(picture, 0, 255).astype(np.uint8)


def blob(
    rng: np.random.Generator, centre: tuple[float, float], size: float, vertices: int = 14
) -> shapely.Polygon:
    """A rounded patch."""
    angle = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    radius = size * (1 + 0.25 * rng.uniform(-1, 1, vertices))
    return shapely.Polygon(
        np.column_stack(
            [centre[0] + radius * np.cos(angle), centre[1] + 0.7 * radius * np.sin(angle)]
        )
    )


def conditions(
    rng: np.random.Generator, rows: list[dict[str, Any]], many: int
) -> list[dict[str, Any]]:
    """Patches and cracks on stones, with terms of all families."""
    terms = [
        ("contour scaling", "B"),
        ("black crust", "D"),
        ("alveolization", "C"),
        ("alga", "E"),
        ("rounding", "C"),
        ("granular disintegration", "B"),
        ("efflorescence", "D"),
        ("lichen", "E"),
    ]
    result = []
    for index in range(many):
        stone = rows[int(rng.integers(len(rows)))]["geometry"]
        u0, v0, u1, v1 = stone.bounds
        centre = (float(rng.uniform(u0 + 0.1, u1 - 0.1)), float(rng.uniform(v0 + 0.1, v1 - 0.1)))
        term, family = terms[index % len(terms)]
        if index % 9 == 8:
            steps = np.cumsum(rng.normal(0, 0.02, (14, 2)) + np.array([0.006, -0.02]), axis=0)
            shape, term, family = shapely.LineString(steps + centre), "fracture", "A"
        else:
            shape = blob(rng, centre, float(rng.uniform(0.05, 0.16)))
        result.append(
            {
                "id": f"C-{index + 1:03d}",
                "surface": SURFACE,
                "term": term,
                "family_hint": family,
                "geometry": shape,
                "depth_m": float(np.round(rng.uniform(0.005, 0.06), 3)),
                "cc": int(rng.integers(0, 4)),
                "uc": int(rng.integers(0, 4)),
                "rc": int(rng.integers(0, 4)),
                "survey": "1",
            }
        )
    return result


def make_project(
    folder: Path, *, seed: int = 7, many: int = 60, picture: bool = True, blocks: int = 6
) -> Path:
    """Write the project; returns its folder."""
    rng = np.random.default_rng(seed)
    wall = stones(rng)
    seen = conditions(rng, wall, many)
    with Project.create(folder, name="Sample wall") as project:
        wkt = wall_crs("Landward front", f"{project.project_id} {SURFACE}")
        row: dict[str, Any] = {
            "id": SURFACE,
            "elevation": "front",
            "name": "Main plane",
            "frame_wkt": wkt,
            "geometry": shapely.box(0, 0, WIDTH_M, HEIGHT_M),
        }
        if picture:
            rgb = paint(wall, seen[:400], rng)
            grid = PixelGrid(
                left_m=0.0,
                top_m=HEIGHT_M,
                gsd_m=GSD_M,
                width_px=rgb.shape[1],
                height_px=rgb.shape[0],
            )
            full = np.full(rgb.shape[:2], 255, np.uint8)
            write_elevation(
                project.place(f"elevations/{SURFACE}.tif"),
                grid,
                ((w, rgb[w.slices], full[w.slices]) for w in grid.windows(512)),
                crs_wkt=wkt,
            )
            row |= {"picture": f"elevations/{SURFACE}.tif", "gsd_m": GSD_M}
        openings = [
            {
                "id": f"O-{i + 1}",
                "surface": SURFACE,
                "kind": "window",
                "geometry": shapely.box(2 + 4 * i, 2.16, 3.1 + 4 * i, 3.96),
            }
            for i in range(2)
        ]
        frame = gpd.GeoDataFrame(
            [{k: v for k, v in c.items() if k not in ("geometry", "family_hint")} for c in seen],
            geometry=[c["geometry"] for c in seen],
        )
        stone_frame = gpd.GeoDataFrame(wall, geometry="geometry")
        whole, _ = complete_conditions(
            frame, stone_frame, gpd.GeoDataFrame(openings, geometry="geometry")
        )
        with project.edit(who="sample", what="sample project") as edit:
            edit.insert(
                "elevations",
                [
                    {
                        "id": "front",
                        "name": "Landward front",
                        "building": "Sail loft, Sallow Quay",
                        "facing_deg": 205.0,
                    }
                ],
            )
            edit.insert("surfaces", [row])
            edit.insert("wall_stones", stone_frame)
            edit.insert("openings", openings)
            edit.insert("conditions", whole)
            for number in range(blocks):
                _add_block(project, edit, number, rng)
    return folder


def make_planned_project(folder: Path, *, blocks: int) -> Path:
    """The same with all causes settled and the repairs planned."""
    made = make_project(folder, many=24, blocks=blocks)
    with (
        Project.open(made) as project,
        project.edit(who="sample", what="causes are settled") as edit,
    ):
        for id in project.read("conditions")["id"]:
            edit.update(
                "conditions", id, {"cause": "leaking gutter, mended", "cause_settled": True}
            )
    plan_project(made)
    return made


def rows(folder: Path, table: str = "conditions", **where: Any) -> Any:
    """A table as it is stored now."""
    with Project.open(folder, read_only=True) as project:
        return project.read(table, where=where or None)


def give_picture(folder: Path, *, wide: int, high: int) -> None:
    """Give the wall a large picture of a repeated pattern, written piece by piece."""
    rng = np.random.default_rng(11)
    pattern = cv2.resize(
        rng.integers(90, 220, (64, 64, 3), np.uint8), (512, 512), interpolation=cv2.INTER_CUBIC
    )
    pattern = np.clip(pattern + rng.normal(0, 9, pattern.shape), 0, 255).astype(np.uint8)
    grid = PixelGrid(left_m=0.0, top_m=high * 0.0005, gsd_m=0.0005, width_px=wide, height_px=high)
    full = np.full((512, 512), 255, np.uint8)

    def piece(window: Any) -> tuple[Any, Any, Any]:
        return (
            window,
            pattern[: window.height, : window.width],
            full[: window.height, : window.width],
        )

    with Project.open(folder) as project:
        wkt = project.row("surfaces", SURFACE)["frame_wkt"]
        write_elevation(
            project.place(f"elevations/{SURFACE}.tif"),
            grid,
            (piece(w) for w in grid.windows(512)),
            crs_wkt=wkt,
        )
        with project.edit(who="sample", what="large picture") as edit:
            edit.update(
                "surfaces", SURFACE, {"picture": f"elevations/{SURFACE}.tif", "gsd_m": 0.0005}
            )


def _add_block(project: Project, edit: Any, number: int, rng: np.random.Generator) -> None:
    width, height = float(rng.uniform(0.45, 0.9)), float(rng.uniform(0.3, 0.5))
    base = np.array([196, 178, 146]) + rng.normal(0, 14)
    rgb = np.clip(rng.normal(0, 7, (420, 640, 3)) + base, 0, 255).astype(np.uint8)
    cv2.rectangle(rgb, (0, 0), (639, 419), (90, 88, 84), 40)
    name, scale = f"block-{number + 1}.jpg", min(560 / width, 340 / height)
    path = project.place(f"blocks/{name}")
    cv2.imwrite(str(path), rgb[..., ::-1])
    import hashlib

    edit.insert(
        "photos",
        [
            {
                "id": name,
                "path": f"blocks/{name}",
                "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
                "width_px": 640,
                "height_px": 420,
                "subject": "block",
            }
        ],
    )
    edit.insert(
        "blocks",
        [
            {
                "id": f"B-{number + 1:03d}",
                "stone_type": "Quay sandstone",
                "kind": "sedimentary",
                "provenance": "north gable",
                "location": "rack 2",
                "length_m": width,
                "height_m": height,
                "depth_m": 0.3,
                "weight_kg": 2250 * width * height * 0.3,
                "acceptance": "accepted",
            }
        ],
    )
    edit.insert(
        "faces",
        [
            {
                "id": f"B-{number + 1:03d}.1",
                "block": f"B-{number + 1:03d}",
                "outline": [[0, 0], [width, 0], [width, height], [0, height]],
                "usable_depth_m": 0.28,
                "bed": "x",
                "lab": [73.0 + float(rng.normal(0, 4)), 3.0, 18.0],
                "spread": 4.0,
                "lab_n": 900,
                "photo": name,
                "photo_matrix": [[scale, 0, 40.0], [0, -scale, 40.0 + height * scale], [0, 0, 1]],
                "width_m": width,
                "height_m": height,
            }
        ],
    )


def plain_inset(folder: Path, *, last: bool = False) -> Any:
    """A planned inset that lies within its stone and has pins."""
    table = rows(folder, "repairs")
    fits = [
        r
        for _, r in table.iterrows()
        if r["treatment"] == "inset"
        and r["stage"] == "proposed"
        and set(r["edge_kinds"]) == {"inset"}
        and len(r["pins"])
    ]
    return fits[-1 if last else 0]
