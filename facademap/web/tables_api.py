"""Tables, edits, history and news, generated around the contracts of the tables."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap import __version__
from facademap.condition.glossary import CLASS_NAMES, FAMILIES, TERMS
from facademap.condition.signs import signs_as_json
from facademap.errors import ConflictError, FacademapError, InputError
from facademap.store.edit import table_named
from facademap.store.gate import BY_RECORD, consequences_of
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tables.settings import (
    REQUIRABLE,
    REQUIRED_DEFAULT,
    SECRET_SETTINGS,
    is_desk_setting,
)
from facademap.tasks.desk.edit import apply_changes, read_changes, ready_outlines
from facademap.tasks.desk.history import edits_of
from facademap.tasks.desk.inverse import inverse_of, row_for_desk
from facademap.tasks.issue.papers_register import is_of_register
from facademap.tasks.plan.reading import reads_inches
from facademap.units import format_inches, format_mm, parse_length
from facademap.web.acts import acts_of, need_edits
from facademap.web.answers import Answer, failure, read_body, threaded
from facademap.web.desk import Desk
from facademap.web.guard import author_of
from facademap.web.news import News

__all__ = ["routes", "table_as_json"]

#: Coordinates go to the page to a thousandth of a millimetre.
_DECIMALS = 6
MAX_NAME = 80
LONGEST_WAIT_S = 25.0


def routes(desk: Desk) -> list[Route]:
    """Addresses under /api for tables and edits."""
    return [*_tables(desk), *_history(desk), *_edits(desk)]


def _tables(desk: Desk) -> list[Route]:
    """What a project and its rows are."""

    def schema(request: Request, body: Any) -> Any:
        return _schema()

    def project(request: Request, body: Any) -> Any:
        found = desk.reading()
        settings = found.read("settings")
        values = {
            r["id"]: found.setting(r["id"])
            for r in settings.to_dict("records")
            if r["id"] not in SECRET_SETTINGS and not is_of_register(r["id"])
        }
        granted = request.scope.get("facademap_pass")
        return {
            "id": found.project_id,
            "name": found.setting("name", found.folder.name),
            "folder": found.folder.name,
            "seq": desk.seq(),
            "settings": values,
            "inches": reads_inches(found),
            "version": __version__,
            "pass": granted.kind if granted else "write",
            "reviewer": granted.name if granted and granted.kind == "review" else "",
            "signed_in_as": granted.name if granted else "",
            "role": granted.role if granted else "",
            "may": acts_of(granted),
            "elevations": list(granted.elevations)
            if granted and granted.elevations is not None
            else None,
        }

    def table(request: Request, body: Any) -> Any:
        name = request.path_params["table"]
        contract = table_named(name)
        where = {k: v for k, v in request.query_params.items() if k not in ("box",)}
        box = _box(request.query_params.get("box"))
        reader = desk.reading()
        seq = desk.seq()
        frame, revisions = reader.read(name, where=where, box=box), reader.revisions(name)
        if name == "settings":
            frame = frame[frame["id"].map(is_desk_setting)]
        return Response(
            _table_json(frame, revisions, geometry=bool(contract.geometry), seq=seq),
            media_type="application/json",
        )

    def row(request: Request, body: Any) -> Any:
        name, row_id = request.path_params["table"], request.path_params["id"]
        if name == "settings" and not is_desk_setting(row_id):
            raise InputError("settings are part of /api/project", "Ask there.")
        found = desk.reading().row(name, row_id)
        return {
            "table": name,
            "id": row_id,
            "rev": found["rev"],
            "row": row_for_desk(table_named(name), found),
        }

    def length(request: Request, body: Any) -> Any:
        asked = request.query_params
        unit = asked.get("unit") or None
        if unit not in (None, "mm", "cm", "m", "in", "ft"):
            raise InputError(f"unit {unit[:20]!r}", "Use mm, cm, m, in or ft.")
        metres = parse_length(asked.get("text", ""), default_unit=unit)  # type: ignore[arg-type]
        shown = format_inches(metres) if unit in ("in", "ft") else format_mm(metres, decimals=1)
        return {"m": metres, "shown": shown}

    return [
        Route("/api/schema", threaded(schema)),
        Route("/api/project", threaded(project)),
        Route("/api/tables/{table}", threaded(table)),
        Route("/api/rows/{table}/{id:path}", threaded(row)),
        Route("/api/length", threaded(length)),
    ]


def _history(desk: Desk) -> list[Route]:
    """Who did what, and what is new."""
    news = News(desk)

    def history(request: Request, body: Any) -> Any:
        name, row_id = request.query_params.get("table"), request.query_params.get("id")
        if name:
            table_named(name)
        if name == "settings" and not is_desk_setting(row_id or ""):
            raise InputError(
                "the history of this setting is not shown here",
                "Ask for that of a setting of the desk.",
            )
        last = _whole(request.query_params.get("last"), 200, 1, 2000)
        frame = desk.reading().history(name, row_id, last=last)
        hidden = (frame["table_name"] == "settings") & ~frame["row_id"].map(is_desk_setting).astype(
            bool
        )
        return {
            "entries": [
                e | {side: _with_outline(e[side]) for side in ("before", "after")}
                for e in frame[~hidden].to_dict("records")
            ]
        }

    def mine(request: Request, body: Any) -> Any:
        asked = request.query_params
        return edits_of(
            desk.reading(),
            author_of(request.scope, asked.get("who", ""), ""),
            keys=asked.get("keys", ""),
            last=_whole(asked.get("last"), 60, 1, 500),
        )

    async def changes(request: Request) -> Response:
        try:
            after = _whole(request.query_params.get("after"), 0, 0, 2**53)
            wait = min(float(_whole(request.query_params.get("wait"), 0, 0, 60)), LONGEST_WAIT_S)
        except FacademapError as error:
            return failure(error)
        if wait:
            await desk.wait_for_change(after, seconds=wait)
            still = request.scope.get("facademap_still")
            try:
                if still is not None and not await still():
                    # removed, or limited, while the page waited: it asks again, and is judged then
                    return Answer({"seq": after, "edits": [], "rows": []})
            except FacademapError as error:
                return failure(error)

        def collect(request: Request, body: Any) -> Any:
            return Response(news.of(after), media_type="application/json")

        return await threaded(collect)(request)

    return [
        Route("/api/history", threaded(history)),
        Route("/api/mine", threaded(mine)),
        Route("/api/changes", changes),
    ]


def _edits(desk: Desk) -> list[Route]:
    """Changes of rows, and what follows from them."""

    def consequences(request: Request, body: Any) -> Any:
        asked = body.get("changes") if isinstance(body, Mapping) else None
        _, items = read_changes({"key": "consequences", "changes": _with_rev(asked)})
        places = [(c.table, c.id) for c in items if c.op == "delete"]
        if not places:
            raise InputError("nothing is to be deleted", "Send changes with op delete.")
        return consequences_of(desk.reading(), places).as_json()

    async def edits(request: Request) -> Response:
        try:
            body = await read_body(request)
            key, items = read_changes(body)
            said, what = _words(body)
            need_edits(request.scope, ((i.table, i.id) for i in items))
            who = author_of(request.scope, said, "surveyor")
        except FacademapError as error:
            return failure(error)

        def store(request: Request, unused: Any) -> Any:
            try:
                ready = ready_outlines(items)
                with desk.writing(rows=len(ready)) as writer:
                    result = apply_changes(
                        writer,
                        ready,
                        key=key,
                        who=who,
                        what=what,
                        undoes=_undoes(body),
                        confirmed=_confirmed(body),
                    )
                    inverse = inverse_of(writer, result.txn) if result.followed else None
            except ConflictError as conflict:
                return failure(conflict, more={"theirs": _theirs(desk, conflict)})
            return {
                "txn": result.txn,
                "seq": result.seq,
                "ids": result.ids,
                "rows": result.rows,
                "repeated": result.repeated,
                "inverse": inverse,
                "told": list(result.told),
            }

        # the body was read already; it is cached by the request
        return await threaded(store)(request)

    return [
        Route("/api/edits", edits, methods=["POST"]),
        Route("/api/consequences", threaded(consequences), methods=["POST"]),
    ]


def _with_rev(changes: Any) -> Any:
    """Changes that are only asked about need no revision."""
    if not isinstance(changes, list):
        return changes
    return [{"rev": 0, **c} if isinstance(c, dict) else c for c in changes]


def _with_outline(row: Any) -> Any:
    """A row of the history with its outline as coordinates; the history keeps it as well-known binary."""
    kept = row.get("geometry") if isinstance(row, Mapping) else None
    if not isinstance(kept, str):
        return row
    return {**row, "geometry": json.loads(shapely.to_geojson(shapely.from_wkb(kept)))}


def _words(body: Mapping[str, Any]) -> tuple[str, str]:
    words = []
    for name, fallback in (("who", "surveyor"), ("what", "edit")):
        text = body.get(name) or fallback
        if not isinstance(text, str):
            raise InputError(f"{name} is not text", "Send it as text.")
        words.append(" ".join(text.split())[:MAX_NAME] or fallback)
    return words[0], words[1]


def _confirmed(body: Mapping[str, Any]) -> str | bool:
    value = body.get("confirmed", False)
    if not isinstance(value, (bool, str)):
        raise InputError(
            "confirmed is no seal", "Send the seal of the consequences that were shown, or true."
        )
    return value


def _undoes(body: Mapping[str, Any]) -> str | None:
    value = body.get("undoes")
    if value is None:
        return None
    if not isinstance(value, str) or not re.match(r"[0-9a-zA-Z-]{8,64}\Z", value):
        raise InputError(
            "undoes is not the key of an edit", "Send the key of the edit that is taken back."
        )
    return value


def _theirs(desk: Desk, conflict: ConflictError) -> dict[str, Any] | None:
    place = getattr(conflict, "place", None)
    if place is None:
        return None
    reader, (name, row_id) = desk.reading(), place
    try:
        found = reader.row(name, row_id)
    except InputError:
        return {"table": name, "id": row_id, "rev": None, "row": None, "who": None, "at": None}
    log = reader.history(name, row_id, last=1)
    who, at = (str(log["who"].iloc[0]), str(log["at"].iloc[0])) if len(log) else (None, None)
    return {
        "table": name,
        "id": row_id,
        "rev": found["rev"],
        "row": row_for_desk(TABLES[name], found),
        "who": who,
        "at": at,
    }


def table_as_json(reader: Project, name: str, *, seq: int) -> bytes:
    """A whole table as it goes to the page."""
    return _table_json(
        reader.read(name),
        reader.revisions(name),
        geometry=bool(table_named(name).geometry),
        seq=seq,
    )


def _table_json(frame: Any, revisions: Mapping[str, int], *, geometry: bool, seq: int) -> bytes:
    """Rows, revisions and geometries as three lists of one order; written column-wise, since tables are large."""
    import pandas as pd

    plain = pd.DataFrame(frame.drop(columns="geometry")) if geometry else frame
    rows = plain.to_json(orient="records", double_precision=10, force_ascii=False)
    revs = ",".join(str(revisions.get(i, 1)) for i in frame["id"])
    text = f'{{"seq":{seq},"rows":{rows},"rev":[{revs}]'
    if geometry:
        shapes = shapely.transform(frame.geometry.to_numpy(), lambda xy: np.round(xy, _DECIMALS))
        texts = (g if g is not None else "null" for g in shapely.to_geojson(shapes))
        text += f',"geometry":[{",".join(texts)}]'
    return (text + "}").encode()


def _box(text: str | None) -> tuple[float, float, float, float] | None:
    if not text:
        return None
    try:
        values = tuple(float(v) for v in text.split(","))
    except ValueError:
        values = ()
    if len(values) != 4 or not all(np.isfinite(values)):
        raise InputError(f"box {text[:60]!r}", "Give box as u0,v0,u1,v1 in metres.")
    return values


def _whole(text: str | None, default: int, least: int, most: int) -> int:
    if not text:
        return default
    if not re.match(r"\d{1,16}\Z", text):
        raise InputError(f"{text[:40]!r} is not a whole number", f"Give {least} to {most}.")
    return max(least, min(most, int(text)))


def _schema() -> dict[str, Any]:
    tables = {
        t.name: {
            "title": t.title,
            "meaning": t.meaning,
            "geometry": t.geometry,
            "columns": [
                {
                    "name": c.name,
                    "kind": c.kind,
                    "unit": c.unit,
                    "meaning": c.meaning,
                    "required": not c.nullable,
                    "choices": list(c.choices),
                    "minimum": c.minimum,
                    "maximum": c.maximum,
                    "refers": c.refers,
                    "many": c.many,
                    "by_record": (t.name, c.name) in BY_RECORD,
                    "default": c.default,
                }
                for c in t.columns
            ],
        }
        for t in TABLES.values()
    }
    families = [
        {
            "id": f.id,
            "name": f.name,
            "layer": f.layer,
            "colour": f.colour,
            "meaning": f.meaning,
        }
        for f in FAMILIES
    ]
    terms = [
        {
            "name": t.name,
            "family": t.family,
            "abbreviation": t.abbreviation,
            "meaning": t.meaning,
            "shape": t.shape,
            "parent": t.parent,
        }
        for t in TERMS
    ]
    return {
        "tables": tables,
        "families": families,
        "terms": terms,
        "classes": {k: list(v) for k, v in CLASS_NAMES.items()},
        "signs": signs_as_json(),
        "required": {
            "may_be": [f.as_json() for f in REQUIRABLE],
            "default": list(REQUIRED_DEFAULT),
        },
    }
