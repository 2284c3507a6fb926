"""Two surveys of a surface: conditions paired, growth with plus or minus, urgency by a rule, page and table."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import io
import json
import re
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from PIL import Image
from pypdf import PdfReader

from facademap.condition.survey_pairs import pair_surveys
from facademap.errors import InputError
from facademap.io.rasters import write_elevation
from facademap.io.relief_files import open_relief_writer
from facademap.store.project import Project
from facademap.tasks.desk.reliefs import heights_of_relief, reliefs_to_look_at
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.issue.packs import papers_for
from facademap.tasks.issue.papers import Choices, make_papers
from facademap.tasks.issue.transmit import transmit
from facademap.tasks.plan.maintenance import plan_maintenance
from facademap.tasks.project.demo_relief import GROWN_M, make_demo_reliefs
from facademap.tasks.survey.compare_surveys import compare_surveys
from facademap.tasks.survey.deformation import look_at_deformation
from facademap.tasks.survey.depths import confirm_depths, measure_depths
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall

GRID = PixelGrid(left_m=0.0, top_m=2.0, gsd_m=0.008, width_px=300, height_px=250)
BOX = shapely.box


def _row(id: str, shape: shapely.Geometry, **more: object) -> dict[str, object]:
    return {"id": id, "geometry": shape, "layer": "stone", "cc": None, "uc": None, **more}


def _fates(old: list[dict[str, object]], new: list[dict[str, object]], **more: object):  # type: ignore[no-untyped-def]
    return {(p.old, p.new): p.fate for p in pair_surveys(old, new, **more)}  # type: ignore[arg-type]


def test_every_fate_of_a_condition() -> None:
    old = [
        _row("same", BOX(0, 0, 0.2, 0.2)),
        _row("grew", BOX(1, 0, 1.2, 0.2)),
        _row("shrank", BOX(2, 0, 2.3, 0.3)),
        _row("broke", BOX(3, 0, 3.6, 0.2)),
        *(_row(f"one{k}", BOX(4 + 0.3 * k, 0, 4.2 + 0.3 * k, 0.2)) for k in range(2)),
        _row("went", BOX(5, 0, 5.2, 0.2)),
        _row("mended", BOX(6, 0, 6.2, 0.2)),
    ]
    new = [
        _row("same'", BOX(0.002, 0.001, 0.201, 0.2)),
        _row("grew'", BOX(0.98, -0.05, 1.26, 0.25)),
        _row("shrank'", BOX(2, 0, 2.15, 0.3)),
        _row("broke1", BOX(3, 0, 3.25, 0.2)),
        _row("broke2", BOX(3.35, 0, 3.6, 0.2)),
        _row("both", BOX(4, 0, 4.5, 0.2)),
        _row("came", BOX(7, 0, 7.2, 0.2)),
        # a joint beside a stone is another thing
        _row("joint", BOX(5, 0, 5.2, 0.2), layer="joint"),
    ]
    assert _fates(old, new, repaired=["mended"]) == {
        (("same",), ("same'",)): "same",
        (("grew",), ("grew'",)): "grown",
        (("shrank",), ("shrank'",)): "shrunk",
        (("broke",), ("broke1", "broke2")): "split",
        (("one0", "one1"), ("both",)): "merged",
        (("went",), ()): "gone",
        (("mended",), ()): "repaired",
        ((), ("came",)): "new",
        ((), ("joint",)): "new",
    }


def test_growth_within_what_two_hands_draw_is_none() -> None:
    """A band of 3 mm at the outline, at 95 % of two drawings: 8.3 mm along the whole edge."""
    old = [_row("a", BOX(0, 0, 0.3, 0.3))]
    for by, fate in ((0.006, "same"), (0.012, "grown")):
        (found,) = pair_surveys(
            old, [_row("b", BOX(0, 0, 0.3, 0.3).buffer(by, join_style="mitre"))]
        )
        assert found.fate == fate
        assert found.size_new - found.size_old == pytest.approx(4 * 0.3 * by + 4 * by**2)
    line = shapely.LineString([(0, 0), (1, 0)])
    longer = shapely.LineString([(0, 0.004), (1.05, 0.004)])
    (crack,) = pair_surveys([_row("c", line)], [_row("d", longer)])
    assert (crack.fate, crack.unit) == ("grown", "m")
    (classed,) = pair_surveys([{**old[0], "cc": 1}], [{**old[0], "id": "b", "cc": 2}])
    assert classed.classes == ("cc 1 to 2",)


def _write(path: Path, out_m: np.ndarray) -> None:
    with open_relief_writer(path, GRID, crs_wkt=wall_crs("w", "w")) as writer:
        writer.write_rows(0, out_m.astype(np.float32), np.full(out_m.shape, 0.0006, np.float32))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A wall of two surveys four years apart: one loss is 6 mm deeper, one is as it was."""
    folder = tmp_path / "wall"
    surface = make_wall(folder, world=False, picture=False)
    rng = np.random.default_rng(1)
    (folder / "elevations").mkdir(exist_ok=True)
    entries = []
    for survey, day, deeper in (("2021", "2021-05-01", 0.0), ("2025", "2025-05-01", 0.006)):
        out = rng.normal(0, 0.0004, (250, 300))
        out[100:130, 50:90] -= 0.020 + deeper
        out[100:130, 200:240] -= 0.020
        _write(folder / "elevations" / f"{survey}.tif", out)
        entries.append(
            {
                "path": f"elevations/{survey}.tif",
                "survey": survey,
                "taken_on": day,
                "source": "photos",
                "sha256": "0",
                "cell_m": 0.008,
            }
        )
    shapes = {
        "deep": BOX(50 * 0.008, 2 - 130 * 0.008, 90 * 0.008, 2 - 100 * 0.008),
        "calm": BOX(200 * 0.008, 2 - 130 * 0.008, 240 * 0.008, 2 - 100 * 0.008),
    }
    rows = [
        {
            "id": f"{name}-{survey}",
            "surface": surface,
            "term": "missing part",
            "geometry": shape,
            "survey": survey,
            "uc": 1,
        }
        for survey in ("2021", "2025")
        for name, shape in shapes.items()
    ]
    with Project.open(folder) as project, project.edit(who="t", what="surveys") as edit:
        edit.update("surfaces", surface, {"reliefs": entries})
        edit.insert("conditions", rows)
    return folder


