"""Addresses of the training: what the team sees of it by labels, and the attendance that it enters. Reviewers see nothing."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from facademap.tasks.training.overview import training_overview
from facademap.tasks.training.record import add_person, hold_session
from facademap.web.answers import names_of, number_of, text_of, threaded
from facademap.web.desk import Desk

__all__ = ["routes"]


def routes(desk: Desk) -> list[Route]:
    """What there is, a person by a label, a session with who was there."""

    def state(request: Request, body: Any) -> Any:
        granted = request.scope.get("facademap_pass")
        if granted and granted.kind == "review":
            return {"training": None}
        return {"training": training_overview(desk.reading())}

    def person(request: Request, body: Any) -> Any:
        role = text_of(body, "role", most=40) or "trainee"
        return {"row": {"label": add_person(desk.folder, role=role)}}

    def session(request: Request, body: Any) -> Any:
        row = hold_session(
            desk.folder,
            text_of(body, "title", most=200),
            kind=text_of(body, "kind", most=40),
            on=text_of(body, "on", most=40) or None,
            hours=number_of(body, "hours"),
            present=names_of(body, "present"),
        )
        return {"row": row}

    return [
        Route("/api/training", threaded(state)),
        Route("/api/training/person", threaded(person), methods=["POST"]),
        Route("/api/training/session", threaded(session), methods=["POST"]),
    ]
