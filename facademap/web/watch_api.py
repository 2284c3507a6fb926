"""Addresses of what is watched over the years: gauges, their readings, and looks at what was repaired or left."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.routing import Route

from facademap.errors import InputError
from facademap.tasks.desk.watch import watched_gauges, watched_looks
from facademap.tasks.record.look_again import enter_look
from facademap.tasks.survey.kept_gauges import add_gauge, add_reading, set_gauge
from facademap.web.act_routes import Act, act_routes
from facademap.web.answers import number_of, text_of
from facademap.web.desk import Desk

__all__ = ["routes"]


def routes(desk: Desk) -> list[Route]:
    """What there is, and every act by its name."""
    return act_routes(
        desk,
        "/api/watch",
        lambda project: {"gauges": watched_gauges(project), "looks": watched_looks(project)},
        _ACTS,
    )


def _number(body: Any, key: str) -> float | None:
    return None if body.get(key) is None else number_of(body, key)


def _text(body: Any, key: str) -> str | None:
    return text_of(body, key, most=4_000) or None


def _place(body: Any) -> tuple[float, float] | None:
    u, v = _number(body, "u_m"), _number(body, "v_m")
    if (u is None) != (v is None):
        raise InputError("half a place", "Send u_m and v_m, or neither of them.")
    return None if u is None or v is None else (u, v)


def _columns(body: Any) -> dict[str, Any]:
    months = _number(body, "every_months")
    if months is not None and months != int(months):
        raise InputError(f"{months:g} months between readings", "Send whole months.")
    return {
        **{n: _text(body, n) for n in ("kind", "condition", "note")},
        **{n: _number(body, n) for n in ("limit_m", "rate_m_a_year", "reading_m")},
        "every_months": None if months is None else int(months),
    }


def _gauge(folder: Path, body: Any, who: str) -> Any:
    return add_gauge(
        folder,
        surface=_text(body, "surface"),
        name=text_of(body, "id", most=60),
        place_m=_place(body),
        who=who,
        **_columns(body),
    )


def _limits(folder: Path, body: Any, who: str) -> Any:
    id = text_of(body, "id", most=200, required=True)
    return set_gauge(folder, id, place_m=_place(body), who=who, **_columns(body))


def _reading(folder: Path, body: Any, who: str) -> Any:
    return add_reading(
        folder,
        text_of(body, "id", most=200, required=True),
        value_m=number_of(body, "value_m"),
        read_on=_text(body, "on"),
        temperature_degc=_number(body, "temperature_degc"),
        by=_text(body, "by"),
        who=who,
    )


def _look(folder: Path, body: Any, who: str) -> Any:
    return enter_look(
        folder,
        text_of(body, "id", most=200, required=True),
        finding=text_of(body, "finding", most=40, required=True),
        looked_on=_text(body, "on"),
        by=_text(body, "by"),
        hollow_share=_number(body, "hollow_share"),
        open_joint_m=_number(body, "open_joint_m"),
        colour_difference=_number(body, "colour_difference"),
        photo=_text(body, "photo"),
        note=_text(body, "note"),
        who=who,
    )


_ACTS: dict[str, Act] = {
    "gauge": _gauge,
    "limits": _limits,
    "reading": _reading,
    "look": _look,
}
