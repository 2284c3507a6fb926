"""The papers of a survey: accuracy and residuals of every surface, its control as a drawing, the photos at a glance."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFont

from facademap.errors import FileError, InputError
from facademap.io.pictures import read_picture
from facademap.io.whole_files import make_folder, write_whole
from facademap.photo.accuracy import AccuracyRules, few_checks_warning, finest_scale
from facademap.photo.control import ControlPoints
from facademap.photo.residual_drawing import PointResiduals, draw_residuals_svg
from facademap.report.cut_dxf import dxf_bytes, new_drawing
from facademap.report.proof_words import accuracy_words, in_inches, proved_error_m
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tables.names import file_name
from facademap.tasks.plan.reading import reads_inches
from facademap.tasks.survey.kept_reliefs import reliefs_of
from facademap.wall.grid import Extent

__all__ = ["make_survey_report"]

#: Contact sheet: photos across, size of a picture and height of its words (settings).
ACROSS, THUMB_PX, WORDS_PX = 4, 380, 48
#: Of a photo placed by its host, or by no more control than fits anything.
NO_RESIDUALS = "no residuals that say anything"
#: Layers of the drawing of the control: colour index and meaning.
_LAYERS = {
    "CONTROL": (5, "Control points, used in the fit"),
    "CHECK": (30, "Check points, kept apart"),
    "ELEVATION": (8, "Edge of the elevation"),
}


def make_survey_report(folder: str | Path, *, out: Path | None = None) -> dict[str, Any]:
    """Write the papers of a survey from what the last elevations left in the project.

    Parameters
    ----------
    folder : path
        Project.
    out : Path, optional
        Default: the project's folder ``out``.

    Returns
    -------
    dict
        ``files``: names written; ``surfaces``: for each its RMSE, check points, drawing scale and warnings, in words of
        inches where the project reads inches; ``inches``: whether it does.

    Raises
    ------
    InputError
        No elevation has been made.
    """
    with Project.open(folder, read_only=True) as project:
        tables = {
            n: project.read(n) for n in ("surfaces", "photos", "control_points", "observations")
        }
        target = out or project.place("out")
        inches = reads_inches(project)
        made = tables["surfaces"][
            [not is_missing(r) and "photos" in r for r in tables["surfaces"]["report"]]
        ]
        if not len(made):
            raise InputError(
                "the project has no elevation yet", "Make it with facademap elevations."
            )
        files: dict[str, bytes] = {}
        surfaces = {}
        for row in made.to_dict("records"):
            name = file_name(row["id"])
            surfaces[str(row["id"])] = _statement(row, inches=inches)
            residuals = _residuals(row, tables)
            files[f"accuracy-{name}.json"] = json.dumps(
                {**surfaces[str(row["id"])], "residuals": _listed(row, tables)},
                indent=1,
                ensure_ascii=False,
                allow_nan=False,
            ).encode()
            if len(residuals.points):
                extent = Extent(
                    **dict(
                        zip(
                            ("u0_m", "v0_m", "u1_m", "v1_m"), row["report"]["extent_m"], strict=True
                        )
                    )
                )
                files[f"accuracy-{name}.svg"] = draw_residuals_svg(
                    residuals,
                    extent,
                    title=f"{row['name']}: residuals in {len(row['report']['photos'])} photos",
                    inches=inches,
                ).encode()
            points = tables["control_points"]
            if len(own := points[points["surface"] == row["id"]]):
                files[f"control-{name}.dxf"] = _control_dxf(own, row["report"]["extent_m"])
        files["contact-sheet.png"] = _contact_sheet(project, tables, inches=inches)
    for name, content in files.items():
        _write(target / name, content)
    return {
        "out": str(target),
        "files": sorted(files),
        "surfaces": surfaces,
        "inches": inches,
    }


#: Sentences of a statement that people read; its numbers stay in metres, as their names say.
_SENTENCES = ("accuracy", "proof", "error_source", "scale_error_source", "statement", "scale_rule")


def _statement(row: Mapping[str, Any], *, inches: bool) -> dict[str, Any]:
    """The accuracy statement of one surface in the words of the office."""
    said = _metric_statement(row)
    if not inches:
        return said
    words = {k: in_inches(said[k]) for k in _SENTENCES if said.get(k)}
    true = [{**t, "statement": in_inches(t["statement"])} for t in said["true_elevations"]]
    return {
        **said,
        **words,
        "true_elevations": true,
        "warnings": [in_inches(w) for w in said["warnings"]],
    }


def _metric_statement(row: Mapping[str, Any]) -> dict[str, Any]:
    """The accuracy statement of one surface, with the drawing scale that it supports."""
    report, rules = row["report"], AccuracyRules()
    error = proved_error_m(row)
    # what was stored knows what the photos show too, not only the pixel of the picture
    if "supports_scale" in report:
        scale = report["supports_scale"] if error is not None else None
    else:
        scale = None if error is None else finest_scale(error, report["gsd_m"], rules=rules)
    return {
        "surface": row["id"],
        "name": row["name"],
        "picture": row["picture"],
        "colour_state": row["colour_state"],
        **report,
        "proved": error is not None,
        "scale": scale,
        "supports_scale": scale,
        "error_m": error,
        "error_source": report.get("scale_error_source") or f"{report['check_n']} check points",
        "accuracy": accuracy_words(row),
        "tested": few_checks_warning(report["check_n"]) is None,
        "statement": few_checks_warning(report["check_n"])
        or f"tested at {report['check_n']} check points",
        "true_elevations": true_elevations_of(row, rules),
        "scale_rule": f"error at most {rules.plot_error_mm:g} mm and one sample at most {rules.plot_sample_mm:g} mm on the "
        "drawing (common survey rule; the office may set its own)",
    }


def true_elevations_of(row: Mapping[str, Any], rules: AccuracyRules) -> list[dict[str, Any]]:
    """What the true elevations of a surface prove, in numbers and in a sentence; no scale where nothing was checked.

    Parameters
    ----------
    row : mapping
        Of the table of surfaces.
    rules : AccuracyRules
    """
    found = []
    for kept in reliefs_of(row):
        told = kept.told.get("true_elevation")
        if not isinstance(told, Mapping):
            continue
        error, count = told.get("check_rmse_m"), int(told.get("check_n") or 0)
        scale = finest_scale(error, told["gsd_m"], rules=rules) if error is not None else None
        proof = (
            f"RMSE {error * 1000:.1f} mm at {count} check points"
            if error is not None
            else "no check point proves it"
        )
        found.append(
            {
                "survey": kept.survey,
                **told,
                "supports_scale": scale,
                "statement": f"true elevation of survey {kept.survey}: {proof}; the relief leaves places "
                f"{told['shift_sigma_m'] * 1000:.1f} mm unsure (one standard deviation); "
                f"{told['bridged_share']:.0%} rests on a depth from beside, {told['hidden_share']:.0%} was hidden",
            }
        )
    return found


def _rows(row: Mapping[str, Any], tables: Mapping[str, Any]) -> pd.DataFrame:
    """What the photos of a surface show of its points, with the residuals of the last fit."""
    points = tables["control_points"]
    points = points[points["surface"] == row["id"]].set_index("id")
    seen = tables["observations"]
    fitted = {p["photo"] for p in row["report"]["photos"]}
    seen = seen[seen["control_point"].isin(points.index) & seen["photo"].isin(fitted)]
    found: pd.DataFrame = seen[["photo", "control_point", "x_px", "y_px", "du_m", "dv_m"]].join(
        points[["name", "role", "u_m", "v_m"]], on="control_point"
    )
    left_out = {(p["photo"], n) for p in row["report"]["photos"] for n in p.get("left_out", [])}
    # a hosted surface rests on its host: its own points are never part of a fit
    hosted = not any(p["control_n"] for p in row["report"]["photos"])
    found["used"] = [
        r == "control" and (p, n) not in left_out and not hosted
        for p, n, r in zip(found["photo"], found["name"], found["role"], strict=True)
    ]
    return found


def _residuals(row: Mapping[str, Any], tables: Mapping[str, Any]) -> PointResiduals:
    found = _rows(row, tables)
    n = len(found)
    points = ControlPoints(
        name=tuple(map(str, found["name"])),
        wall_m=found[["u_m", "v_m"]].to_numpy(float).reshape(n, 2),
        pixel_px=found[["x_px", "y_px"]].to_numpy(float).reshape(n, 2),
        is_control=(found["role"] == "control").to_numpy(bool),
        sigma_px=np.ones(n),
        sigma_m=np.zeros(n),
    )
    return PointResiduals(
        points=points,
        used=found["used"].to_numpy(bool),
        residual_m=found[["du_m", "dv_m"]].to_numpy(float).reshape(n, 2),
    )


def _listed(row: Mapping[str, Any], tables: Mapping[str, Any]) -> list[dict[str, Any]]:
    names = ["photo", "name", "role", "used", "u_m", "v_m", "du_m", "dv_m"]
    return [
        {str(k): None if isinstance(v, float) and not math.isfinite(v) else v for k, v in r.items()}
        for r in _rows(row, tables)[names].to_dict("records")
    ]


def _control_dxf(points: pd.DataFrame, extent_m: list[float]) -> bytes:
    """Control and check points in wall metres, with the edge of the elevation."""
    drawing = new_drawing(_LAYERS, metres=True)
    space = drawing.modelspace()
    u0, v0, u1, v1 = extent_m
    space.add_lwpolyline(
        [(u0, v0), (u1, v0), (u1, v1), (u0, v1)], close=True, dxfattribs={"layer": "ELEVATION"}
    )
    size = max(u1 - u0, v1 - v0) / 200
    for p in points.dropna(subset=["u_m", "v_m"]).to_dict("records"):
        layer = {"layer": "CONTROL" if p["role"] == "control" else "CHECK"}
        place = (p["u_m"], p["v_m"], 0.0 if is_missing(p["w_m"]) else p["w_m"])
        space.add_point(place, dxfattribs=layer)
        space.add_circle(place, size / 2, dxfattribs=layer)
        space.add_text(str(p["name"]), height=size, dxfattribs=layer).set_placement(
            (place[0] + size, place[1] + size)
        )
    return dxf_bytes(drawing)


def _contact_sheet(project: Project, tables: Mapping[str, Any], *, inches: bool) -> bytes:
    """Every photo of a wall, small, with its name, surface and fit."""
    photos = tables["photos"][tables["photos"]["subject"] == "elevation"].to_dict("records")
    fits: dict[str, list[str]] = {}
    for row in tables["surfaces"].to_dict("records"):
        for fit in [] if is_missing(row["report"]) else row["report"].get("photos", []):
            rmse = fit.get("check_rmse_m") or fit.get("control_rmse_m")
            words = NO_RESIDUALS if rmse is None else f"{rmse * 1000:.1f} mm"
            fits.setdefault(fit["photo"], []).append(
                f"{row['id']}: {in_inches(words) if inches else words}"
            )
    down = max(1, math.ceil(len(photos) / ACROSS))
    gap, cell = 16, THUMB_PX * 3 // 4
    sheet = Image.new(
        "RGB", (ACROSS * (THUMB_PX + gap) + gap, down * (cell + WORDS_PX + gap) + gap), "#ffffff"
    )
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(15)
    for number, photo in enumerate(photos):
        x, y = (
            gap + number % ACROSS * (THUMB_PX + gap),
            gap + number // ACROSS * (cell + WORDS_PX + gap),
        )
        try:
            small = Image.fromarray(read_picture(project.place(photo["path"]))[0])
            small.thumbnail((THUMB_PX, cell))
            sheet.paste(small, (x, y))
        except FileError:
            pen.rectangle((x, y, x + THUMB_PX, y + cell), outline="#a3123a")
            pen.text((x + 8, y + 8), "the file is missing", fill="#a3123a", font=font)
        told = fits.get(photo["id"], ["left out"])
        more = "" if len(told) < 2 else f" and {len(told) - 1} more"
        pen.text(
            (x, y + cell + 4),
            _short(pen, font, f"{photo['id']}, {photo['width_px']} x {photo['height_px']}"),
            fill="#222222",
            font=font,
        )
        pen.text(
            (x, y + cell + 26),
            _short(pen, font, told[0] + more),
            fill="#1f4e79" if photo["id"] in fits else "#a3123a",
            font=font,
        )
    stored = io.BytesIO()
    sheet.save(stored, "PNG", optimize=True)
    return stored.getvalue()


def _short(pen: ImageDraw.ImageDraw, font: Any, words: str) -> str:
    if pen.textlength(words, font=font) <= THUMB_PX:
        return words
    while words and pen.textlength(words + "...", font=font) > THUMB_PX:
        words = words[:-1]
    return words + "..."


def _write(path: Path, content: bytes) -> None:
    make_folder(path.parent)
    write_whole(path, content)