def test_what_grows_faster_than_the_limit_becomes_more_urgent(folder: Path, tmp_path: Path) -> None:
    done = compare_surveys(folder, "2021", "2025", out=tmp_path / "o")
    with (tmp_path / "o" / "change-main-plane.csv").open() as file:
        table = {r["new"]: r for r in csv.DictReader(file)}
    deep, calm = table["deep-2025"], table["calm-2025"]
    assert (deep["fate"], deep["depth_significant"], deep["urgency_proposed"]) == (
        "same",
        "true",
        "true",
    )
    assert float(deep["depth_change_m"]) == pytest.approx(-0.006, abs=0.0003)
    assert float(deep["depth_m_a_year"]) == pytest.approx(-0.0015, rel=0.05)
    assert float(deep["volume_change_m3"]) == pytest.approx(-0.006 * 0.24 * 0.32, rel=0.05)
    assert (calm["depth_significant"], calm["urgency_proposed"]) == ("false", "false")
    page = (tmp_path / "o" / "change-main-plane.html").read_text()
    assert "4.0 years between them" in page
    assert "http" not in page
    with Project.open(folder, read_only=True) as project:
        assert set(project.read("conditions")["uc"]) == {1}
    assert done.raised == ()
    done = compare_surveys(folder, "2021", "2025", out=tmp_path / "o", raise_urgency=True)
    assert done.raised == ("deep-2025",)
    with Project.open(folder, read_only=True) as project:
        assert project.row("conditions", "deep-2025")["uc"] == 2
    # the same two surveys tell it once: asked again, nothing becomes more urgent
    again = compare_surveys(folder, "2021", "2025", out=tmp_path / "o", raise_urgency=True)
    assert again.raised == ()
    with Project.open(folder, read_only=True) as project:
        assert project.row("conditions", "deep-2025")["uc"] == 2
    # an office that reads inches has no millimetre on the page: 6 mm are 0.236 in
    with Project.open(folder) as project, project.edit(who="t", what="inch") as edit:
        edit.set("profile", "inch")
    compare_surveys(folder, "2021", "2025", out=tmp_path / "o")
    page = re.sub(
        r"data:image[^\"]*|<style>.*</style>",
        "",
        (tmp_path / "o" / "change-main-plane.html").read_text(),
    )
    assert re.search(r"-0\.2[34]\d in", page)
    assert re.findall(r"[\d.]+ (?:mm|cm|m|cm²|m²|cm³)\b", page) == []
    slow = compare_surveys(folder, "2021", "2025", out=tmp_path / "o", fast_m_a_year=0.002)
    assert not any(r.more_urgent for r in slow.rows)


