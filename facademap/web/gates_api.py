"""Addresses of what guards the record: the audit, with the place that each line leads to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.condition.signs import signs_as_json
from facademap.errors import FacademapError, InputError
from facademap.io.whole_files import temporary_folder, write_whole
from facademap.store.project import Project
from facademap.tasks.issue.papers_register import recall_paper
from facademap.tasks.match.kept_plans import (
    choose_plan,
    drop_plan,
    keep_now,
    keep_plan,
    name_plan,
    plans_of,
    undo_plan,
)
from facademap.tasks.project.set_aside import put_back_in, set_aside_in
from facademap.web.answers import Answer, failure, text_of, threaded
from facademap.web.apart import Apart, Order, apart
from facademap.web.desk import Desk
from facademap.web.guard import author_of, read_picture_body

__all__ = ["routes"]


def routes(desk: Desk, pool: Apart) -> list[Route]:
    """All of them."""

    async def check(request: Request) -> Response:
        # what changes while it is checked is not in it
        seq = desk.seq()
        return await apart(
            pool,
            lambda r, body: ("check", {"fast": r.query_params.get("fast") == "1"}),
            lambda found: Answer(found | {"seq": seq}),
        )(request)

    def aside(request: Request, body: Any) -> Any:
        who = author_of(request.scope, text_of(body, "who", most=80), "survey desk")
        table, row = (text_of(body, n, most=400, required=True) for n in ("table", "row"))
        with desk.writing() as project:
            return set_aside_in(project, [f"{table}:{row}"], who=who)

    def back(request: Request, body: Any) -> Any:
        who = author_of(request.scope, text_of(body, "who", most=80), "survey desk")
        with desk.writing() as project:
            return {"rows": put_back_in(project, text_of(body, "key", required=True), who=who)}

    def signs(request: Request, body: Any) -> Any:
        return signs_as_json()

    return [
        Route("/api/check", check),
        Route("/api/check/set-aside", threaded(aside), methods=["POST"]),
        Route("/api/check/put-back", threaded(back), methods=["POST"]),
        Route("/api/signs", threaded(signs)),
        *_plan_routes(desk),
        *_paper_routes(desk, pool),
    ]


def _plan_routes(desk: Desk) -> list[Route]:
    def plans(request: Request, body: Any) -> Any:
        return {"plans": plans_of(desk.reading())}

    def doing(kind: str) -> Any:
        def act(request: Request, body: Any) -> Any:
            who = author_of(request.scope, text_of(body, "who", most=80), "survey desk")
            with desk.writing() as project:
                return _PLAN_ACTS[kind](project, body, who)

        return act

    return [
        Route("/api/plans", threaded(plans)),
        *(
            Route(f"/api/plans/{kind}", threaded(doing(kind)), methods=["POST"])
            for kind in _PLAN_ACTS
        ),
    ]


def _paper_routes(desk: Desk, pool: Apart) -> list[Route]:
    def numbered(request: Request, body: Any) -> Order:
        return "paper", {"number": request.path_params["number"]}

    def recall(request: Request, body: Any) -> Any:
        who = author_of(request.scope, text_of(body, "who", most=80), "survey desk")
        number, why = text_of(body, "number", most=240, required=True), text_of(body, "why")
        with desk.writing() as project:
            return recall_paper(project, number, why=why, who=who)

    def asked(request: Request, body: Any) -> Order:
        return "papers-page", {"asked": request.query_params.get("asked", "")[:200]}

    def told(request: Request, body: Any) -> Order:
        return "papers-asked", {"words": request.query_params.get("words", "")[:200]}

    def page(text: str) -> Response:
        return Response(
            text,
            media_type="text/html; charset=utf-8",
            headers={"cache-control": "no-cache"},
        )

    async def pictured(request: Request) -> Response:
        try:
            data = await read_picture_body(request)
            with temporary_folder() as folder:
                arrived = await run_in_threadpool(
                    write_whole, "arrived", data, inside=folder, durable=False
                )
                del data  # many may wait
                order = ("papers-pictured", {"path": arrived})
                return Answer(await pool.answer(order, gone=request.is_disconnected))
        except FacademapError as error:
            return failure(error)

    return [
        Route("/api/papers/code", pictured, methods=["POST"]),
        Route("/api/papers/recall", threaded(recall), methods=["POST"]),
        Route("/api/papers/number/{number}", apart(pool, numbered)),
        Route("/api/papers/asked", apart(pool, told)),
        Route("/papers.html", apart(pool, asked, page)),
    ]


def _plan(body: Any) -> str:
    return text_of(body, "plan", most=200, required=True)


def _keep(project: Project, body: Any, who: str) -> Any:
    kept = body.get("kept", True)
    if not isinstance(kept, bool):
        raise InputError("kept is not true or false", "Send kept as true or false.")
    return {"plan": keep_plan(project, _plan(body), kept=kept, who=who)}


_PLAN_ACTS: Mapping[str, Callable[[Project, Any, str], Any]] = {
    "name": lambda p, b, who: {"plan": name_plan(p, _plan(b), text_of(b, "name"), who=who)},
    "keep": _keep,
    "keep-now": lambda p, b, who: {
        "plan": keep_now(p, text_of(b, "name", most=80, required=True), who=who)
    },
    "choose": lambda p, b, who: choose_plan(p, _plan(b), who=who),
    "undo": lambda p, b, who: undo_plan(p, who=who),
    "drop": lambda p, b, who: drop_plan(p, _plan(b), who=who),
}
