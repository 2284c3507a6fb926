"""Relief and change: what cannot be measured or compared is said, and nothing is written."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from facademap.errors import FacademapError, InputError
from facademap.io.relief_files import open_relief_writer, read_relief
from facademap.io.target_files import read_target_picks
from facademap.relief.build import Relief
from facademap.relief.change import change_in_patch, change_of_reliefs
from facademap.report.relief_picture import relief_png
from facademap.tasks.survey.change import compare_reliefs
from facademap.tasks.survey.relief import _lens, make_relief
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from rendered_relief import make_wall, stations, write_survey

HEAD = "photo,name,u_m,v_m,w_m,x_px,y_px,role\n"


def _survey(folder: Path, **camera: Any) -> Path:
    wall = make_wall(1, width_m=0.5, height_m=0.4, step_m=0.002, losses=0)
    views = stations(wall, count=2, distance_m=0.6, size_px=(160, 120), focal_px=150.0)
    return write_survey(folder, wall, views, over=1)


def test_photos_from_one_place_are_refused(tmp_path: Path) -> None:
    control = _survey(tmp_path / "p")
    rows = [r for r in control.read_text().splitlines()[1:] if r.startswith("p1")]
    (tmp_path / "p" / "p2.jpg").write_bytes((tmp_path / "p" / "p1.jpg").read_bytes())
    control.write_text(
        HEAD + "\n".join(rows + [r.replace("p1.jpg", "p2.jpg") for r in rows]) + "\n"
    )
    with pytest.raises(InputError, match="stand too close together"):
        make_relief(tmp_path / "p", control, tmp_path / "out.tif", cell_m=0.006)
    assert not (tmp_path / "out.tif").exists()


def test_one_photo_is_refused(tmp_path: Path) -> None:
    control = _survey(tmp_path / "p")
    rows = [r for r in control.read_text().splitlines()[1:] if r.startswith("p1")]
    control.write_text(HEAD + "\n".join(rows) + "\n")
    with pytest.raises(InputError, match="1 photo has enough") as refused:
        make_relief(tmp_path / "p", control, tmp_path / "out.tif", cell_m=0.006)
    assert "two photos from different places" in refused.value.remedy


def test_photos_held_another_way_are_refused_and_a_camera_file_of_the_sensor_is_turned(
    tmp_path: Path,
) -> None:
    from PIL import Image

    def stored(name: str, orientation: int) -> None:
        exif = Image.Exif()
        exif[0x0112] = orientation
        Image.new("RGB", (160, 120)).save(tmp_path / name, exif=exif)

    for name, orientation in (("a.jpg", 6), ("b.jpg", 6), ("c.jpg", 8)):
        stored(name, orientation)
    with pytest.raises(InputError, match=r"c\.jpg is 120 x 160 px, EXIF orientation 8"):
        _lens(tmp_path, ["a.jpg", "c.jpg"], None)
    camera = {"width": 160, "height": 120, "fx": 150, "fy": 150, "cx": 84.0, "cy": 60.0}
    (tmp_path / "camera.json").write_text(
        json.dumps(camera | dict.fromkeys(("k1", "k2", "p1", "p2"), 0.0))
    )
    lens = _lens(tmp_path, ["a.jpg", "b.jpg"], tmp_path / "camera.json")
    # EXIF 6: the upright picture is the stored one turned clockwise, so x = 119 - stored y, y = stored x
    assert (lens.width_px, lens.height_px) == (120, 160)
    assert (lens.cx_px, lens.cy_px) == pytest.approx((59.0, 84.0))


def test_a_photo_that_is_not_there_is_named(tmp_path: Path) -> None:
    control = _survey(tmp_path / "p")
    (tmp_path / "p" / "p2.jpg").unlink()
    with pytest.raises(InputError, match=r"p2\.jpg, which is not in"):
        make_relief(tmp_path / "p", control, tmp_path / "out.tif", cell_m=0.006)


def test_a_wrong_pick_is_named_and_left_out(tmp_path: Path) -> None:
    control = _survey(tmp_path / "p")
    lines = control.read_text().splitlines()
    cells = lines[5].split(",")
    cells[5] = str(float(cells[5]) + 12)
    lines[5] = ",".join(cells)
    control.write_text("\n".join(lines) + "\n")
    made = make_relief(
        tmp_path / "p", control, tmp_path / "out.tif", cell_m=0.006, preview=tmp_path / "look.png"
    )
    assert any(cells[1] in w and "was left out" in w for w in made.report["warnings"])
    assert made.report["targets_rmse_px"] < 1.0


def test_one_target_has_one_place(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text(HEAD + "a.jpg,T,0,0,0,1,1,control\nb.jpg,T,0,0.1,0,1,1,control\n")
    with pytest.raises(FacademapError, match="another place or role"):
        read_target_picks(path)
    path.write_text(HEAD + "a.jpg,T,0,0,,1,1,control\na.jpg,T,0,0,,1,1,control\n")
    with pytest.raises(FacademapError, match="given before"):
        read_target_picks(path)


def _relief(value: float, *, sigma: float = 0.0005, shape: tuple[int, int] = (120, 160)) -> Relief:
    rng = np.random.default_rng(int(value * 1e6) + 1)
    grid = PixelGrid(left_m=0.0, top_m=0.6, gsd_m=0.005, width_px=shape[1], height_px=shape[0])
    noise = rng.normal(value, sigma, shape).astype(np.float32)
    return Relief(grid=grid, out_m=noise, sigma_m=np.full(shape, sigma, np.float32))


def _written(path: Path, relief: Relief) -> Path:
    with open_relief_writer(path, relief.grid, crs_wkt=wall_crs("w", path.stem)) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m)
    return path


def test_level_of_detection_is_that_of_the_published_rule() -> None:
    # Lague, Brodu and Leroux 2013, equation 1, with equal surveys: 1.96 sqrt(s1^2 + s2^2) where they agree
    change = change_of_reliefs(_relief(0.0), _relief(0.000001))
    assert change.registration_m < 0.00006
    assert np.nanmedian(change.detection_m) == pytest.approx(
        1.96 * np.hypot(0.0005, 0.0005), rel=0.01
    )


def test_disagreement_of_the_surveys_is_no_change() -> None:
    change = change_of_reliefs(_relief(0.0), _relief(0.003))
    patch = change_in_patch(change, np.ones((120, 160), bool))
    assert change.offset_m == pytest.approx(0.003, abs=1e-4)
    assert not patch.significant
    aligned = change_of_reliefs(_relief(0.0), _relief(0.003), align=True)
    assert aligned.removed[0] == pytest.approx(0.003, abs=1e-4)
    assert abs(aligned.offset_m) < 1e-4


def test_a_tilt_that_the_precision_explains_is_taken_off_and_said(tmp_path: Path) -> None:
    """Surveys that differ as a whole by less than both state: what changed within the wall can be told all the same."""
    old, new = _relief(0.0), _relief(0.000002)
    mask = np.zeros(old.out_m.shape, bool)
    mask[30:60, 40:80] = True
    new.out_m[mask] -= 0.002
    new.out_m[:] += np.linspace(-0.0015, 0.0015, 160, dtype=np.float32)[None, :]
    change = change_of_reliefs(old, new)
    assert change.removed[1] == pytest.approx(0.003 / 0.8, rel=0.05)
    patch = change_in_patch(change, mask)
    assert patch.significant
    assert patch.mean_change_m == pytest.approx(-0.002, abs=2e-4)
    assert not change_in_patch(change_of_reliefs(old, new, align=False), mask).significant
    done = compare_reliefs(
        _written(tmp_path / "a.tif", old), _written(tmp_path / "b.tif", new), tmp_path / "c.tif"
    )
    assert any("were taken off" in w for w in done.warnings)


@pytest.mark.parametrize(("growth", "told"), [(0.0, False), (-0.002, True), (0.002, True)])
def test_a_patch_of_two_millimetres_is_told(growth: float, told: bool) -> None:
    old, new = _relief(0.0), _relief(0.000002)
    mask = np.zeros(old.out_m.shape, bool)
    mask[30:60, 40:80] = True
    new.out_m[mask] += growth
    patch = change_in_patch(change_of_reliefs(old, new), mask)
    assert patch.significant is told
    assert patch.mean_change_m == pytest.approx(growth, abs=1e-4)
    assert patch.area_m2 == pytest.approx(30 * 40 * 0.005**2)
    assert patch.volume_change_m3 == pytest.approx(patch.mean_change_m * patch.area_m2)


def test_what_is_not_comparable_is_refused(tmp_path: Path) -> None:
    old = _written(tmp_path / "old.tif", _relief(0.0))
    far = _relief(0.0)
    grid = PixelGrid(left_m=9.0, top_m=0.6, gsd_m=0.005, width_px=160, height_px=120)
    beside = PixelGrid(left_m=0.002, top_m=0.6, gsd_m=0.005, width_px=160, height_px=120)
    wide = PixelGrid(left_m=0.0, top_m=0.6, gsd_m=0.01, width_px=160, height_px=120)
    for other, words in (
        (grid, "no part of the wall in common"),
        (beside, "of a cell beside"),
        (wide, "the cells of old.tif are 5 mm"),
    ):
        new = _written(
            tmp_path / "new.tif", Relief(grid=other, out_m=far.out_m, sigma_m=far.sigma_m)
        )
        with pytest.raises(InputError, match=words):
            compare_reliefs(old, new, tmp_path / "c.tif")
        assert not (tmp_path / "c.tif").exists()


def test_the_part_in_common_is_compared_and_said(tmp_path: Path) -> None:
    old = _written(tmp_path / "old.tif", _relief(0.0))
    moved = _relief(0.0)
    grid = PixelGrid(left_m=0.1, top_m=0.55, gsd_m=0.005, width_px=160, height_px=120)
    new = _written(
        tmp_path / "new.tif", Relief(grid=grid, out_m=moved.out_m, sigma_m=moved.sigma_m)
    )
    done = compare_reliefs(old, new, tmp_path / "c.tif")
    assert any("only the part in common" in w for w in done.warnings)
    assert done.change.difference.grid.left_m == pytest.approx(0.1)
    assert done.change.difference.out_m.shape == (110, 140)


def test_loose_reliefs_of_two_frames_are_refused_and_what_is_not_known_is_said(
    tmp_path: Path,
) -> None:
    """Control of the two files on both sides of 3 mm; without it the frames are not known, and that is told.

    The wall is flat and bare, so that stable stone cannot lay one survey on the other either.
    """
    relief, again = _relief(0.0), _relief(0.000002)
    places = {f"T{n}": (0.1 * n, 0.2, 0.0) for n in range(5)}
    sets = {
        "old": places,
        "near": {n: (u + 0.0029, v, w) for n, (u, v, w) in places.items()},
        "far": {n: (u + 0.0031, v, w) for n, (u, v, w) in places.items()},
        "one": {**places, "T4": (0.41, 0.2, 0.0)},
        "others": {f"X{n}": place for n, place in places.items()},
        "none": None,
    }
    files = {name: tmp_path / f"{name}.tif" for name in sets}
    for name, control in sets.items():
        of = relief if name == "old" else again
        with open_relief_writer(
            files[name], of.grid, crs_wkt=wall_crs("w", "w"), control_m=control
        ) as writer:
            writer.write_rows(0, of.out_m, of.sigma_m)
    out = tmp_path / "c.tif"
    compare_reliefs(files["old"], files["near"], out)
    out.unlink()
    with pytest.raises(
        InputError, match=r"the frame was fitted anew between old.*by stable stone: .*alike nowhere"
    ):
        compare_reliefs(files["old"], files["far"], out)
    assert not out.exists()
    for name, said in (
        ("one", "control point T4 lies 10 mm elsewhere"),
        ("others", "no control point in common"),
        ("none", "whether the frame is still the same is not known"),
    ):
        assert any(said in w for w in compare_reliefs(files["old"], files[name], out).warnings)


def test_a_picture_shows_depth_and_what_is_unknown() -> None:
    import cv2

    relief = _relief(0.0, shape=(60, 80))
    relief.out_m[20:40, 20:40] = -0.03
    relief.out_m[:10] = np.nan
    picture = cv2.imdecode(
        np.frombuffer(relief_png(relief, title="Mill"), np.uint8), cv2.IMREAD_COLOR
    )[..., ::-1].astype(int)
    times = 800 // 80
    deep = picture[28 + 25 * times : 28 + 35 * times, 28 + 25 * times : 28 + 35 * times].mean(
        axis=(0, 1)
    )
    sound = picture[28 + 45 * times : 28 + 55 * times, 28 + 50 * times : 28 + 70 * times].mean(
        axis=(0, 1)
    )
    unknown = picture[28 : 28 + 9 * times, 28 : 28 + 70 * times]
    assert deep.sum() < sound.sum() - 150
    assert deep[2] > deep[0]
    # striped: two colours that occur nowhere else on the wall
    assert len(np.unique(unknown.reshape(-1, 3), axis=0)) == 2


def test_photos_of_two_days_are_said_and_too_many_cells_refused(tmp_path: Path) -> None:
    from PIL import Image

    control = _survey(tmp_path / "p")
    for name, day in (("p1.jpg", "2026:05:01 10:00:00"), ("p2.jpg", "2026:05:03 16:00:00")):
        with Image.open(tmp_path / "p" / name) as picture:
            exif = Image.Exif()
            exif.get_ifd(0x8769)[0x9003] = day
            picture.save(tmp_path / "p" / name, quality=95, exif=exif)
    with pytest.raises(InputError, match="a relief of 50000 x 40000 cells") as refused:
        make_relief(
            tmp_path / "p",
            control,
            tmp_path / "out.tif",
            cell_m=0.00001,
            extent=Extent(u0_m=0.0, v0_m=0.0, u1_m=0.5, v1_m=0.4),
        )
    assert "--cell-mm" in refused.value.remedy
    made = make_relief(tmp_path / "p", control, tmp_path / "out.tif", cell_m=0.006)
    assert any("taken on 2 days, 2026-05-01 to 2026-05-03" in w for w in made.report["warnings"])


def test_a_cluster_gives_the_same_relief_and_one_that_is_not_there_is_named(tmp_path: Path) -> None:
    import distributed

    control = _survey(tmp_path / "p")
    with pytest.raises(InputError, match="no Dask scheduler answers at nowhere:"):
        make_relief(
            tmp_path / "p", control, tmp_path / "o.tif", cell_m=0.006, cluster="nowhere://a:1"
        )
    assert not (tmp_path / "o.tif").exists()
    make_relief(tmp_path / "p", control, tmp_path / "here.tif", cell_m=0.006)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as cluster:
        make_relief(
            tmp_path / "p",
            control,
            tmp_path / "there.tif",
            cell_m=0.006,
            cluster=cluster.scheduler_address,
        )
    here, there = (read_relief(tmp_path / f"{n}.tif") for n in ("here", "there"))
    np.testing.assert_array_equal(here[1], there[1])
    np.testing.assert_array_equal(here[2], there[2])
