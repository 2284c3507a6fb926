"""Addresses of what a campaign is led by: conditions of consents, trials, crews with their hours, variations, stone asked for."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from starlette.routing import Route

from facademap.errors import InputError
from facademap.io.whole_files import temporary_folder, write_whole
from facademap.repair.consents import about_said
from facademap.repair.crews import read_crews
from facademap.store.project import Project
from facademap.tables import VARIATION_RESULTS
from facademap.tables.names import file_name
from facademap.tasks.desk.outlines import file_content
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.record.consents import (
    add_consent,
    meet_consent,
    take_consent_back,
)
from facademap.tasks.record.crews import book_hours, booked_hours, put_crew
from facademap.tasks.record.plain_rows import plain_rows
from facademap.tasks.record.trials import add_to_trial, decide_trial, make_trial, trials_of
from facademap.tasks.record.variations import (
    decide_variation,
    list_variations_said,
    measures_said,
    raise_variation,
)
from facademap.tasks.yard.orders import (
    add_test,
    ask_for_stone,
    decide_sample,
    order_stone,
    orders_of,
    take_delivery,
    take_sample,
)
from facademap.web.act_routes import Act, act_routes
from facademap.web.answers import names_of, number_of, text_of
from facademap.web.desk import Desk

__all__ = ["routes"]


def routes(desk: Desk) -> list[Route]:
    """What there is, and every act by its name."""
    return act_routes(desk, "/api/campaign", _state, _ACTS)


def _state(project: Project) -> dict[str, Any]:
    kept = project.setting("crews", None)
    crews = read_crews(kept) if kept else ()
    inches = settings_of_project(project).inches
    return {
        "consents": [
            {**row, "about": about_said(row, inches=inches)}
            for row in plain_rows(project, "consents")
        ],
        "trials": trials_of(project),
        "orders": orders_of(project),
        "variations": list_variations_said(project),
        "measures": measures_said(project),
        "crews": [
            {"name": c.name, "hours_h": c.hours_h, "skills": sorted(c.skills), "days": c.days}
            for c in crews
        ],
        "booked": [
            {
                "repair": b.repair,
                "treatment": b.treatment,
                "hours_h": b.hours_h,
                "told_h": b.told_h,
                "crews": list(b.crews),
            }
            for b in booked_hours(project)
        ],
    }


def _name(body: Any) -> str:
    return text_of(body, "id", most=200, required=True)


def _texts(body: Any, *names: str) -> dict[str, Any]:
    """Texts that were given; empty ones are not."""
    return {n: told for n in names if (told := text_of(body, n, most=4_000).strip())}


def _colours(body: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key in ("colour_before", "colour_dry", "colour_wet"):
        lab = body.get(key)
        if lab is None:
            continue
        if (
            not isinstance(lab, list)
            or len(lab) != 3
            or any(isinstance(v, bool) or not isinstance(v, int | float) for v in lab)
        ):
            raise InputError(f"{key} is no colour", "Send L, a and b.")
        found[key] = [float(v) for v in lab]
    return found


def _area(body: Any) -> list[float] | None:
    area = body.get("area_m")
    if area is None:
        return None
    if (
        not isinstance(area, list)
        or len(area) != 4
        or any(isinstance(v, bool) or not isinstance(v, int | float) for v in area)
        or not all(abs(v) < 1e9 for v in area)
    ):
        raise InputError("area_m is no area", "Send left, bottom, right and top in metres.")
    return [float(v) for v in area]


def _consent(folder: Path, body: Any, who: str) -> Any:
    return add_consent(
        folder,
        reference=text_of(body, "reference", most=400),
        text=text_of(body, "text", most=4_000),
        treatments=names_of(body, "treatments"),
        repairs=names_of(body, "repairs"),
        surfaces=names_of(body, "surfaces"),
        area_m=_area(body),
        who=who,
        **_texts(body, "before", "clause", "given_by", "given_on", "wants_trial", "note"),
    )


def _met(folder: Path, body: Any, who: str) -> Any:
    told = _texts(body, "on", "photo", "trial", "note")
    told["by"] = text_of(body, "by", most=200)
    if not body.get("content"):
        return meet_consent(folder, _name(body), who=who, **told)
    # no letter and no report is a picture: it comes as a file does, and is kept as one from the shell
    with _sent_file(body) as path:
        return meet_consent(folder, _name(body), who=who, file=path, **told)


@contextlib.contextmanager
def _sent_file(body: Any) -> Iterator[Path]:
    """The file of a request, under its own name."""
    sent = text_of(body, "file", most=400).replace("\\", "/").rsplit("/", 1)[-1]
    with temporary_folder() as kept:
        path = kept / f"{file_name(Path(sent).stem[:80])}{Path(sent).suffix[:8]}"
        write_whole(path, file_content(body))
        yield path


def _trial(folder: Path, body: Any, who: str) -> Any:
    return make_trial(
        folder,
        kind=text_of(body, "kind", required=True),
        treatment=text_of(body, "treatment", required=True),
        who=who,
        **_texts(body, "stone_type", "soiling", "wall_stone", *_TOLD),
        **_colours(body),
    )


_TOLD = ("place", "method", "mix", "measured", "made_on", "photo_before", "photo_after")


def _trial_add(folder: Path, body: Any, who: str) -> Any:
    return add_to_trial(folder, _name(body), who=who, **_texts(body, *_TOLD), **_colours(body))


def _decision(body: Any) -> str:
    result = text_of(body, "result", required=True)
    if result not in ("approved", "refused", "open"):
        raise InputError(f"{result!r} is no decision", "Send approved, refused or open.")
    return result


def _decide(folder: Path, body: Any, who: str) -> Any:
    result = _decision(body)
    told = _texts(body, "on", "finding")
    return decide_trial(
        folder, _name(body), result, by=text_of(body, "by", most=200), who=who, **told
    )


def _hours(folder: Path, body: Any, who: str) -> Any:
    return book_hours(
        folder,
        text_of(body, "repair", most=200, required=True),
        number_of(body, "hours"),
        crew=text_of(body, "crew", most=200, required=True),
        who=who,
        **_texts(body, "on"),
    )


def _crew(folder: Path, body: Any, who: str) -> Any:
    crew = put_crew(
        folder,
        name=text_of(body, "crew", most=200),
        hours_h=number_of(body, "hours"),
        skills=names_of(body, "treatments"),
        days=names_of(body, "days") or None,
        who=who,
    )
    return {"name": crew.name, "hours_h": crew.hours_h, "skills": sorted(crew.skills)}


def _ask_stone(folder: Path, body: Any, who: str) -> Any:
    return ask_for_stone(
        folder,
        stone_type=text_of(body, "stone_type", most=200),
        supplier=text_of(body, "supplier", most=200),
        who=who,
        **_texts(body, "on", "note"),
    )


def _sample(folder: Path, body: Any, who: str) -> Any:
    lab = _colours(body).get("colour_dry")
    return take_sample(folder, _name(body), lab=lab, who=who, **_texts(body, "on", "photo"))


def _tested(folder: Path, body: Any, who: str) -> Any:
    told = {n: text_of(body, n, most=400) for n in ("test", "value", "by")}
    result = text_of(body, "tested", most=40) or "open"
    if result not in ("pass", "fail", "open"):
        raise InputError(f"{result!r} is no result of a test", "Send pass, fail or open.")
    return add_test(folder, _name(body), result=result, who=who, **told, **_texts(body, "on"))


def _sample_decided(folder: Path, body: Any, who: str) -> Any:
    result = _decision(body)
    if result == "open":
        raise InputError("a sample is approved or refused", "Send approved or refused.")
    return decide_sample(
        folder,
        _name(body),
        approve=result == "approved",
        by=text_of(body, "by", most=200),
        who=who,
        **_texts(body, "on", "finding"),
    )


def _ordered(folder: Path, body: Any, who: str) -> Any:
    return order_stone(
        folder,
        _name(body),
        by=text_of(body, "by", most=200),
        volume_m3=number_of(body, "volume_m3"),
        who=who,
        **_texts(body, "on", "price", "due"),
    )


def _delivered(folder: Path, body: Any, who: str) -> Any:
    if not body.get("content"):
        raise InputError(
            "no file of what came", "Send a table of blocks, as facademap add-blocks reads it."
        )
    with _sent_file(body) as path:
        return take_delivery(folder, _name(body), path, who=who, **_texts(body, "on"))


def _variation(folder: Path, body: Any, who: str) -> Any:
    told = _texts(body, "repair", "elevation", "treatment", "measure", "currency", "note")
    return raise_variation(
        folder,
        what=text_of(body, "what", most=4_000),
        reason=text_of(body, "reason", most=4_000),
        raised_on=text_of(body, "on", most=40).strip() or None,
        who=who,
        **told,
        **{
            n: number_of(body, n) for n in ("quantity", "rate", "amount") if body.get(n) is not None
        },
    )


def _decide_variation(folder: Path, body: Any, who: str) -> Any:
    result = text_of(body, "result", required=True)
    if result not in VARIATION_RESULTS:
        raise InputError(f"{result!r} is no decision", "Send agreed, refused or open.")
    told = _texts(body, "on", "note")
    return decide_variation(
        folder, _name(body), result, by=text_of(body, "by", most=200), who=who, **told
    )


_ACTS: Mapping[str, Act] = {
    "consent": _consent,
    "consent-met": _met,
    "consent-back": lambda f, b, w: take_consent_back(f, _name(b), who=w),
    "trial": _trial,
    "trial-add": _trial_add,
    "trial-decide": _decide,
    "crew": _crew,
    "hours": _hours,
    "stone-ask": _ask_stone,
    "stone-sample": _sample,
    "stone-test": _tested,
    "stone-decide": _sample_decided,
    "stone-order": _ordered,
    "stone-delivery": _delivered,
    "variation": _variation,
    "variation-decide": _decide_variation,
}
