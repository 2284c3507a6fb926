"""The survey desk's server, put together."""

from __future__ import annotations

import hashlib
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.errors import FileError
from facademap.store.team_address import read_team_file
from facademap.store.team_people import book_of
from facademap.tasks.desk.assist import Assistant
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.desk.tables import PackedTables
from facademap.web import (
    apart,
    campaign_api,
    described,
    features_api,
    gates_api,
    health_api,
    invited,
    languages_api,
    packed_api,
    people_page,
    pictures_api,
    tables_api,
    training_api,
    watch_api,
    work_api,
)
from facademap.web.acts import judged
from facademap.web.answers import failure, on_http_error, on_unforeseen
from facademap.web.apart import Apart
from facademap.web.attempts import Attempts, open_log
from facademap.web.costly import Tools
from facademap.web.desk import Desk
from facademap.web.guard import Access, Guard
from facademap.web.jobs import Jobs
from facademap.web.meter import Meter
from facademap.web.queue_jobs import QueuedJobs
from facademap.web.sessions import Pass, Sessions
from facademap.web.sign_in import SignIn, digest
from facademap.web.sign_in import routes as sign_in_routes
from facademap.web.team_sessions import TeamSessions

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


def make_app(
    folder: Path,
    *,
    host: str = "127.0.0.1",
    secret: str = "",
    names: Sequence[str] = (),
    secure: bool = False,
    assistant: Assistant | None = None,
    processes: bool = False,
    accounts: bool = False,
    queue: bool = False,
) -> Guard:
    """The application for one project.

    Parameters
    ----------
    folder : Path
        Project.
    host : str
        Address that the server listens on; decides which Host headers are answered.
    secret : str
        Opens a session for everybody who works here; empty only where no other machine can reach the server.
    names : sequence of str
        Further names of this server, such as that of a reverse proxy.
    secure : bool
        Whether people come by TLS.
    assistant : Assistant, optional
        Makes the proposals; one of our own way when left out.
    processes : bool
        Whether costly answers are made in processes of their own, which can be stopped.
    accounts : bool
        Whether people come by accounts that the database of the project keeps, instead of by one secret.
    queue : bool
        Whether long work goes into the queue of the database, for workers, instead of being done here.
    """
    desk, pictures, packed, jobs = (
        Desk(folder),
        Pictures(folder),
        PackedTables(folder),
        QueuedJobs(folder, read_team_file(folder)[0]) if queue else Jobs(folder),
    )

    meter = Meter()
    tools = Tools(
        folder=folder,
        reading=desk.reading,
        pictures=pictures,
        assistant=assistant or Assistant(),
    )
    pool = Apart(tools, model=assistant.model if assistant else None, processes=processes)

    def reviewers() -> dict[str, str]:
        links = desk.setting("reviewer_links", []) or []
        return {link["hash"]: link["name"] for link in links if not link.get("withdrawn_at")}

    book = book_of(desk.reading()) if accounts else None
    needed = bool(secret) or accounts
    kept = folder / "cache" if (folder / "cache").is_dir() else None
    access = Access.for_host(
        host,
        cookie=_cookie_name(desk, secure=secure),
        sessions=Sessions(kept if secret else None, secret=secret, links=reviewers)
        if book is None
        else TeamSessions(book),
        is_open=not needed,
        names=names,
        reader=lambda link: reviewers().get(digest(link)),
    )
    sign_in = SignIn(
        access=access,
        secret=secret,
        reviewers=reviewers,
        attempts=Attempts(open_log(kept if needed else None)),
        secure=secure,
        book=book,
    )

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        packed_api.make_ready(desk, packed)
        pool.make_ready()
        yield
        jobs.close()
        pool.close()
        desk.close()
        if book is not None:
            book.close()

    async def built(request: Request) -> Response:
        return _file(f"built/{request.path_params['name']}")

    async def service(request: Request) -> Response:
        return _file("built/service.js")

    async def manifest(request: Request) -> Response:
        return _file("desk.webmanifest")

    async def styles(request: Request) -> Response:
        return _file("pages.css")

    async def icon(request: Request) -> Response:
        return _file("mark.svg")

    def note(granted: Pass, act: str, about: str, outcome: str, address: str) -> None:
        assert book is not None
        book.note(granted.name, act, about, outcome, session=granted.session, address=address)

    routes = [
        *sign_in_routes(sign_in, lambda: _file("desk.html")),
        *invited.routes(sign_in),
        *people_page.routes(desk, book, changed=access.forget),
        Route("/built/{name}", built),
        Route("/service.js", service),
        Route("/manifest.webmanifest", manifest),
        Route("/favicon.ico", icon),
        Route("/pages.css", styles),
        *tables_api.routes(desk),
        *packed_api.routes(desk, packed),
        *described.routes(),
        *features_api.routes(desk, secure=secure),
        *gates_api.routes(desk, pool),
        *campaign_api.routes(desk),
        *watch_api.routes(desk),
        *training_api.routes(desk),
        *apart.routes(pool),
        *languages_api.routes(desk),
        *health_api.routes(desk, jobs, meter),
        *pictures_api.routes(desk, pictures),
        *work_api.routes(desk, pool, jobs),
    ]
    handlers: dict[Any, Any] = {
        404: on_http_error,
        405: on_http_error,
        500: on_unforeseen,
        Exception: on_unforeseen,
    }
    app = Starlette(
        routes=judged(routes, note if book is not None else None),
        exception_handlers=handlers,
        lifespan=lifespan,
    )
    app.state.desk, app.state.jobs = desk, jobs
    return Guard(
        app,
        access,
        on_stop=desk.stop_waiting,
        ticket=sign_in.ticket if secret and book is None else None,
        meter=meter,
    )


def _cookie_name(desk: Desk, *, secure: bool) -> str:
    """Of this project alone: cookies go to every port of a machine, and the desk of another project listens on the next."""
    made = hashlib.sha256(desk.reading().project_id.encode()).hexdigest()[:12]
    # a browser keeps a cookie of this prefix for TLS and for exactly this host
    return f"{'__Host-' if secure else ''}facademap-{made}"


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
