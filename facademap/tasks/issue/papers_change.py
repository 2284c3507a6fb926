"""What changed between the two newest surveys of every surface: a drawing, a page and tables, numbered as other papers are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from facademap.condition.glossary import Hatch
from facademap.condition.signs import weight_of_class
from facademap.errors import FacademapError
from facademap.report.change_page import (
    ChangeRow,
    agreement,
    change_colours,
    change_page,
    change_png,
)
from facademap.report.cover_sheet import CoverRow
from facademap.report.drawing_change import ChangeScale
from facademap.report.drawing_content import Content, Group, Panel
from facademap.report.measures import METRIC, Measures
from facademap.report.rows import rows_of
from facademap.tables.names import file_name
from facademap.tasks.issue.papers_cells import Box, cells_as_picture
from facademap.tasks.issue.papers_context import Context
from facademap.tasks.issue.papers_drawings import cover_row, is_drawn, look_of
from facademap.tasks.survey.compare_surveys import (
    SurveysCompared,
    change_table,
    compared,
    newest_surveys,
)

__all__ = ["change_on_cover", "change_rows", "make_change_papers"]

_HEADING = "What became of it"
#: Colour and hatch of each fate, told apart without colour as well.
_SIGNS: Mapping[str, tuple[str, Hatch]] = {
    "new": ("#a3123a", Hatch(angles_deg=(45.0, 135.0), spacing_mm=2.4)),
    "grown": ("#a3123a", Hatch(angles_deg=(45.0,), spacing_mm=1.8)),
    "split": ("#a85b00", Hatch(angles_deg=(0.0,), spacing_mm=1.8)),
    "merged": ("#a85b00", Hatch(angles_deg=(90.0,), spacing_mm=1.8)),
    "regrouped": ("#a85b00", Hatch(angles_deg=(0.0, 90.0), spacing_mm=2.4)),
    "shrunk": ("#1f6b3a", Hatch(angles_deg=(135.0,), spacing_mm=1.8)),
    "gone": ("#1f6b3a", Hatch(spacing_mm=1.8)),
    "repaired": ("#1f6b3a", Hatch(angles_deg=(0.0,), spacing_mm=2.8, dash_mm=(2.0, 1.0))),
    "same": ("#4a4f57", Hatch(spacing_mm=3.0)),
    "first drawn": ("#4a4f57", Hatch(spacing_mm=3.0)),
}


def make_change_papers(context: Context, tables: tuple[str, ...]) -> Mapping[str, bytes]:
    """A drawing, a page and a table of each elevation with two surveys; nothing where there is none.

    Parameters
    ----------
    context : Context
    tables : tuple of str
        What they are made from.
    """
    from facademap.report.drawings import draw_sheets, write_drawing_pdf, write_drawing_svg
    from facademap.report.exchange import write_drawing_dxf

    files, say = dict[str, bytes](), Measures(context.inches)
    for elevation, stem, content, found in _contents(context, tables):
        if not is_drawn(context, f"{stem}.pdf"):
            continue
        look = look_of(context, f"{stem}.pdf")
        cells = {
            id: (done.change.difference.grid, change_colours(done.change))
            for id, (_, done) in found.items()
            if done.change is not None
        }

        def picture(surface: str, box: Box, most_px: int, cells: Any = cells) -> Any:
            if surface not in cells:
                return None
            grid, rgb = cells[surface]
            return cells_as_picture(grid, lambda part, _: rgb[part], box, most_px)

        pages = draw_sheets(content, picture=picture if context.choices.pictures else None, **look)
        title = _title(elevation)
        files[f"{stem}.pdf"] = write_drawing_pdf(pages, title=title)
        seen = [p for p in pages if ", schedule" not in p.title]
        for n, page in enumerate(seen, start=1):
            files[f"{stem}{f'-{n}' if len(seen) > 1 else ''}.svg"] = write_drawing_svg(page)
        files[f"{stem}.dxf"] = write_drawing_dxf(content)
        for id, (surveys, done) in found.items():
            own = f"{stem}-{file_name(id)}"
            files[f"{own}.csv"] = change_table(done.rows).encode()
            files[f"{own}.html"] = change_page(
                f"{id}: survey {surveys[0]} to {surveys[1]}",
                done.rows,
                change=done.change,
                years=done.years,
                warnings=done.warnings,
                picture=None
                if done.change is None
                else change_png(done.change, [r.pair for r in done.rows], say=say),
                say=say,
            ).encode()
    return files


def change_on_cover(context: Context, tables: tuple[str, ...]) -> list[CoverRow]:
    """The drawings of change as the cover of all drawings lists them.

    Parameters
    ----------
    context : Context
    tables : tuple of str
        What the drawings are made from.
    """
    return [
        cover_row(context, f"{stem}.pdf", _title(elevation), content)
        for elevation, stem, content, _ in _contents(context, tables)
    ]


def _title(elevation: Mapping[str, Any]) -> str:
    return f"Change between surveys, {elevation['name']}"


def _contents(
    context: Context, tables: tuple[str, ...]
) -> Iterator[
    tuple[Mapping[str, Any], str, Content, dict[str, tuple[tuple[str, str], SurveysCompared]]]
]:
    """Each elevation with two surveys: its row, the stem of its files, what is drawn and what was compared."""
    from facademap.report.drawing_content import elevation_content

    frames = context.frames(tables)
    for elevation in rows_of(frames["elevations"]):
        id = str(elevation["id"])
        if id not in context.compared:
            context.compared[id] = _compared(context, frames, id)
        if found := context.compared[id]:
            plain = elevation_content(frames, id, kind="change", inches=context.inches)
            content = _with_changes(plain, found, Measures(context.inches))
            yield elevation, f"change/change-{file_name(id)}", content, found


def _compared(
    context: Context, frames: Mapping[str, Any], elevation: str
) -> dict[str, tuple[tuple[str, str], SurveysCompared]]:
    """The two newest surveys of every surface, those that cannot be compared named."""
    found = {}
    for row in rows_of(frames["surfaces"]):
        if row["elevation"] != elevation:
            continue
        id, conditions = str(row["id"]), frames["conditions"]
        surveys = newest_surveys(row, rows_of(conditions[conditions["surface"] == row["id"]]))
        if surveys is None:
            continue
        try:
            found[id] = surveys, compared(context.project, id, surveys)
        except FacademapError as error:
            context.warnings.append(
                f"surface {id}, surveys {surveys[0]} and {surveys[1]}: {error.problem}; {error.remedy}"
            )
    return found


def _with_changes(
    content: Content,
    found: Mapping[str, tuple[tuple[str, str], SurveysCompared]],
    say: Measures,
) -> Content:
    panels = {p.surface: p for p in content.panels}
    rows = [
        (panels[id], row) for id, (_, done) in found.items() if id in panels for row in done.rows
    ]
    fates = [f for f in _SIGNS if any(r.pair.fate == f for _, r in rows)]
    differences = [d.change.difference.out_m for _, d in found.values() if d.change is not None]
    notes = tuple(
        say.sentence(n) for id, (surveys, done) in found.items() for n in _notes(id, surveys, done)
    )
    cells = sum(d.size for d in differences)
    known = sum(int(np.isfinite(d).sum()) for d in differences)
    return replace(
        content,
        groups=tuple(_group(f, [(p, r) for p, r in rows if r.pair.fate == f], say) for f in fates),
        change=ChangeScale(known_share=known / cells) if cells else None,
        notes=(*notes, *content.notes),
    )


def _notes(id: str, surveys: tuple[str, str], done: SurveysCompared) -> Sequence[str]:
    between = "" if done.years is None else f", {done.years:.1f} years apart"
    first = f"{id}: survey {surveys[1]} against {surveys[0]}{between}. Depth: mean over both outlines, with plus or minus at 95 %."
    if done.change is not None:
        first += f" In brackets: not told from none. {agreement(done.change, METRIC)}"
    return [first, *(f"{w[:1].upper()}{w[1:]}." for w in done.warnings)]


def _group(fate: str, rows: Sequence[tuple[Panel, ChangeRow]], say: Measures) -> Group:
    colour, hatch = _SIGNS[fate]
    shapes = np.empty(len(rows), dtype=object)
    for k, (panel, row) in enumerate(rows):
        shapes[k] = shapely.transform(row.pair.shape, lambda c, s=panel.shift: c + s)
    ids = [name_of(row) for _, row in rows]
    return Group(
        name=fate,
        short="",
        heading=_HEADING,
        colour=colour,
        hatch=hatch,
        shapes=shapes,
        labels=ids,
        weights_mm=np.array([weight_of_class(2 if r.more_urgent else 1) for _, r in rows]),
        proposed=np.zeros(len(rows), bool),
        area_m2=float(sum(r.pair.shape.area for _, r in rows if r.pair.unit == "m2")),
        length_m=float(sum(r.pair.size_new for _, r in rows if r.pair.unit == "m")),
        ids=ids,
        classes=[_depth(row, say) for _, row in rows],
        told=[_said(row) for _, row in rows],
        sizes=[_size(row, say) for _, row in rows],
    )


def name_of(row: ChangeRow) -> str:
    """What a pair is called on the drawing: the newer numbers, else the older ones."""
    names = row.pair.new or row.pair.old
    return names[0] if len(names) == 1 else f"{names[0]} +{len(names) - 1}"


def _depth(row: ChangeRow, say: Measures) -> str:
    patch = row.patch
    if patch is None:
        return "not known"
    told = f"{say.signed(patch.mean_change_m)} ± {say.error(patch.plus_minus_95_m)}"
    told = told.replace(f" {say.unit}", "")
    return told if patch.significant else f"({told})"


def _size(row: ChangeRow, say: Measures) -> str:
    pair = row.pair
    if not pair.unit:
        return "place"
    told_as = say.patch if pair.unit == "m2" else say.run
    now = told_as(pair.size_new if pair.new else pair.size_old)
    if pair.fate in ("first drawn", "new", "gone", "repaired", "same"):
        return now
    return f"{told_as(pair.size_old)} to {now}"


def _said(row: ChangeRow) -> str:
    parts = [row.term, row.pair.fate]
    if row.more_urgent:
        parts.append("grows fast, more urgent")
    if row.colour.changed:
        parts.append(f"colour {row.colour.words}")
    return ", ".join((*parts, *row.pair.classes))


def change_rows(context: Context, file: str) -> dict[str, str]:
    """Digest of what the drawing shows of each pair, by its name there, so that the next revision can tell what changed.

    Parameters
    ----------
    context : Context
    file : str
        Name of the drawing in the folder of papers.
    """
    from facademap.tasks.issue.drawn_rows import digest_of

    frames, say = context.frames(("elevations", "surfaces", "conditions")), Measures(False)
    for elevation in rows_of(frames["elevations"]):
        if file == f"change/change-{file_name(elevation['id'])}.pdf":
            found = _compared(context, frames, str(elevation["id"]))
            return {
                name_of(row): digest_of(f"{_said(row)} {_depth(row, say)}", row.pair.shape)
                for _, done in found.values()
                for row in done.rows
            }
    return {}
