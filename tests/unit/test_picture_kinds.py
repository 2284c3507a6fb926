"""Pictures of a phone and of deep or grey cameras."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from facademap.errors import InputError
from facademap.io.pictures import read_picture, read_picture_info


@pytest.mark.parametrize("bits", [10, 12, 14, 16])
@pytest.mark.parametrize("ending", ["png", "tif"])
@pytest.mark.parametrize("bands", [1, 3])
def test_deep_pictures_keep_their_range(bits: int, ending: str, bands: int, tmp_path: Path) -> None:
    ramp = np.tile(np.linspace(0, 2**bits - 1, 640).astype(np.uint16), (48, 1))
    path = tmp_path / f"deep.{ending}"
    cv2.imwrite(str(path), ramp if bands == 1 else cv2.merge([ramp] * 3))
    picture, _ = read_picture(path)
    assert picture.shape == (48, 640, 3)
    assert np.abs(picture[10, :, 1] - np.linspace(0, 255, 640)).max() <= 1


def test_grey_pictures_keep_their_values(tmp_path: Path) -> None:
    ramp = np.tile(np.arange(256, dtype=np.uint8), (16, 1))
    for name in ("g.png", "g.tif"):
        Image.fromarray(ramp).save(tmp_path / name)
        assert np.array_equal(read_picture(tmp_path / name)[0][..., 2], ramp)


@pytest.fixture
def heic(tmp_path: Path) -> Path:
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    y, x = np.mgrid[0:120, 0:200]
    rgb = np.stack([x, y * 2, 200 - x], axis=-1).astype(np.uint8)
    Image.fromarray(rgb).save(tmp_path / "phone.heic", format="HEIF", quality=95)
    return tmp_path / "phone.heic"


def test_a_phone_s_heic_is_read_where_its_library_is(heic: Path) -> None:
    picture, info = read_picture(heic)
    assert (info.width_px, info.height_px, info.format) == (200, 120, "HEIF")
    assert np.abs(picture[60, 100].astype(int) - (100, 120, 100)).max() < 8
    assert read_picture_info(heic).orientation == 1


def test_without_its_library_heic_is_refused_with_the_remedy(
    heic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(InputError, match="HEIC") as caught:
        read_picture(heic)
    assert "facademap[heic]" in caught.value.remedy
    assert "JPEG" in caught.value.remedy
