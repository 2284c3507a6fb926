"""What is written here and read by others, and the other way about: OpenCV, PROJ, laspy and ezdxf agree with it.

References
----------
OpenCV's ``imread`` and ``projectPoints``; PROJ by pyproj; laspy; ezdxf: the versions that are installed.
"""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import ezdxf
import laspy
import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio

from facademap.io.camera_files import camera_as_dict, camera_from_dict
from facademap.io.point_clouds import open_cloud
from facademap.io.rasters import write_elevation
from facademap.photo.camera import Camera
from facademap.tasks.survey.survey_report import _control_dxf
from facademap.wall.frame import fit_world_placement
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs


def test_an_elevation_is_the_same_picture_for_opencv_and_lies_in_metres_for_proj(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(1)
    grid = PixelGrid.over(Extent(u0_m=-1.0, v0_m=0.5, u1_m=2.0, v1_m=2.5), gsd_m=0.01)
    rgb = rng.integers(0, 256, (grid.height_px, grid.width_px, 3)).astype(np.uint8)
    seen = np.full(rgb.shape[:2], 255, np.uint8)
    path = tmp_path / "wall.tif"
    windows = (
        (w, rgb[w.row : w.row + w.height, w.column : w.column + w.width].copy(),
         seen[w.row : w.row + w.height, w.column : w.column + w.width].copy())
        for w in grid.windows(512)
    )  # fmt: skip
    write_elevation(path, grid, windows, crs_wkt=wall_crs("Mill", "mill"))
    np.testing.assert_array_equal(cv2.imread(str(path))[:, :, ::-1], rgb)
    with rasterio.open(path) as picture:
        crs = pyproj.CRS.from_wkt(picture.crs.to_wkt())
        # the middle of the pixel that holds u 0.5, v 1.0
        row, column = picture.index(0.5 + 1e-6, 1.0 + 1e-6)
        assert picture.xy(row, column) == pytest.approx((0.505, 1.005))
    assert crs.is_engineering
    assert {a.unit_name for a in crs.axis_info} == {"metre"}


def test_a_camera_file_gives_opencv_the_same_pixels() -> None:
    lens = Camera(width_px=4000, height_px=3000, fx_px=3800, fy_px=3790, cx_px=2010, cy_px=1490,
                  k1=-0.1, k2=0.02, p1=0.001, p2=-0.0005)  # fmt: skip
    told = camera_as_dict(lens)
    rays = np.random.default_rng(2).uniform(-0.4, 0.4, (50, 2))
    theirs, _ = cv2.projectPoints(
        np.c_[rays, np.ones(50)],
        np.zeros(3),
        np.zeros(3),
        np.array([[told["fx"], 0, told["cx"]], [0, told["fy"], told["cy"]], [0, 0, 1.0]]),
        np.array([told[k] for k in ("k1", "k2", "p1", "p2", "k3")], dtype=float),
    )
    np.testing.assert_allclose(camera_from_dict(told).pixel_from_ray(rays), theirs[:, 0], atol=1e-6)


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_cloud_is_read_as_laspy_reads_it(ending: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    header = laspy.LasHeader(point_format=3, version="1.2")
    header.offsets, header.scales = [565_000.0, 5_930_000.0, 0.0], [0.0001] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = (rng.uniform(0, 4, (500, 3)) + header.offsets).T
    las.red, las.green, las.blue = rng.integers(0, 256, (3, 500)).astype(np.uint16) * 257
    path = tmp_path / f"c.{ending}"
    las.write(path)
    theirs = laspy.read(path)
    with open_cloud(path, beside=tmp_path / "x.tif") as cloud:
        ours = np.concatenate(list(cloud.chunks()))
        np.testing.assert_allclose(cloud.places(ours), theirs.xyz, atol=1e-5)
    np.testing.assert_array_equal(ours["rgb"][:, 0], np.asarray(theirs.red) // 257)


def test_control_is_where_ezdxf_reads_it() -> None:
    points = pd.DataFrame(
        {"name": ["T1", "K1"], "role": ["control", "check"], "u_m": [0.5, 3.25], "v_m": [1.0, 2.0],
         "w_m": [None, -0.25]}
    )  # fmt: skip
    text = _control_dxf(points, [0.0, 0.0, 4.0, 3.0]).decode()
    drawing = ezdxf.read(io.StringIO(text))
    assert not drawing.audit().errors
    assert drawing.header["$INSUNITS"] == 6  # metres
    placed = {tuple(p.dxf.location) for p in drawing.modelspace().query("POINT")}
    assert placed == {(0.5, 1.0, 0.0), (3.25, 2.0, -0.25)}


def test_a_wall_in_the_world_is_where_proj_says() -> None:
    """Two systems of one place: a wall placed in UTM 32 and in UTM 33 stands on the same spot of the earth."""
    wall = np.array([(0.0, 0.0), (8.0, 0.0), (8.0, 6.0), (0.0, 6.0)])
    east, north = 565_000.0 + 0.8 * wall[:, 0], 5_930_000.0 + 0.6 * wall[:, 0]
    other = pyproj.Transformer.from_crs(25832, 25833, always_xy=True)
    back = pyproj.Transformer.from_crs(25833, 25832, always_xy=True)
    height = 12.0 + wall[:, 1]
    here = fit_world_placement(wall, np.c_[east, north, height], epsg=25832)
    there = fit_world_placement(wall, np.c_[(*other.transform(east, north), height)], epsg=25833)
    place = (3.0, 2.0, 0.0)
    e, n, h = there.world_from_wall(place)
    # zone 33 stretches what lies so far from its middle by 0.9 mm in a metre
    np.testing.assert_allclose((*back.transform(e, n), h), here.world_from_wall(place), atol=0.01)
