"""One set of photos, several surfaces; photos joined by ties; papers of the survey: on a small drawn wall with an opening."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import ezdxf
import numpy as np
import pytest
import rasterio
from PIL import Image

from facademap.errors import InputError
from facademap.photo.camera import Camera
from facademap.photo.pose import CameraPose
from facademap.photo.posed import CylinderSurface, PlaneSurface, PosedView
from facademap.store.project import Project
from facademap.tasks.project.create_project import add_surfaces, create_project, read_project_plan
from facademap.tasks.survey.add_control import add_control
from facademap.tasks.survey.add_photos import add_photos
from facademap.tasks.survey.elevations import make_elevations
from facademap.tasks.survey.survey_report import make_survey_report

CAMERA = Camera(width_px=900, height_px=680, fx_px=900, fy_px=900, cx_px=449, cy_px=340)
OPENING, DEPTH = (1.4, 0.8, 2.4, 2.0), 0.3
PIXEL = 0.005
WALL = (4.0, 3.0)


def texture(
    seed: int, width_m: float, height_m: float, tint: tuple[float, float, float]
) -> np.ndarray:
    """Stony noise at several scales, rows from below."""
    rng = np.random.default_rng(seed)
    shape = (round(height_m / PIXEL), round(width_m / PIXEL))
    total = np.zeros(shape)
    for size in (2, 5, 14, 40):
        small = rng.normal(size=(shape[0] // size + 2, shape[1] // size + 2)).astype(np.float32)
        total += cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.clip((110 + 22 * total)[..., None] * np.array(tint), 0, 255).astype(np.float32)


FACE = texture(1, *WALL, (1.0, 0.9, 0.8))
BACK = texture(2, *WALL, (0.6, 0.8, 1.0))
JAMB = texture(3, DEPTH, WALL[1], (1.0, 0.6, 0.5))


def look_up(picture: np.ndarray, across_m: np.ndarray, up_m: np.ndarray) -> np.ndarray:
    return cv2.remap(
        picture,
        (across_m / PIXEL - 0.5).astype(np.float32),
        (up_m / PIXEL - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )


def pose(centre: tuple[float, float, float], target: tuple[float, float, float]) -> CameraPose:
    forward = np.subtract(target, centre) / np.linalg.norm(np.subtract(target, centre))
    right = np.cross(forward, [0, 1.0, 0])
    right /= np.linalg.norm(right)
    return CameraPose(
        centre_m=np.array(centre),
        rotation=np.stack([right, np.cross(forward, right), forward]),
        focal_px=CAMERA.fx_px,
        focal_is_known=True,
    )


def expose(eye: CameraPose, face: np.ndarray = FACE) -> np.ndarray:
    """The wall with its opening: face, left reveal, plane behind."""
    x, y = np.meshgrid(np.arange(CAMERA.width_px), np.arange(CAMERA.height_px))
    ray = (
        np.stack(
            [
                (x - CAMERA.cx_px) / CAMERA.fx_px,
                (y - CAMERA.cy_px) / CAMERA.fy_px,
                np.ones(x.shape),
            ],
            axis=-1,
        )
        @ eye.rotation
    )
    at_face = eye.centre_m + ray * (-eye.centre_m[2] / ray[..., 2])[..., None]
    at_back = eye.centre_m + ray * ((-DEPTH - eye.centre_m[2]) / ray[..., 2])[..., None]
    u0, v0, u1, v1 = OPENING
    inside = (
        (at_face[..., 0] > u0)
        & (at_face[..., 0] < u1)
        & (at_face[..., 1] > v0)
        & (at_face[..., 1] < v1)
    )
    picture = look_up(face, at_face[..., 0], at_face[..., 1])
    picture[inside] = look_up(BACK, at_back[..., 0], at_back[..., 1])[inside]
    with np.errstate(divide="ignore", invalid="ignore"):
        at_jamb = eye.centre_m + ray * ((u0 - eye.centre_m[0]) / ray[..., 0])[..., None]
    jamb = inside & (at_jamb[..., 2] < 0) & (at_jamb[..., 2] > -DEPTH) & (at_back[..., 0] < u0)
    picture[jamb] = look_up(JAMB, np.nan_to_num(-at_jamb[..., 2]), np.nan_to_num(at_jamb[..., 1]))[
        jamb
    ]
    return np.clip(picture + 0.5, 0, 255).astype(np.uint8)


EYES = {
    "a.png": pose((2.9, 1.5, 3.6), (2.0, 1.5, 0)),
    "b.png": pose((1.6, 1.3, 3.5), (1.9, 1.4, 0)),
    "c.png": pose((2.4, 1.6, 3.3), (2.1, 1.6, 0)),
}
POINTS = {
    f"P{i}{j}": (0.6 + 0.7 * i, 0.4 + 0.72 * j)
    for i in range(5)
    for j in range(4)
    if not (OPENING[0] < 0.6 + 0.7 * i < OPENING[2] and OPENING[1] < 0.4 + 0.72 * j < OPENING[3])
}


def build(
    tmp_path: Path, *, few: tuple[str, ...] = (), stranger: bool = False, surfaces: str = ""
) -> Path:
    """A project of three photos; those in ``few`` show two control points only."""
    (tmp_path / "project.toml").write_text(f"""name = "Drawn wall"
