"""The plane of a wall: no good point is lost, stated precision counts, the outside is told by instrument or photos."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.tasks.survey.survey_frame import place_survey_points
from facademap.wall.plane_fit import fit_plane

ALONG, OUT = np.array([0.8, 0.6, 0.0]), np.array([0.6, -0.8, 0.0])


def wall(rng: np.random.Generator, count: int, off_m: np.ndarray) -> np.ndarray:
    u, v = rng.uniform(0, 12, count), rng.uniform(0, 8, count)
    return u[:, None] * ALONG + v[:, None] * [0, 0, 1.0] + off_m[:, None] * OUT


@pytest.mark.parametrize(("count", "noise_m"), [(5, 0.010), (8, 0.004), (12, 0.010), (25, 0.002)])
def test_good_points_stay(count: int, noise_m: float) -> None:
    """Nothing is wrong in these surveys; at most one in twenty may lose a point."""
    rng, lost = np.random.default_rng(11), 0
    for _ in range(40):
        points = wall(rng, count, rng.normal(0, noise_m, count))
        lost += not fit_plane(points - points.mean(axis=0), np.zeros(count)).used.all()
    assert lost <= 4


@pytest.mark.parametrize(("count", "wrong"), [(6, 1), (10, 2), (25, 5)])
def test_points_off_the_wall_are_found(count: int, wrong: int) -> None:
    rng, found = np.random.default_rng(12), 0
    for _ in range(20):
        off = rng.normal(0, 0.003, count)
        off[:wrong] += rng.choice([-0.2, 0.2], wrong)
        points = wall(rng, count, off)
        used = fit_plane(points - points.mean(axis=0), np.zeros(count)).used
        found += not used[:wrong].any()
    assert found >= 18


def test_stated_precision_is_a_weight() -> None:
    """Against the weighted least squares of numpy: rough points hardly move the plane, and none is left out."""
    rng = np.random.default_rng(3)
    sigma = np.array([0.001] * 6 + [0.04] * 6)
    off = rng.normal(0, 1, 12) * sigma
    u, v = rng.uniform(0, 12, 12), rng.uniform(0, 8, 12)
    points = np.c_[u, off, v]
    shift = points.mean(axis=0)
    plane = fit_plane(points - shift, sigma)
    assert plane.used.all()
    rows = np.c_[np.ones(12), u, v]
    weighted = np.linalg.lstsq(rows / sigma[:, None], off / sigma, rcond=None)[0]
    normal = np.array([-weighted[1], 1.0, -weighted[2]])
    normal /= np.linalg.norm(normal)
    assert abs(plane.normal @ normal) > 1 - 1e-6
    plain = np.linalg.lstsq(rows, off, rcond=None)[0]
    assert np.abs(plain[1:]).max() > 3 * np.abs(weighted[1:]).max()


def listed(path: Path, rows: list[tuple[object, ...]]) -> Path:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerows([("name", "role", "e_m", "n_m", "h_m", "sigma_mm"), *rows])
    return path


def survey(rng: np.random.Generator) -> list[tuple[object, ...]]:
    """A wall that looks to the south-east (143 degrees from north)."""
    points = wall(rng, 7, rng.normal(0, 0.002, 7)) + np.array([5000.0, 8000.0, 40.0])
    return [(f"T{k}", "control", *p.round(4), 2) for k, p in enumerate(points)]


def test_the_instrument_and_the_photos_tell_the_outside(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    rows = survey(rng)
    station = ("ST", "instrument", 5010.0, 7990.0, 41.5, "")
    results = []
    for order in range(6):
        mixed = [([*rows, station])[k] for k in np.random.default_rng(order).permutation(8)]
        done = place_survey_points(listed(tmp_path / "s.csv", mixed), tmp_path / "o.csv")
        results.append(np.array(done["placement"]["matrix"]))
        assert done["facing_deg"] == pytest.approx(143.13, abs=0.2)
        assert done["outside_by"] == "the instrument's place"
        assert "faces 143" in done["frame"]
        assert "origin at E 5" in done["frame"]
    for other in results[1:]:
        np.testing.assert_allclose(other, results[0], atol=1e-9)
    # a photo taken from the same side: u to the right, v up; and one of a picture that shows it mirrored
    for sign, facing in ((1, 143.13), (-1, 323.13)):
        with (tmp_path / "seen.csv").open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("photo", "name", "x_px", "y_px"))
            for name, _, e, n, h, _ in rows[:5]:
                u = (np.array([e, n]) - (5000, 8000)) @ ALONG[:2]
                writer.writerow(("a.jpg", name, 2000 + sign * 150 * u, 1500 - 140 * (h - 40)))
        done = place_survey_points(
            listed(tmp_path / "s.csv", rows), tmp_path / "o.csv", observations=tmp_path / "seen.csv"
        )
        assert done["facing_deg"] == pytest.approx(facing, abs=0.2)
        assert done["outside_by"] == "the photos"
    with pytest.raises(InputError, match="which side of the wall is outside"):
        place_survey_points(listed(tmp_path / "s.csv", rows), tmp_path / "o.csv")


def test_three_points_are_not_called_exact(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = survey(np.random.default_rng(5))[:3]
    table = listed(tmp_path / "s.csv", rows)
    with pytest.raises(SystemExit):
        main(
            [
                "frame",
                "--survey",
                str(table),
                "--out",
                str(tmp_path / "o.csv"),
                "--outside",
                "5010,7990,41",
                "--json",
            ]
        )
    done = json.loads(capsys.readouterr().out)
    assert done["rmse_m"] is None
    with pytest.raises(SystemExit):
        main(
            [
                "frame",
                "--survey",
                str(table),
                "--out",
                str(tmp_path / "o.csv"),
                "--outside",
                "5010,7990,41",
            ]
        )
    said = capsys.readouterr().out
    assert "not proved" in said
    assert "0.0 mm" not in said