def test_the_map_says_what_became_of_a_condition(folder: Path, tmp_path: Path) -> None:
    make_condition_map(folder, target=tmp_path / "map.html")
    page = (tmp_path / "map.html").read_text(encoding="utf-8")
    [block] = re.findall(r'id="wall-data">(.*?)</script>', page, re.DOTALL)
    data = json.loads(block)
    [conditions] = [kind for kind in data["features"] if kind["kind"] == "condition"]
    change = conditions["told"]["change"]
    said = [None, *change["of"]]
    told = dict(zip(conditions["columns"]["i"], [said[n] for n in change["at"]], strict=True))
    assert re.match(
        r"since survey 2021: same, depth .*shift -0\.00\d.*grows fast", told["deep-2025"]
    )
    assert told["calm-2025"].endswith("not told from none")
    [layer] = data["changes"]
    assert (layer["surveys"], layer["note"]) == (["2021", "2025"], "")
    assert (layer["left_m"], layer["top_m"]) == (GRID.left_m, GRID.top_m)
    assert layer["wide_m"] == pytest.approx(GRID.width_px * GRID.gsd_m)
    picture = Image.open(io.BytesIO(base64.b64decode(layer["png"].split(",")[1])))
    seen = np.asarray(picture.convert("RGBA")).astype(float)
    deeper, calm = seen[102:128, 52:88], seen[102:128, 202:238]
    # the loss that grew hides the wall and is blue; where nothing changed the wall is seen
    assert deeper[..., 3].mean() > 180
    assert deeper[..., 2].mean() > deeper[..., 0].mean() + 40
    assert calm[..., 3].mean() < 5


def test_what_the_reliefs_show_to_grow_comes_sooner_in_the_plan(
    folder: Path, tmp_path: Path
) -> None:
    """The older survey has a relief and no outlines: growth is read from the reliefs alone."""
    with Project.open(folder) as project, project.edit(who="t", what="one survey") as edit:
        for name in ("deep-2021", "calm-2021"):
            edit.delete("conditions", name)
        for name in ("deep-2025", "calm-2025"):
            edit.update("conditions", name, {"observed_on": "2025-05-01", "cc": 1})
    plan = plan_maintenance(folder, out=tmp_path / "o", today=dt.date(2025, 6, 1))
    looks = {k.id: k for k in plan.looks}
    assert "6.0 ± 0." in looks["deep-2025"].why
    assert "deeper since survey 2021 (maintain.growing)" in looks["deep-2025"].why
    assert "deeper" not in looks["calm-2025"].why
    assert looks["deep-2025"].due_on < looks["calm-2025"].due_on


def test_the_desk_looks_at_the_change_between_two_surveys(folder: Path) -> None:
    """Heights of the change: what surely grew keeps its depth, and what cannot be told is exactly none."""
    with Project.open(folder) as project:
        listed = reliefs_to_look_at(project)["main-plane"]
        assert [r["survey"] for r in listed] == ["2021", "2025", "2021>2025"]
        assert listed[-1]["change"] == ["2021", "2025"]
        made = heights_of_relief(project, "main-plane", "2021>2025")
    assert "On stable stone the surveys agree" in made.place["said"][0]
    picture = cv2.imdecode(np.frombuffer(made.png, np.uint8), cv2.IMREAD_COLOR).astype(int)
    step = (made.place["high_m"] - made.place["low_m"]) / 65535
    found = made.place["low_m"] + step * (picture[..., 2] * 256 + picture[..., 1])
    assert np.median(found[102:128, 52:88]) == pytest.approx(-0.006, abs=0.0003)
    still = np.delete(found, np.s_[40:95], axis=1)
    assert np.mean(np.abs(still) < step) > 0.9
    # what two frames cannot tell is not drawn
    old = {f"T{k}": [0.5 * k, 0.4 * k, 0.0] for k in range(5)}
    _with_control(
        folder, in_2021=old, in_2025={n: [u, v, w + 0.02] for n, (u, v, w) in old.items()}
    )
    with (
        Project.open(folder) as project,
        pytest.raises(InputError, match="frame was fitted anew"),
    ):
        heights_of_relief(project, "main-plane", "2021>2025")


