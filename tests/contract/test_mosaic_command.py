"""``facademap mosaic``: photos and control in, one elevation out; interrupted and spread runs give the same pixels."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from facademap.cli.main import main

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from rendered_wall import Shot, paint_wall

WALL_PX_PER_M = 200


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    said = capsys.readouterr()
    return int(stop.value.code or 0), said.out, said.err


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six photos in a row of two by three, control in two of them, checks in all, and a stranger."""
    folder = tmp_path_factory.mktemp("survey")
    rng = np.random.default_rng(4)
    wall = paint_wall(6)
    shots = [
        Shot(
            target=(u, v),
            distance=1.9,
            yaw=rng.uniform(-14, 14),
            pitch=rng.uniform(-6, 6),
            k1=-0.06,
        )
        for v in (1.5, 2.9)
        for u in (1.6, 3.2, 4.8)
    ]
    rows = []
    for number, shot in enumerate(shots):
        photo = shot.photograph(wall, seed=number, gain=rng.uniform(0.8, 1.1))
        cv2.imwrite(
            str(folder / f"p{number}.jpg"), photo[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95]
        )
        places = [
            (shot.target[0] + du, shot.target[1] + dv) for du in (-0.6, 0.6) for dv in (-0.4, 0.4)
        ]
        for k, place in enumerate(places):
            x, y = shot.pixel(np.array([place]))[0] + rng.normal(0, 0.2, 2)
            role = "control" if number in (0, 5) else "check"
            rows.append((f"p{number}.jpg", f"n{number}{k}", *place, x, y, role))
    stranger = Shot(target=(3.0, 2.5), distance=1.9).photograph(paint_wall(99), seed=50)
    cv2.imwrite(str(folder / "stranger.jpg"), stranger[:, :, ::-1])
    pd.DataFrame(rows, columns=["photo", "name", "u_m", "v_m", "x_px", "y_px", "role"]).to_csv(
        folder / "control.csv", index=False
    )
    cv2.imwrite(str(folder / "wall.png"), wall[:, :, ::-1])
    return folder


def call(
    survey: Path,
    out: str,
    *more: str,
    photos: tuple[str, ...] = ("p0", "p1", "p2", "p3", "p4", "p5"),
) -> list[str]:
    return [
        "mosaic",
        "--photos",
        *(str(survey / f"{p}.jpg") for p in photos),
        "--control",
        str(survey / "control.csv"),
        "--gsd-mm",
        "5",
        "--extent",
        "1,1,5.4,3.4",
        "--out",
        str(survey / out),
        *more,
    ]


def pixels(path: Path) -> np.ndarray:
    import rasterio

    with rasterio.open(path) as dataset:
        return dataset.read()


@pytest.mark.slow
def test_the_wall_is_met_and_the_stranger_is_named(
    survey: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photos = ("p0", "p1", "p2", "p3", "p4", "p5", "stranger")
    code, out, err = run(
        call(survey, "whole.tif", "--json", "--keep-folder", photos=photos), capsys
    )
    assert code == 0, err
    report = json.loads(out)
    assert [p["photo"] for p in report["left_out"]] == ["stranger.jpg"]
    assert report["check_n"] == 16
    assert report["check_rmse_m"] < 0.0025  # half a sample of 5 mm
    assert report["gap_share"] < 0.02
    assert report["proved"]
    found = pixels(survey / "whole.tif")
    wall = cv2.imread(str(survey / "wall.png"))[:, :, ::-1]
    # u 1 to 5.4, v 3.4 to 1 of a wall of 5 m at 200 px a metre, which is the mosaic's own 5 mm
    true = wall[320:800, 200:1080]
    shown = found[3] > 0
    one, other = (
        cv2.GaussianBlur(p, (0, 0), 1.0).astype(float)[shown].ravel()
        for p in (np.moveaxis(found[:3], 0, -1), true)
    )
    assert np.corrcoef(one, other)[0, 1] > 0.9
    _one_corner_proves_no_whole(survey, photos, capsys)


def _one_corner_proves_no_whole(
    survey: Path, photos: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """The same photos with the check points of the upper left photo alone (ties are taken from the folder that was kept)."""
    table = pd.read_csv(survey / "control.csv")
    table[(table["role"] == "control") | (table["photo"] == "p3.jpg")].to_csv(
        survey / "few.csv", index=False
    )
    arguments = call(survey, "whole.tif", "--json", photos=photos)
    arguments[arguments.index(str(survey / "control.csv"))] = str(survey / "few.csv")
    code, out, err = run(arguments, capsys)
    assert code == 0, err
    report = json.loads(out)
    assert (report["check_n"], report["proved"], report["supports_scale"]) == (4, False, None)
    assert "p5.jpg" in report["proof"] or "stand together" in report["proof"]
    assert report["proof"] in report["warnings"]


@pytest.mark.slow
def test_a_resumed_run_gives_the_same_pixels(survey: Path, capsys, monkeypatch) -> None:
    from facademap.tasks.survey import mosaic

    monkeypatch.setattr(mosaic, "BLOCK_PX", 512)
    code, _, err = run(call(survey, "straight.tif", "--quiet"), capsys)
    assert code == 0, err
    real, made = mosaic.render_block, []

    def stopped(folder: str, block: tuple[int, int, int, int], **extra: int) -> tuple[int, int]:
        if len(made) == 1:
            raise KeyboardInterrupt
        made.append(block)
        return real(folder, block, **extra)

    monkeypatch.setattr(mosaic, "render_block", stopped)
    with pytest.raises((SystemExit, KeyboardInterrupt)):
        main(call(survey, "again.tif", "--quiet"))
    assert not (survey / "again.tif").exists()
    assert len(made) == 1
    again = []
    monkeypatch.setattr(mosaic, "render_block", lambda *a, **k: (again.append(a), real(*a, **k))[1])
    monkeypatch.setattr(mosaic, "join_reduced", lambda *a, **k: pytest.fail("ties were made again"))
    code, _, err = run(call(survey, "again.tif", "--quiet"), capsys)
    assert code == 0, err
    assert made[0] not in [a[1] for a in again]
    np.testing.assert_array_equal(pixels(survey / "straight.tif"), pixels(survey / "again.tif"))
    assert not list(survey.glob(".again.mosaic-*"))


@pytest.mark.slow
def test_a_cluster_gives_the_same_pixels(survey: Path, capsys, monkeypatch) -> None:
    distributed = pytest.importorskip("distributed")
    from facademap.tasks.survey import mosaic

    monkeypatch.setattr(mosaic, "BLOCK_PX", 512)
    code, _, err = run(call(survey, "alone.tif", "--quiet"), capsys)
    assert code == 0, err
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        code, _, err = run(
            call(survey, "spread.tif", "--quiet", "--cluster", cluster.scheduler_address), capsys
        )
    assert code == 0, err
    np.testing.assert_array_equal(pixels(survey / "alone.tif"), pixels(survey / "spread.tif"))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.assign(role="check"), "four are needed"),
        (lambda t: t.assign(photo="z.jpg"), "z.jpg"),
        (lambda t: t.assign(x_px=-50.0), "outside"),
        (lambda t: t.assign(u_m=-t["u_m"]), "mirrored"),
    ],
)
def test_bad_control_is_refused(survey: Path, change, words: str, capsys) -> None:
    bad = survey / "bad"
    bad.mkdir(exist_ok=True)
    change(pd.read_csv(survey / "control.csv")).to_csv(bad / "control.csv", index=False)
    arguments = call(survey, "bad.tif", "--quiet")
    arguments[arguments.index(str(survey / "control.csv"))] = str(bad / "control.csv")
    code, _, err = run(arguments, capsys)
    assert code == 2
    assert words in err
    assert not (survey / "bad.tif").exists()
    # what is left behind for the next try is named, nothing else stays
    for left in survey.glob(".bad.mosaic-*"):
        assert left.name in err
        shutil.rmtree(left)


