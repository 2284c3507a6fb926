"""Writes the demo's files: photographs, lists, drawings of the surveyor, the truth."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon, mapping
from shapely.geometry.base import BaseGeometry

from . import blocks as yard
from .cameras import CAMERA, CHART_POSE, FOCAL_35_MM, FOCAL_MM, POSES, Pose, project
from .colour import CHART_LAB
from .decay import INSET, MOVED, WHOLE, Condition
from .joinery import chart_centres
from .masonry import Building
from .noise import stream
from .scene import CHART_AT, CHART_SIZE
from .survey import EPSG, FACING_DEG, ORIGIN_ENH, SIGMA_MM, SurveyPoint

#: Part of the building in the words of the wall-stone table.
PARTS = {"string": "string course", "parapet": "walling"}


def write_text(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


def write_csv(path: Path, rows: list[dict[str, object]]) -> None:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_text(path, out.getvalue())


def write_photo(path: Path, picture: NDArray[np.uint8], pose: Pose) -> None:
    """JPEG with what a camera notes about itself; no position."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Sallow Quay survey"
    exif[ExifTags.Base.Model] = "Demo camera 15 mm"
    exif[ExifTags.Base.Orientation] = 1
    exif[ExifTags.Base.DateTime] = pose.taken
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.FocalLength] = FOCAL_MM
    inner[ExifTags.Base.FocalLengthIn35mmFilm] = FOCAL_35_MM
    inner[ExifTags.Base.DateTimeOriginal] = pose.taken
    inner[ExifTags.Base.ExifImageWidth] = CAMERA["width"]
    inner[ExifTags.Base.ExifImageHeight] = CAMERA["height"]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(picture).save(path, quality=87, subsampling="4:2:0", exif=exif, optimize=True)


