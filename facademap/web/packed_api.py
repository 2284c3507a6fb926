"""Addresses from which a page opens a project in few requests: packed tables, and several small tables at once."""

from __future__ import annotations

import contextlib
import json
import threading
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.errors import FacademapError, InputError
from facademap.store.changes import changes_after
from facademap.store.edit import table_named
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tasks.desk.inverse import row_for_desk
from facademap.tasks.desk.tables import PackedTables
from facademap.web.answers import as_plain, threaded
from facademap.web.desk import Desk
from facademap.web.tables_api import table_as_json

__all__ = ["make_ready", "routes"]


def routes(desk: Desk, packed: PackedTables) -> list[Route]:
    """Addresses /api/packed/{table} and /api/tables."""

    def whole(request: Request, body: Any) -> Any:
        name = _readable(request.path_params["table"])
        reader = desk.reading()
        data, seq = packed.table(reader, name)
        later = json.dumps(
            as_plain(_later(reader, name, seq)), ensure_ascii=False, separators=(",", ":")
        ).encode()
        return Response(
            data + later,
            media_type="application/octet-stream",
            headers={"cache-control": "no-cache"},
        )

    def several(request: Request, body: Any) -> Any:
        names = [
            _readable(name) for name in request.query_params.get("names", "").split(",") if name
        ]
        if not names or len(names) > len(TABLES):
            raise InputError("no tables were named", "Give names=.. with commas between them.")
        reader = desk.reading()
        parts = [
            b'"%s":%s' % (name.encode(), table_as_json(reader, name, seq=desk.seq()))
            for name in dict.fromkeys(names)
        ]
        return Response(b"{" + b",".join(parts) + b"}", media_type="application/json")

    return [Route("/api/packed/{table}", threaded(whole)), Route("/api/tables", threaded(several))]


def make_ready(desk: Desk, packed: PackedTables) -> None:
    """Pack the large tables in the background, so that the first page need not wait for it."""

    def work() -> None:
        # a fault is told to the page that asks, and an ended server closes the project meanwhile
        with (
            contextlib.suppress(FacademapError),
            Project.open(desk.folder, read_only=True) as project,
        ):
            for table in TABLES.values():
                if table.geometry and table.name != "surfaces":
                    packed.table(project, table.name)

    threading.Thread(target=work, daemon=True).start()


def _later(reader: Project, name: str, seq: int) -> dict[str, Any]:
    """Rows of a table as they stand now that were changed after a moment."""
    made = changes_after(reader, seq)
    rows: list[dict[str, Any]] = []
    for row_id in dict.fromkeys(c.id for c in made if c.table == name):
        try:
            found = reader.row(name, row_id)
        except InputError:
            rows.append({"id": row_id, "rev": None, "row": None})
        else:
            rows.append(
                {"id": row_id, "rev": found["rev"], "row": row_for_desk(table_named(name), found)}
            )
    return {"seq": made[-1].seq if made else seq, "rows": rows}


def _readable(name: str) -> str:
    table = table_named(name).name
    if table == "settings":
        raise InputError("settings are part of /api/project", "Ask there.")
    return table
