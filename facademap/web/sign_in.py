"""The way in and out: signing in by secret or link, who is signed in, ending a session."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs

import anyio
import anyio.to_thread
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from facademap.errors import FacademapError, InputError, RightsError
from facademap.store.team_people import PeopleBook
from facademap.tasks.desk.accounts import is_secret_of
from facademap.web.answers import Answer, failure, read_body, threaded
from facademap.web.attempts import Attempts
from facademap.web.guard import FORM_TYPE, LONGEST_NAME, Access
from facademap.web.sessions import LONGEST_S, Session

__all__ = [
    "InTurn",
    "SignIn",
    "browser_of",
    "digest",
    "fields_of",
    "later",
    "routes",
    "shown",
]

#: How long the browser that is opened at the start may take to ask.
TICKET_S = 300.0
LONGEST_PRESENTED = 1000


def digest(secret: str) -> str:
    """What is kept of the random secret of a reviewer's link."""
    return hashlib.sha256(f"facademap reviewer {secret}".encode()).hexdigest()


@dataclass(slots=True, kw_only=True)
class SignIn:
    """What opens a session.

    Parameters
    ----------
    access : Access
    secret : str
        Of the team.
    reviewers : callable
        Names by digest of the links that are valid now.
    attempts : Attempts
    secure : bool
        Whether people come by TLS, so that the cookie goes by TLS alone.
    book : PeopleBook, optional
        Accounts of the database; then nothing else opens a session.
    tickets : dict of str to float
        Until when each may be used.
    """

    access: Access
    secret: str
    reviewers: Callable[[], dict[str, str]]
    attempts: Attempts
    secure: bool
    book: PeopleBook | None = None
    tickets: dict[str, float] = field(default_factory=dict)

    def ticket(self) -> str:
        """Opens the page once, soon: for the browser that is started with the server, whose command line others can read."""
        made = secrets.token_urlsafe(24)
        self.tickets[made] = time.monotonic() + TICKET_S
        return made

    def with_cookie(self, answer: Response, token: str) -> Response:
        """An answer that hands a session to the browser: no script reads it, no other site sends it, and by TLS alone where there is."""
        answer.set_cookie(
            self.access.cookie,
            token,
            max_age=int(LONGEST_S),
            httponly=True,
            samesite="strict",
            secure=self.secure,
            path="/",
        )
        return answer

    def opened_by(self, presented: str, name: str) -> tuple[str, str, str] | None:
        """Kind, name and link of the session that a secret, a link or a ticket opens."""
        if self.book is not None:
            known = is_secret_of(self.book, name, presented) if name and presented else None
            # what was typed where the name belongs may be the secret, so only names that there are are written down
            told = known or self.book.known_name(name)
            self.book.note(told, "sign in", "", "done" if known else "refused")
            return None if known is None else ("account", known, "")
        if self.secret and hmac.compare_digest(presented.encode(), self.secret.encode()):
            return "write", name, ""
        until = self.tickets.get(presented)
        if until is not None and time.monotonic() < until:
            return "write", name, ""
        link = digest(presented)
        reviewer = self.reviewers().get(link) if presented else None
        return ("review", reviewer, link) if reviewer is not None else None


class InTurn:
    """One try after the other: nobody gains by trying many at once, and those who are in go on meanwhile."""

    def __init__(self) -> None:
        self._limiter: anyio.CapacityLimiter | None = None

    async def run(self, function: Callable[..., Any], *given: Any) -> Any:
        """The result of a function that waits for the database or works hard."""
        if self._limiter is None:
            self._limiter = anyio.CapacityLimiter(1)
        return await anyio.to_thread.run_sync(function, *given, limiter=self._limiter)


class SignInError(InputError):
    """Somebody who did not get in."""

    def __init__(self, problem: str, remedy: str, *, status: int, wait_s: float = 0.0) -> None:
        super().__init__(problem, remedy)
        self.status, self.wait_s = status, wait_s


def routes(sign_in: SignIn, show_desk: Callable[[], Response]) -> list[Route]:
    """Addresses /, /enter, /sign-ins and those under /api for sessions."""
    return [*_way_in(sign_in, show_desk), *_sessions(sign_in)]