def write_face(path: Path, picture: NDArray[np.uint8]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(picture).save(path, quality=82, subsampling="4:2:0", optimize=True)


def write_survey(out: Path, measured: list, pixels: list) -> None:
    """Point list, observations, and one control file a photo."""
    write_csv(out / "control_points.csv", [
        {"name": p.name, "role": p.role, **{k: f"{v:.4f}" for k, v in zip(("u_m", "v_m", "w_m"), uvw, strict=True)},
         **{k: f"{v:.4f}" for k, v in zip(("east_m", "north_m", "height_m"), enh, strict=True)}, "sigma_mm": f"{SIGMA_MM:.1f}"}
        for p, enh, uvw in measured
    ])  # fmt: skip
    write_csv(out / "observations.csv", [
        {"photo": f"{stem}.jpg", "name": p.name, "x_px": f"{x:.2f}", "y_px": f"{y:.2f}"} for stem, p, x, y in pixels
    ])  # fmt: skip
    place = {p.name: uvw for p, _, uvw in measured}
    for pose in POSES:
        write_csv(out / "control" / f"{pose.stem}.csv", [
            {"name": p.name, "u_m": f"{place[p.name][0]:.4f}", "v_m": f"{place[p.name][1]:.4f}", "x_px": f"{x:.2f}", "y_px": f"{y:.2f}", "role": p.role}
            for stem, p, x, y in pixels if stem == pose.stem
        ])  # fmt: skip
    write_text(out / "camera.json", json.dumps(CAMERA, indent=2) + "\n")


def _collection(features: list[dict]) -> str:
    lines = ",\n".join(json.dumps(f, separators=(", ", ": ")) for f in features)
    return '{"type": "FeatureCollection", "features": [\n' + lines + "\n]}\n"


def _feature(shape: BaseGeometry, properties: dict) -> dict:
    geometry = json.loads(json.dumps(mapping(shape)), parse_float=lambda x: round(float(x), 4))
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def write_drawings(out: Path, building: Building, conditions: list[Condition], seed: int) -> None:
    """Wall stones, openings and conditions as the surveyor drew them, wall metres (u, v)."""
    write_text(out / "wall_stones.geojson", _collection([
        _feature(s.polygon, {
            "id": s.id, "surface": "river-front-main", "course": s.course, "number": s.number, "stone_type": s.stone_type, "kind": s.kind,
            "bed": s.bed, "finish": s.finish, "depth_m": s.depth_m,
            "exposed": ",".join(f for f in s.exposed.split(",") if f != "reveal"), "part": PARTS.get(s.role, s.role), "quoin": s.role == "quoin",
        }) for s in building.stones
    ]))  # fmt: skip
    write_text(out / "openings.geojson", _collection([
        _feature(o.polygon, {"id": o.id, "surface": "river-front-main", "kind": "window" if o.kind == "window" else "door", "depth_m": o.reveal_m, "note": o.kind})
        for o in building.openings
    ]))  # fmt: skip
    write_text(out / "conditions.geojson", _collection([
        _feature(drawn(building, c, seed), {
            "id": c.id, "surface": "river-front-main", "term": c.term, "depth_m": c.depth_m, "width_m": c.width_m, "cc": c.cc, "uc": c.uc, "rc": c.rc,
            "activity": c.activity, "cause": c.cause, "cause_settled": c.cause_settled, "note": c.note, "surveyor": c.surveyor,
            "observed_on": c.observed_on, "photo": best_photo(c.shape), "wall_stone": c.stones[0],
        }) for c in conditions
    ]))  # fmt: skip


def drawn(building: Building, c: Condition, seed: int) -> BaseGeometry:
    """The truth as a hand draws it: a little wide, smoothed, a few millimetres off, inside its stone."""
    rng = stream(seed, 120, c.seed)
    if c.term in MOVED:
        return c.shape
    shift = rng.normal(0, 0.0015, 2)
    if isinstance(c.shape, Point):
        return translate(c.shape, *shift)
    if isinstance(c.shape, LineString):
        return c.shape.simplify(0.004)
    shape = translate(c.shape.buffer(0.006).buffer(-0.003).simplify(0.004), *shift)
    ring = np.array(shape.exterior.coords)[:-1]
    ring = ring + rng.normal(0, 0.0015, ring.shape)
    hand = Polygon(ring).buffer(0)
    if len(c.stones) == 1:
        hand = hand.intersection(building.by_id[c.stones[0]].polygon)
    else:
        for o in building.openings:
            hand = hand.difference(o.polygon)
    return max(getattr(hand, "geoms", [hand]), key=lambda g: g.area)


def best_photo(shape: BaseGeometry) -> str:
    """The photo that shows the place largest, well inside the frame."""
    c = shape.centroid
    best, score = POSES[0].stem, -1.0
    for pose in POSES:
        px, depth = project(pose, np.array([(c.x, c.y, 0.0), (c.x + 0.05, c.y, 0.0)]))
        x, y = px[0]
        if depth[0] > 0 and 150 < x < CAMERA["width"] - 150 and 150 < y < CAMERA["height"] - 150:
            size = float(np.hypot(*(px[1] - px[0])))
            if size > score:
                best, score = pose.stem, size
    return f"{best}.jpg"


PROJECT = f"""name = "Sallow Quay sail loft"
epsg = {EPSG}
lift_height_m = 2.0
datum = "Heights above the sill of the Sallow Quay dock gate; wall origin at the foot of the left quoin, on the paving."

[[elevations]]
id = "river-front"
name = "River front"
building = "Sail loft, Sallow Quay (invented)"
facing_deg = {FACING_DEG}

[[surfaces]]
id = "river-front-main"
elevation = "river-front"
name = "River front, main wall"
kind = "plane"
u0_m = -0.15
v0_m = -0.1
u1_m = 12.15
v1_m = 8.1
"""


def chart_pixels() -> list[dict[str, object]]:
    """Where the chart's patches lie in the photo that shows it, with half of a safe square."""
    pose = POSES[CHART_POSE]
    st = chart_centres()
    u0, v0, w = CHART_AT
    pts = np.column_stack(
        [u0 + st[:, 0] * CHART_SIZE[0], v0 + st[:, 1] * CHART_SIZE[1], np.full(24, w)]
    )
    px, _ = project(pose, pts)
    return [
        {"name": f"P{n:02d}", "x_px": f"{x:.1f}", "y_px": f"{y:.1f}", "half_px": 10, "role": "check" if n in (2, 7, 13, 16, 21) else "fit",
         "L": f"{lab[0]:.2f}", "a": f"{lab[1]:.2f}", "b": f"{lab[2]:.2f}"}
        for n, ((x, y), lab) in enumerate(zip(px, CHART_LAB.astype(float), strict=True), 1)
    ]  # fmt: skip


def chart_note() -> str:
    """Which photo shows the chart, and the edition of its values."""
    note = {
        "photo": f"{POSES[CHART_POSE].stem}.jpg",
        "edition": "24 patches, values after November 2014",
    }
    return json.dumps(note, indent=1) + "\n"


def write_truth(
    out: Path,
    seed: int,
    building: Building,
    points: list[SurveyPoint],
    conditions: list[Condition],
    wall_lab: tuple[dict, dict],
    blocks: list[yard.Block],
    block_lab: dict,
) -> None:
    """What the renderer knows."""
    clean, sound = wall_lab
    truth = {
        "seed": seed,
        "world": {"epsg": EPSG, "origin_enh_m": ORIGIN_ENH, "facing_deg": FACING_DEG},
        "camera": CAMERA,
        "photos": {p.stem: {"position_uvw_m": p.position, "rotation_wall_to_camera": np.round(p.rotation, 12).tolist(), "exposure": p.exposure, "white_balance": p.white_balance, "pan_tilt_deg": np.round(p.pan_tilt_deg, 2).tolist()} for p in POSES},
        "chart": {"photo": f"{POSES[CHART_POSE].stem}.jpg", "patches": chart_pixels()},
        "points": {p.name: {"role": p.role, "mark": p.mark, "uvw_m": p.uvw} for p in points},
        "wall_stones": {s.id: {"lab_clean": clean[s.id], "lab_sound": sound[s.id], "stone_type": s.stone_type} for s in building.stones},
        "conditions": {c.id: {"term": c.term, "depth_m": c.depth_m, "width_m": c.width_m, "cc": c.cc, "uc": c.uc, "rc": c.rc, "deserves": c.deserves, "stones": c.stones, "area_m2": round(c.shape.area, 5), "shape": _feature(c.shape, {})["geometry"]} for c in conditions},
        "blocks": {b.id: {"lab": block_lab[b.id], "stone_type": b.stone_type, "scale_mm_px": round(b.scale_mm_px, 6), "face_frame_px": yard.frame_quad_px(b), "visible_outline_px": np.round(b.to_px(b.visible.exterior.coords), 1).tolist(), "flaws": [f.kind for f in b.flaws]} for b in blocks},
        "counts": {"conditions": len(conditions), "inset": sum(c.deserves == INSET for c in conditions), "whole_stone": sum(c.deserves == WHOLE for c in conditions)},
    }  # fmt: skip
    write_text(out / "truth" / "truth.json", json.dumps(truth, separators=(",", ":")) + "\n")
