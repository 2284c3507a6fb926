"""Stones are told apart whatever the exposure and the white balance."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from skimage import data

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.photo.lab import linear_rgb_from_srgb, srgb_from_linear_rgb
from facademap.salvage.pattern import PATTERN_SIZE, describe_pattern, pattern_vectors


def _relit(rgb: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    gain = 2.0 ** rng.uniform(-0.6, 0.6) * np.exp(rng.uniform(-0.15, 0.15, 3))
    return np.round(srgb_from_linear_rgb(linear_rgb_from_srgb(rgb) * gain) * 255).astype(np.uint8)


def _real_crops(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Four crops of each of the real photographs of brick, grass and gravel in scikit-image."""
    crops = {}
    for name in ("brick", "grass", "gravel"):
        photo = np.repeat(getattr(data, name)()[..., None], 3, axis=2)
        for k, (row, col) in enumerate(((0, 0), (0, 300), (300, 0), (300, 300))):
            crops[f"{name}-{k}"] = _relit(photo[row : row + 200, col : col + 200], rng)
    return crops


def _save(folder: Path, crops: dict[str, np.ndarray]) -> Path:
    with (folder / "images.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["name", "path"])
        for name, rgb in crops.items():
            Image.fromarray(rgb).save(folder / f"{name}.png")
            writer.writerow([name, f"{name}.png"])
    return folder / "images.csv"


def test_crops_of_one_surface_come_first(tmp_path: Path) -> None:
    crops = _real_crops(np.random.default_rng(4))
    out = tmp_path / "distances.csv"
    result = CliRunner().invoke(
        main, ["looks", "--images", str(_save(tmp_path, crops)), "--out", str(out)]
    )
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(out.open()))
    assert len(rows) == 12 * 11 // 2
    assert len({frozenset((r["a"], r["b"])) for r in rows}) == len(rows)
    for name in crops:
        mine = {
            (r["b"] if r["a"] == name else r["a"]): float(r["distance"])
            for r in rows
            if name in (r["a"], r["b"])
        }
        ranked = sorted(mine, key=mine.__getitem__)
        assert {other.split("-")[0] for other in ranked[:3]} == {name.split("-")[0]}


def test_light_alone_changes_little() -> None:
    rng = np.random.default_rng(7)
    stone = (
        (120 + 25 * rng.standard_normal((160, 200, 3)).cumsum(axis=1) / 6)
        .clip(30, 220)
        .astype(np.uint8)
    )
    other = (120 + 25 * rng.standard_normal((160, 200, 3))).clip(30, 220).astype(np.uint8)
    same, relit, different = pattern_vectors(
        [describe_pattern(p) for p in (stone, _relit(stone, rng), other)]
    )
    assert np.abs(same - relit).sum() < 0.15 * np.abs(same - different).sum()


def test_turning_the_picture_turns_the_direction_only() -> None:
    rng = np.random.default_rng(1)
    bands = np.repeat(rng.uniform(90, 160, (128, 1)), 128, axis=1)
    stone = np.repeat((bands + rng.normal(0, 3, (128, 128)))[..., None], 3, axis=2).astype(np.uint8)
    lying, standing = describe_pattern(stone), describe_pattern(np.rot90(stone).copy())
    assert lying.direction_deg % 180 == pytest.approx(0, abs=3) or lying.direction_deg > 177
    assert standing.direction_deg == pytest.approx(90, abs=3)
    assert lying.anisotropy > 0.8
    difference = np.abs(np.diff(pattern_vectors([lying, standing]), axis=0)).sum()
    assert difference < 0.05


def test_direction_is_counter_clockwise_from_x() -> None:
    y, x = np.mgrid[0:200, 0:200]
    rising = np.sin(
        (x + y) * 0.5
    )  # lines x + y = const rise to the right, as y runs down: 45 degrees
    stone = np.repeat((128 + 60 * rising)[..., None], 3, axis=2).astype(np.uint8)
    assert describe_pattern(stone).direction_deg == pytest.approx(45, abs=1)


def test_what_the_mask_hides_does_not_count() -> None:
    rng = np.random.default_rng(3)
    stone = rng.normal(130, 12, (200, 240, 3)).clip(0, 255).astype(np.uint8)
    dirty, mask = stone.copy(), np.ones((200, 240), bool)
    dirty[:, 150:] = rng.integers(0, 255, (200, 90, 3), dtype=np.uint8)
    mask[:, 150:] = False
    clean, masked, unmasked = pattern_vectors(
        [describe_pattern(stone[:, :150]), describe_pattern(dirty, mask), describe_pattern(dirty)]
    )
    assert np.abs(clean - masked).sum() < 0.2 * np.abs(clean - unmasked).sum()


def test_nothing_to_describe_is_refused() -> None:
    with pytest.raises(InputError, match="pixels of stone"):
        describe_pattern(np.full((50, 50, 3), 100, np.uint8), np.zeros((50, 50), bool))


def test_flat_picture_has_finite_values() -> None:
    values = describe_pattern(np.full((64, 64, 3), 100, np.uint8)).values
    assert values.shape == (PATTERN_SIZE,)
    assert np.isfinite(values).all()


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("name,path\na,missing.png\nb,a.png\n", "no such file"),
        ("name,path\na,a.png\na,a.png\n", "already"),
        ("name,path\na,a.png\n", "nothing to be compared"),
        ("name,file\na,a.png\n", "column path is missing"),
        ("name,path\na,a.png\nb,text.png\n", "text.png"),
        ("name,path,mask_path\na,a.png,small.png\nb,a.png,\n", "the mask has"),
    ],
)
def test_bad_lists_leave_no_file(tmp_path: Path, table: str, said: str) -> None:
    Image.fromarray(np.full((40, 40, 3), 90, np.uint8)).save(tmp_path / "a.png")
    Image.fromarray(np.full((9, 9), 255, np.uint8)).save(tmp_path / "small.png")
    (tmp_path / "text.png").write_text("no picture")
    (tmp_path / "images.csv").write_text(table)
    result = CliRunner().invoke(
        main,
        [
            "looks",
            "--images",
            str(tmp_path / "images.csv"),
            "--out",
            str(tmp_path / "distances.csv"),
        ],
    )
    assert result.exit_code == 2
    assert said in result.output
    assert not (tmp_path / "distances.csv").exists()
