"""Addresses for the languages of the desk."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from facademap.tasks.desk.languages import catalogue, catalogues
from facademap.web.answers import threaded
from facademap.web.desk import Desk

__all__ = ["routes"]


def routes(desk: Desk) -> list[Route]:
    """Which languages there are, and the texts of one."""

    def every(request: Request, body: Any) -> Any:
        found, problems = catalogues(desk.folder)
        return {
            "languages": [{"tag": c.tag, "language": c.language} for c in found],
            "problems": problems,
        }

    def one(request: Request, body: Any) -> Any:
        found = catalogue(desk.folder, request.path_params["tag"])
        return {"tag": found.tag, "language": found.language, "texts": found.texts}

    return [Route("/api/languages", threaded(every)), Route("/api/languages/{tag}", threaded(one))]
