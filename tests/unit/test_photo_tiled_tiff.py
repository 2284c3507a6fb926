"""The GeoTIFF writer: what GDAL reads back, the overviews, the cloud-optimised order, atomic writing."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import rasterio

from facademap.errors import FileError
from facademap.io import tiled_tiff
from facademap.io.rasters import CRS_TAG, open_elevation, write_elevation
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

CRS = wall_crs("West front", "sallow-quay-west")


def picture(height: int, width: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 255, (height // 16 + 2, width // 16 + 2, 3)).astype(np.uint8)
    rgb = np.repeat(np.repeat(small, 16, axis=0), 16, axis=1)[:height, :width].copy()
    mask = np.full((height, width), 255, np.uint8)
    mask[: height // 3, : width // 3] = 0
    rgb[mask == 0] = 0
    return rgb, mask


def write(path: Path, rgb: np.ndarray, mask: np.ndarray, **options: object) -> PixelGrid:
    grid = PixelGrid(
        left_m=3.5, top_m=12.25, gsd_m=0.002, width_px=rgb.shape[1], height_px=rgb.shape[0]
    )
    write_elevation(
        path,
        grid,
        ((w, rgb[w.slices], mask[w.slices]) for w in grid.windows(512)),
        crs_wkt=CRS,
        tags={"NOTE": "ü – ok", "VALUES": [1, 2]},
        **options,
    )  # type: ignore[arg-type]
    return grid


@pytest.mark.parametrize("shape", [(1, 1), (100, 700), (512, 512), (513, 1025), (1700, 2300)])
@pytest.mark.parametrize("big", [False, True])
def test_gdal_reads_back_what_was_written(
    shape: tuple[int, int], big: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if big:
        monkeypatch.setattr(tiled_tiff, "_BIG_ABOVE_BYTES", 0)
    rgb, mask = picture(*shape)
    grid = write(tmp_path / "wall.tif", rgb, mask)
    with rasterio.open(tmp_path / "wall.tif") as dataset:
        np.testing.assert_array_equal(np.moveaxis(dataset.read([1, 2, 3]), 0, -1), rgb)
        np.testing.assert_array_equal(dataset.dataset_mask(), mask)
        np.testing.assert_allclose(tuple(dataset.transform)[:6], grid.transform)
        assert dataset.tags()[CRS_TAG] == CRS
        assert dataset.tags()["NOTE"] == "ü – ok"
        assert dataset.tags()["VALUES"] == "[1, 2]"
        assert "West front" in dataset.crs.to_wkt()
        assert dataset.colorinterp[3].name == "alpha"
        factors = dataset.overviews(1)
        assert factors == [2**k for k in range(1, 1 + len(factors))]
        if max(shape) > 512:
            assert max(shape) / factors[-1] <= 512
    assert sorted(p.name for p in tmp_path.iterdir()) == ["wall.tif"]


def test_overviews_average_only_what_is_seen(tmp_path: Path) -> None:
    rgb, mask = picture(1300, 1500)
    write(tmp_path / "wall.tif", rgb, mask)
    with rasterio.open(tmp_path / "wall.tif", overview_level=0) as half:
        small, alpha = half.read([1, 2, 3]).astype(float), half.read(4)
    seen = (mask > 0).astype(float)
    for band in range(3):
        weighted = (rgb[..., band] * seen).reshape(650, 2, 750, 2).sum(axis=(1, 3))
        count = seen.reshape(650, 2, 750, 2).sum(axis=(1, 3))
        shown = count >= 2
        np.testing.assert_array_equal(alpha > 0, shown)
        np.testing.assert_allclose(
            small[band][shown], (weighted / np.maximum(count, 1))[shown], atol=1.0
        )


def test_cloud_optimised_order(tmp_path: Path) -> None:
    """Directories lie before all pixels, and smaller overviews before larger ones (OGC 21-026)."""
    rgb, mask = picture(1700, 2300)
    write(tmp_path / "wall.tif", rgb, mask)
    data = (tmp_path / "wall.tif").read_bytes()
    position, directories, first_tiles = struct.unpack_from("<I", data, 4)[0], [], []
    while position:
        directories.append(position)
        count = struct.unpack_from("<H", data, position)[0]
        for i in range(count):
            tag, _, n = struct.unpack_from("<HHI", data, position + 2 + 12 * i)
            if tag == 324:
                at = position + 2 + 12 * i + 8
                first_tiles.append(
                    struct.unpack_from(
                        "<I", data, struct.unpack_from("<I", data, at)[0] if n > 1 else at
                    )[0]
                )
        position = struct.unpack_from("<I", data, position + 2 + 12 * count)[0]
    assert directories == sorted(directories)
    assert len(directories) == 4
    assert max(directories) < min(first_tiles)
    assert first_tiles == sorted(first_tiles, reverse=True)


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "wall.tif"
    path.write_bytes(b"old")
    rgb, mask = picture(900, 900)
    grid = PixelGrid(left_m=0, top_m=1, gsd_m=0.001, width_px=900, height_px=900)

    def windows():  # type: ignore[no-untyped-def]
        for number, w in enumerate(grid.windows(512)):
            if number == 2:
                raise OSError(28, "No space left on device")
            yield w, rgb[w.slices], mask[w.slices]

    with pytest.raises(OSError, match="No space"):
        write_elevation(path, grid, windows(), crs_wkt=CRS)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["wall.tif"]
    with pytest.raises(FileError):
        write_elevation(tmp_path / "no" / "wall.tif", grid, windows(), crs_wkt=CRS)


def test_reading_a_part_at_another_distance(tmp_path: Path) -> None:
    rgb, mask = picture(1400, 1600)
    grid = write(tmp_path / "wall.tif", rgb, mask)
    with open_elevation(tmp_path / "wall.tif") as elevation:
        assert elevation.grid == grid
        assert elevation.crs_wkt == CRS
        part, pixels, _seen = elevation.read(Extent(u0_m=5.0, v0_m=10.0, u1_m=6.0, v1_m=11.0))
        assert part.extent.as_tuple() == pytest.approx((5.0, 10.0, 6.0, 11.0))
        column, row = np.round(grid.pixel_from_wall(5.001, 10.999)).astype(int)
        np.testing.assert_array_equal(pixels, rgb[row : row + 500, column : column + 500])
        coarse, few, _ = elevation.read(
            Extent(u0_m=5.0, v0_m=10.0, u1_m=6.0, v1_m=11.0), gsd_m=0.008
        )
        assert few.shape == (125, 125, 3)
        assert coarse.gsd_m == pytest.approx(0.008)
        assert abs(float(few.mean()) - float(pixels.mean())) < 2.0
