"""The survey desk's server, put together."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from facademap.errors import FileError
from facademap.tasks.desk.assist import Assistant
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.desk.tables import PackedTables
from facademap.web import described, languages_api, packed_api, pictures_api, tables_api, work_api
from facademap.web.answers import failure, on_http_error, on_unforeseen
from facademap.web.desk import Desk
from facademap.web.guard import COOKIE, WRONG_SECRET_WAIT_S, Access, Guard, pass_of
from facademap.web.jobs import Jobs

__all__ = ["make_app"]

STATIC = Path(__file__).parent / "static"
_TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".woff2": "font/woff2",
    ".txt": "text/plain; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
_TWELVE_HOURS_S = 12 * 3600


def make_app(
    folder: Path, *, host: str = "127.0.0.1", secret: str = "", assistant: Assistant | None = None
) -> Guard:
    """The application for one project.

    Parameters
    ----------
    folder : Path
        Project.
    host : str
        Address that the server listens on; decides which Host headers are answered.
    secret : str
        Needed by everybody who works here; empty only where no other machine can reach the server.
    assistant : Assistant, optional
        Makes the proposals; one of our own way when left out.
    """
    desk, pictures, packed, jobs = (
        Desk(folder),
        Pictures(folder),
        PackedTables(folder),
        Jobs(folder),
    )

    def reviewers() -> dict[str, str]:
        links = desk.setting("reviewer_links", []) or []
        return {link["hash"]: link["name"] for link in links if not link.get("withdrawn_at")}

    access = Access.for_host(host, secret=secret, reviewers=reviewers)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        packed_api.make_ready(desk, packed)
        yield
        jobs.close()
        desk.close()

    async def page(request: Request) -> Response:
        presented = request.query_params.get("key")
        if presented is not None:
            # the secret leaves the address line at once and is kept where no script can read it
            if pass_of(access, presented) is None:
                # whoever guesses waits
                await asyncio.sleep(WRONG_SECRET_WAIT_S)
                return _file("signin.html", status=401)
            answer: Response = RedirectResponse("/", status_code=303)
            answer.set_cookie(
                COOKIE,
                presented,
                max_age=_TWELVE_HOURS_S * 14,
                httponly=True,
                samesite="strict",
                path="/",
            )
            return answer
        if pass_of(access, request.cookies.get(COOKIE, "")) is None:
            if not access.secret:
                answer = RedirectResponse("/", status_code=303)
                answer.delete_cookie(COOKIE, path="/")
                return answer
            return _file("signin.html", status=401)
        return _file("desk.html")

    async def built(request: Request) -> Response:
        return _file(f"built/{request.path_params['name']}")

    async def service(request: Request) -> Response:
        return _file("built/service.js")

    async def manifest(request: Request) -> Response:
        return _file("desk.webmanifest")

    async def icon(request: Request) -> Response:
        return _file("mark.svg")

    routes = [
        Route("/", page),
        Route("/built/{name}", built),
        Route("/service.js", service),
        Route("/manifest.webmanifest", manifest),
        Route("/favicon.ico", icon),
        *tables_api.routes(desk),
        *packed_api.routes(desk, packed),
        *described.routes(),
        *languages_api.routes(desk),
        *pictures_api.routes(desk, pictures),
        *work_api.routes(desk, pictures, jobs, assistant or Assistant()),
    ]
    handlers: dict[Any, Any] = {
        404: on_http_error,
        405: on_http_error,
        500: on_unforeseen,
        Exception: on_unforeseen,
    }
    app = Starlette(routes=routes, exception_handlers=handlers, lifespan=lifespan)
    app.state.desk, app.state.jobs = desk, jobs
    return Guard(app, access, on_stop=desk.stop_waiting)


def _file(name: str, *, status: int = 200) -> Response:
    """A file of ours by a plain name; anything else is not there."""
    path = STATIC / name.replace("\0", "")
    ending = path.suffix
    inside = path.resolve().is_relative_to(STATIC.resolve())
    if not inside or ending not in _TYPES or not path.is_file() or path.name.startswith("."):
        return failure(FileError("there is nothing at this address", "Check the address."))
    return Response(
        path.read_bytes(),
        status_code=status,
        media_type=_TYPES[ending],
        headers={"cache-control": "no-cache"},
    )
