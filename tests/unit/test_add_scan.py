"""Scans: clouds of a rendered wall, written by laspy, pye57 and plyfile, become a picture and a relief in the wall's frame."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import laspy
import numpy as np
import plyfile
import pye57
import pytest
import rasterio

from facademap.errors import FacademapError
from facademap.io.relief_files import read_relief
from facademap.store.project import Project
from facademap.tasks.survey.add_scan import add_scan

from small_wall import WORLD, make_wall  # isort: skip

NOISE_M = 0.0015


def relief_m(u: Any, v: Any) -> Any:
    """A cushion of 20 mm on the middle of a flat wall."""
    return 0.02 * np.exp(-((u - 2.0) ** 2 + (v - 1.5) ** 2) / 0.18)


def colour(u: Any, v: Any) -> Any:
    """Squares of half a metre, two colours."""
    light = ((np.floor(u / 0.5) + np.floor(v / 0.5)) % 2).astype(bool)
    return np.where(light[:, None], (200, 150, 100), (60, 80, 120)).astype(np.uint8)


def cloud(n: int = 400_000, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Wall, ground, scaffold poles and a few birds, in the world."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0, 4, n), rng.uniform(0, 3, n)
    w = relief_m(u, v) + rng.normal(0, NOISE_M, n)
    wall = np.c_[u, v, w]
    ground = np.c_[
        rng.uniform(-1, 5, n // 4), rng.normal(-0.05, 0.01, n // 4), rng.uniform(0, 4, n // 4)
    ]
    poles = np.c_[
        rng.choice([0.5, 2.5], n // 20), rng.uniform(0, 3, n // 20), rng.normal(0.9, 0.02, n // 20)
    ]
    stray = rng.uniform((-2, -1, -3), (6, 5, 6), (n // 100, 3))
    uvw = np.concatenate([wall, ground, poles, stray])
    rgb = np.full((len(uvw), 3), 90, np.uint8)
    rgb[:n] = colour(u, v)
    mixed = rng.permutation(len(uvw))
    return (uvw @ WORLD[:, :3].T + WORLD[:, 3])[mixed], rgb[mixed]


def write_las(path: Path, xyz: np.ndarray, rgb: np.ndarray | None) -> Path:
    header = laspy.LasHeader(point_format=3 if rgb is not None else 1, version="1.2")
    header.offsets, header.scales = np.floor(xyz.min(axis=0)), [0.0001] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz.T
    if rgb is not None:
        las.red, las.green, las.blue = rgb.T.astype(np.uint16) * 257
    las.intensity = (rgb[:, 0] if rgb is not None else np.arange(len(xyz)) % 200).astype(np.uint16)
    las.write(path)
    return path


def write_e57(path: Path, xyz: np.ndarray, rgb: np.ndarray, station: np.ndarray) -> Path:
    file = pye57.E57(str(path), mode="w")
    data = {f"cartesian{a}": xyz[:, k] - station[k] for k, a in enumerate("XYZ")}
    data |= {f"color{c}": rgb[:, k] for k, c in enumerate(("Red", "Green", "Blue"))}
    file.write_scan_raw(data, rotation=np.array([1.0, 0, 0, 0]), translation=station)
    file.close()
    return path


def write_ply(path: Path, xyz: np.ndarray, rgb: np.ndarray) -> Path:
    kinds = [(a, "f8") for a in "xyz"] + [(c, "u1") for c in ("red", "green", "blue")]
    vertex = np.empty(len(xyz), kinds)
    for k, (name, _) in enumerate(kinds):
        vertex[name] = xyz[:, k] if k < 3 else rgb[:, k - 3]
    plyfile.PlyData([plyfile.PlyElement.describe(vertex, "vertex")]).write(str(path))
    return path


def write_xyz(path: Path, xyz: np.ndarray, rgb: np.ndarray) -> Path:
    np.savetxt(path, np.c_[xyz, rgb], fmt="%.4f %.4f %.4f %d %d %d")
    return path


STATION = WORLD[:, :3] @ np.array([2.0, 1.0, 8.0]) + WORLD[:, 3]


@pytest.fixture(scope="module")
def scanned() -> tuple[np.ndarray, np.ndarray]:
    return cloud()


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    make_wall(tmp_path / "wall", picture=False)
    return tmp_path / "wall"


def _relief(wall: Path, done: dict[str, Any]) -> tuple[Any, Any, Any]:
    return read_relief(wall / done["relief"])


@pytest.mark.parametrize("ending", ["las", "laz", "e57", "ply", "xyz"])
def test_a_scan_in_the_frame_of_the_surface(
    ending: str, scanned: tuple[np.ndarray, np.ndarray], wall: Path, tmp_path: Path
) -> None:
    xyz, rgb = scanned
    path = tmp_path / f"scan.{ending}"
    if ending == "e57":
        write_e57(path, xyz, rgb, STATION)
    else:
        {"las": write_las, "laz": write_las, "ply": write_ply, "xyz": write_xyz}[ending](
            path, xyz, rgb
        )
    done = add_scan(wall, path, gsd_m=0.02)
    grid, out_m, sd_m = _relief(wall, done)
    u, v = (
        grid.left_m + 0.02 * (np.arange(grid.width_px) + 0.5),
        grid.top_m - 0.02 * (np.arange(grid.height_px) + 0.5),
    )
    uu, vv = np.meshgrid(u, v)
    inside = (uu > 0.05) & (uu < 3.95) & (vv > 0.05) & (vv < 2.95)
    error = (out_m - relief_m(uu, vv))[inside]
    # 13 points a pixel of 1.5 mm noise; a stray point within the reach moves a few pixels
    assert np.nanmedian(np.abs(error)) < 0.0006
    # 95 % of the errors within two of their own standard deviations, stray points apart
    assert np.nanmean(np.abs(error) < 2 * sd_m[inside]) > 0.9
    with (
        Project.open(wall, read_only=True) as project,
        rasterio.open(project.place(project.read("surfaces")["picture"].iloc[0])) as picture,
    ):
        for place, true in (((0.25, 0.75), (200, 150, 100)), ((0.75, 0.75), (60, 80, 120))):
            row, column = picture.index(*place)
            assert picture.read(window=((row, row + 1), (column, column + 1))).ravel()[
                :3
            ] == pytest.approx(true, abs=4)
    assert done["proved"] is False
    assert done["picture_from"] == "colour"
    agreement = done["plane_of_cloud"]
    # the cushion lifts the plane of best fit by less than its own height
    assert abs(agreement["offset_m"]) < 0.004
    assert agreement["tilt_mm_per_m"] < 2


def test_a_frame_from_the_scan_alone(
    scanned: tuple[np.ndarray, np.ndarray], tmp_path: Path
) -> None:
    make_wall(tmp_path / "new", picture=False, world=False)
    xyz, rgb = scanned
    plain = write_ply(tmp_path / "scan.ply", xyz, rgb)
    with pytest.raises(FacademapError, match="--outside"):
        add_scan(tmp_path / "new", plain)
    path = write_e57(tmp_path / "scan.e57", xyz, rgb, STATION)
    add_scan(tmp_path / "new", path, gsd_m=0.02)
    with Project.open(tmp_path / "new", read_only=True) as project:
        matrix = np.array(project.read("surfaces")["world"].iloc[0]["matrix"])
    # axes of the true frame to within what the cushion turns, and right and left as seen from the instrument
    assert np.abs(matrix[:, :3] - WORLD[:, :3]).max() < 0.004
    in_wall = (matrix[:, 3] - WORLD[:, 3]) @ WORLD[:, :3]
    assert np.abs(in_wall[2]) < 0.005


def test_a_round_pier_is_unrolled(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    n = 150_000
    angle, height = rng.uniform(-1.2, 1.2, n), rng.uniform(0, 2, n)
    radius = 1.5 + rng.normal(0, 0.001, n) + 0.01 * (np.abs(angle) < 0.2)
    xyz = np.c_[10 + radius * np.sin(angle), 20 - radius * np.cos(angle), 5 + height]
    make_wall(tmp_path / "pier", picture=False, world=False)
    with Project.open(tmp_path / "pier") as project, project.edit(who="t", what="round") as edit:
        edit.update("surfaces", project.read("surfaces")["id"].iloc[0], {"kind": "cylinder"})
    path = write_ply(tmp_path / "pier.ply", xyz, np.full((n, 3), 99, np.uint8))
    done = add_scan(tmp_path / "pier", path, outside=(10, 10, 6), gsd_m=0.02)
    assert done["radius_m"] == pytest.approx(1.501, abs=0.002)
    grid, out_m, _ = _relief(tmp_path / "pier", done)
    columns = ((np.array([-1.0, 0.0, 1.0]) - grid.left_m) / 0.02).astype(int)
    low, raised, other = (np.nanmedian(out_m[:, c]) for c in columns)
    assert raised - low == pytest.approx(0.010, abs=0.001)
    assert other == pytest.approx(low, abs=0.001)


def _refused(wall: Path, path: Path, word: str, **options: Any) -> None:
    with pytest.raises(FacademapError, match=word):
        add_scan(wall, path, **options)
    folder = wall / "elevations"
    assert not list(folder.glob("*"))


def test_clouds_that_say_nothing_of_the_wall(
    scanned: tuple[np.ndarray, np.ndarray], wall: Path, tmp_path: Path
) -> None:
    xyz, rgb = scanned
    few, paint = xyz[::20], rgb[::20]
    _refused(
        wall,
        write_ply(tmp_path / "far.ply", few + np.array([0, 500, 0]), paint),
        "nothing of cloud",
    )
    degrees = few * (1e-5, 1e-5, 1) - (few.min(axis=0) * (1e-5, 1e-5, 1)) + (10, 53, 0)
    _refused(wall, write_ply(tmp_path / "deg.ply", degrees, paint), "in degrees")
    empty = tmp_path / "cut.las"
    empty.write_bytes(write_las(tmp_path / "good.las", few, paint).read_bytes()[:200])
    _refused(wall, empty, "damaged|holds no")
    (tmp_path / "words.xyz").write_text("this is\nno cloud\n" * 20)
    _refused(wall, tmp_path / "words.xyz", "no lines of numbers")
    _refused(wall, tmp_path / "none.las", "does not exist")


def test_points_near_the_surface_that_are_no_wall(
    scanned: tuple[np.ndarray, np.ndarray], wall: Path, tmp_path: Path
) -> None:
    rng = np.random.default_rng(4)
    uvw = np.c_[rng.uniform(0, 4, 30_000), rng.uniform(0, 3, 30_000), rng.uniform(-1, 1, 30_000)]
    about = uvw @ WORLD[:, :3].T + WORLD[:, 3]
    paint = np.full((len(about), 3), 99, np.uint8)
    _refused(wall, write_ply(tmp_path / "leaves.ply", about, paint), "shows no wall")
    uvw[:, 1] = 1.5 + rng.normal(0, 0.005, len(uvw))
    floor = uvw @ WORLD[:, :3].T + WORLD[:, 3]
    _refused(wall, write_ply(tmp_path / "floor.ply", floor, paint), "lies across|shows no wall")


def test_a_text_with_decimal_commas(
    scanned: tuple[np.ndarray, np.ndarray], wall: Path, tmp_path: Path
) -> None:
    few = scanned[0][::4]
    for separator in (" ", ";"):
        rows = (separator.join(f"{c:.4f}".replace(".", ",") for c in row) for row in few)
        path = tmp_path / "cloud.xyz"
        path.write_text("\n".join(rows), encoding="utf-8")
        done = add_scan(wall, path, gsd_m=0.05, replace=True)
        assert done["points"] == len(few)


def test_a_cloud_without_colour_says_so(
    scanned: tuple[np.ndarray, np.ndarray], wall: Path, tmp_path: Path
) -> None:
    xyz, _ = scanned
    done = add_scan(wall, write_las(tmp_path / "grey.las", xyz, None), gsd_m=0.02)
    assert done["picture_from"] == "strength of the echo"
    assert any("no colour" in w for w in done["warnings"])
    np.savetxt(tmp_path / "bare.xyz", xyz, fmt="%.4f")
    done = add_scan(wall, tmp_path / "bare.xyz", gsd_m=0.02, replace=True)
    assert done["picture_from"] == "shaded relief"


def test_bands_are_seamless(
    scanned: tuple[np.ndarray, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    xyz, rgb = scanned
    path = write_ply(tmp_path / "scan.ply", xyz, rgb)
    results = []
    for name, pixels in (("whole", 12_000_000), ("bands", 1000)):
        monkeypatch.setattr("facademap.tasks.survey.add_scan.BAND_PX", pixels)
        make_wall(tmp_path / name, picture=False)
        done = add_scan(tmp_path / name, path, gsd_m=0.004)
        results.append(_relief(tmp_path / name, done)[1])
        assert results[-1].shape[0] > 512
    np.testing.assert_allclose(results[0], results[1], atol=1e-6, equal_nan=True)


@pytest.mark.parametrize("checks", [0, 2])
def test_points_weigh_as_precise_as_they_are_and_those_held_back_prove(
    checks: int, scanned: tuple[np.ndarray, np.ndarray], tmp_path: Path
) -> None:
    """Four good points and two tied by tape, 30 mm off: the cloud lies where the good ones say."""
    make_wall(tmp_path / "new", picture=False, world=False)
    places = np.array([(0.2, 0.2), (3.8, 0.2), (3.8, 2.8), (0.2, 2.8), (1.2, 0.4), (2.8, 0.4)])
    off = np.array([(0, 0)] * 4 + [(0.03, 0.0), (0.03, 0.0)])
    roles = ["control"] * 6
    if checks:
        places = np.concatenate([places, [(1.5, 2.0), (2.5, 1.0)]])
        off, roles = np.concatenate([off, [(0.004, 0.0)] * 2]), roles + ["check"] * 2
    world = np.c_[places, np.zeros(len(places))] @ WORLD[:, :3].T + WORLD[:, 3]
    lines = ["name,role,u_m,v_m,east_m,north_m,height_m,sigma_mm"] + [
        f"p{k},{role},{u:.4f},{v:.4f},{e:.4f},{n:.4f},{h:.4f},{30 if k in (4, 5) else 1}"
        for k, (role, (u, v), (e, n, h)) in enumerate(zip(roles, places + off, world, strict=True))
    ]
    (tmp_path / "points.csv").write_text("\n".join(lines))
    done = add_scan(
        tmp_path / "new",
        write_las(tmp_path / "scan.las", *scanned),
        points=tmp_path / "points.csv",
        gsd_m=0.02,
    )
    # unweighted, the frame would be 10 mm off in u: two of six points by 30 mm
    assert done["control_n"] == 6
    assert (done["check_n"], done["proved"]) == (checks, checks > 0)
    if checks:
        assert done["check_rmse_m"] == pytest.approx(0.004, abs=0.001)
        assert done["supports_scale"]
    else:
        assert done["supports_scale"] is None
        assert any("not stated" in w for w in done["warnings"])
