"""The repair guide: every figure from the project with its source, texts of an office, nothing that runs or leads outside."""

from __future__ import annotations

import html
import io
import itertools
import re
import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.condition.glossary import TERMS
from facademap.io.rule_files import load_criteria, load_profile
from facademap.report.guide import figures_of, write_guide_pdf
from facademap.report.guide.blocks import Chapter, Drawing, Grid, Heading, Items, Run
from facademap.report.guide.chapters import Figures, read_chapter
from facademap.report.guide.criterion_pictures import (
    LIMIT_LAYER,
    limit_said,
    picture_of,
    raking_picture,
    scale_of,
)
from facademap.report.guide.figures import _counts, _typical_ticket
from facademap.report.guide.photos import photos_of
from facademap.report.guide.whole_wall import draw_walls
from facademap.report.page import Disc, Picture, Rings, Text
from facademap.report.setting_sheet import step_lines
from facademap.report.typeface import text_width_mm
from facademap.store.project import Project
from facademap.tables import TREATMENTS
from facademap.tasks.desk.papers import list_papers
from facademap.tasks.issue.guide import _wall, guide_files, guide_texts
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.record.setting import record_photo
from facademap.tasks.survey.add_photos import add_photos
from facademap.treatment.words import say


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("guide") / "p", blocks=2)


@pytest.fixture
def folder(planned: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(planned, tmp_path / "project"))


def run(folder: Path, *words: str, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["guide", str(folder), *words])
    assert done.exit_code == code, done.output
    return done.output


def page(folder: Path, name: str = "guide") -> str:
    return (folder / "out" / f"{name}.html").read_text("utf-8")


def paper(folder: Path, name: str = "guide") -> str:
    return " ".join(p.extract_text() for p in PdfReader(folder / "out" / f"{name}.pdf").pages)


def test_the_packaged_texts_hold_no_figure_of_their_own() -> None:
    texts = resources.files("facademap.report.guide").joinpath("texts")
    for file in texts.iterdir():
        bare = re.sub(r"\{\{.*?\}\}", "", file.read_text("utf-8"))
        assert not re.findall(r"\d", bare), file.name


def test_every_figure_in_a_sentence_names_its_source(folder: Path) -> None:
    run(folder)
    shown = page(folder)
    inset = re.search(r"<section id=\"c4\".*?</section>", shown, re.S)
    assert inset
    prose = " ".join(re.findall(r"<p>(.*?)</p>", inset.group(0), re.S))
    values = re.findall(r'<span class="value" title="([^"]+)">([^<]*\d[^<]*)</span>', prose)
    assert len(values) > 20
    cited = re.compile(
        r"^common practice$|^decided for this project$|\((read|worked out|from memory, verify|common practice|decided .*)\)$"
    )
    assert all(cited.search(s) for s, _ in values)
    assert not re.findall(r"\d", re.sub(r"<span class=\"value\".*?</span>", "", prose))


def test_a_value_of_the_project_goes_everywhere(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="joint") as edit:
        edit.set("trade_values", {"joint_m": 0.0035})
        edit.set("treatment_values", {"repoint.rake_minimum": 31})
    run(folder)
    assert "3.5 mm" in paper(folder)
    assert "31 mm" in paper(folder)
    assert 'title="decided for this project">3.5 mm' in page(folder)


def test_the_paper_and_the_page_say_the_same_and_the_same_project_the_same_bytes(
    folder: Path,
) -> None:
    run(folder)
    first = [(folder / "out" / f"guide.{e}").read_bytes() for e in ("html", "pdf")]
    (folder / "out" / ".papers.json").unlink()
    run(folder)
    assert first == [(folder / "out" / f"guide.{e}").read_bytes() for e in ("html", "pdf")]
    titles = re.findall(r"<h2 id=\"h\d+\">(.*?)</h2>", page(folder))
    assert len(titles) == 11
    flat = re.sub(r"\s+", " ", paper(folder))
    assert all(html.unescape(t) in flat for t in titles)


def test_the_short_version_is_for_the_scaffold(folder: Path) -> None:
    run(folder, "--short")
    titles = re.findall(r"<h2 id=\"h\d+\">(.*?)</h2>", page(folder, "guide-short"))
    assert titles == [
        "An inset, from the saw line to the cure",
        "What may hurt somebody",
        "When it is good",
        "Sheets to tick",
    ]
    assert "Defer to local codes" in paper(folder, "guide-short")