def test_a_loss_that_is_outlined_is_no_bulge_and_a_bulge_is_no_depth_of_decay(
    folder: Path,
) -> None:
    limits = {"bulge_m": 0.015}
    with Project.open(folder) as project:
        u0, v0, u1, v1 = (0.6, 0.6, 1.8, 1.4)
        out = np.zeros((250, 300))
        out[75:175, 75:225] -= 0.05
        _write(project.place("elevations/2025.tif"), out)
        with project.edit(who="t", what="loss") as edit:
            for name in ("deep-2025", "calm-2025", "deep-2021", "calm-2021"):
                edit.delete("conditions", name)
    (found,) = look_at_deformation(folder, limits=limits).values()
    assert found is not None
    assert [round(b.most_m, 2) for b in found.bulges] == [-0.05]
    loss = {"surface": "main-plane", "geometry": BOX(u0 - 0.01, v0 - 0.01, u1 + 0.01, v1 + 0.01)}
    with Project.open(folder) as project, project.edit(who="t", what="loss") as edit:
        told = {**loss, "family": "C", "layer": "stone", "term": "missing part"}
        edit.insert("conditions", [{"id": "L", **told}])
        told = {**loss, "family": "S", "layer": "structural", "term": "bulge"}
        edit.insert("conditions", [{"id": "B", **told}])
    (found,) = look_at_deformation(folder, limits=limits).values()
    assert found is not None
    assert found.bulges == ()
    assert [d.condition for d in measure_depths(folder).depths] == ["L"]


def test_what_cannot_be_compared_is_said(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="compared with itself"):
        compare_surveys(folder, "2021", "2021", out=tmp_path)
    with pytest.raises(InputError, match="belongs to survey 2030"):
        compare_surveys(folder, "2021", "2030", out=tmp_path)
    back = compare_surveys(folder, "2025", "2021", out=tmp_path / "o")
    assert any("is not later than" in w for w in back.warnings)
    with Project.open(folder) as project, project.edit(who="t", what="gone") as edit:
        edit.update("surfaces", "main-plane", {"reliefs": None})
    flat = compare_surveys(folder, "2021", "2025", out=tmp_path / "o")
    assert flat.change is None
    assert any("only outlines are compared" in w for w in flat.warnings)
    assert {r.pair.fate for r in flat.rows} == {"same"}


def _picture(path: Path, *, darker: float = 1.0, moved_px: int = 0, seed: int = 3) -> Path:
    """The wall of the fixture as a rectified picture; the calm loss reflects less."""
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (GRID.height_px, GRID.width_px)), (0, 0), 2)
    grey = 130 + 25 * np.roll(grain / grain.std(), moved_px, axis=1)
    grey[100:130, 200:240] *= darker
    rgb = np.repeat(np.clip(grey, 10, 245)[..., None], 3, axis=-1).astype(np.uint8)
    seen = np.full(grey.shape, 255, np.uint8)
    write_elevation(
        path,
        GRID,
        ((w, rgb[w.slices], seen[w.slices]) for w in GRID.windows(512)),
        crs_wkt=wall_crs("w", "w"),
    )
    return path


