"""Calibrate the colours of one photo from patches of known colour."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from facademap.io.patch_files import read_patches, write_lab
from facademap.io.plain_pictures import read_rgb
from facademap.photo.chart import read_patch
from facademap.photo.colour import ColourCorrection, fit_correction
from facademap.photo.lab import difference_ciede2000

__all__ = ["calibrate_photo"]


def calibrate_photo(
    photo: Path, patches: Path, *, out: Path | None = None, linear: bool = False, chart: str = ""
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

    Returns
    -------
    ColourCorrection, dict
        The correction and its report.
    """
    rows = read_patches(patches)
    picture = read_rgb(photo)
    readings = [
        read_patch(picture, name=r.name, x_px=r.x_px, y_px=r.y_px, half_px=r.half_px, role=r.role, lab=r.lab,
                   linear=linear)
        for r in rows
    ]
    correction, report = fit_correction(readings, linear=linear, chart=chart)
    lab = correction.lab(np.array([r.rgb for r in readings]), x_px=np.array([r.x_px for r in readings]),
                         y_px=np.array([r.y_px for r in readings]))
    if out is not None:
        write_lab(out, zip([r.name for r in rows], lab, strict=True))
    patch_report = [
        {"name": r.name, "role": r.role, "clipped": r.clipped, "L": values[0], "a": values[1], "b": values[2],
         "de00": None if r.lab is None else float(difference_ciede2000(r.lab, values))}
        for r, values in zip(readings, lab, strict=True)
    ]
    return correction, {**asdict(report), "linear": linear, "patches": patch_report}
