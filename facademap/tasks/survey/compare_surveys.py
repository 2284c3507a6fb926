"""Use case: two surveys of a surface compared: relief, conditions paired, growth with plus or minus, rates a year."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from facademap.condition.survey_pairs import Paired, pair_surveys
from facademap.errors import InputError
from facademap.io.relief_files import open_relief_writer
from facademap.io.whole_files import make_folder, write_whole
from facademap.photo.colour_change import ColourChange
from facademap.relief.build import Relief
from facademap.relief.change import Change, PatchChange, change_in_patch, change_of_reliefs
from facademap.report.change_page import ChangeRow, change_page, change_png
from facademap.report.measures import Measures
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tables.names import file_name
from facademap.tasks.plan.reading import reads_inches
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.change import cells_inside
from facademap.tasks.survey.compare_colours import colours_of_pairs, picture_of_survey
from facademap.tasks.survey.kept_reliefs import KeptRelief, reliefs_of
from facademap.tasks.survey.one_frame import cut_to_common, on_one_frame
from facademap.wall.world import wall_crs

__all__ = [
    "FAST_M_A_YEAR",
    "RAISED_SETTING",
    "SurveysCompared",
    "change_of_kept",
    "change_table",
    "compare_surveys",
    "compared",
    "newest_surveys",
]

#: Growth of a mean depth in a year beyond which a condition becomes more urgent (a starting value of ours).
FAST_M_A_YEAR = 0.001

#: Stages in which the damage is out of the wall.
_DONE = frozenset({"bedded", "sounded", "pointed", "curing", "accepted"})
_MOST_URGENT = 3
#: Which conditions were made more urgent by which two surveys, so that none is twice.
RAISED_SETTING = "growth_raised"
_COLUMNS = (
    "old",
    "new",
    "term",
    "fate",
    "size_old",
    "size_new",
    "size_plus_minus_95",
    "unit",
    "depth_change_m",
    "depth_plus_minus_95_m",
    "depth_significant",
    "volume_change_m3",
    "known_share",
    "depth_m_a_year",
    "colour_change_ciede2000",
    "colour_plus_minus_95",
    "colour_changed",
    "colour",
    "classes",
    "urgency_proposed",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveysCompared:
    """What comparing two surveys returns.

    Parameters
    ----------
    rows : tuple of ChangeRow
    change : Change or None
        None where one of the surveys has no relief.
    years : float or None
    files : tuple of str
    raised : tuple of str
        Conditions whose urgency was raised.
    warnings : tuple of str
    """

    rows: tuple[ChangeRow, ...]
    change: Change | None
    years: float | None
    files: tuple[str, ...]
    raised: tuple[str, ...]
    warnings: tuple[str, ...]


def compare_surveys(
    folder: str | Path,
    old: str,
    new: str,
    *,
    surface: str | None = None,
    out: Path,
    fast_m_a_year: float = FAST_M_A_YEAR,
    raise_urgency: bool = False,
    align: bool | None = None,
    pictures: tuple[Path | None, Path | None] = (None, None),
    register: bool | None = None,
    who: str = "surveyor",
) -> SurveysCompared:
    """Compare two surveys of a surface and write a page, a table, a picture and the difference.

    Parameters
    ----------
    folder : path
    old, new : str
        Names of surveys, as conditions and reliefs have them.
    surface : str, optional
    out : Path
        Folder.
    fast_m_a_year : float
        Growth of the mean depth beyond which a condition becomes more urgent by one class.
    raise_urgency : bool
        Store that; without it the page proposes it.
    align : bool, optional
        Take offset and tilt of stable stone off first; default: where the precision of both surveys explains them.
    pictures : tuple of Path, optional
        Rectified pictures of both surveys; default: the true elevations that their reliefs keep, and for the newest survey
        the elevation in use.
    register : bool, optional
        Lay the older relief on the newer by stable stone; default: where their control points do not tell one frame.
    who : str

    Raises
    ------
    InputError
        The same survey twice, or one of which nothing is known.
    """
    if old == new:
        raise InputError(f"survey {old} cannot be compared with itself", "Name two surveys.")
    with Project.open(folder, read_only=not raise_urgency) as project:
        name = surface_of(project, surface)
        done = compared(
            project,
            name,
            (old, new),
            fast_m_a_year=fast_m_a_year,
            align=align,
            register=register,
            pictures=pictures,
        )
        say = Measures(reads_inches(project))
        files = _write(out, name, (old, new), done, say)
        raised: tuple[str, ...] = ()
        if raise_urgency:
            raised = _raise(project, (old, new), done.rows, who)
    return replace(done, files=files, raised=raised)


def newest_surveys(
    surface: Mapping[str, Any], conditions: Iterable[Mapping[str, Any]]
) -> tuple[str, str] | None:
    """The two newest surveys of a surface: of its reliefs, else of its conditions where they tell their days.

    Parameters
    ----------
    surface : mapping
        Row of the table of surfaces.
    conditions : iterable of mapping
        Rows on that surface.
    """
    kept = [k.survey for k in reliefs_of(surface) if k.taken_on]
    if len(kept) >= 2:
        return kept[-2], kept[-1]
    days: dict[str, str] = {}
    for row in conditions:
        if not is_missing(row["observed_on"]):
            survey, day = str(row["survey"]), str(row["observed_on"])[:10]
            days[survey] = max(day, days.get(survey, ""))
    last = sorted(days, key=lambda s: (days[s], s))[-2:]
    return (last[0], last[1]) if len(last) == 2 and days[last[0]] < days[last[1]] else None


def compared(
    project: Project,
    name: str,
    surveys: tuple[str, str],
    *,
    fast_m_a_year: float = FAST_M_A_YEAR,
    align: bool | None = None,
    register: bool | None = None,
    pictures: tuple[Path | None, Path | None] = (None, None),
    colours: bool = True,
) -> SurveysCompared:
    """The same of an open project, with nothing written.

    Parameters
    ----------
    project : Project
    name : str
        Surface.
    surveys : (str, str)
        The older and the newer one.
    fast_m_a_year, align, register, pictures
        As for `compare_surveys`.
    colours : bool
        Whether the pictures are compared as well.

    Raises
    ------
    InputError
        Nothing is known of one of the surveys.
    """
    old, new = surveys
    warnings: list[str] = []
    row = project.row("surfaces", name)
    kept = {k.survey: k for k in reliefs_of(row)}
    conditions = project.read("conditions", where={"surface": name}).to_dict("records")
    repairs = project.read("repairs", where={"surface": name}).to_dict("records")
    known = sorted({str(r["survey"]) for r in conditions} | set(kept))
    for survey in surveys:
        if survey not in known:
            raise InputError(
                f"nothing of surface {name} belongs to survey {survey}",
                f"Give two of {', '.join(known)}." if known else "Draw and measure first.",
            )
    change = change_of_kept(
        project, kept.get(old), kept.get(new), warnings, align=align, register=register
    )
    years = _years(kept.get(old), kept.get(new), conditions, old, new, warnings)
    done = {str(c) for r in repairs if r["stage"] in _DONE for c in (r["conditions"] or ())}
    olds, news = ([r for r in conditions if r["survey"] == s] for s in surveys)
    terms = {str(r["id"]): str(r["term"]) for r in conditions}
    pairs = pair_surveys(olds, news, repaired=done)
    if news and not olds:
        warnings.append(
            f"survey {old} has no outlines: what was drawn first in survey {new} need not be new; its depth is compared"
        )
        pairs = [replace(p, fate="first drawn") for p in pairs]
    hues = (
        _colours(project, row, surveys, kept, pairs, conditions, repairs, pictures, warnings)
        if colours
        else [ColourChange(why="not asked for")] * len(pairs)
    )
    rows = tuple(
        _row(p, terms, change, years, fast_m_a_year, len(pairs), colour)
        for p, colour in zip(pairs, hues, strict=True)
    )
    return SurveysCompared(
        rows=rows, change=change, years=years, files=(), raised=(), warnings=tuple(warnings)
    )


def change_of_kept(
    project: Project,
    old: KeptRelief | None,
    new: KeptRelief | None,
    warnings: list[str],
    *,
    align: bool | None = None,
    register: bool | None = None,
) -> Change | None:
    """Difference of two reliefs of a surface; None where one is missing.

    Parameters
    ----------
    project : Project
    old, new : KeptRelief or None
    warnings : list of str
        Grows.
    align, register : bool, optional
        As for `compare_surveys`.

    Raises
    ------
    InputError
        They lie in different frames, or show nothing in common.
    """
    if old is None or new is None:
        warnings.append(
            "one of the surveys keeps no relief: only outlines are compared, and no depth"
        )
        return None
    warnings += [*old.warnings, *new.warnings]
    one, other = _in_one_frame(project, old, new, register, warnings)
    change = change_of_reliefs(one, other, align=align)
    if change.registration_m > 0.001:
        warnings.append(
            f"on stable stone the surveys differ by {change.registration_m * 1000:.1f} mm (one standard deviation, "
            "offset counted in), and so little can be told: measure common points anew, or try --align"
        )
    return change


def _in_one_frame(
    project: Project,
    old: KeptRelief,
    new: KeptRelief,
    register: bool | None,
    warnings: list[str],
) -> tuple[Relief, Relief]:
    """Both reliefs on one grid: by the control points that each was measured by, else by stable stone."""
    places = project.place(old.path), project.place(new.path)
    was, now = (k.told.get("control_m") for k in (old, new))
    if not register and not (was and now) and {old.source, new.source} == {"scan"}:
        return cut_to_common(*places, warnings)
    found = on_one_frame(
        *places,
        control=(was, now),
        names=(f"survey {old.survey}", f"survey {new.survey}"),
        remedy="Measure the older survey again in the frame of now: facademap relief PROJECT --survey .. --replace.",
        register=register,
        pictures=_pictures(project, old, new),
        warnings=warnings,
    )
    return found.old, found.new


def _pictures(project: Project, old: KeptRelief, new: KeptRelief) -> tuple[Path, Path] | None:
    """The true elevations of both, where both were kept."""
    found = []
    for kept in (old, new):
        told = kept.told.get("true_elevation")
        if (
            not isinstance(told, Mapping)
            or not (path := project.place(str(told["path"]))).is_file()
        ):
            return None
        found.append(path)
    return found[0], found[1]


def _colours(
    project: Project,
    surface: Mapping[str, Any],
    surveys: tuple[str, str],
    kept: Mapping[str, KeptRelief],
    pairs: Sequence[Paired],
    conditions: Sequence[Mapping[str, Any]],
    repairs: Sequence[Mapping[str, Any]],
    given: tuple[Path | None, Path | None],
    warnings: list[str],
) -> list[ColourChange]:
    """What the pictures of both surveys say; the elevation in use belongs to the survey that is newest by day."""
    dated = [k.survey for k in kept.values() if k.taken_on]
    newest = dated[-1] if dated else None
    old, new = (
        picture_of_survey(project, surface, s, kept.get(s), given=g, latest=s == newest)
        for s, g in zip(surveys, given, strict=True)
    )
    name = str(surface["id"])
    return colours_of_pairs(
        old,
        new,
        pairs,
        {str(r["id"]): r for r in conditions},
        stones=project.read("wall_stones", where={"surface": name}).geometry,
        openings=project.read("openings", where={"surface": name}).geometry,
        repairs=[r["geometry"] for r in repairs],
        warnings=warnings,
    )


def _years(
    old: KeptRelief | None,
    new: KeptRelief | None,
    conditions: list[Mapping[str, Any]],
    first: str,
    second: str,
    warnings: list[str],
) -> float | None:
    """Time between the surveys: of their reliefs, else of when their conditions were seen."""
    days = []
    for kept, survey in ((old, first), (new, second)):
        told = kept.taken_on if kept else None
        seen = sorted(
            str(r["observed_on"])[:10]
            for r in conditions
            if r["survey"] == survey and isinstance(r["observed_on"], dt.date | str)
        )
        told = told or (seen[len(seen) // 2] if seen else None)
        days.append(dt.date.fromisoformat(told) if told else None)
    if days[0] is None or days[1] is None:
        warnings.append("no day is known of one of the surveys: rates a year are not told")
        return None
    years = (days[1] - days[0]).days / 365.25
    if years <= 0:
        warnings.append(f"survey {second} is not later than {first}: rates a year are not told")
        return None
    return years


def _row(
    pair: Paired,
    terms: Mapping[str, str],
    change: Change | None,
    years: float | None,
    fast_m_a_year: float,
    outlines: int,
    colour: ColourChange,
) -> ChangeRow:
    patch: PatchChange | None = None
    if change is not None:
        inside = cells_inside(pair.shape, change.difference.grid)
        patch = change_in_patch(change, inside, outlines=outlines)
        if math.isnan(patch.mean_change_m):
            patch = None
    rate = patch.mean_change_m / years if patch is not None and years else None
    faster = (
        patch is not None
        and rate is not None
        and years is not None
        and patch.significant
        and -rate - patch.plus_minus_95_m / years > 0
        and -rate > fast_m_a_year
    )
    return ChangeRow(
        pair=pair,
        term=terms[(*pair.new, *pair.old)[0]],
        patch=patch,
        rate_m_a_year=rate,
        colour=colour,
        more_urgent=bool(faster and pair.new),
    )


def _raise(
    project: Project, surveys: tuple[str, str], rows: Iterable[ChangeRow], who: str
) -> tuple[str, ...]:
    """One class more for what grows fast, once for what these two surveys told of it."""
    done: dict[str, list[str]] = dict(project.setting(RAISED_SETTING) or {})
    between, raised = " ".join(surveys), []
    with gated_edit(project, who=who, what="urgency of what grows fast") as edit:
        for row in rows:
            for id in row.pair.new if row.more_urgent else ():
                was = project.row("conditions", id)["uc"]
                now = min(_MOST_URGENT, 1 + (0 if is_missing(was) else int(was)))
                if between in done.get(id, ()) or now == was:
                    continue
                edit.update("conditions", id, {"uc": now})
                done[id] = [*done.get(id, ()), between]
                raised.append(id)
        if raised:
            edit.set(RAISED_SETTING, done)
    return tuple(raised)


def _write(
    out: Path, surface: str, surveys: tuple[str, str], done: SurveysCompared, say: Measures
) -> tuple[str, ...]:
    change = done.change
    make_folder(out)
    base = f"change-{file_name(surface)}"
    files: dict[str, bytes | str] = {f"{base}.csv": change_table(done.rows)}
    picture = None
    if change is not None:
        picture = change_png(change, [r.pair for r in done.rows], say=say)
        files[f"{base}.png"] = picture
    title = f"{surface}: survey {surveys[0]} to {surveys[1]}"
    files[f"{base}.html"] = change_page(
        title,
        done.rows,
        change=change,
        years=done.years,
        warnings=done.warnings,
        picture=picture,
        say=say,
    )
    for name, content in files.items():
        write_whole(out / name, content)
    if change is None:
        return tuple(files)
    target = out / f"{base}.tif"
    with open_relief_writer(
        target,
        change.difference.grid,
        crs_wkt=wall_crs(surface, " ".join((surface, *surveys))),
        bands=("new minus old, m", "level of detection at 95 %, m"),
    ) as writer:
        writer.write_rows(0, change.difference.out_m, change.detection_m)
    return (*files, target.name)


def change_table(rows: Iterable[ChangeRow]) -> str:
    """The rows as a table in metres, one line for each pair.

    Parameters
    ----------
    rows : iterable of ChangeRow
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in rows:
        p, patch = row.pair, row.patch
        depth = (
            [""] * 5
            if patch is None
            else [
                f"{patch.mean_change_m:.6f}",
                f"{patch.plus_minus_95_m:.6f}",
                str(patch.significant).lower(),
                f"{patch.volume_change_m3:.9f}",
                f"{patch.known_share:.4f}",
            ]
        )
        colour = row.colour
        hues = (
            ["", "", "", colour.words]
            if colour.why
            else [
                f"{colour.difference:.2f}",
                f"{colour.plus_minus_95:.2f}",
                str(colour.changed).lower(),
                colour.words,
            ]
        )
        rate = "" if row.rate_m_a_year is None else f"{row.rate_m_a_year:.6f}"
        sizes = (
            [f"{v:.6f}" for v in (p.size_old, p.size_new, p.plus_minus_95)] if p.unit else [""] * 3
        )
        if p.fate == "first drawn":  # nobody drew it before: it had a size, which is not known
            sizes[0] = sizes[2] = ""
        writer.writerow(
            [
                " ".join(p.old),
                " ".join(p.new),
                row.term,
                p.fate,
                *sizes,
                p.unit,
                *depth,
                rate,
                *hues,
                "; ".join(p.classes),
                str(row.more_urgent).lower(),
            ]
        )
    return text.getvalue()
