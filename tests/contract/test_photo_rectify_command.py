"""``facademap rectify`` and ``facademap locate`` as a user calls them: files in, files out, exit codes."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import rasterio

from facademap.cli.main import main
from facademap.io.rasters import CRS_TAG, open_elevation
from facademap.photo.camera import Camera
from facademap.wall.grid import Extent

WIDTH, HEIGHT = 900, 640
CAMERA = Camera(
    width_px=WIDTH, height_px=HEIGHT, fx_px=880, fy_px=880, cx_px=445, cy_px=322, k1=-0.12, k2=0.02
)
CENTRE = np.array([3.6, 1.1, 4.3])
PLACES = [(u, v) for v in (0.3, 1.4, 2.6) for u in (0.3, 1.6, 2.8, 3.8)]


def _rotation() -> np.ndarray:
    forward = np.array([2.0, 1.45, 0.0]) - CENTRE
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0, 1.0, 0])
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(forward, right), forward])


def pixels(places: np.ndarray) -> np.ndarray:
    seen = (np.c_[places, np.zeros(len(places))] - CENTRE) @ _rotation().T
    return CAMERA.pixel_from_ray(seen[:, :2] / seen[:, 2:])


def chequer(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """The wall's face: squares of 0.2 m."""
    return np.where((np.floor(u / 0.2) + np.floor(v / 0.2)) % 2 < 1, 60, 200)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rendered photo with control, check points and camera file."""
    folder = tmp_path_factory.mktemp("site")
    x, y = np.meshgrid(np.arange(2 * WIDTH), np.arange(2 * HEIGHT))
    ray = CAMERA.ray_from_pixel(np.stack([(x + 0.5) / 2 - 0.5, (y + 0.5) / 2 - 0.5], axis=-1))
    sight = np.concatenate([ray, np.ones_like(ray[..., :1])], axis=-1) @ _rotation()
    reach = -CENTRE[2] / sight[..., 2]
    grey = chequer(CENTRE[0] + reach * sight[..., 0], CENTRE[1] + reach * sight[..., 1]).astype(
        np.float32
    )
    grey = cv2.resize(grey, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(folder / "photo.png"), np.round(grey).astype(np.uint8))
    with (folder / "control.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("name", "u_m", "v_m", "x_px", "y_px", "role"))
        for i, ((u, v), (px, py)) in enumerate(zip(PLACES, pixels(np.array(PLACES)), strict=True)):
            writer.writerow(
                (f"t{i}", u, v, f"{px:.4f}", f"{py:.4f}", "check" if i in (5, 6) else "control")
            )
    names = {
        "width": WIDTH,
        "height": HEIGHT,
        "fx": CAMERA.fx_px,
        "fy": CAMERA.fy_px,
        "cx": CAMERA.cx_px,
        "cy": CAMERA.cy_px,
        "k1": CAMERA.k1,
        "k2": CAMERA.k2,
        "p1": 0.0,
        "p2": 0.0,
    }
    (folder / "camera.json").write_text(json.dumps(names))
    return folder


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as caught:
        main([str(a) for a in arguments])
    return int(caught.value.code or 0)


def rectify(site: Path, out: Path, *more: object) -> int:
    return run(
        "rectify",
        "--photo",
        site / "photo.png",
        "--control",
        site / "control.csv",
        "--gsd-mm",
        4,
        "--out",
        out,
        *more,
    )


def test_the_elevation_is_true_to_scale(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "wall.tif"
    assert (
        rectify(
            site,
            out,
            "--camera",
            site / "camera.json",
            "--extent",
            "0.2,0.2,3.9,2.7",
            "--report",
            tmp_path / "report.json",
        )
        == 0
    )
    with rasterio.open(out) as dataset:
        assert (dataset.width, dataset.height, dataset.count) == (925, 625, 4)
        np.testing.assert_allclose(
            tuple(dataset.transform)[:6], (0.004, 0, 0.2, 0, -0.004, 2.7), atol=1e-12
        )
        np.testing.assert_allclose(dataset.bounds, (0.2, 0.2, 3.9, 2.7), atol=1e-9)
        assert dataset.profile["tiled"]
        assert dataset.overviews(1) == [2]
        assert dataset.crs is not None
        assert dataset.tags()[CRS_TAG].startswith("ENGCRS")
        assert float(dataset.tags()["FACADEMAP_CONTROL_RMSE_M"]) < 1e-4
        bands, seen = dataset.read(), dataset.dataset_mask()
    columns, rows = np.meshgrid(np.arange(925), np.arange(625))
    u, v = 0.2 + (columns + 0.5) * 0.004, 2.7 - (rows + 0.5) * 0.004
    from_edge = np.minimum(np.abs((u + 0.1) % 0.2 - 0.1), np.abs((v + 0.1) % 0.2 - 0.1))
    clear = (from_edge > 0.02) & (seen == 255)
    assert clear.sum() > 100_000
    wrong = np.abs(bands[0].astype(int) - chequer(u, v)) > 60
    assert not wrong[clear].any()
    # edges: the mean grey within 4 mm of joints is midway, so nothing is shifted by half a pixel
    assert np.array_equal(bands[3], seen)


def test_the_report_keeps_its_contract(site: Path, tmp_path: Path) -> None:
    assert rectify(site, tmp_path / "wall.tif", "--report", tmp_path / "report.json") == 0
    report = json.loads((tmp_path / "report.json").read_text())
    assert report["control_n"] == 10
    assert report["check_n"] == 2
    assert report["lens"] in ("estimated", "none")
    assert report["gsd_m"] == 0.004
    assert {r["role"] for r in report["residuals"]} == {"control", "check"}
    assert all({"name", "du_m", "dv_m", "role"} <= set(r) for r in report["residuals"])
    check = np.array([(r["du_m"], r["dv_m"]) for r in report["residuals"] if r["role"] == "check"])
    assert report["check_rmse_m"] == pytest.approx(np.sqrt(np.mean(np.sum(check**2, axis=1))))
    assert any("indicative" in w and "ASPRS" in w for w in report["warnings"])
    extent = Extent.around([PLACES[i] for i in range(12) if i not in (5, 6)]).grown(0.05)
    np.testing.assert_allclose(report["extent_m"], extent.as_tuple(), atol=0.004)


def test_the_indicative_warning_is_a_setting(site: Path, tmp_path: Path) -> None:
    assert (
        rectify(
            site, tmp_path / "wall.tif", "--report", tmp_path / "report.json", "--least-check", 2
        )
        == 0
    )
    assert not any(
        "indicative" in w for w in json.loads((tmp_path / "report.json").read_text())["warnings"]
    )


def test_json_goes_to_stdout(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        rectify(site, tmp_path / "wall.tif", "--json", "--quiet", "--camera", site / "camera.json")
        == 0
    )
    printed = capsys.readouterr()
    assert json.loads(printed.out)["lens"] == "given"
    assert printed.err == ""


def test_places_the_photo_does_not_show_are_transparent(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "wall.tif"
    assert rectify(site, out, "--extent=-3,-1,7,4", "--camera", site / "camera.json") == 0
    with open_elevation(out) as elevation:
        _, rgb, mask = elevation.read()
    assert 0.2 < (mask == 0).mean() < 0.95
    assert not rgb[mask == 0].any()


def test_locate_finds_places_with_honest_sigma(site: Path, tmp_path: Path) -> None:
    places = np.array([(0.5, 0.5), (2.0, 1.0), (3.3, 2.2), (1.1, 2.4)])
    rows = [f"q{i},{x:.4f},{y:.4f}" for i, (x, y) in enumerate(pixels(places))]
    (tmp_path / "points.csv").write_text("\n".join(["name,x_px,y_px", *rows]) + "\n")
    for source in (("--photo", site / "photo.png"), ("--size", f"{WIDTH},{HEIGHT}")):
        assert (
            run(
                "locate",
                *source,
                "--control",
                site / "control.csv",
                "--camera",
                site / "camera.json",
                "--points",
                tmp_path / "points.csv",
                "--out",
                tmp_path / "out.csv",
            )
            == 0
        )
        with (tmp_path / "out.csv").open() as file:
            found = list(csv.DictReader(file))
        assert list(found[0]) == ["name", "u_m", "v_m", "sigma_mm"]
        assert [r["name"] for r in found] == ["q0", "q1", "q2", "q3"]
        miss = np.array([(float(r["u_m"]), float(r["v_m"])) for r in found]) - places
        assert np.abs(miss).max() < 0.0005
        assert all(0.05 < float(r["sigma_mm"]) < 10 for r in found)


def test_locate_leaves_places_beyond_the_horizon_empty(tmp_path: Path) -> None:
    # a floor-like view: v = 0 at the bottom, horizon at y = 200
    rows = ["name,u_m,v_m,x_px,y_px,role"]
    for i, (u, v) in enumerate([(-1, 1), (1, 1), (2, 4), (-2, 4), (0, 2), (0.5, 3)]):
        rows.append(
            f"c{i},{u},{v},{500 + 400 * u / (1 + 0.5 * v)},{200 + 500 / (1 + 0.5 * v)},control"
        )
    (tmp_path / "control.csv").write_text("\n".join(rows))
    (tmp_path / "points.csv").write_text("name,x_px,y_px\nsky,500,100\nground,500,400\n")
    assert (
        run(
            "locate",
            "--size",
            "1000,800",
            "--control",
            tmp_path / "control.csv",
            "--points",
            tmp_path / "points.csv",
            "--out",
            tmp_path / "out.csv",
            "--no-lens",
        )
        == 0
    )
    assert (tmp_path / "out.csv").read_text().splitlines()[1] == "sky,,,"
    assert (
        (tmp_path / "out.csv").read_text().splitlines()[2].startswith("ground,0.000000,3.000000,")
    )


HEADER = "name,u_m,v_m,x_px,y_px,role\n"
GOOD = [f"t{i},{u},{v},{100 + 150 * u},{600 - 180 * v},control" for i, (u, v) in enumerate(PLACES)]


def _control(*changes: tuple[int, str]) -> str:
    rows = list(GOOD)
    for i, text in changes:
        rows[i] = text
    return HEADER + "\n".join(rows) + "\n"


BAD_CONTROL = {
    "empty": (b"", "empty"),
    # one of the two encodings would be read wrongly; a file in Windows-1252 alone is read
    "two encodings": ("näme,u_m\n".encode() + "näme,u_m".encode("latin-1"), "UTF-8"),
    "no rows": (HEADER.encode(), "no rows"),
    "column missing": (b"name,u_m,v_m,x_px,role\nt,1,1,1,control\n", "y_px"),
    "nan": (_control((3, "t3,nan,1,10,10,control")).encode(), "line 5"),
    "infinite": (_control((3, "t3,1,inf,10,10,control")).encode(), "line 5"),
    "text": (_control((2, "t2,a,1,10,10,control")).encode(), "line 4"),
    "comma": (_control((2, 't2,"1,5",1,10,10,control')).encode(), "decimal point"),
    "double name": (_control((4, "t0,1,1,200,300,control")).encode(), "t0"),
    "role": (_control((4, "t4,1,1,200,300,fixed")).encode(), "fixed"),
    "too few": ((HEADER + "\n".join(GOOD[:3])).encode(), "at least 4"),
    "outside": (_control((1, "t1,1.6,0.3,5000,300,control")).encode(), "outside the picture"),
    "binary": (b"name,\x00\x00\x01", "not a text file"),
}


@pytest.mark.parametrize("case", BAD_CONTROL)
def test_bad_control_is_one_line_and_nothing_is_written(
    case: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content, word = BAD_CONTROL[case]
    (tmp_path / "control.csv").write_bytes(content)
    out = tmp_path / "out"
    out.mkdir()
    assert (
        run(
            "rectify",
            "--photo",
            site / "photo.png",
            "--control",
            tmp_path / "control.csv",
            "--gsd-mm",
            4,
            "--out",
            out / "wall.tif",
            "--report",
            out / "report.json",
            "--quiet",
        )
        == 2
    )
    error = capsys.readouterr().err.strip()
    assert error.startswith("error: ")
    assert "; fix: " in error
    assert len(error.splitlines()) == 1
    assert word in error
    assert list(out.iterdir()) == []


def _bad_photos(folder: Path, good: bytes) -> dict[str, tuple[str, str]]:
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "text.jpg").write_text("this is a letter")
    (folder / "cut.png").write_bytes(good[: len(good) // 3])
    _, jpeg = cv2.imencode(".jpg", cv2.imdecode(np.frombuffer(good, np.uint8), cv2.IMREAD_COLOR))
    (folder / "cut.jpg").write_bytes(jpeg.tobytes()[: len(jpeg) // 2])
    # a PNG whose header claims 200 000 x 200 000 pixels
    bomb = bytearray(good)
    bomb[16:24] = (200_000).to_bytes(4, "big") * 2
    import zlib

    bomb[29:33] = zlib.crc32(bytes(bomb[12:29])).to_bytes(4, "big")
    (folder / "bomb.png").write_bytes(bytes(bomb))
    (folder / "folder.jpg").mkdir()
    return {
        "empty.jpg": ("empty", ""),
        "text.jpg": ("not a picture", ""),
        "cut.png": ("truncated", ""),
        "cut.jpg": ("truncated", ""),
        "bomb.png": ("megapixel", ""),
        "folder.jpg": ("folder", ""),
        "missing.jpg": ("does not exist", ""),
    }


def test_bad_photos_are_one_line_each(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    for name, (word, _) in _bad_photos(tmp_path, (site / "photo.png").read_bytes()).items():
        assert (
            run(
                "rectify",
                "--photo",
                tmp_path / name,
                "--control",
                site / "control.csv",
                "--gsd-mm",
                4,
                "--out",
                out / "wall.tif",
                "--quiet",
            )
            == 2
        ), name
        error = capsys.readouterr().err.strip()
        assert len(error.splitlines()) == 1, error
        assert word in error, (name, error)
        assert list(out.iterdir()) == []


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("--gsd-mm", "0"), "not positive"),
        (("--gsd-mm", "-1"), "not positive"),
        (("--gsd-mm", "nan"), "finite"),
        (("--gsd-mm", "0.001"), "megapixel"),
        (("--extent", "0,0,1"), "four numbers"),
        (("--extent", "1,0,0,1"), "empty"),
        (("--extent", "0,0,inf,1"), "finite"),
        (("--extent=-4000,-9000,900000,1", "--gsd-mm", "10000"), "horizon"),
        (("--report", "/nowhere/at/all.json"), "does not exist"),
        (("--out", "/nowhere/at/all.tif"), "does not exist"),
    ],
)
def test_bad_options(
    options: tuple[str, ...],
    word: str,
    site: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert rectify(site, tmp_path / "wall.tif", "--quiet", *options) == 2
    error = capsys.readouterr().err.strip()
    assert word in error
    assert len(error.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("content", "word"),
    [
        ("{", "JSON"),
        ("[1]", "neither"),
        ('{"width": 900}', "missing"),
        ("", "empty"),
        (
            json.dumps(
                {
                    "width": 900,
                    "height": 640,
                    "fx": "a",
                    "fy": 1,
                    "cx": 1,
                    "cy": 1,
                    "k1": 0,
                    "k2": 0,
                    "p1": 0,
                    "p2": 0,
                }
            ),
            "fx",
        ),
        (
            json.dumps(
                {
                    "width": 900,
                    "height": 640,
                    "fx": -5,
                    "fy": 1,
                    "cx": 1,
                    "cy": 1,
                    "k1": 0,
                    "k2": 0,
                    "p1": 0,
                    "p2": 0,
                }
            ),
            "focal length",
        ),
        (
            json.dumps(
                {
                    "width": 640,
                    "height": 900,
                    "fx": 880,
                    "fy": 880,
                    "cx": 1,
                    "cy": 1,
                    "k1": 0,
                    "k2": 0,
                    "p1": 0,
                    "p2": 0,
                }
            ),
            "the photo has",
        ),
    ],
)
def test_bad_camera_files(
    content: str, word: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "camera.json").write_text(content)
    assert (
        rectify(site, tmp_path / "wall.tif", "--quiet", "--camera", tmp_path / "camera.json") == 2
    )
    assert word in capsys.readouterr().err
    assert not (tmp_path / "wall.tif").exists()


def test_an_old_elevation_survives_a_failed_run(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "wall.tif"
    assert rectify(site, out) == 0
    before = out.read_bytes()
    (tmp_path / "broken.csv").write_text(HEADER)
    assert (
        run(
            "rectify",
            "--photo",
            site / "photo.png",
            "--control",
            tmp_path / "broken.csv",
            "--gsd-mm",
            4,
            "--out",
            out,
        )
        == 2
    )
    assert out.read_bytes() == before
    assert rectify(site, site / "photo.png") == 2


def test_control_of_a_turned_photo_is_that_of_the_upright_picture(
    site: Path, tmp_path: Path
) -> None:
    """Every program shows the picture turned, so that is where control is picked; ``--stored-pixels`` says otherwise.

    (All eight ways, and lenses, faces, charts and mosaics: ``test_picture_orientation.py``.)
    """
    from PIL import Image

    image = Image.open(site / "photo.png").convert("RGB")
    exif = Image.Exif()
    exif[0x0112] = 6
    image.transpose(Image.Transpose.ROTATE_90).save(tmp_path / "turned.tif", exif=exif)
    stored = tmp_path / "stored.csv"
    with (site / "control.csv").open() as read, stored.open("w", newline="") as file:
        rows = list(csv.DictReader(read))
        for row in rows:
            # a picture turned by 90 degrees clockwise to stand upright, of 900 x 640 px
            x, y = float(row["x_px"]), float(row["y_px"])
            row["x_px"], row["y_px"] = str(y), str(WIDTH - 1 - x)
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    results = []
    for photo, control, more in (
        (site / "photo.png", site / "control.csv", ()),
        (tmp_path / "turned.tif", site / "control.csv", ()),
        (tmp_path / "turned.tif", stored, ("--stored-pixels",)),
    ):
        out = tmp_path / f"{len(results)}-out.tif"
        call = ["rectify", "--photo", photo, "--control", control, "--gsd-mm", 4, "--out", out]
        assert run(*call, *more) == 0
        with open_elevation(out) as elevation:
            results.append(elevation.read()[1])
    np.testing.assert_array_equal(results[0], results[1])
    assert np.abs(results[0].astype(int) - results[2]).max() <= 1


CHILD = """
import sys
from pathlib import Path
from facademap.tasks.survey.rectify import rectify_photo
folder, gsd = Path(sys.argv[1]), float(sys.argv[2])
rectify_photo(folder / "photo.png", folder / "control.csv", Path(sys.argv[3]), gsd_m=gsd, camera=folder / "camera.json")
print(int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024)
"""


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from /proc")
def test_memory_does_not_grow_with_the_output(site: Path, tmp_path: Path) -> None:
    source_mb = WIDTH * HEIGHT * 3 / 2**20
    peaks = []
    for gsd in (0.004, 0.0004):  # 1 and 64 megapixel
        done = subprocess.run(
            [sys.executable, "-c", CHILD, str(site), str(gsd), str(tmp_path / "wall.tif")],
            capture_output=True,
            text=True,
            check=True,
        )
        peaks.append(float(done.stdout))
    assert max(peaks) < source_mb + 250
    assert peaks[1] - peaks[0] < 90
