"""Who may ask what: host, origin, content type, sign-in, and the headers of every answer."""

from __future__ import annotations

import base64
import binascii
import ipaddress
import json
import socket
from collections.abc import Awaitable, Callable, Iterable, Mapping, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from facademap.errors import FacademapError, InputError
from facademap.limits import limits_now
from facademap.web.meter import Meter
from facademap.web.sessions import Pass, Sessions
from facademap.web.team_sessions import TeamSessions

__all__ = ["LONGEST_NAME", "SECURITY_HEADERS", "Access", "Guard", "author_of", "read_picture_body"]

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Any]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; font-src 'self'; "
    "connect-src 'self'; worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
SECURITY_HEADERS: tuple[tuple[bytes, bytes], ...] = tuple(
    (k.encode(), v.encode())
    for k, v in {
        "content-security-policy": CONTENT_POLICY,
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "referrer-policy": "no-referrer",
        "cross-origin-resource-policy": "same-origin",
        "cross-origin-opener-policy": "same-origin",
        "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    }.items()
)
PICTURE_TYPES = ("image/jpeg", "image/png", "image/tiff", "image/webp")
FORM_TYPE = "application/x-www-form-urlencoded"
LONGEST_NAME = 80
_OPEN_PATHS = frozenset(
    {
        "/",
        "/enter",
        "/invited",
        "/favicon.ico",
        "/manifest.webmanifest",
        "/pages.css",
        "/service.js",
    }
    | {"/health", "/metrics"}  # how the server does, for programs that watch it
)
_OPEN_FOLDERS = ("/built/",)
#: What GIS programs read; the secret of a reviewer's link opens it with every request.
_FOR_PROGRAMS = "/ogc"
#: Pages of our own that work without a script send forms; everybody who may read may also leave.
_FORMS = frozenset({"/enter", "/invited", "/people", "/sign-ins"})


@dataclass(slots=True, kw_only=True)
class Access:
    """The rules of one server.

    Parameters
    ----------
    hosts : frozenset of str
        Names that this server answers to.
    any_address : bool
        Whether any IP address written as numbers is answered too (a name could be made to point here by
        somebody else's DNS; numbers cannot).
    cookie : str
        Name of the cookie that holds a session; another project has another.
    sessions : Sessions or TeamSessions
        Who is signed in.
    is_open : bool
        Whether nobody needs to sign in, since only this machine can reach the server.
    reader : callable
        Name of the reviewer whose link holds this secret; ``None`` for none.
    """

    hosts: frozenset[str]
    any_address: bool
    cookie: str
    sessions: Sessions | TeamSessions
    is_open: bool
    reader: Callable[[str], str | None] = lambda secret: None

    @classmethod
    def for_host(
        cls,
        host: str,
        *,
        cookie: str,
        sessions: Sessions | TeamSessions,
        is_open: bool,
        names: Iterable[str] = (),
        reader: Callable[[str], str | None] = lambda secret: None,
    ) -> Access:
        """The rules for a server that listens on ``host`` and is called by ``names`` as well."""
        loopback = {"127.0.0.1", "localhost", "::1"}
        known = loopback | {n.lower() for n in names}
        if host not in loopback:
            own = socket.gethostname().lower()
            known |= {host.lower(), own, f"{own}.local"}
        return cls(
            hosts=frozenset(known),
            any_address=host not in loopback,
            cookie=cookie,
            sessions=sessions,
            is_open=is_open,
            reader=reader,
        )

    def answers_to(self, host: str) -> bool:
        """Whether a Host header names this server."""
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        name = name.strip("[]").lower()
        if name in self.hosts:
            return True
        if not self.any_address:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True

    def forget(self) -> None:
        """Remember nothing of what people may do: it has changed."""
        if isinstance(self.sessions, TeamSessions):
            self.sessions.forget()

    async def pass_of(self, token: str, *, fresh: bool = True) -> Pass | None:
        """What the token of a session opens; ``None`` for nothing. Not ``fresh``: as the database said a moment ago."""
        # on a machine of one's own no session is needed; one that has ended is still ended
        if self.is_open and not token:
            return Pass(kind="write")
        if isinstance(self.sessions, Sessions):
            return self.sessions.find(token)
        return await run_in_threadpool(self.sessions.find, token, fresh=fresh)

    async def pass_of_program(self, headers: Mapping[bytes, str]) -> Pass | None:
        """What a program that keeps no cookie may do: read, by the secret of a reviewer's link, as a bearer or as a password.

        Where people have accounts, the token of a session takes the place of the link.
        """
        scheme, _, given = headers.get(b"authorization", "").partition(" ")
        secret = given.strip()
        if scheme.lower() == "basic":
            try:
                secret = base64.b64decode(secret, validate=True).decode().partition(":")[2]
            except (binascii.Error, UnicodeDecodeError):
                return None
        elif scheme.lower() != "bearer":
            return None
        if not isinstance(self.sessions, Sessions):
            return await self.pass_of(secret, fresh=False)
        name = self.reader(secret) if secret else None
        return None if name is None else Pass(kind="review", name=name)

    def token_of(self, headers: Mapping[bytes, str]) -> str:
        """The token that a request carries, in its cookie or as a bearer."""
        bearer = headers.get(b"authorization", "")
        if bearer.lower().startswith("bearer "):
            return bearer[7:].strip()
        cookie = SimpleCookie()
        try:
            cookie.load(headers.get(b"cookie", ""))
        except CookieError:  # a cookie that cannot be read is no cookie
            return ""
        return cookie[self.cookie].value if self.cookie in cookie else ""


def author_of(scope: Mapping[str, Any], said: str, fallback: str) -> str:
    """Who makes a change: the person of the session, whatever the request says; without sessions what it says."""
    granted = scope.get("facademap_pass")
    name = granted.name if granted is not None else ""
    return name or " ".join(said.split())[:LONGEST_NAME] or fallback


async def read_picture_body(request: Request) -> bytes:
    """The picture that was sent.

    Raises
    ------
    InputError
        It is none of the kinds that are taken, or it is larger than the limit.
    """
    if request.headers.get("content-type", "").split(";")[0].strip() not in PICTURE_TYPES:
        raise InputError(
            "a photo that is no picture", "Send image/jpeg, image/png, image/tiff or image/webp."
        )
    try:
        return await request.body()
    except ClientDisconnect:
        raise InputError("a picture that is too large", "Send at most 80 MB.") from None


class Guard:
    """Outermost layer of the server."""

    def __init__(
        self,
        app: Callable[[Scope, Receive, Send], Awaitable[None]],
        access: Access,
        *,
        on_stop: Callable[[], None] = lambda: None,
        ticket: Callable[[], str] | None = None,
        meter: Meter | None = None,
    ) -> None:
        self._app, self._access, self.on_stop, self.ticket = app, access, on_stop, ticket
        self._meter = meter or Meter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        await self._meter.counted(scope, send, lambda heard: self._answer(scope, receive, heard))

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = {k.lower(): v.decode("latin-1") for k, v in scope["headers"]}
        refusal = self._refusal(scope, headers) or await self._entry_refusal(scope, headers)
        if refusal:
            await _refuse(send, *refusal)
            return
        _, limit = _most_bytes(_media_type(headers))
        await self._app(scope, _limited(receive, limit), _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str, str] | None:
        host = headers.get(b"host", "")
        if not self._access.answers_to(host):
            return (
                421,
                "this server does not answer to that name",
                "Use the address that facademap serve printed.",
            )
        site = headers.get(b"sec-fetch-site", "")
        navigation = headers.get(b"sec-fetch-mode") == "navigate" and scope["method"] == "GET"
        if site in ("cross-site", "same-site") and not navigation:
            return 403, "a page of another site asked", "Open the survey desk by its own address."
        if scope["method"] not in ("GET", "HEAD"):
            refused = self._write_refusal(scope, headers, host)
            if refused:
                return refused
        return None

    async def _entry_refusal(
        self, scope: Scope, headers: dict[bytes, str]
    ) -> tuple[int, str, str] | None:
        """Who comes: what they may do is judged by ``facademap.web.acts``."""
        if scope["path"] not in _OPEN_PATHS and not scope["path"].startswith(_OPEN_FOLDERS):
            looks = scope["method"] in ("GET", "HEAD")

            async def still() -> bool:
                """Whether a request that waited may still do what it might when it came."""
                return found == await self._access.pass_of(self._access.token_of(headers))

            try:
                found = await self._access.pass_of(self._access.token_of(headers), fresh=not looks)
                if found is None and scope["path"].startswith(_FOR_PROGRAMS):
                    found = await self._access.pass_of_program(headers)
            except FacademapError as error:  # the database with the sessions is away
                return 503, error.problem, error.remedy
            if found is None:
                return 401, "you are not signed in", "Sign in again, or open your link again."
            scope["facademap_pass"], scope["facademap_still"] = found, still
        return None

    def _write_refusal(
        self, scope: Scope, headers: dict[bytes, str], host: str
    ) -> tuple[int, str, str] | None:
        origin = headers.get(b"origin")
        if origin is not None and origin.split("://", 1)[-1].lower() != host.lower():
            return (
                403,
                "a page of another origin tried to write",
                "Open the survey desk by its own address.",
            )
        kind = _media_type(headers)
        is_form = kind == FORM_TYPE and scope["path"] in _FORMS
        if kind != "application/json" and kind not in PICTURE_TYPES and not is_form:
            return (
                415,
                f"content of type {kind[:60] or 'nothing'!r}",
                "Send application/json, or a picture.",
            )
        try:
            length = int(headers.get(b"content-length", "0"))
        except ValueError:
            return 400, "a content length that is no number", "Send the request again."
        name, most = _most_bytes(kind)
        if length > most:
            return (
                413,
                f"{length} bytes at once, more than {most}",
                f"Send less at once, or have the server started with --limit {name}=NUMBER.",
            )
        return None


def _most_bytes(kind: str) -> tuple[str, int]:
    """Limit of a body by its type, and its bytes: a larger one is refused unread. Pictures may be larger than edits."""
    name = "upload_mb" if kind in PICTURE_TYPES else "request_mb"
    return name, getattr(limits_now(), name) * 1_000_000


def _media_type(headers: dict[bytes, str]) -> str:
    return headers.get(b"content-type", "").split(";")[0].strip().lower()


def _limited(receive: Receive, limit: int) -> Receive:
    """Stop reading a body that is longer than allowed, whatever it said of its length."""
    seen = 0

    async def read() -> Any:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > limit:
            return {"type": "http.disconnect"}
        return message

    return read


def _with_headers(send: Send) -> Send:
    async def write(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            given = list(message.get("headers", []))
            named = {name.lower() for name, _ in given}
            message["headers"] = [*given, *(h for h in SECURITY_HEADERS if h[0] not in named)]
        await send(message)

    return write


async def _refuse(send: Send, status: int, problem: str, remedy: str) -> None:
    body = json.dumps(
        {"error": {"type": "Refused", "problem": problem, "remedy": remedy, "faults": []}}
    ).encode()
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", b"application/json"),
                (b"content-length", str(len(body)).encode()),
                *SECURITY_HEADERS,
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