def test_a_chart_in_one_photo_makes_the_colours_true(
    survey: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All photos get a strong cast; a chart with known colours in one of them takes it out again."""
    from facademap.photo.lab import lab_from_srgb

    cast = np.array([1.0, 0.8, 0.6])
    for name in ("p0", "p1"):
        photo = cv2.imread(str(survey / f"{name}.jpg"))[:, :, ::-1] * cast
        if name == "p1":
            rows = []
            grid = [
                (r, g, b) for r in (60, 130, 210) for g in (60, 130, 210) for b in (60, 130, 210)
            ]
            for k, colour in enumerate(grid):
                x, y = 20 + 26 * (k % 9), 20 + 26 * (k // 9)
                photo[y - 12 : y + 13, x - 12 : x + 13] = np.array(colour) * 0.95 * cast
                rows.append(
                    (
                        f"c{k}",
                        x,
                        y,
                        8,
                        "check" if k % 5 == 4 else "fit",
                        *lab_from_srgb(np.array(colour) / 255.0),
                    )
                )
            pd.DataFrame(
                rows, columns=["name", "x_px", "y_px", "half_px", "role", "L", "a", "b"]
            ).to_csv(tmp_path / "patches.csv", index=False)
        cv2.imwrite(
            str(tmp_path / f"{name}.jpg"),
            np.clip(photo + 0.5, 0, 255).astype(np.uint8)[:, :, ::-1],
            [cv2.IMWRITE_JPEG_QUALITY, 97],
        )
    control = pd.read_csv(survey / "control.csv")
    control[control["photo"].isin(("p0.jpg", "p1.jpg"))].to_csv(
        tmp_path / "control.csv", index=False
    )
    words = [
        "mosaic",
        "--photos",
        str(tmp_path / "p0.jpg"),
        str(tmp_path / "p1.jpg"),
        "--control",
        str(tmp_path / "control.csv"),
        "--gsd-mm",
        "5",
        "--extent",
        "1,1.1,3.6,1.9",
        "--json",
    ]
    chart = ["--chart-photo", "p1.jpg", "--patches", str(tmp_path / "patches.csv")]
    code, _, err = run([*words, "--out", str(tmp_path / "no.tif"), *chart], capsys)
    assert code == 2
    assert "--edition" in err
    code, _, err = run(
        [
            *words,
            "--out",
            str(tmp_path / "no.tif"),
            "--chart-photo",
            "x.jpg",
            *chart[2:],
            "--edition",
            "drawn",
        ],
        capsys,
    )
    assert code == 2
    assert "x.jpg" in err
    assert not (tmp_path / "no.tif").exists()
    code, out, err = run(
        [*words, "--out", str(tmp_path / "m.tif"), *chart, "--edition", "drawn"], capsys
    )
    assert code == 0, err
    report = json.loads(out)
    assert report["colour"] == "chart"
    assert report["colour_report"]["check_mean_de00"] < 2
    found = pixels(tmp_path / "m.tif")
    wall = cv2.imread(str(survey / "wall.png"))[:, :, ::-1]
    true = wall[5 * 200 - 380 : 5 * 200 - 220, 200:720]
    shown = found[3] > 0
    miss = np.median(np.moveaxis(found[:3], 0, -1)[shown].astype(float) - true[shown], axis=0)
    # the gains of the photos (0.8 to 1.1) are unknown to the chart of one photo only where they differ from its own
    assert np.ptp(miss) < 8, miss  # no cast is left
