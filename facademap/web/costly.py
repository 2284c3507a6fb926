"""The costly answers of the desk: each a plain function of tools and values, so that a process of its own can make it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shapely.geometry import mapping

from facademap.condition.coursing import Judged
from facademap.store.changes import changed_elsewhere, newest_change
from facademap.store.project import Project
from facademap.tasks.desk.assist import Assistant
from facademap.tasks.desk.pictures import Pictures

__all__ = ["SLOW", "TASKS", "TITLES", "Tools", "read_ahead"]


#: What is drawn and recorded all day, and has no part in how well a block serves.
NOT_RANKED = frozenset(
    {"conditions", "openings", "elevations", "control_points", "observations", "reviews"}
)
MOST_KEPT = 400


@dataclass(slots=True, kw_only=True)
class Kept:
    """Answers that hold until something is changed in another table than those of ``apart_from``."""

    apart_from: frozenset[str]
    seq: int = -1
    answers: dict[str, Any] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def of(self, project: Project, name: str, make: Callable[[], Any]) -> Any:
        """The answer of that name, kept or made."""
        with self.lock:
            newest = newest_change(project)
            # another file may stand there after a copy was put back
            if newest < self.seq or changed_elsewhere(project, self.seq, than=self.apart_from):
                self.answers.clear()
            self.seq = newest
            if name not in self.answers:
                if len(self.answers) >= MOST_KEPT:
                    self.answers.clear()
                # what changes while it is made is asked about by the number taken before
                self.answers[name] = make()
            return self.answers[name]


@dataclass(slots=True, kw_only=True)
class Tools:
    """What the answers are made with.

    Parameters
    ----------
    folder : Path
        Project.
    reading : callable
        Gives the project, open for reading.
    pictures : Pictures
    assistant : Assistant
    """

    folder: Path
    reading: Callable[[], Project]
    pictures: Pictures
    assistant: Assistant = field(default_factory=Assistant)
    rankings: Kept = field(default_factory=lambda: Kept(apart_from=NOT_RANKED))
    problems: Kept = field(default_factory=lambda: Kept(apart_from=NOT_RANKED))


def read_ahead() -> None:
    """Load what the answer that is asked most often needs."""
    import facademap.tasks.desk.match  # noqa: F401


def _ranking(tools: Tools, *, repair: str) -> Any:
    from facademap.tasks.desk.match import rank_blocks
    from facademap.tasks.match.match import load_problem

    project = tools.reading()

    def make() -> Any:
        # all repairs of a project are ranked from the same tables
        problem = tools.problems.of(project, "problem", lambda: load_problem(project))
        return rank_blocks(project, repair, table_problem=problem)

    return tools.rankings.of(project, repair, make)


def _insist(tools: Tools, *, repair: str, block: str) -> Any:
    from facademap.tasks.match.explain import insist

    return insist(tools.reading(), repair, block)


def _compare(tools: Tools, *, first: str, second: str) -> Any:
    from facademap.tasks.match.matching_plans import compare_stored_plans

    return compare_stored_plans(tools.reading(), first, second)


def _in_wall(tools: Tools, **given: Any) -> bytes:
    from facademap.tasks.desk.inwall import piece_in_wall

    return piece_in_wall(tools.reading(), tools.pictures, **given)


def _face(tools: Tools, *, photo: str, **given: Any) -> Any:
    from facademap.tasks.desk.face import measure_face

    return measure_face(tools.reading(), photo, **given)


def _assist(tools: Tools, *, kind: str, **given: Any) -> Any:
    project = tools.reading()
    if kind == "course":
        return _course_json(tools.assistant.propose_course(project, tools.pictures, **given))
    if kind == "damage":
        return tools.assistant.propose_damage(project, tools.pictures, **given)
    found = tools.assistant.propose(project, tools.pictures, kind, **given)
    return {"geometry": found[0] if found else None, "geometries": found}


def _course_json(judged: Judged) -> dict[str, Any]:
    plain = [dict(mapping(p.geometry)) for p in judged.proposals]
    return {
        "geometries": plain,
        "proposals": [
            {
                "geometry": geometry,
                "course": p.course,
                "number": p.number,
                "origin": "assisted",
                "doubts": list(p.doubts),
            }
            for geometry, p in zip(plain, judged.proposals, strict=True)
        ],
        "left_out": [
            {"geometry": dict(mapping(o.geometry)), "why": o.why} for o in judged.left_out
        ],
    }


def _check(tools: Tools, *, fast: bool) -> Any:
    from facademap.tasks.project.check import check_project

    found = check_project(tools.folder, fast=fast)
    return {k: found[k] for k in ("findings", "faults", "warnings")}


def _papers(tools: Tools) -> Any:
    from facademap.tasks.desk.papers import list_papers, papers_now

    listed = list_papers(tools.folder)
    return {
        "papers": listed,
        "stale": sum(p["state"] != "current" for p in listed),
        "register": papers_now(tools.folder)[1],
    }


def _paper_numbered(tools: Tools, *, number: str) -> Any:
    from facademap.tasks.desk.papers import paper_numbered

    return paper_numbered(tools.folder, number)


def _papers_page(tools: Tools, *, asked: str = "") -> str:
    from facademap.tasks.desk.papers import page_of_papers

    return page_of_papers(tools.folder, asked)


def _papers_asked(tools: Tools, *, words: str = "") -> Any:
    from facademap.tasks.desk.papers import asked_about

    return _answers(asked_about(tools.folder, words) if words.strip() else [])


def _papers_pictured(tools: Tools, *, path: Path) -> Any:
    from facademap.tasks.desk.papers import asked_by_picture

    words, answers = asked_by_picture(tools.folder, path)
    return {"words": words, **_answers(answers)}


def _answers(answers: Sequence[Any]) -> dict[str, Any]:
    return {"answers": [{"what": a.what, "state": a.state, "says": a.says} for a in answers]}


def _ticket(tools: Tools, *, repair: str) -> bytes:
    from facademap.tasks.desk.papers import ticket_svg

    return ticket_svg(tools.reading(), repair)


def _decode(tools: Tools, *, path: Path) -> Any:
    from facademap.tasks.desk.photos import decode_arrived

    return decode_arrived(path)


#: Every answer that is made apart, by name.
TASKS: Mapping[str, Callable[..., Any]] = {
    "ranking": _ranking,
    "what-if": _insist,
    "compare": _compare,
    "in-wall": _in_wall,
    "face": _face,
    "assist": _assist,
    "check": _check,
    "papers": _papers,
    "paper": _paper_numbered,
    "papers-page": _papers_page,
    "papers-asked": _papers_asked,
    "papers-pictured": _papers_pictured,
    "ticket": _ticket,
    "photo": _decode,
}
#: In words, for people who look at what the server does.
TITLES: Mapping[str, str] = {
    "ranking": "rank the blocks for a repair",
    "what-if": "solve the plan anew with one block given",
    "compare": "compare two plans",
    "in-wall": "show a piece in the wall",
    "face": "measure a face",
    "assist": "propose an outline",
    "check": "check the project",
    "papers": "look which papers hold",
    "paper": "look a paper up",
    "papers-page": "write the page of papers",
    "papers-asked": "look up a sheet",
    "papers-pictured": "read the code of a sheet",
    "ticket": "draw a ticket",
    "photo": "decode a photo",
}
#: These take many seconds; the others do not wait behind them.
SLOW = frozenset({"what-if", "check"})
