"""Use case: a relief to look at, as a picture, a layer for a GIS, and a section along a line."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.io.rasters import write_elevation
from facademap.io.relief_files import read_relief
from facademap.io.whole_files import check_writable, write_whole
from facademap.relief.build import Relief
from facademap.relief.section import Section, section_along
from facademap.report.relief_picture import ReliefLook, relief_colours, relief_png
from facademap.report.section_picture import section_csv, section_dxf, section_png
from facademap.store.project import Project
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.kept_reliefs import reliefs_of
from facademap.wall.world import wall_crs

__all__ = ["ReliefShown", "show_relief"]

_WINDOW = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefShown:
    """What was shown.

    Parameters
    ----------
    title : str
    section : Section or None
    """

    title: str
    section: Section | None


def show_relief(
    source: Path,
    *,
    surface: str | None = None,
    survey: str | None = None,
    look: ReliefLook,
    out: Path | None = None,
    geotiff: Path | None = None,
    line_m: tuple[float, float, float, float] | None = None,
    section_out: Path | None = None,
) -> ReliefShown:
    """Draw a relief.

    Parameters
    ----------
    source : Path
        Project, or a relief (GeoTIFF).
    surface, survey : str, optional
        Of a project: which surface, and which survey (default: the newest).
    look : ReliefLook
    out : Path, optional
        PNG with legend.
    geotiff : Path, optional
        Colours in the frame of the wall, for a GIS.
    line_m : tuple of float, optional
        Ends of a section: u0, v0, u1, v1.
    section_out : Path, optional
        ``.png``, ``.csv`` or ``.dxf``.

    Raises
    ------
    FacademapError
    """
    for path in (out, geotiff, section_out):
        check_writable(path)
    if (line_m is None) != (section_out is None):
        raise InputError("--section and --section-out belong together", "Give both, or neither.")
    if look.contours_m is not None and not (math.isfinite(look.contours_m) and look.contours_m > 0):
        raise InputError("a step of contours that is not above 0", "Give one such as 5 mm.")
    if section_out is not None and section_out.suffix.lower() not in _SECTIONS:
        raise InputError(
            f"a section as {section_out.suffix or 'a file without a kind'}",
            f"Name it {', '.join(_SECTIONS)}.",
        )
    path, title = (source, source.stem) if source.is_file() else _kept(source, surface, survey)
    grid, out_m, sigma_m = read_relief(path)
    relief = Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)
    section = None if line_m is None else section_along(relief, line_m[:2], line_m[2:])
    if out is not None:
        write_whole(out, relief_png(relief, title=title, look=look))
    if geotiff is not None:
        rgb, mask = relief_colours(relief, look)
        write_elevation(
            geotiff, grid, _windows(grid, rgb, mask), crs_wkt=wall_crs(title, path.stem)
        )
    if section is not None and section_out is not None:
        write_whole(section_out, _section(section, section_out, title, look.inches))
    return ReliefShown(title=title, section=section)


_SECTIONS = (".png", ".csv", ".dxf")


def _section(section: Section, path: Path, title: str, inches: bool) -> bytes | str:
    kind = path.suffix.lower()
    if kind == ".csv":
        return section_csv(section)
    if kind == ".dxf":
        return section_dxf(section)
    (u0, v0), (u1, v1) = section.place_m[0], section.place_m[-1]
    where = f"{title}, section from u {u0:.2f}, v {v0:.2f} to u {u1:.2f}, v {v1:.2f} m"
    return section_png(section, title=where, inches=inches)


def _windows(grid: Any, rgb: Any, mask: Any) -> Iterator[tuple[Any, Any, Any]]:
    for window in grid.windows(_WINDOW):
        part = np.s_[
            window.row : window.row + window.height, window.column : window.column + window.width
        ]
        yield window, np.ascontiguousarray(rgb[part]), np.ascontiguousarray(mask[part])


def _kept(folder: Path, surface: str | None, survey: str | None) -> tuple[Path, str]:
    with Project.open(folder, read_only=True) as project:
        name = surface_of(project, surface)
        kept = reliefs_of(project.row("surfaces", name))
        chosen = [k for k in kept if survey in (None, k.survey)]
        if not chosen:
            known = ", ".join(k.survey for k in kept)
            raise InputError(
                f"surface {name} has no relief{f' of survey {survey}' if survey else ''}",
                f"Give one of {known}." if known else "Make one with facademap relief PROJECT.",
            )
        one = chosen[-1]
        day = f" of {one.taken_on}" if one.taken_on else ""
        said = f" ({one.note})" if one.note else ""
        return project.place(one.path), f"{name}, relief of survey {one.survey}{day}{said}"