def test_colours_are_told_from_pictures_that_lie_on_each_other(
    folder: Path, tmp_path: Path
) -> None:
    out = tmp_path / "o"
    old = _picture(tmp_path / "old.tif")

    def told(new: Path) -> tuple[dict[str, str], str]:
        done = compare_surveys(folder, "2021", "2025", out=out, pictures=(old, new))
        words = {r.pair.new[0]: r.colour.words for r in done.rows}
        return words, " ".join(w for w in done.warnings if "colour" in w)

    words, note = told(_picture(tmp_path / "new.tif", darker=0.75))
    assert words["deep-2025"].endswith("no change told")
    assert words["calm-2025"].endswith("darker")
    assert "hold only where both days found the wall dry" in note
    with (out / "change-main-plane.csv").open() as file:
        table = {r["new"]: r for r in csv.DictReader(file)}
    assert [table[f"{n}-2025"]["colour_changed"] for n in ("deep", "calm")] == ["false", "true"]
    assert float(table["calm-2025"]["colour_change_ciede2000"]) > 5
    assert ", darker" in (out / "change-main-plane.html").read_text()
    for name, new, said in (
        ("moved.tif", {"moved_px": 3}, "mm apart"),
        ("other.tif", {"seed": 9}, "too little texture"),
    ):
        words, note = told(_picture(tmp_path / name, **new))  # type: ignore[arg-type]
        assert set(words.values()) == {"not known: the pictures cannot be compared"}
        assert said in note
    done = compare_surveys(folder, "2021", "2025", out=out)
    assert {r.colour.words for r in done.rows} == {"not known: no picture of both surveys"}
    assert any("give rectified pictures of both days" in w for w in done.warnings)


def _with_control(folder: Path, **places: dict[str, list[float]]) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="control") as edit:
        kept = project.row("surfaces", "main-plane")["reliefs"]
        told = [{**k, "control_m": places[f"in_{k['survey']}"]} for k in kept]
        edit.update("surfaces", "main-plane", {"reliefs": told})


def test_a_frame_that_was_fitted_anew_is_not_compared(folder: Path, tmp_path: Path) -> None:
    old = {f"T{k}": [0.5 * k, 0.4 * k, 0.0] for k in range(5)}
    for size, refused in ((0.0029, False), (0.0031, True)):
        new = {n: [u, v, w + size] for n, (u, v, w) in old.items()}
        _with_control(folder, in_2021=old, in_2025=new)
        if refused:
            with pytest.raises(InputError, match=r"frame was fitted anew .* 5 common .* 3 mm"):
                compare_surveys(folder, "2021", "2025", out=tmp_path / "none")
            assert not (tmp_path / "none").exists()
        else:
            compare_surveys(folder, "2021", "2025", out=tmp_path / "o")
    # one target that moved is no new frame, and is named
    _with_control(folder, in_2021=old, in_2025={**old, "T2": [1.02, 0.8, 0.0]})
    done = compare_surveys(folder, "2021", "2025", out=tmp_path / "o")
    assert any("T2 lies 20 mm elsewhere" in w for w in done.warnings)
    _with_control(folder, in_2021=old, in_2025={"N1": [0.0, 0.0, 0.0]})
    done = compare_surveys(folder, "2021", "2025", out=tmp_path / "o")
    assert any("no control point in common" in w for w in done.warnings)


def test_the_two_reliefs_of_the_demo_grow_by_what_it_says(tmp_path: Path) -> None:
    """Depths of the truth, grown by 0, 2, 4 and 8 mm in turn, are told as such from the files alone."""
    surface = make_wall(tmp_path / "p", picture=False)
    stones = [
        BOX(0.9 * k, 0.5 * c, 0.9 * k + 0.88, 0.5 * c + 0.48) for c in range(3) for k in range(4)
    ]
    with Project.open(tmp_path / "p") as project, project.edit(who="t", what="outlines") as edit:
        edit.insert(
            "wall_stones",
            [{"id": f"S{n}", "surface": surface, "geometry": s} for n, s in enumerate(stones)],
        )
        edit.insert("openings", [{"id": "O1", "surface": surface, "geometry": stones[11]}])
        edit.insert(
            "conditions",
            [
                {
                    "id": f"C{n}",
                    "surface": surface,
                    "term": "erosion",
                    "family": "C",
                    "layer": "stone",
                    "depth_m": 0.02,
                    "geometry": stones[n].buffer(-0.1),
                }
                for n in range(7)
            ],
        )
    made = make_demo_reliefs(tmp_path / "p")
    assert made["grown"] == dict(zip([f"C{n}" for n in range(7)], [*GROWN_M, 0.0], strict=True))
    found = compare_surveys(tmp_path / "p", "2021", "1", out=tmp_path / "out")
    assert any("has no outlines" in w for w in found.warnings)
    for row in found.rows:
        (id,) = row.pair.new
        assert row.pair.fate == "first drawn"
        assert row.patch is not None
        assert row.patch.mean_change_m == pytest.approx(-made["grown"][id], abs=0.0005)
        assert row.patch.significant == (made["grown"][id] > 0)
    with Project.open(tmp_path / "p", read_only=True) as project:
        kept = project.row("surfaces", surface)["reliefs"]
    # nobody takes them, or what is found on them, for measured
    assert all("not measured" in e["warnings"][0] for e in kept)
    said: list[str] = []
    depths = measure_depths(tmp_path / "p", store=True)
    look_at_deformation(tmp_path / "p", warnings=said, limits={"bulge_m": 0.004}, store=True)
    for warnings in (found.warnings, depths.warnings, said):
        assert any("truth of the demo" in w and "not measured" in w for w in warnings)
    for _ in range(2):
        confirm_depths(tmp_path / "p", ["C3"], who="Ada")
    with Project.open(tmp_path / "p", read_only=True) as project:
        rows = {r["id"]: r for r in project.read("conditions").to_dict("records")}
    proposed = [r for id, r in rows.items() if not id.startswith("C") or len(id) > 2]
    assert proposed
    assert all("not measured" in r["note"] for r in proposed)
    assert rows["C3"]["measured_depth"]["note"] == kept[1]["note"]
    assert rows["C3"]["note"].count("not measured") == 1


