"""The relief of every elevation that has one, on drawing sheets and as drawings for other programs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from facademap.errors import FacademapError, InputError
from facademap.io.relief_files import read_relief
from facademap.relief.build import Relief
from facademap.relief.contours import contour_lines, nice_range
from facademap.relief.section import section_along
from facademap.report.cover_sheet import CoverRow
from facademap.report.drawing_content import Content, Panel
from facademap.report.drawing_relief import CutLine, ReliefLayer
from facademap.report.relief_picture import ReliefLook, shaded
from facademap.report.rows import rows_of
from facademap.tables.names import file_name
from facademap.tasks.issue.drawn_rows import digest_of
from facademap.tasks.issue.papers_cells import cells_as_picture
from facademap.tasks.issue.papers_context import Context
from facademap.tasks.issue.papers_drawings import cover_row, is_drawn, look_of
from facademap.tasks.survey.kept_reliefs import KeptRelief, reliefs_of, sections_of
from facademap.units import M_PER_INCH

__all__ = ["make_relief_drawings", "relief_on_cover", "relief_rows"]

Box = tuple[float, float, float, float]
#: Contours of finer steps lie too near together to be read; that many fit between the ends of the colours.
_CONTOURS_PER_STEP = 2


def make_relief_drawings(context: Context, tables: tuple[str, ...]) -> Mapping[str, bytes]:
    """Sheets and DXF of each elevation with a relief; nothing where no surface keeps one.

    Parameters
    ----------
    context : Context
    tables : tuple of str
        What the drawings are made from.
    """
    from facademap.report.drawings import draw_sheets, write_drawing_pdf, write_drawing_svg
    from facademap.report.exchange import write_drawing_dxf
    from facademap.report.section_picture import section_dxf

    files = dict[str, bytes]()
    for elevation, stem, content, reliefs in _contents(context, tables):
        if not is_drawn(context, f"{stem}.pdf") or content.relief is None:
            continue
        picture = _Pictures(reliefs, content.relief)
        look = look_of(context, f"{stem}.pdf")
        pages = draw_sheets(content, picture=picture if context.choices.pictures else None, **look)
        files[f"{stem}.pdf"] = write_drawing_pdf(pages, title=f"Relief, {elevation['name']}")
        for n, page in enumerate(pages, start=1):
            files[f"{stem}{f'-{n}' if len(pages) > 1 else ''}.svg"] = write_drawing_svg(page)
        files[f"{stem}.dxf"] = write_drawing_dxf(content)
        for cut in content.relief.cuts:
            files[f"{stem}-section-{file_name(cut.name)}.dxf"] = section_dxf(cut.section)
    return files


def relief_on_cover(context: Context, tables: tuple[str, ...]) -> list[CoverRow]:
    """The relief drawings as the cover of all drawings lists them.

    Parameters
    ----------
    context : Context
    tables : tuple of str
        What the drawings are made from.
    """
    return [
        cover_row(context, f"{stem}.pdf", _cover_title(elevation, content), content)
        for elevation, stem, content, _ in _contents(context, tables)
    ]


def _cover_title(elevation: Mapping[str, Any], content: Content) -> str:
    sections = " with sections" if content.relief and content.relief.cuts else ""
    return f"Relief{sections}, {elevation['name']}"


def _contents(
    context: Context, tables: tuple[str, ...]
) -> Iterator[tuple[Mapping[str, Any], str, Content, dict[str, Relief]]]:
    """Each elevation with a relief: its row, the stem of its files, what is drawn and the reliefs under it."""
    from facademap.report.drawing_content import elevation_content

    frames = context.frames(tables)
    for elevation in rows_of(frames["elevations"]):
        rows = [r for r in rows_of(frames["surfaces"]) if r["elevation"] == elevation["id"]]
        kept, reliefs = _reliefs(context, rows)
        if not reliefs:
            continue
        plain = elevation_content(
            _with_extents(frames, reliefs), elevation["id"], kind="relief", inches=context.inches
        )
        content = _with_relief(context, plain, rows, kept, reliefs)
        yield elevation, f"relief/relief-{file_name(elevation['id'])}", content, reliefs


def _reliefs(
    context: Context, surfaces: Sequence[Mapping[str, Any]]
) -> tuple[dict[str, KeptRelief], dict[str, Relief]]:
    """The newest relief of every surface, those that cannot be read named."""
    kept, found = dict[str, KeptRelief](), dict[str, Relief]()
    for row in surfaces:
        here = reliefs_of(row)
        if not here:
            continue
        try:
            grid, out_m, sigma_m = read_relief(context.project.place(here[-1].path))
        except FacademapError as error:
            context.warnings.append(f"surface {row['id']}: {error.problem}; {error.remedy}")
            continue
        if not np.isfinite(out_m).any():
            context.warnings.append(
                f"surface {row['id']}: nothing of its relief is known; make it again with more photos or a scan"
            )
            continue
        kept[str(row["id"])] = here[-1]
        found[str(row["id"])] = Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)
    return kept, found


def _with_extents(frames: Mapping[str, Any], reliefs: Mapping[str, Relief]) -> dict[str, Any]:
    """A surface on which nothing is outlined is as large as its relief."""
    surfaces = frames["surfaces"].copy()
    drawn = {
        str(id)
        for name in ("wall_stones", "openings", "conditions", "repairs")
        for id in frames[name]["surface"]
    }
    shapes = [
        shapely.box(*reliefs[id].grid.extent.as_tuple())
        if (shape is None or shape.is_empty) and id in reliefs and id not in drawn
        else shape
        for id, shape in zip(surfaces["id"].astype(str), surfaces.geometry, strict=True)
    ]
    return {**frames, "surfaces": surfaces.set_geometry(shapes)}


def _with_relief(
    context: Context,
    content: Content,
    surfaces: Sequence[Mapping[str, Any]],
    kept: Mapping[str, KeptRelief],
    reliefs: Mapping[str, Relief],
) -> Content:
    panels = {p.surface: p for p in content.panels if p.surface in reliefs}
    values = [r.out_m[np.isfinite(r.out_m)] for r in reliefs.values()]
    low, high, step = nice_range(np.concatenate(values), inches=context.inches)
    every = step / _CONTOURS_PER_STEP
    contours = [
        (line.out_m, line.line_m + np.array(panel.shift))
        for id, panel in panels.items()
        for line in contour_lines(reliefs[id], every)
    ]
    cuts = [
        cut
        for row in surfaces
        if (panel := panels.get(str(row["id"]))) is not None
        for cut in _cuts(context, row, panel, reliefs[panel.surface])
    ]
    notes = tuple(_note(panels[id].name, kept[id], reliefs[id], context.inches) for id in panels)
    layer = ReliefLayer(
        ends_m=(low, high, step),
        every_m=every,
        contours=contours,
        cuts=cuts,
        known_share=sum(len(v) for v in values) / sum(r.out_m.size for r in reliefs.values()),
        told=notes,
    )
    return replace(content, relief=layer, notes=(*notes, *content.notes))


def _cuts(context: Context, row: Mapping[str, Any], panel: Panel, relief: Relief) -> list[CutLine]:
    found = []
    for name, (u0, v0, u1, v1) in sections_of(row):
        try:
            section = section_along(relief, (u0, v0), (u1, v1))
        except InputError as error:
            context.warnings.append(
                f"section {name} of {row['id']}: {error.problem}; {error.remedy}"
            )
            continue
        ends = np.array([[u0, v0], [u1, v1]]) + np.array(panel.shift)
        found.append(CutLine(name=name, ends_m=ends, section=section))
    return found


def _note(name: str, kept: KeptRelief, relief: Relief, inches: bool) -> str:
    sigma = float(np.median(relief.sigma_m[np.isfinite(relief.out_m)]))
    unit, word = (M_PER_INCH, "in") if inches else (0.001, "mm")
    day = f" of {kept.taken_on}" if kept.taken_on else ""
    said = f" It was {kept.note}." if kept.note else ""
    return (
        f"{name}: relief of survey {kept.survey}{day}, from {_from(kept)}, "
        f"cells of {relief.grid.gsd_m / unit:.2g} {word}, standard deviation {sigma / unit:.2g} {word} (median).{said}"
    )


def _from(kept: KeptRelief) -> str:
    """What a relief was measured with; of both, how far they differed."""
    told = kept.told.get("scan")
    if kept.source != "photos and scan" or not isinstance(told, Mapping):
        return "a scan" if kept.source == "scan" else "photos"
    if not told["joined"]:
        return "photos; a scan that contradicts them as a whole was left out"
    return (
        f"photos ({told['photos_share']:.0%} of the cells) and a scan ({told['scan_share']:.0%}), which contradict each "
        f"other in {told['beyond_share']:.0%} of the cells known in both"
    )


class _Pictures:
    """The relief under the lines: the cells of a box, shaded and coloured by depth."""

    def __init__(self, reliefs: Mapping[str, Relief], layer: ReliefLayer) -> None:
        self._reliefs, self._ends = reliefs, layer.ends_m

    def __call__(self, surface: str, box: Box, most_px: int) -> tuple[bytes, Box] | None:
        relief = self._reliefs.get(surface)
        if relief is None:
            return None
        low, high, _ = self._ends
        cell = relief.grid.gsd_m

        def paint(part: tuple[slice, slice], thin: int) -> Any:
            return shaded(relief.out_m[part], cell * thin, low, high, ReliefLook())

        return cells_as_picture(relief.grid, paint, box, most_px)


def relief_rows(context: Context, file: str) -> dict[str, str]:
    """Digest of each relief and section that a drawing shows, by its name there.

    Parameters
    ----------
    context : Context
    file : str
        Name of the drawing in the folder of papers.
    """
    frames, found = context.frames(("elevations", "surfaces")), dict[str, str]()
    for elevation in rows_of(frames["elevations"]):
        if file != f"relief/relief-{file_name(elevation['id'])}.pdf":
            continue
        for row in rows_of(frames["surfaces"]):
            kept = reliefs_of(row) if row["elevation"] == elevation["id"] else []
            if not kept:
                continue
            told = kept[-1].told
            found[str(row["id"])] = digest_of(f"{kept[-1].survey} {told.get('sha256')}", None)
            for name, line in sections_of(row):
                found[f"section {name}"] = digest_of(f"{row['id']} {line}", None)
    return found