def test_an_office_writes_its_own_chapters_and_the_figures_stay_true(folder: Path) -> None:
    run(folder, "--texts")
    own = folder / "guide" / "40-inset.md"
    assert own.is_file()
    run(folder, "--texts", code=2)  # nothing is written over
    own.write_text("# Our way\n\nOur joint is {{ joint }}.\n\n- *wet* first\n- then set\n", "utf-8")
    run(folder)
    assert "Our way" in page(folder)
    assert "An inset, from the saw line" not in page(folder)
    assert "<em>wet</em> first" in page(folder)
    states = {p["name"]: p["state"] for p in list_papers(folder)}
    assert states["guide"] == "current"
    own.write_text("# Our way\n\nNothing.\n", "utf-8")
    assert {p["name"]: p["state"] for p in list_papers(folder)}["guide"] == "stale"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("# T\n\nA {{ no_such_thing }} here.\n", "line 3: nothing is known of"),
        ("# T\n\n{{ table: nothing }}\n", "line 3: nothing is known of"),
        ("No title.\n", "begins with its title"),
        ("# T\n\n```\ncode\n```\n", "headings, paragraphs and lists only"),
    ],
)
def test_a_text_that_cannot_be_is_named_with_its_line(folder: Path, text: str, what: str) -> None:
    (folder / "guide").mkdir()
    (folder / "guide" / "40-inset.md").write_text(text, "utf-8")
    said = run(folder, code=2)
    assert "40-inset.md" in said
    assert what in said
    assert not (folder / "out" / "guide.pdf").exists()


def test_no_text_of_a_project_runs_in_the_page(folder: Path) -> None:
    hostile = '</title><script>window.X=1</script><img src=x onerror="window.X=1">'
    with Project.open(folder) as project, project.edit(who="t", what="hostile") as edit:
        edit.set("name", hostile)
        first = project.read("conditions")["id"].iloc[0]
        edit.update("conditions", str(first), {"cause": hostile})
    (folder / "guide").mkdir()
    (folder / "guide" / "10-wall.md").write_text(
        f"# Wall\n\n{hostile}\n\n[x](javascript:X)\n", "utf-8"
    )
    run(folder)
    shown = page(folder)
    assert not re.findall(r"<(script|img|b|a href=.javascript)\b", shown)
    assert "&lt;script&gt;" in shown