def test_the_cover_lists_the_drawing_of_change(folder: Path, tmp_path: Path) -> None:
    make_papers(folder, only=["drawings"], out=tmp_path, choices=Choices(pictures=False))
    words = PdfReader(tmp_path / "drawings/cover.pdf").pages[0].extract_text()
    assert re.search(r"Change between surveys, .*\n?.*1 : \d+", words)


def test_relief_and_change_are_issued_as_every_drawing_is(folder: Path) -> None:
    """Number, revision and status stand in the title block; what changed is clouded; the sheet before is struck."""
    said = {"to": ["A. Planner"], "status": "comment", "drawn_by": "E. Vane"}
    said |= {"only": ["relief", "change"], "choices": Choices(pictures=False)}
    with Project.open(folder) as project, project.edit(who="t", what="section") as edit:
        line = {"name": "A", "line_m": [0.1, 1.0, 2.2, 1.0]}
        edit.update("surfaces", "main-plane", {"sections": [line]})
    one = transmit(folder, **said, reason="first", date="2026-11-30")  # type: ignore[arg-type]
    assert one.transmittal.documents == ("RF-001 rev A", "CS-001 rev A")
    files = folder / "issued/current"

    def first_page(number: str) -> str:
        (path,) = files.glob(f"{number} *.pdf")
        return " ".join(PdfReader(path).pages[0].extract_text().split())

    for number, title in (("RF-001 rev A", "RELIEF"), ("CS-001 rev A", "CHANGE BETWEEN SURVEYS")):
        words = first_page(number)
        assert all(w in words for w in (number, title, "FOR COMMENT", "NOT CHECKED", "E. Vane"))
        assert "WORKING PRINT" not in words
    told = (files / "CS-001 rev A change change-main-main-plane.csv").read_text()
    assert "deep-2025" in told
    again = transmit(folder, **said, reason="copy", date="2026-12-01")  # type: ignore[arg-type]
    assert again.transmittal.fresh == ()
    with Project.open(folder) as project, project.edit(who="t", what="look") as edit:
        line = {"name": "A", "line_m": [0.1, 0.6, 2.2, 0.6]}
        edit.update("surfaces", "main-plane", {"sections": [line]})
        edit.update("conditions", "calm-2025", {"term": "erosion"})
    transmit(folder, **said, reason="section moved", date="2026-12-02")  # type: ignore[arg-type]
    for number in ("RF-001", "CS-001"):
        (pdf,) = files.glob(f"{number} rev B *.pdf")
        # a cloud bears the letter of its revision in a triangle, beside that of the table of revisions
        assert PdfReader(pdf).pages[0].extract_text().split().count("B") >= 3
        (struck,) = (folder / "issued/superseded").glob(f"{number} rev A *.pdf")
        assert "SUPERSEDED" in PdfReader(struck).pages[0].extract_text()
    assert {"relief", "change"} <= set(papers_for("planner"))
    assert "relief" in papers_for("tender")
