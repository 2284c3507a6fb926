"""One table of control everywhere: places in the world are carried to the wall, whose outside the photo tells."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.io.pictures import write_png
from facademap.tasks.survey.control_table import control_in_photo, control_on_arc
from facademap.wall.frame import fit_world_placement

ORIGIN = np.array([402300.0, 6050100.0, 12.0])
ALONG = np.array([0.8, 0.6, 0.0])
WALL = np.array([(0, 0), (6, 0), (6, 4), (0, 4), (3, 0.5), (3, 3.5), (1.5, 2), (4.5, 2)], float)
PIXEL = np.c_[100 + 100 * WALL[:, 0], 500 - 100 * WALL[:, 1]]


def _table(
    path: Path, *, wall: bool, world: bool, order: list[int] | None = None, mirrored: bool = False
) -> Path:
    enh = ORIGIN + WALL[:, :1] * ALONG + WALL[:, 1:] * np.array([0, 0, 1.0])
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(
            [
                "name",
                "role",
                "x_px",
                "y_px",
                *(["u_m", "v_m"] if wall else []),
                *(["e_m", "n_m", "h_m"] if world else []),
            ]
        )
        for k in order or range(len(WALL)):
            x = 800 - PIXEL[k, 0] if mirrored else PIXEL[k, 0]
            role = "check" if k in (6, 7) else "control"
            writer.writerow(
                [
                    f"T{k}",
                    role,
                    x,
                    PIXEL[k, 1],
                    *(WALL[k] if wall else []),
                    *(enh[k] if world else []),
                ]
            )
    return path


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "front.png"
    write_png(path, np.full((600, 800, 3), 120, np.uint8))
    return path


def test_world_places_give_the_same_lengths_as_places_on_the_wall(
    tmp_path: Path, photo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shapes = tmp_path / "shapes.csv"
    shapes.write_text("shape,kind,x_px,y_px\na,length,150,450\na,length,600,180\n")
    found = []
    for wall, world in ((True, False), (False, True), (True, True)):
        table = _table(tmp_path / f"c{wall}{world}.csv", wall=wall, world=world)
        arguments = f"measure --photo {photo} --control {table} --shapes {shapes} --json --out"
        with pytest.raises(SystemExit, match="0"):
            main([*arguments.split(), str(tmp_path / "o.csv")])
        said = json.loads(capsys.readouterr().out)
        found.append(said["shapes"][0]["value"])
        assert ("frame" in said) == (not wall)
    assert found == pytest.approx([np.hypot(4.5, 2.7)] * 3, abs=1e-4)


def test_the_frame_from_a_photo_is_the_same_for_every_order_of_rows(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    places = []
    for n in range(6):
        table = _table(
            tmp_path / f"{n}.csv",
            wall=False,
            world=True,
            order=[int(k) for k in rng.permutation(8)],
        )
        found = control_in_photo(table)
        at = dict(zip(found.points.name, found.points.wall_m.tolist(), strict=True))
        places.append([at[f"T{k}"] for k in range(8)])
    assert np.array_equal(places, [places[0]] * 6)
    assert places[0] == pytest.approx(WALL - WALL.min(axis=0), abs=1e-6)


def test_the_photo_tells_which_side_is_outside(tmp_path: Path) -> None:
    seen = control_in_photo(_table(tmp_path / "a.csv", wall=False, world=True))
    behind = control_in_photo(_table(tmp_path / "b.csv", wall=False, world=True, mirrored=True))
    assert seen.placement is not None
    assert behind.placement is not None
    assert seen.placement.matrix[:, 2] == pytest.approx(-behind.placement.matrix[:, 2])


def test_too_few_places_in_the_world_and_a_round_surface_are_refused_with_the_way_on(
    tmp_path: Path,
) -> None:
    table = _table(tmp_path / "two.csv", wall=False, world=True, order=[0, 2])
    with pytest.raises(InputError, match="too few points place the wall") as told:
        control_in_photo(table)
    assert "u_m and v_m" in told.value.remedy
    with pytest.raises(InputError, match="none on the round surface") as round_one:
        control_on_arc(_table(tmp_path / "arc.csv", wall=False, world=True))
    assert "--cylinder" in round_one.value.remedy


def test_a_placement_of_both_systems_weighs_what_is_stated_and_knows_no_order_of_rows() -> None:
    rng = np.random.default_rng(7)
    axes = np.stack([ALONG, [0, 0, 1.0], np.cross(ALONG, [0, 0, 1.0])], axis=1)
    wall = np.c_[rng.uniform(0, 8, (12, 2)), np.zeros(12)]
    sigma = np.where(np.arange(12) < 6, 0.001, 0.03)
    better = 0
    for _ in range(20):
        world = wall @ axes.T + ORIGIN + rng.normal(0, 1, (12, 3)) * sigma[:, None]
        weighted = fit_world_placement(wall, world, sigma_m=sigma)
        plain = fit_world_placement(wall, world)
        truth = np.c_[axes, ORIGIN]
        misses = [np.abs((p.matrix - truth)[:, 3]).max() for p in (weighted, plain)]
        better += misses[0] < misses[1]
        assert weighted.used.all()
        order = rng.permutation(12)
        turned = fit_world_placement(wall[order], world[order], sigma_m=sigma[order])
        assert np.array_equal(turned.matrix, weighted.matrix)
    assert better >= 18