def _beginning(sign_in: SignIn) -> Callable[[Request, str, str], tuple[str, str]]:
    """Opens a session for a browser: its token and the name, or a refusal that says how long to wait."""
    access = sign_in.access

    def begin(request: Request, presented: str, name: str) -> tuple[str, str]:
        address = request.client.host if request.client else ""
        wait = sign_in.attempts.wait_s(address)
        if wait > 0:
            raise SignInError("too many wrong secrets", later(wait), status=429, wait_s=wait)
        found = sign_in.opened_by(presented[:LONGEST_PRESENTED], name)
        if found is None:
            wait = sign_in.attempts.failed(address)
            raise SignInError("this secret opens nothing", later(wait), status=401, wait_s=wait)
        kind, name, link = found
        if not name:
            raise SignInError(
                "no name", "Give the name that your work is to be signed with.", status=400
            )
        sign_in.tickets.pop(presented, None)
        token = access.sessions.open(
            kind=kind,
            name=name,
            address=address,
            browser=browser_of(request.headers.get("user-agent", "")),
            link=link,
        )
        before = access.sessions.find(request.cookies.get(access.cookie, ""))
        if before is not None:
            access.sessions.end(before.session)
        sign_in.attempts.succeeded(address, name=name, kind=kind)
        return token, name

    return begin


def _way_in(sign_in: SignIn, show_desk: Callable[[], Response]) -> list[Route]:
    """The desk for who is signed in, the form for who is not."""
    access, in_turn, accounts = sign_in.access, InTurn(), sign_in.book is not None
    begin = _beginning(sign_in)

    async def page(request: Request) -> Response:
        key, ticket = request.query_params.get("key"), request.query_params.get("ticket", "")
        if key is not None and not accounts:
            # a link comes from a letter, that is from another site, and a strict cookie would not go with a redirection
            try:
                if key and hmac.compare_digest(key.encode(), sign_in.secret.encode()):
                    raise SignInError(
                        "a secret in an address stays in lists of pages that were visited",
                        "Type it here.",
                        status=401,
                    )
                token, _ = await in_turn.run(begin, request, key, "")
            except SignInError as refused:
                return _form(refused=refused, accounts=accounts)
            return sign_in.with_cookie(shown("go_on.html"), token)
        try:
            known = await access.pass_of(request.cookies.get(access.cookie, ""))
        except FacademapError as error:
            return _form(refused=error, accounts=accounts)
        if known is None or ticket:
            if not access.is_open:
                return _form(ticket=ticket, accounts=accounts)
            answer = RedirectResponse("/", status_code=303)
            answer.delete_cookie(access.cookie, path="/")
            return answer
        return show_desk()

    async def enter(request: Request) -> Response:
        is_form = request.headers.get("content-type", "").split(";")[0].strip() == FORM_TYPE
        told: Any = {}
        try:
            told = await fields_of(request) if is_form else await read_body(request)
            if access.is_open:
                raise InputError("nobody needs to sign in here", "Open the survey desk.")
            presented, name = _words(told)
            token, name = await in_turn.run(begin, request, presented, name)
        except FacademapError as error:
            if is_form:
                again = getattr(error, "status", 400) == 400
                ticket = told.get("ticket", "") if again else ""
                name = str(told.get("name", ""))[:LONGEST_NAME]
                return _form(refused=error, ticket=ticket, name=name, accounts=accounts)
            return _refusal(error)
        if is_form:
            return sign_in.with_cookie(RedirectResponse("/", status_code=303), token)
        return sign_in.with_cookie(Answer({"token": token, "name": name}), token)

    return [Route("/", page), Route("/enter", enter, methods=["POST"])]


def _sessions(sign_in: SignIn) -> list[Route]:
    """Who is signed in, and the way out."""
    access = sign_in.access

    def leave(request: Request, answer: Response) -> Response:
        granted = request.scope["facademap_pass"]
        if access.sessions.end(granted.session):
            if sign_in.book is not None:
                sign_in.book.note(granted.name, "sign out", "", session=granted.session)
            sign_in.attempts.told("signed out", name=granted.name)
        answer.delete_cookie(
            access.cookie, path="/", secure=sign_in.secure, httponly=True, samesite="strict"
        )
        return answer

    def listed(request: Request) -> list[dict[str, Any]]:
        granted = request.scope["facademap_pass"]
        mine = granted.session
        return [
            _told(s, this=s.id == mine)
            for s in access.sessions.all()
            if granted.acts_as == "administrator" or s.id == mine
        ]

    def end_one(request: Request, wanted: str) -> None:
        granted = request.scope["facademap_pass"]
        if granted.acts_as != "administrator" and wanted != granted.session:
            raise RightsError(
                "sessions of others", "Ask the team, or its administrator, to end them."
            )
        if not access.sessions.end(wanted):
            raise InputError("there is no such session", "It may have ended already.")
        sign_in.attempts.told(f"session {wanted} ended", name=granted.name)

    def every(request: Request, body: Any) -> Any:
        return {"needed": not access.is_open, "sessions": listed(request)}

    def end(request: Request, body: Any) -> Any:
        wanted = body.get("id") if isinstance(body, dict) else None
        if not isinstance(wanted, str) or not wanted:
            raise InputError("no session was named", "Send its id.")
        end_one(request, wanted[:40])
        return {"ended": wanted[:40]}

    def sign_out(request: Request, body: Any) -> Any:
        return leave(request, Answer({"signed_out": True}))

    def sign_ins_page(request: Request, told: dict[str, str]) -> Response:
        note = ""
        if request.method == "POST":
            try:
                wanted = str(told.get("id", ""))[:40]
                if wanted == request.scope["facademap_pass"].session:
                    return leave(request, RedirectResponse("/", status_code=303))
                end_one(request, wanted)
                return RedirectResponse("/sign-ins", status_code=303)
            except FacademapError as error:
                note = f"{error.problem}. {error.remedy}"
        return shown(
            "sign_ins.html",
            sessions=listed(request),
            needed=not access.is_open,
            leads=sign_in.book is not None
            and request.scope["facademap_pass"].acts_as == "administrator"
            and request.scope["facademap_pass"].elevations is None,
            note=note,
            status=400 if note else 200,
        )

    async def sign_ins(request: Request) -> Response:
        try:
            told = await fields_of(request) if request.method == "POST" else {}
            return await run_in_threadpool(sign_ins_page, request, told)
        except FacademapError as error:
            return failure(error)

    return [
        Route("/sign-ins", sign_ins, methods=["GET", "POST"]),
        Route("/api/sessions", threaded(every)),
        Route("/api/sessions/end", threaded(end), methods=["POST"]),
        Route("/api/sign-out", threaded(sign_out), methods=["POST"]),
    ]