[[elevations]]
id = "front"
name = "Front"
[[surfaces]]
id = "main"
elevation = "front"
name = "Main"
u0_m = 0.2
v0_m = 0.2
u1_m = 3.8
v1_m = 2.8
{surfaces}""")
    folder = tmp_path / "wall"
    create_project(folder, read_project_plan(tmp_path / "project.toml"))
    seen = ["photo,name,x_px,y_px"]
    for name, eye in EYES.items():
        Image.fromarray(expose(eye)).save(tmp_path / name)
        pixels = PosedView(camera=CAMERA, pose=eye, surface=FLAT).pixel_from_wall(
            *np.array(list(POINTS.values())).T
        )
        shown = [
            (p, x, y)
            for p, (x, y) in zip(POINTS, pixels, strict=True)
            if 5 < x < 895 and 5 < y < 675
        ]
        controls = [s for s in shown if s[0] not in CHECKS]
        seen += [
            f"{name},{p},{x:.3f},{y:.3f}" for p, x, y in (controls[:2] if name in few else shown)
        ]
    photos = [tmp_path / n for n in EYES]
    if stranger:
        Image.fromarray(expose(EYES["b.png"], texture(9, *WALL, (0.9, 1.0, 0.7)))).save(
            tmp_path / "stranger.png"
        )
        photos.append(tmp_path / "stranger.png")
    camera = {
        "width": 900,
        "height": 680,
        "fx": 900,
        "fy": 900,
        "cx": 449,
        "cy": 340,
        "k1": 0,
        "k2": 0,
        "p1": 0,
        "p2": 0,
    }
    (tmp_path / "camera.json").write_text(json.dumps(camera))
    (tmp_path / "seen.csv").write_text("\n".join(seen) + "\n")
    (tmp_path / "points.csv").write_text(
        "name,role,u_m,v_m\n"
        + "".join(
            f"{p},{'check' if p in CHECKS else 'control'},{u},{v}\n" for p, (u, v) in POINTS.items()
        )
    )
    add_photos(folder, photos, surface="main", camera_path=tmp_path / "camera.json")
    add_control(
        folder, tmp_path / "points.csv", observations_path=tmp_path / "seen.csv", surface="main"
    )
    return folder


FLAT = PlaneSurface()
CHECKS = ("P11", "P31")
FOLDED = f"""
[[surfaces]]
id = "jamb"
elevation = "front"
name = "Left reveal"
host = "main"
reveal = "left"
opening = {list(OPENING)}
depth_m = {DEPTH}
[[surfaces]]
id = "back"
elevation = "front"
name = "Plane behind"
host = "main"
set_back_m = {DEPTH}
opening = {list(OPENING)}
[[surfaces]]
id = "right"
elevation = "front"
name = "Right reveal"
host = "main"
reveal = "right"
opening = {list(OPENING)}
depth_m = {DEPTH}
"""


def difference(folder: Path, surface: str, truth: np.ndarray) -> tuple[float, float]:
    """Share shown, and median difference from the drawn surface (levels) after the overall level is taken out."""
    with rasterio.open(folder / "elevations" / f"{surface}.tif") as picture:
        data = picture.read()
        left, top, gsd = picture.transform.c, picture.transform.f, picture.transform.a
    u, v = np.meshgrid(
        left + (np.arange(data.shape[2]) + 0.5) * gsd, top - (np.arange(data.shape[1]) + 0.5) * gsd
    )
    drawn = np.moveaxis(look_up(truth, u, v), -1, 0)
    shown = data[3] > 0
    a, b = data[:3, shown].astype(float), drawn[:, shown]
    return float(shown.mean()), float(np.median(np.abs(a * np.median(b) / np.median(a) - b)))


def test_reveal_and_plane_behind_come_from_the_photos_of_their_host(tmp_path: Path) -> None:
    folder = build(tmp_path, surfaces=FOLDED)
    # two check points on the plane behind; one is said to lie 20 mm beside its true place
    behind = PosedView(camera=CAMERA, pose=EYES["c.png"], surface=PlaneSurface.set_back(DEPTH))
    (tmp_path / "k.csv").write_text("name,role,u_m,v_m\nK1,check,1.8,1.2\nK2,check,2.12,1.7\n")
    pixels = behind.pixel_from_wall([1.8, 2.1], [1.2, 1.7])
    (tmp_path / "ks.csv").write_text(
        "photo,name,x_px,y_px\n"
        + "".join(
            f"c.png,{n},{x:.3f},{y:.3f}\n" for n, (x, y) in zip(("K1", "K2"), pixels, strict=True)
        )
    )
    add_control(folder, tmp_path / "k.csv", observations_path=tmp_path / "ks.csv", surface="back")
    report = make_elevations(folder, gsd_mm=5)
    assert report["surfaces"]["back"]["check_n"] == 2
    assert report["surfaces"]["back"]["largest_check_m"] == pytest.approx(0.020, abs=0.001)
    with Project.open(folder, read_only=True) as project:
        seen = project.read("observations").set_index("id")
    assert abs(seen.at["c.png:back:K1", "du_m"]) < 0.001
    assert seen.at["c.png:back:K2", "du_m"] == pytest.approx(-0.020, abs=0.001)
    assert report["control_rmse_m"] < 0.001
    main, jamb, back = (
        difference(folder, s, t) for s, t in (("main", FACE), ("jamb", JAMB), ("back", BACK))
    )
    assert main[1] < 6
    assert jamb[0] > 0.95
    assert jamb[1] < 12, jamb
    assert back[0] > 0.9
    assert back[1] < 6, back
    # the same place taken from the main plane is another picture altogether
    assert difference(folder, "back", FACE)[1] > 20
    with Project.open(folder, read_only=True) as project:
        fold = project.row("surfaces", "jamb")["fold"]
    assert (fold["host"], fold["edge"]) == ("main", "left")
    assert any("rests on the depth that was given" in w for w in report["warnings"])
    papers_of_the_survey(folder, report)
    papers_in_inches(folder, tmp_path / "inches")


def papers_of_the_survey(folder: Path, report: dict[str, Any]) -> None:
    result = make_survey_report(folder)
    assert {
        "accuracy-main.json",
        "accuracy-main.svg",
        "control-main.dxf",
        "contact-sheet.png",
        "accuracy-jamb.json",
    } <= set(result["files"])
    main = json.loads((folder / "out" / "accuracy-main.json").read_text())
    residual = np.array([(r["du_m"], r["dv_m"]) for r in main["residuals"] if r["role"] == "check"])
    assert np.sqrt(np.mean(np.sum(residual**2, axis=1))) == pytest.approx(
        report["surfaces"]["main"]["check_rmse_m"]
    )
    # the scale by hand: 0.2 mm of error and 0.1 mm of sample on paper; a sample of 5 mm allows 1:50
    assert main["scale"] == 50
    assert main["photos"][0]["statement"]["check"]["n"] == len(CHECKS)
    drawing = ezdxf.readfile(folder / "out" / "control-main.dxf")
    placed = {
        (round(p.dxf.location.x, 6), round(p.dxf.location.y, 6), p.dxf.layer)
        for p in drawing.modelspace().query("POINT")
    }
    assert placed == {
        (round(u, 6), round(v, 6), "CHECK" if n in CHECKS else "CONTROL")
        for n, (u, v) in POINTS.items()
    }
    texts = [
        e.text
        for e in ElementTree.parse(folder / "out" / "accuracy-main.svg").iter()
        if e.tag.endswith("text")
    ]
    assert all(texts.count(n) == 1 for n in POINTS)


def test_photos_with_little_control_are_joined_and_a_stranger_is_left_out_by_name(
    tmp_path: Path,
) -> None:
    folder = build(tmp_path, few=("b.png",), stranger=True)
    report = make_elevations(folder, gsd_mm=5)
    said = " | ".join(report["warnings"])
    assert "photo stranger.png is left out" in said
    assert "b.png: placed by tie points, with 2 control points" in said
    assert {p["photo"] for p in report["surfaces"]["main"]["photos"]} == {"a.png", "b.png", "c.png"}
    assert report["check_rmse_m"] < 0.006
    assert difference(folder, "main", FACE)[1] < 8


@pytest.mark.parametrize(
    ("lines", "word"),
    [
        ('host = "main"\nreveal = "left"\n', "opening"),
        ('host = "main"\n', "neither"),
        ('host = "main"\nset_back_m = 0.1\nreveal = "left"\n', "both"),
        ('host = "x"\nset_back_m = 0.1\n', "'x'"),
        ("set_back_m = 0.1\n", "host"),
        ('host = "main"\nset_back_m = 0.1\nopening = [2, 0, 1, 1]\n', "u0 < u1"),
    ],
)
def test_a_fold_that_makes_no_sense_is_refused(tmp_path: Path, lines: str, word: str) -> None:
    with pytest.raises(InputError) as caught:
        build(
            tmp_path, surfaces=f'[[surfaces]]\nid = "s"\nelevation = "front"\nname = "S"\n{lines}'
        )
    assert word in f"{caught.value.problem} {caught.value.remedy}"
    assert not (tmp_path / "wall").exists()


def test_surfaces_are_added_to_a_project_that_exists(tmp_path: Path) -> None:
    folder = build(tmp_path)
    (tmp_path / "project.toml").write_text((tmp_path / "project.toml").read_text() + FOLDED)
    plan = read_project_plan(tmp_path / "project.toml")
    assert add_surfaces(folder, plan)["added"] == ["jamb", "back", "right"]
    assert add_surfaces(folder, plan) == {"added": [], "surfaces": 4}
    with Project.open(folder, read_only=True) as project:
        assert project.row("surfaces", "right")["geometry"].bounds == (
            -DEPTH,
            OPENING[1],
            0,
            OPENING[3],
        )


def test_one_photo_feeds_a_wall_and_a_round_pier(tmp_path: Path) -> None:
    """A pier of 0.5 m radius with control of its own: seen in a photo that belongs to the main wall."""
    pier = '[[surfaces]]\nid = "pier"\nelevation = "front"\nname = "Pier"\nkind = "cylinder"\nradius_m = 0.5\n'
    folder = build(tmp_path, surfaces=pier)
    shape = CylinderSurface(radius_m=0.5, axis_w_m=-0.5)
    eye = PosedView(camera=CAMERA, pose=pose((0.2, 1.2, 2.5), (0.0, 1.0, 0.0)), surface=shape)
    arcs = {f"Q{i}{j}": (-0.4 + 0.2 * i, 0.6 + 0.4 * j) for i in range(5) for j in range(3)}
    pixels = eye.pixel_from_wall(*np.array(list(arcs.values())).T)
    (tmp_path / "q.csv").write_text(
        "name,role,u_m,v_m\n" + "".join(f"{n},control,{u},{v}\n" for n, (u, v) in arcs.items())
    )
    (tmp_path / "qs.csv").write_text(
        "photo,name,x_px,y_px\n"
        + "".join(f"a.png,{n},{x:.3f},{y:.3f}\n" for n, (x, y) in zip(arcs, pixels, strict=True))
    )
    add_control(folder, tmp_path / "q.csv", observations_path=tmp_path / "qs.csv", surface="pier")
    report = make_elevations(folder, gsd_mm=10)
    assert set(report["surfaces"]) == {"main", "pier"}
    assert report["surfaces"]["pier"]["control_rmse_m"] < 0.001
    assert [p["photo"] for p in report["surfaces"]["pier"]["photos"]] == ["a.png"]
    a_remade_elevation_says_how_far_places_moved(folder)


def a_remade_elevation_says_how_far_places_moved(folder: Path) -> None:
    """The survey's origin turns out to lie 40 mm further left: what was drawn on the old picture is off by that."""
    with Project.open(folder) as project:
        points = project.read("control_points")
        with project.edit(who="s", what="origin") as edit:
            for row in points[points["surface"] == "main"].to_dict("records"):
                edit.update("control_points", row["id"], {"u_m": row["u_m"] + 0.04})
    report = make_elevations(folder, gsd_mm=10)["surfaces"]
    moved = report["main"]["disagreement"]
    assert moved["with"] == "the earlier elevation"
    assert (moved["du_m"], moved["dv_m"]) == pytest.approx((0.04, 0.0), abs=0.003)
    assert any("places moved by up to" in w for w in report["main"]["warnings"])
    assert not any("places moved" in w for w in report["pier"]["warnings"])


def papers_in_inches(folder: Path, out: Path) -> None:
    """An office that reads inches finds no metric figure in what it reads of the survey; numbers of the file stay metric."""
    with Project.open(folder) as project, project.edit(who="s", what="inches") as edit:
        edit.set("profile", "inch")
        stored = project.row("surfaces", "main")["report"]
    make_survey_report(folder, out=out)
    main = json.loads((out / "accuracy-main.json").read_text())
    said = [main[k] for k in ("accuracy", "proof", "statement", "scale_rule", "error_source")]
    said += [*main["warnings"], (out / "accuracy-main.svg").read_text()]
    assert not [s for s in said if re.search(r"\d ?(mm|m)\b", s)]
    assert re.search(r"residual of [\d.]+ in \(", said[-1])
    assert "in" in main["accuracy"]
    # no paper supports a finer scale than the picture was proved for
    assert main["supports_scale"] == main["scale"] == stored["supports_scale"]
    assert main["check_rmse_m"] == pytest.approx(stored["check_rmse_m"])