def test_a_link_to_a_file_elsewhere_is_no_chapter(folder: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.md"
    secret.write_text("# Secret\n", "utf-8")
    (folder / "guide").mkdir()
    (folder / "guide" / "10-wall.md").symlink_to(secret)
    assert "is no plain file" in run(folder, code=2)


def test_figures_are_put_where_their_names_stand() -> None:
    figures = Figures(words={"joint": Run(text="2 mm", source="the office")}, blocks={})
    chapter = read_chapter("# A\n\nAbout **{{ joint }}** wide.\n", figures, name="a.md")
    words = chapter.blocks[1]
    assert [r.text for r in words.runs] == ["About ", "2 mm", " wide."]


def test_texts_come_in_the_order_of_their_names(folder: Path) -> None:
    names = list(guide_texts(folder))
    assert names == sorted(names)
    assert names[0] == "10-wall.md"


def test_an_inch_project_reads_inches_whatever_was_decided_for_it(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="inches") as edit:
        edit.set("profile", "inch")
        edit.set("trade_values", {"joint_m": 0.0032})
    run(folder)
    prose = re.sub(r"<svg.*?</svg>|<table.*?</table>", "", page(folder), flags=re.S)
    assert not re.findall(
        r"\d ?(?:mm|m²|kg|°C)", re.sub(r"<[^>]*>", "", prose).split("Sheets to tick")[0]
    )
    assert "1/8 in" in prose


def test_photos_of_the_record_stand_in_the_guide_where_there_are_any(folder: Path) -> None:
    run(folder)
    assert "From the record of this wall" not in page(folder)
    picture = folder / "seen.png"
    shot = np.full((60, 90, 3), 120, np.uint8)
    cv2.imwrite(str(picture), shot)
    add_photos(folder, [picture])
    with Project.open(folder) as project:
        repairs = project.read("repairs")
        inset = str(repairs[repairs["treatment"] == "inset"]["id"].iloc[0])
        photo = str(project.read("photos")["id"].iloc[-1])
    record_photo(folder, inset, "before", photo)
    run(folder)
    assert f"From the record of this wall: {inset}" in page(folder)
    assert f"From the record of this wall: {inset}" in re.sub(r"\s+", " ", paper(folder))
    assert page(folder).count("data:image/jpeg") >= 1


@pytest.mark.parametrize(
    "sizes", [[(1600, 1200)] * 3, [(900, 1600), (2400, 1000), (1000, 1000)], [(400, 1600)] * 3]
)
def test_photos_stand_in_the_order_of_the_work_at_one_height(sizes: list[tuple[int, int]]) -> None:
    """The day alone does not tell: they are often entered in one evening."""
    entries = [
        {"id": f"W-{k}", "repair": "R-1", "at": "2026-11-02T18:00", "photo": str(k), "note": f"photo: {slot}", "check": None, "stage": None, "corrects": None}
        for k, slot in enumerate(("after", "before", "bond side"))
    ]  # fmt: skip
    (drawn,) = photos_of(
        "inset",
        repairs=[{"id": "R-1", "treatment": "inset"}],
        log=entries,
        trials=[],
        photo=lambda name: (b"", *sizes[int(name)]),
    )
    assert isinstance(drawn, Drawing)
    shown = [m for m in drawn.page.marks if isinstance(m, Picture)]
    words = [m.text for m in drawn.page.marks if isinstance(m, Text)]
    assert words == ["before", "2026-11-02", "bond side", "2026-11-02", "after", "2026-11-02"]
    assert len({round(m.height_mm, 6) for m in shown}) == 1
    for k, size in zip((1, 2, 0), sizes[1:] + sizes[:1], strict=True):
        mark = shown[(1, 2, 0).index(k)]
        assert mark.width_mm / mark.height_mm == pytest.approx(size[0] / size[1])
    for left, right in itertools.pairwise(shown):
        assert left.x_mm + max(left.width_mm, 29.9) < right.x_mm
    assert shown[-1].x_mm + shown[-1].width_mm <= drawn.page.width_mm + 1e-6
    # the captions stand right below
    assert max(m.y_mm for m in drawn.page.marks if isinstance(m, Text)) < shown[0].y_mm < 10


def test_what_is_held_or_not_known_of_a_typical_job_stands_with_its_figures(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        wall = _wall(Context(project=project, choices=Choices()))
    treatment = next(j.treatment for j in wall.jobs if j.figures)
    jobs = [replace(j, holds=("No panel.",), doubts=("How deep.",)) for j in wall.jobs]
    blocks = figures_of(replace(wall, jobs=jobs)).blocks[f"job: {treatment}"]()
    told = [run.text for b in blocks if isinstance(b, Items) for item in b.items for run in item]
    assert told[:2] == ["Held, do not begin: No panel.", "Not known: How deep."]
    free = [replace(j, holds=(), doubts=()) for j in wall.jobs]
    blocks = figures_of(replace(wall, jobs=free)).blocks[f"job: {treatment}"]()
    told = [run.text for b in blocks if isinstance(b, Items) for item in b.items for run in item]
    assert not [t for t in told if t.startswith(("Held", "Not known"))]


def test_a_sum_of_stone_taken_out_says_what_it_lacks(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        wall = _wall(Context(project=project, choices=Choices()))
    table = wall.frames["repairs"]
    cut = table["treatment"].isin(["inset", "whole stone"])
    assert "not worked out" not in figures_of(wall).words["removed.area"].text
    lacking = table.assign(removed_area_m2=table["removed_area_m2"].where(~cut))
    wall = replace(wall, frames={**wall.frames, "repairs": lacking})
    words = figures_of(wall).words
    assert f"what {cut.sum()} of {cut.sum()} cut-outs take" in words["removed.area"].text
    assert "not worked out" not in words["removed.volume"].text


def test_a_metric_guide_holds_no_inches_and_an_inch_guide_no_millimetres(folder: Path) -> None:
    run(folder)
    own = re.sub(r"<title>.*?</title>|title=\"[^\"]*\"", "", page(folder))
    values = re.search(r"<section id=\"c9\".*?</section>", own, re.S)
    assert values
    prose = own.replace(values.group(0), "")
    assert not re.findall(r"\d/\d+ in\b", re.sub(r"<svg.*?</svg>", "", prose, flags=re.S))
    with Project.open(folder) as project, project.edit(who="t", what="inches") as edit:
        edit.set("profile", "inch")
    run(folder)
    own = re.sub(r"title=\"[^\"]*\"|<svg.*?</svg>", "", page(folder), flags=re.S)
    values = re.search(r"<section id=\"c9\".*?</section>", own, re.S)
    assert values
    assert not re.findall(r"\d ?(?:mm|kg|m²|L|°C)\b", own.replace(values.group(0), ""))


#: A figure with its unit, as people read it.
VALUE = re.compile(
    r"(?<![\w.-])\d[\d.,]*(?: \d+/\d+|/\d+)? ?(?:mm|m²|m³|mL|L/m²|L|kg|°C|°|h|days|months|%|m/s|m|kN/m²|N/mm²|dE\*ab|in|ft²|ft³|lb|gal|psf|°F)(?![\w²³*/])"
)


@pytest.mark.parametrize("profile", ["metric", "inch"])
def test_every_value_of_the_guide_comes_from_the_project_a_rule_or_a_source(
    folder: Path, profile: str
) -> None:
    """Whatever has a unit is a trade value, a figure of a designed job, a limit of a criterion, within a cited source, or a sum of rows."""
    with Project.open(folder) as project, project.edit(who="t", what="profile") as edit:
        edit.set("profile", profile)
    with Project.open(folder, read_only=True) as project:
        context = Context(project=project, choices=Choices())
        wall, text = _wall(context), guide_files(context)["guide.html"].decode()
        frames = {n: project.read(n) for n in ("conditions", "wall_stones")}
    inches = wall.inches
    known = [r.text for r in figures_of(wall).words.values()]
    for job in wall.jobs:
        known += [say(f.value, f.kind, inches=inches) for f in job.figures]
        known += [say(p.amount, p.kind, inches=inches) for p in job.products]
    known += [f"{c.said(inches=inches)} {c.source}" for c in wall.criteria.criteria]
    known += [v.source for v in (*wall.settings.values.values(), *wall.values.values.values())]
    by_term = frames["conditions"].groupby("term")
    known += [say(float(a), "area", inches=inches) for a in by_term["area_m2"].sum()]
    known += [say(float(m), "length", inches=inches) for m in by_term["length_m"].sum()]
    stones = frames["wall_stones"]
    area = stones.geometry.area.groupby(stones["stone_type"]).sum()
    known += [say(float(a), "area", inches=inches) for a in area]
    known += [t.meaning for t in TERMS]
    ticket = _typical_ticket(wall)
    known += [] if ticket is None else [w for lines in step_lines(ticket).values() for w in lines]
    traced = {m.group(0) for words in known for m in VALUE.finditer(words)}
    bare = re.sub(r"<svg.*?</svg>|<style.*?</style>|title=\"[^\"]*\"", "", text, flags=re.S)
    bare = html.unescape(re.sub(r"<[^>]+>", "\n", bare))
    said = [m.group(0) for m in VALUE.finditer(bare)]
    assert len(said) > 100
    assert [s for s in said if s not in traced] == []


def drawn_gap(drawing: Drawing) -> float:
    """Distance on the sheet between the outermost of the lines at the limit."""
    lines = [m.segments for m in drawing.page.marks if m.layer == LIMIT_LAYER]
    assert len(lines) == 2  # of what passes, and of what is redone
    for segments in lines:
        heights = segments[..., 1]
        gap = float(heights.max() - heights.min())
    return gap


@pytest.mark.parametrize("limit", [0.0005, 0.001, 0.002, 0.0045, 0.008])
@pytest.mark.parametrize("inches", [False, True])
def test_the_limit_that_is_drawn_is_that_of_the_criterion(limit: float, inches: bool) -> None:
    packaged, settings = load_criteria(None), load_profile("inch" if inches else "metric")
    for name in ("cut-out square", "even depth", "joint widths", "face flush"):
        changed = replace(packaged.named(name), limit=limit)
        drawing = picture_of(changed, settings, source="us")
        assert drawing is not None
        around = name == "joint widths"
        scale = scale_of(limit, room_m=settings.joint_m if around else 0.0)
        assert drawn_gap(drawing) == pytest.approx(limit * 1000 * scale * (2 if around else 1))
        said = " ".join(m.text for m in drawing.page.marks if isinstance(m, Text))
        assert f"± {limit_said(changed, settings)}" in said or limit_said(changed, settings) in said
        assert (" in" in limit_said(changed, settings)) == inches
        told = f"{scale:g} : 1" if scale >= 1 else f"1 : {1 / scale:g}"
        assert f"at {told}." in drawing.legend


@pytest.mark.parametrize(
    ("name", "fill", "axis_end"),
    [
        ("cut-out square", "#f2ede2", max),
        ("face flush", "#f2ede2", max),
        ("even depth", "#ffffff", min),
        ("joint widths", "#f2ede2", None),
    ],
)
def test_what_passes_lies_within_the_limit_drawn_and_what_is_redone_beyond(
    name: str, fill: str, axis_end: Callable[..., float] | None
) -> None:
    drawing = picture_of(load_criteria(None).named(name), load_profile("metric"), source="us")
    assert drawing is not None
    limits = [m.segments[..., 1] for m in drawing.page.marks if m.layer == LIMIT_LAYER]
    middle = drawing.page.width_mm * 0.66
    filled = [
        np.asarray(m.rings[0])
        for m in drawing.page.marks
        if isinstance(m, Rings) and m.fill == fill
    ]
    for good, heights in zip((True, False), limits, strict=True):
        own = [r for r in filled if (r[:, 0].max() < middle) == good and len(r) == 4]
        # of a joint the lower corners of the piece, else the end that leans on the limit
        ends = [r[:2, 1] for r in own] if axis_end is None else [axis_end(r[:, 1]) for r in own]
        within = [bool(heights.min() - 1e-9 <= y <= heights.max() + 1e-9) for y in np.ravel(ends)]
        assert all(within) == good, (name, good, ends, heights)


def test_a_scale_shows_on_which_side_of_the_limit_work_passes() -> None:
    packaged, settings = load_criteria(None), load_profile("metric")
    known = [c for c in packaged.criteria if c.kind != "seen"]
    sides = {"at_least": 1.0, "at_most": -1.0}
    met = set()
    for criterion in known:
        drawing = picture_of(criterion, settings, source="us")
        assert drawing is not None
        discs = [m for m in drawing.page.marks if isinstance(m, Disc)]
        ats = [m.segments for m in drawing.page.marks if m.layer == LIMIT_LAYER]
        if len(discs) != 2 or any(len(at) != 1 for at in ats):
            continue
        passing, redone = (
            float(d.centres[0][0] - at[0, 0, 0]) for d, at in zip(discs, ats, strict=True)
        )
        side = sides[criterion.kind]
        assert passing * side > 0 > redone * side, criterion.name
        band = next(m for m in drawing.page.marks if isinstance(m, Rings) and m.fill == "#dfe9e1")
        assert (band.rings[0][:, 0].mean() - ats[0][0, 0, 0]) * side > 0
        met.add(criterion.kind)
    assert met


def test_what_is_raked_and_what_is_covered_pass_on_the_right_side() -> None:
    raked = raking_picture(widths=2.5, least_m=0.02, inches=False, source="us")
    lines = [m.segments[..., 1].min() for m in raked.page.marks if m.layer == LIMIT_LAYER]
    mortar = [m.rings[0][-1][1] for m in raked.page.marks if isinstance(m, Rings) and m.fill == "#b9b3a8"]  # fmt: skip
    assert mortar[0] <= lines[0]
    assert mortar[1] > lines[1]
    bed = picture_of(load_criteria(None).named("full bed"), load_profile("metric"), source="us")
    assert bed is not None
    bare = [len(m.centres) * np.pi * m.radius_mm**2 for m in bed.page.marks if isinstance(m, Disc)]
    most = [float(np.ptp(m.segments[..., 0])) ** 2 for m in bed.page.marks if m.layer == LIMIT_LAYER]  # fmt: skip
    assert bare[0] <= most[0]
    assert bare[1] > most[1]


def test_a_limit_is_told_in_its_own_unit() -> None:
    packaged, metric = load_criteria(None), load_profile("metric")
    square = replace(packaged.named("cut-out square"), limit=0.0025)
    assert limit_said(square, metric) == "2.5 mm"
    # 2.5 mm are 6.3 of 64 parts of an inch: told as 6, which is not wider
    assert limit_said(square, load_profile("inch")) == "3/32 in"
    assert limit_said(replace(packaged.named("full bed"), limit=0.95), metric) == "95 %"


@pytest.mark.parametrize(("widths", "least"), [(2.5, 0.02), (2, 0.025), (2.5, 0.031)])
def test_a_joint_is_drawn_raked_to_the_depth_and_the_width_that_hold(
    widths: float, least: float
) -> None:
    drawing = raking_picture(widths=widths, least_m=least, inches=False, source="us")
    scale = scale_of(least, room_m=least / widths, most_mm=22)
    assert drawn_gap(drawing) == pytest.approx(least * 1000 * scale)
    assert f"{least * 1000:.0f} mm" in drawing.legend


def test_bare_bed_is_drawn_as_its_share_of_the_back(folder: Path) -> None:
    changed = replace(load_criteria(None).named("full bed"), limit=0.9)
    drawing = picture_of(changed, load_profile("metric"), source="us")
    assert drawing is not None
    back = next(m for m in drawing.page.marks if isinstance(m, Rings) and m.fill == "#b9b3a8")
    limit = next(m.segments for m in drawing.page.marks if m.layer == LIMIT_LAYER)
    side = float(np.ptp(limit[..., 0])) * float(np.ptp(limit[..., 1]))
    assert side == pytest.approx(0.1 * float(np.prod(np.ptp(back.rings[0], axis=0))))


def test_each_criterion_stands_once_drawn_or_in_the_table(folder: Path) -> None:
    run(folder)
    chapter = re.search(r"<section id=\"c8\".*?</section>", page(folder), re.S)
    assert chapter
    for criterion in load_criteria(None).criteria:
        titled = f">{criterion.name.capitalize()}</text>" in chapter.group(0)
        listed = f"<td>{criterion.name}</td>" in chapter.group(0)
        assert titled != listed, criterion.name


def test_the_whole_wall_is_drawn_with_its_repairs(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        wall = _wall(Context(project=project, choices=Choices()))
    drawings = draw_walls(wall.rows, wall.crop)
    repairs = [r for r in wall.rows("repairs") if r["geometry"] is not None]
    assert {d.page.title.split(", part")[0] for d in drawings} == {
        f"repairs on {r['surface']}" for r in repairs
    }
    red = sum(isinstance(m, Rings) and m.ink == "#b3201f" for d in drawings for m in d.page.marks)
    assert red >= sum(r["geometry"].geom_type == "Polygon" for r in repairs) > 0
    named = {m.text for d in drawings for m in d.page.marks if isinstance(m, Text)}
    assert named <= {str(r["id"]) for r in repairs}


def test_a_hundred_and_twenty_repairs_are_named_once_each_and_over_nothing() -> None:
    """In the midst of one another, on one wall: parts are drawn, and what is named can be read."""
    rng = np.random.default_rng(21)
    repairs = []
    for n in range(120):
        # two thirds stand close together about the door
        u, v = rng.uniform((0, 0), (11.5, 7.5)) if n % 3 else rng.normal((6, 1.6), (0.9, 0.6)).clip(0, 7)  # fmt: skip
        size = rng.uniform(0.05, 0.45, 2)
        shape = shapely.box(u, v, u + size[0], v + size[1])
        if n % 5 == 0:
            shape = shapely.LineString([(u, v), (u + size[0], v + 0.4)])
        elif n % 17 == 0:
            shape = shapely.Point(u, v)
        repairs.append({"id": f"R-{n:03d}", "surface": "w", "geometry": shape, "treatment": "inset"})  # fmt: skip
    tables = {"surfaces": [{"id": "w"}], "repairs": repairs, "wall_stones": []}
    whole, *parts = draw_walls(lambda name: tables[name], None)
    assert "120 repairs" in whole.legend
    assert f"{len(parts)} parts" in whole.legend
    assert len(parts) >= 4
    seen = [m.text for d in parts for m in d.page.marks if isinstance(m, Text)]
    assert sorted(seen) == [r["id"] for r in repairs]
    for part in parts:
        assert "for want of room" not in part.legend
        names = [m for m in part.page.marks if isinstance(m, Text)]
        assert min(m.size_pt for m in names) >= 6
        boxes = []
        for m in names:
            half = text_width_mm(m.text, m.size_pt, "bold") / 2
            boxes.append(shapely.box(m.x_mm - half, m.y_mm, m.x_mm + half, m.y_mm + 1.6))
            assert shapely.box(0, 0, part.page.width_mm, part.page.height_mm).contains(boxes[-1])
        tree = shapely.STRtree(boxes)
        assert tree.query(boxes, predicate="intersects").shape[1] == len(boxes)
        assert all(name.text in part.legend for name in names)


@pytest.mark.parametrize("count", range(38, 60))
def test_no_sheet_ends_or_begins_with_a_single_row(count: int) -> None:
    rows = tuple((f"row {n}", "x") for n in range(count))
    grid = Grid(title="Many", head=("A", "B"), rows=rows, shares=(0.5, 0.5))
    chapter = Chapter(name="a", title="A", blocks=[Heading(level=1, text="A"), grid])
    made = write_guide_pdf([chapter], title="t", kind="k", told="")
    on_sheets = [
        len(re.findall(r"row \d+", p.extract_text())) for p in PdfReader(io.BytesIO(made)).pages
    ]
    assert sum(on_sheets) == count
    assert 1 not in on_sheets


@pytest.mark.parametrize(("rows", "sheets"), [(6, [2, 2, 3]), (26, [2, 3, 4])])
def test_a_chapter_goes_on_below_the_last_where_much_of_the_sheet_is_left(
    rows: int, sheets: list[int]
) -> None:
    """Six rows and a heading leave most of an A4 sheet, twenty-six less than half; two of them and no third are followed by one."""
    told = tuple((f"row {n}", "x") for n in range(rows))
    grid = Grid(title="Some", head=("A", "B"), rows=told, shares=(0.5, 0.5))
    chapters = [
        Chapter(name=n, title=n, blocks=[Heading(level=1, text=f"Part {n}"), grid]) for n in "abc"
    ]
    reader = PdfReader(io.BytesIO(write_guide_pdf(chapters, title="t", kind="k", told="")))
    outline = [(o.title, reader.get_destination_page_number(o) + 1) for o in reader.outline]
    assert [title for title, _ in outline] == ["Part a", "Part b", "Part c"]
    assert [sheet for _, sheet in outline] == sheets
    tops = [float(o.top) for o in reader.outline]
    assert len(set(zip(sheets, tops, strict=True))) == 3  # each leads to its own heading


def test_the_pages_tell_every_name_that_a_chapter_may_use_and_no_other(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        wall = _wall(Context(project=project, choices=Choices()))
    figures = figures_of(wall)
    told = (Path(__file__).parents[2] / "docs" / "guide.md").read_text("utf-8")
    told = told.split("## The guide of this building")[1].split("\n## ")[0]
    first = "".join(re.findall(r"^\| `.*? \|", told, re.MULTILINE))
    names = re.findall(r"`([a-z.]+(?:: [a-zA-Z -]+)?)`", first)
    treatments = told.split("Treatments: ")[1].split(" |")[0].split(", ")
    assert tuple(treatments) == TREATMENTS
    expanded = {n.replace("TREATMENT", t) for n in names for t in treatments}
    assert {n for n in expanded if ":" in n} == set(figures.blocks)
    assert {n for n in expanded if ":" not in n} == set(_counts(wall))
    for name in re.findall(r"{{ ([a-z_.]+) }}", told):
        assert name in figures.words
    # every name with a colon can be put into a chapter
    lines = "\n\n".join(f"{{{{ {n} }}}}" for n in figures.blocks)
    assert read_chapter(f"# All\n\n{lines}\n", figures, name="all").blocks


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("{{ jont }}", "Write {{ joint }}."),
        ("{{ table: criterion others }}", "Write {{ table: criteria others }}."),
        ("{{ xyzzy }}", "Use the name of a trade value"),
    ],
)
def test_a_name_that_is_nearly_right_is_told(folder: Path, written: str, meant: str) -> None:
    (folder / "guide").mkdir()
    (folder / "guide" / "20-own.md").write_text(f"# Own\n\n{written}\n")
    assert f"fix: {meant}" in run(folder, code=2)