_PAGES = Environment(
    loader=PackageLoader("facademap.web", "pages"), autoescape=True, undefined=StrictUndefined
)


def shown(template: str, *, status: int = 200, **values: Any) -> Response:
    """A page of ours that works without a script."""
    # with no-referrer a browser would send its forms from nowhere, and they would be refused
    headers = {"cache-control": "no-store", "referrer-policy": "same-origin"}
    return HTMLResponse(
        _PAGES.get_template(template).render(values), status_code=status, headers=headers
    )


def _form(
    *,
    refused: FacademapError | None = None,
    ticket: str = "",
    name: str = "",
    accounts: bool = False,
) -> Response:
    note = f"{refused.problem}. {refused.remedy}" if refused is not None else ""
    status = getattr(refused, "status", 400) if refused is not None else 401
    answer = shown(
        "sign_in.html",
        status=status,
        note=note[:1].upper() + note[1:],
        ticket=ticket,
        name=name,
        accounts=accounts,
    )
    return _told_to_wait(answer, refused)


def _refusal(error: FacademapError) -> Response:
    answer = failure(error)
    answer.status_code = getattr(error, "status", answer.status_code)
    return _told_to_wait(answer, error)


def _told_to_wait(answer: Response, error: FacademapError | None) -> Response:
    wait = getattr(error, "wait_s", 0.0)
    if wait > 0:
        answer.headers["retry-after"] = str(int(wait) + 1)
    return answer


def later(wait_s: float) -> str:
    """When to try again, in words."""
    return "Try again." if wait_s <= 0 else f"Try again in {int(wait_s) + 1} s."


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of a form."""
    try:
        raw = await request.body()
        found = parse_qs(raw.decode("utf-8"), max_num_fields=8, keep_blank_values=True)
    except (ValueError, ClientDisconnect):
        raise InputError("a form that cannot be read", "Fill in the page again.") from None
    return {name: values[0] for name, values in found.items()}


def _words(told: Any) -> tuple[str, str]:
    """What was presented, and the name."""
    if not isinstance(told, dict):
        raise InputError("signing in needs secret and name", "Send both as text.")
    presented, name = told.get("ticket") or told.get("secret") or "", told.get("name") or ""
    if not isinstance(presented, str) or not isinstance(name, str):
        raise InputError("secret or name is not text", "Send both as text.")
    name = " ".join(name.split())
    if len(name) > LONGEST_NAME or not name.isprintable():
        raise InputError(
            "a name that cannot be printed", f"Use at most {LONGEST_NAME} letters and signs."
        )
    return presented, name


def browser_of(agent: str) -> str:
    """What a person recognises of the words with which a browser introduces itself."""
    known = ("Firefox", "Edg", "Chrome", "Safari", "curl", "python")
    systems = ("Android", "iPhone", "iPad", "Windows", "Mac OS", "Linux")
    first = next((k for k in known if k in agent), "another program")
    where = next((s for s in systems if s in agent), "")
    return f"{'Edge' if first == 'Edg' else first}{f', {where}' if where else ''}"


def _told(session: Session, *, this: bool) -> dict[str, Any]:
    return {
        "id": session.id,
        "name": session.name,
        "kind": session.kind,
        "opened_at": _when(session.opened_at),
        "seen_at": _when(session.seen_at),
        "address": session.address,
        "browser": session.browser,
        "this": this,
    }


def _when(seconds: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(seconds))
