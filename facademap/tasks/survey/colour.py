"""Calibrate the colours of one photo from patches of known colour."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from facademap.io.patch_files import read_chart_table, read_patches, write_lab
from facademap.io.picked_pixels import upright_place
from facademap.io.pictures import read_picture_info
from facademap.io.plain_pictures import read_rgb
from facademap.photo.chart import (
    ChartTable,
    PatchReading,
    find_chart,
    read_chart,
    read_patch,
    reference_chart,
)
from facademap.photo.colour import ColourCorrection, fit_correction
from facademap.photo.lab import difference_ciede2000

__all__ = ["calibrate_photo", "calibrate_photo_by_chart"]


def calibrate_photo(
    photo: Path,
    patches: Path,
    *,
    out: Path | None = None,
    linear: bool = False,
    chart: str = "",
    stored_pixels: bool = False,
) -> tuple[ColourCorrection, dict[str, Any]]:
    """Fit the colour correction of a photo and write the CIELAB D50 of every patch.

    Parameters
    ----------
    photo : Path
        Picture of 8 or 16 bits.
    patches : Path
        Table ``name,x_px,y_px,half_px,role,L,a,b``.
    out : Path, optional
        Table ``name,L,a,b`` to write.
    linear : bool
        Whether the picture's values are already proportional to light.
    chart : str
        Chart and edition of the reference values, recorded in the report.
    stored_pixels : bool
        The patches were picked in the stored picture, before the turn that its EXIF asks for.

    Returns
    -------
    ColourCorrection, dict
        The correction and its report.
    """
    turn = read_picture_info(photo).turn
    rows = read_patches(patches, turn=turn, stored_pixels=stored_pixels)
    picture = read_rgb(photo)
    readings = [
        read_patch(
            picture,
            name=r.name,
            x_px=r.x_px,
            y_px=r.y_px,
            half_px=r.half_px,
            role=r.role,
            lab=r.lab,
            linear=linear,
        )
        for r in rows
    ]
    return _calibrated(readings, out=out, linear=linear, chart=chart)


def calibrate_photo_by_chart(
    photo: Path,
    table: str,
    *,
    corners_px: list[tuple[float, float]] | None = None,
    stored_pixels: bool = False,
    out: Path | None = None,
    linear: bool = False,
) -> tuple[ColourCorrection, dict[str, Any]]:
    """Fit the colour correction of a photo with a chart in it.

    Parameters
    ----------
    photo : Path
        Picture of 8 or 16 bits.
    table : str
        Name of a reference table of colour-science, which states the edition, or path of a table of
        one's own (``name,row,column,L,a,b``, CIELAB D50).
    corners_px : list of (float, float), optional
        Middles of the first patch, the last of the first row, the last patch and the first of the last
        row; without them the chart is looked for.
    stored_pixels : bool
        The corners are those of the stored picture, before the turn that its EXIF asks for.
    out : Path, optional
        Table ``name,L,a,b`` to write.
    linear : bool

    Returns
    -------
    ColourCorrection, dict
        The correction and its report.
    """
    reference = _chart_table(table)
    picture = read_rgb(photo)
    if corners_px is None:
        eight = picture if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8)
        corners = find_chart(eight, reference)
    else:
        turn = read_picture_info(photo).turn
        corners = np.array([upright_place(c, turn, stored=stored_pixels) for c in corners_px])
    readings = read_chart(picture, corners, reference, linear=linear)
    correction, report = _calibrated(readings, out=out, linear=linear, chart=reference.title)
    return correction, {**report, "corners_px": corners.tolist()}


def _chart_table(table: str) -> ChartTable:
    if Path(table).suffix.lower() in (".csv", ".tsv", ".txt", ".xlsx", ".ods"):
        return read_chart_table(Path(table))
    return reference_chart(table)


def _calibrated(
    readings: list[PatchReading], *, out: Path | None, linear: bool, chart: str
) -> tuple[ColourCorrection, dict[str, Any]]:
    correction, report = fit_correction(readings, linear=linear, chart=chart)
    lab = correction.lab(
        np.array([r.rgb for r in readings]),
        x_px=np.array([r.x_px for r in readings]),
        y_px=np.array([r.y_px for r in readings]),
    )
    if out is not None:
        write_lab(out, zip([r.name for r in readings], lab, strict=True))
    patch_report = [
        {
            "name": r.name,
            "role": r.role,
            "clipped": r.clipped,
            "L": values[0],
            "a": values[1],
            "b": values[2],
            "de00": None if r.lab is None else float(difference_ciede2000(r.lab, values)),
        }
        for r, values in zip(readings, lab, strict=True)
    ]
    return correction, {**asdict(report), "linear": linear, "patches": patch_report}
