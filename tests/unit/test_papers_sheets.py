"""Papers are judged by what they really hang on: settings, tables, and the rows of each ticket and saw plan."""

from __future__ import annotations

import itertools
import re
import shutil
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.report.ticket_content import make_tickets
from facademap.report.tickets import write_cut_tickets
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.desk.papers import list_papers, paper_numbered
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.issue.papers_list import PAPERS
from facademap.tasks.issue.papers_parts import QUIET, part_prints
from facademap.tasks.issue.papers_register import recall_paper
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.plan.reading import choose_units
from facademap.tasks.project.check import check_project
from facademap.tasks.record.consents import add_consent

ONLY = ["tickets", "lists", "quantities", "saw-plans"]


@pytest.fixture(scope="module")
def issued(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = desk_sample.make_planned_project(
        tmp_path_factory.mktemp("sheets") / "sample", blocks=2
    )
    pieces = desk_sample.rows(folder, "pieces")
    [face, *_] = desk_sample.rows(folder, "faces").to_dict("records")
    with Project.open(folder) as project, project.edit(who="test", what="two places") as change:
        change.insert(
            "placements",
            [
                {
                    "id": f"X:{row['repair']}",
                    "repair": row["repair"],
                    "piece": row["id"],
                    "block": face["block"],
                    "face": face["id"],
                    "slab": slab,
                    "x_m": 0.02,
                    "y_m": 0.02,
                    "rotation_deg": 0,
                    "state": "proposed",
                }
                for slab, row in enumerate(pieces.head(2).to_dict("records"))
            ],
        )
    make_papers(folder, only=ONLY)
    make_condition_map(folder)
    return folder


@pytest.fixture
def folder(issued: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(issued, tmp_path / "project"))


def states(folder: Path) -> dict[str, str]:
    return {p["name"]: p["state"] for p in list_papers(folder)}


def edit(folder: Path, act: Any) -> None:
    with Project.open(folder) as project, project.edit(who="B. Mason", what="a change") as change:
        act(change)


def test_a_setting_makes_only_those_papers_stale_that_are_made_from_it(folder: Path) -> None:
    assert set(states(folder).values()) == {"current"}
    edit(folder, lambda e: e.set("standards", {}))
    edit(folder, lambda e: e.set("cold_months", [12, 1]))
    assert set(states(folder).values()) == {"current"}
    edit(folder, lambda e: e.set("repair_link", "https://wall.example/{repair}"))
    assert {n for n, s in states(folder).items() if s == "stale"} == {"tickets", "lists"}


def test_a_condition_makes_the_map_stale_and_no_ticket(folder: Path) -> None:
    id = str(desk_sample.rows(folder)["id"].iloc[0])
    edit(folder, lambda e: e.update("conditions", id, {"note": "seen from the scaffold"}))
    found = states(folder)
    assert found["condition-map"] == "stale"
    assert found["tickets"] == found["saw-plans"] == found["lists"] == "current"
    said = [f for f in check_project(folder)["findings"] if f["kind"] == "paper"]
    assert any("condition-map" in f["about"] for f in said)
    # one press makes it again
    assert make_papers(folder).made.count("condition-map") == 1
    assert states(folder)["condition-map"] == "current"


def test_one_piece_makes_its_own_ticket_stale_and_leaves_the_others(folder: Path) -> None:
    pieces, places = desk_sample.rows(folder, "pieces"), desk_sample.rows(folder, "placements")
    alone = pieces[~pieces["id"].isin(places["piece"])].iloc[0]
    edit(folder, lambda e: e.update("pieces", alone["id"], {"finish": "boasted"}))
    [paper] = [p for p in list_papers(folder) if p["name"] == "tickets"]
    assert paper["stale_parts"] == [alone["repair"]]
    assert len(paper["held_parts"]) == pieces["repair"].nunique() - 1
    assert any(alone["repair"] in r and "hold" in r for r in paper["reasons"])
    held = paper["held_parts"][0]
    assert paper_numbered(folder, f"{paper['number']} {held}")["state"] == "current"
    assert paper_numbered(folder, f"{paper['number']} {alone['repair']}")["state"] == "stale"
    # the same is known of it when newer tickets have taken its place
    make_papers(folder, only=["tickets"])
    assert paper_numbered(folder, paper["number"])["state"] == "replaced"
    assert paper_numbered(folder, f"{paper['number']} {held}")["state"] == "current"
    with Project.open(folder) as project:
        recall_paper(project, paper["number"], why="wrong stone", who="ada")
    assert paper_numbered(folder, f"{paper['number']} {held}")["state"] == "recalled"


def test_a_piece_makes_all_tickets_of_its_block_stale(folder: Path) -> None:
    places = desk_sample.rows(folder, "placements")
    block = places["block"].value_counts().index[0]
    there = places[places["block"] == block]
    edit(folder, lambda e: e.update("pieces", there["piece"].iloc[0], {"finish": "boasted"}))
    [paper] = [p for p in list_papers(folder) if p["name"] == "tickets"]
    assert set(paper["stale_parts"]) == set(there["repair"])
    [saw] = [p for p in list_papers(folder) if p["name"] == "saw-plans"]
    assert saw["stale_parts"] == [block]


def test_the_stage_of_a_repair_is_on_no_ticket(folder: Path) -> None:
    with Project.open(folder) as project:
        context = Context(project=project, choices=Choices())
        paper = next(p for p in PAPERS if p.name == "tickets")
        before, frames = part_prints(context, paper, ""), context.frames(paper.tables)
        for table, columns in QUIET.items():
            for column in columns:
                context._frames[table] = changed(frames[table], column)
        assert part_prints(context, paper, "") == before


def test_what_warns_or_holds_whoever_cuts_makes_that_ticket_stale(folder: Path) -> None:
    repair = desk_sample.rows(folder, "pieces")["repair"].iloc[0]
    row = desk_sample.rows(folder, "repairs").set_index("id").loc[repair]
    edit(folder, lambda e: e.update("conditions", row["conditions"][0], {"note": "thick guano"}))
    paper = next(p for p in list_papers(folder) if p["name"] == "tickets")
    assert (paper["state"], repair in paper["stale_parts"]) == ("stale", True)
    edit(folder, lambda e: e.update("conditions", row["conditions"][0], {"note": None}))
    add_consent(folder, reference="LB/1", text="A mock-up first.", repairs=[repair])
    paper = next(p for p in list_papers(folder) if p["name"] == "tickets")
    assert (paper["state"], repair in paper["stale_parts"]) == ("stale", True)


def test_what_is_held_to_say_nothing_changes_no_ticket(folder: Path) -> None:
    """Tickets drawn with other values in those columns are the same to the byte."""
    with Project.open(folder) as project:
        context = Context(project=project, choices=Choices())
        frames, sawing = dict(context.frames()), context.sawing

        def drawn(frames: dict[str, pd.DataFrame]) -> bytes:
            made = make_tickets(
                frames,
                project="",
                settings=context.trade_values,
                sawing=sawing,
                steps=context.steps,
            )
            return write_cut_tickets(made[:6])

        plain, silent = drawn(frames), dict(frames)
        for table, columns in QUIET.items():
            for column in columns:
                silent[table] = changed(silent[table], column)
        assert drawn(silent) == plain


def changed(frame: pd.DataFrame, column: str) -> pd.DataFrame:
    """The same with other values of a column that has text or numbers; stages stay before the cut-out, as donors are judged by it."""
    values = itertools.cycle(["approved", "on hold"])
    new = []
    for value in frame[column]:
        if column == "stage":
            new.append(next(values))
        elif isinstance(value, list | dict):
            new.append(type(value)())
        elif isinstance(value, str) or is_missing(value):
            new.append("other words" if column not in ("lock_block", "plan") else value)
        else:
            new.append(value + 1)
    return frame.assign(**{column: pd.Series(new, index=frame.index, dtype=object)})


def test_papers_read_no_setting_that_they_do_not_name(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: set[str] = set()
    plain = Project.setting

    def setting(self: Project, name: str, default: Any = None) -> Any:
        read.add(name)
        return plain(self, name, default)

    monkeypatch.setattr(Project, "setting", setting)
    for paper in PAPERS:
        if paper.settings is None or paper.name == "drawings":
            continue
        read.clear()
        with Project.open(folder, read_only=True) as project:
            paper.make(Context(project=project, choices=Choices()))
        assert read <= set(paper.settings), paper.name


#: A figure that stands on its own: in brackets, or after the first on a card of the saw, it is the second unit.
METRIC = re.compile(
    r"(?<![\w(.])\d[\d.,]*\s?(?:mm|cm|m²|m2|m³|m3|mL|L|kg|°C|m|N/mm²|kN/m²)\b|\bmetres?\b"
)
IMPERIAL = re.compile(
    r"(?<![\w(.,])(?<!, )\d[\d.,/]*\s?(?:in|ft|ft²|ft³|lb|gal|fl oz|°F|psi|psf)\b(?!\s[a-z])|\binch"
)


@pytest.mark.parametrize(
    ("profile", "units", "other"),
    [("metric", "inch", METRIC), ("inch", "mm", IMPERIAL)],
    ids=("inches", "millimetres"),
)
def test_papers_tell_every_figure_as_the_office_reads_whatever_it_was_planned_in(
    tmp_path: Path, profile: str, units: str, other: re.Pattern[str]
) -> None:
    made = desk_sample.make_project(tmp_path / "p", many=12, blocks=3)
    with Project.open(made) as project, project.edit(who="s", what="planned in") as edit:
        edit.set("profile", profile)
        for id in project.read("conditions")["id"]:
            edit.update("conditions", id, {"cause": "gutter", "cause_settled": True})
    plan_project(made)
    assert choose_units(made, units) == {"units": units}
    only = [
        *("tickets", "templates", "lists", "saw-plans", "records", "drawings", "quantities"),
        "job-sheets",
    ]
    result = make_papers(
        made, only=only, choices=Choices(paper="Letter", sheet="Tabloid", pictures=False)
    )
    assert not result.failed
    papers = sorted((made / "out").rglob("*.pdf"))
    assert len(papers) >= 8
    left, told = set(), ""
    for path in papers:
        for page in PdfReader(path).pages:
            bare = re.sub(r"\([^()]*\)", "", page.extract_text())
            told += bare
            left |= {f"{path.name}: {found[0]}" for found in other.finditer(bare)}
    assert not left
    if (
        units == "inch"
    ):  # a rod, a hole and a spacer have one size each: on the ticket, in what is brought, in the steps
        pages = [p.extract_text() for p in PdfReader(made / "out/cut-tickets.pdf").pages]
        for shape in (
            r"rods? ([\d /]+? in) \u00d7",
            r"(?:Hole|in deep,) ([\d /]+? in)(?:, rod| wide)",
            r"(?:spacers|top: 2 \u00d7) ([\d /]+? in)[ ;]",
        ):
            sizes = [set(re.findall(shape, " ".join(page.split()))) for page in pages]
            pairs = [(a, b) for a, b in zip(sizes[::2], sizes[1::2], strict=True) if a and b]
            assert pairs, shape
            assert all(b <= a for a, b in pairs), pairs
    assert (METRIC if other is IMPERIAL else IMPERIAL).search(told)  # and the pattern finds its own
