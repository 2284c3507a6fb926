"""Addresses of what guards the record: the audit, with the place that each line leads to."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from facademap.tasks.project.check import check_project
from facademap.web.answers import threaded
from facademap.web.desk import Desk

__all__ = ["routes"]


def routes(desk: Desk) -> list[Route]:
    """All of them."""

    def check(request: Request, body: Any) -> Any:
        seq = desk.seq()
        found = check_project(desk.folder, fast=request.query_params.get("fast") == "1")
        return {k: found[k] for k in ("findings", "faults", "warnings")} | {"seq": seq}

    return [Route("/api/check", threaded(check))]
