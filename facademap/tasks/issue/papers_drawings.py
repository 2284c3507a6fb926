"""The drawings of a project: a cover, and for every elevation its conditions, its repairs and what was built."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from facademap.report.cover_key import KeyWall
from facademap.report.drawing_content import Content, Kind
from facademap.report.drawing_title import SheetWords
from facademap.report.sheet_layout import Sheets
from facademap.tables.names import file_name
from facademap.tasks.issue.papers_context import Context

if TYPE_CHECKING:
    from facademap.report.cover_sheet import CoverRow

__all__ = [
    "COVER",
    "DRAWN",
    "cover_row",
    "drawing_names",
    "elevation_files",
    "is_drawn",
    "look_of",
    "make_drawings",
]

DRAWN = ("elevations", "surfaces", "wall_stones", "openings", "conditions", "repairs")
#: File of the cover.
COVER = "drawings/cover.pdf"


def drawing_names(context: Context) -> dict[str, tuple[Kind, str]]:
    """File of every drawing of the project, with its kind and elevation."""
    from facademap.report.drawing_content import DONE_STAGES

    stages = set(context.frame("repairs")["stage"])
    kinds: tuple[Kind, ...] = ("condition", "repair")
    if stages & DONE_STAGES:
        kinds = (*kinds, "as-built")
    return {
        f"drawings/{kind}-{name}.pdf": (kind, id)
        for id, name in elevation_files(context.drawn_elevations).items()
        for kind in kinds
    }


def make_drawings(context: Context) -> dict[str, bytes]:
    """The files of all drawings; while they are issued, those that become a new revision."""
    from facademap.report.cover_sheet import draw_cover
    from facademap.report.drawing_content import elevation_content
    from facademap.report.drawings import draw_sheets, write_drawing_pdf, write_drawing_svg
    from facademap.report.exchange import write_drawing_dxf
    from facademap.report.sheet_dxf import write_sheet_dxfs
    from facademap.report.sheet_layout import lay_out
    from facademap.tasks.issue.papers_change import change_on_cover
    from facademap.tasks.issue.papers_relief import relief_on_cover

    frames = context.frames(DRAWN)
    names = {e["id"]: e["name"] for e in context.drawn_elevations}
    files: dict[str, bytes] = {}
    rows: list[CoverRow] = []
    walls: dict[str, KeyWall] = {}
    covered = is_drawn(context, COVER)
    for file, (kind, elevation) in drawing_names(context).items():
        if not (covered or is_drawn(context, file)):
            continue
        content = elevation_content(frames, elevation, kind=kind, inches=context.inches)
        title = f"{kind.capitalize()} drawing, {names[elevation]}"
        look = look_of(context, file)
        plain = draw_sheets(content, **look)
        rows.append(cover_row(context, file, title, content, sheets=len(plain)))
        layout = lay_out(
            content.box, sheet=look["sheet"], scale=look["scale"], inches=context.inches
        )
        walls.setdefault(elevation, _key_wall(content, layout))
        if not is_drawn(context, file):
            continue
        picture = context.veiled_picture if context.choices.pictures else None
        files[file] = write_drawing_pdf(draw_sheets(content, picture=picture, **look), title=title)
        stem = file.removesuffix(".pdf")
        seen = [p for p in plain if ", schedule" not in p.title]
        for n, page in enumerate(seen, start=1):
            many = f"-{n}" if len(seen) > 1 else ""
            files[f"{stem}{many}.svg"] = write_drawing_svg(page)
        sheets = write_sheet_dxfs(content, seen, sheet=look["sheet"], scale=look["scale"])
        for n, data in enumerate(sheets, start=1):
            files[f"{stem}-{n}.dxf" if len(seen) > 1 else f"{stem}.dxf"] = data
        files[f"exchange/{stem.removeprefix('drawings/')}.dxf"] = write_drawing_dxf(content)
    if rows and covered:
        pages = draw_cover(
            [*rows, *relief_on_cover(context, DRAWN), *change_on_cover(context, DRAWN)],
            sheet=context.choices.sheet,
            words=look_of(context, COVER)["words"],
            buildings=[str(b) for b in frames["elevations"]["building"].dropna()],
            walls=tuple(walls.values()),
            inches=context.inches,
        )
        files[COVER] = write_drawing_pdf(pages, title="Cover of the drawings")
    return files


def _key_wall(content: Content, layout: Sheets) -> KeyWall:
    """The wall small, with the sheets that it takes where it takes several."""
    from facademap.report.match_lines import sheet_at

    places = [(c, r) for r in range(layout.rows) for c in range(layout.columns)]
    return KeyWall(
        name=content.elevation,
        box=content.box,
        stones=content.stones,
        openings=content.openings,
        windows=tuple((layout.window(*p), str(sheet_at(layout, *p))) for p in places)
        if len(places) > 1
        else (),
    )


def cover_row(
    context: Context, file: str, title: str, content: Content, *, sheets: int | None = None
) -> CoverRow:
    """A drawing as the cover of all drawings lists it.

    Parameters
    ----------
    context : Context
    file, title : str
    content : Content
    sheets : int, optional
        How many it takes, where they were drawn already.
    """
    from facademap.report.cover_sheet import CoverRow
    from facademap.report.drawings import draw_sheets
    from facademap.report.sheet_layout import lay_out

    look, issue = look_of(context, file), context.issue
    layout = lay_out(content.box, sheet=look["sheet"], scale=look["scale"], inches=context.inches)
    issued = issue.pages.get(file) if issue else None
    return CoverRow(
        number=issue.numbers.get(file, "") if issue else "",
        title=title,
        scale=layout.scale,
        sheets=issued or sheets or len(draw_sheets(content, **look)),
        facing_deg=content.facing_deg,
        elevation=content.elevation,
    )


def is_drawn(context: Context, file: str) -> bool:
    """Whether this run makes a file: while papers are issued, only what becomes a new revision.

    Parameters
    ----------
    context : Context
    file : str
    """
    issue = context.issue
    return issue is None or not issue.marks or file in issue.marks


def look_of(context: Context, file: str) -> dict[str, Any]:
    """Sheet, scale, words and clouds of a drawing.

    Parameters
    ----------
    context : Context
    file : str
    """
    issue = context.issue
    changed, gone = issue.changed.get(file, (None, ())) if issue else (None, ())
    words = SheetWords(
        project=context.name,
        # what is compared with the revision before tells of no edit
        revision="" if issue else context.revision(DRAWN),
        mark=issue.marks.get(file) if issue else None,
        gone=gone,
    )
    return {
        "sheet": context.choices.sheet,
        "scale": context.choices.scale,
        "words": words,
        "changed": changed or (),
    }


def elevation_files(elevations: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """File name of each elevation: its name in plain letters, with its id where two would be alike."""
    plain = {
        str(e["id"]): re.sub(r"[^A-Za-z0-9]+", "-", str(e["name"])).strip("-").lower()[:60]
        for e in elevations
    }
    words = list(plain.values())
    return {
        key: word if word and words.count(word) == 1 else f"{word}-{file_name(key)}".lstrip("-")
        for key, word in plain.items()
    }
