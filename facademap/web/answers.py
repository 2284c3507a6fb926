"""How the server answers: JSON, and one shape for every error."""

from __future__ import annotations

import json
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from facademap.errors import (
    ConflictError,
    FacademapError,
    FileError,
    InputError,
    InUseError,
    ProjectError,
    RightsError,
    SolveError,
    StageError,
)
from facademap.limits import is_nested_deeper

__all__ = [
    "Answer",
    "as_plain",
    "failure",
    "names_of",
    "number_of",
    "on_http_error",
    "on_unforeseen",
    "read_body",
    "text_of",
    "threaded",
]

#: Nothing that is sent here goes deeper or holds longer whole numbers.
DEEPEST, LONGEST_WHOLE = 24, 18

_STATUS: tuple[tuple[type[FacademapError], int], ...] = (
    (ConflictError, 409),
    (StageError, 409),
    (InUseError, 409),
    (FileError, 404),
    (RightsError, 403),
    (ProjectError, 503),
    (SolveError, 422),
    (InputError, 400),
)


def as_plain(value: Any) -> Any:
    """Numbers, text, lists and mappings; what is no number becomes null."""
    if isinstance(value, Mapping):
        return {str(k): as_plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [as_plain(v) for v in value]
    if hasattr(value, "tolist"):
        return as_plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return str(value)


class Answer(JSONResponse):
    """A JSON answer."""

    def render(self, content: Any) -> bytes:
        """Plain values, no NaN."""
        form: dict[str, Any] = {
            "ensure_ascii": False,
            "allow_nan": False,
            "separators": (",", ":"),
        }
        try:
            return json.dumps(content, default=as_plain, **form).encode()
        except (ValueError, TypeError):
            # what is no number is rare: only then is everything looked through
            return json.dumps(as_plain(content), **form).encode()


def failure(error: FacademapError, *, more: Mapping[str, Any] | None = None) -> Response:
    """The one shape of an error: type, problem, remedy, faults."""
    status = next((s for kind, s in _STATUS if isinstance(error, kind)), 400)
    body = {
        "type": type(error).__name__,
        "problem": error.problem,
        "remedy": error.remedy,
        "faults": list(getattr(error, "faults", ()))[:200],
        **({"consequences": told} if (told := getattr(error, "consequences", None)) else {}),
        **(more or {}),
    }
    return Answer({"error": body}, status_code=status)


async def on_http_error(request: Request, error: Exception) -> Response:
    """Unknown routes and methods."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    problem = {
        404: "there is nothing at this address",
        405: "this address does not take that method",
    }.get(status, "refused")
    return Answer(
        {
            "error": {
                "type": "Refused",
                "problem": problem,
                "remedy": "Check the address.",
                "faults": [],
            }
        },
        status_code=status,
    )


async def on_unforeseen(request: Request, error: Exception) -> Response:
    """A fault of ours: said so, without its inner parts."""
    return Answer(
        {
            "error": {
                "type": "Unforeseen",
                "problem": "the server met a fault of its own; nothing was stored",
                "remedy": "Try again; if it comes back, send the maker the terminal's last lines.",
                "faults": [],
            }
        },
        status_code=500,
    )


async def read_body(request: Request) -> Any:
    """The JSON of a request."""
    try:
        raw = await request.body()
    except ClientDisconnect:
        raise InputError("a request that is too long", "Send less at once.") from None
    try:
        body = json.loads(
            raw or b"null", parse_constant=_no_constant, parse_int=_whole, parse_float=_finite
        )
        if b"\\u" in raw or b"\xed" in raw:
            # half of a surrogate pair is no text: it could be stored nowhere and told to nobody
            json.dumps(body, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        raise InputError("a request that is not JSON", "Send one JSON object.") from None
    if is_nested_deeper(body, DEEPEST):
        raise InputError(f"a request nested more than {DEEPEST} deep", "Send plain values.")
    return body


def _no_constant(name: str) -> Any:
    raise ValueError(name)


def _whole(text: str) -> int:
    if len(text) > LONGEST_WHOLE:
        raise ValueError(text[:LONGEST_WHOLE])
    return int(text)


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def threaded(function: Callable[..., Any]) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint from a plain function ``(request, body) -> values or Response``, run in a thread."""

    async def endpoint(request: Request) -> Response:
        try:
            body = await read_body(request) if request.method not in ("GET", "HEAD") else None
            result = await run_in_threadpool(function, request, body)
        except FacademapError as error:
            return failure(error)
        return result if isinstance(result, Response) else Answer(result)

    endpoint.__name__ = function.__name__
    return endpoint


def text_of(body: Any, name: str, *, most: int = 2000, required: bool = False) -> str:
    """A text of a request, trimmed."""
    if not isinstance(body, Mapping):
        raise InputError("a request that is not an object", "Send one JSON object.")
    value = body.get(name)
    if value is None and not required:
        return ""
    if not isinstance(value, str) or len(value) > most or (required and not value.strip()):
        raise InputError(
            f"{name} is {'missing' if value is None else 'not a usable text'}",
            f"Send {name} as text.",
        )
    return value.strip()


#: Names that one request may list.
_MOST_NAMES = 2_000


def names_of(body: Any, key: str) -> list[str]:
    """A list of names of a request; none where it is not given."""
    found = body.get(key) or []
    if (
        not isinstance(found, list)
        or len(found) > _MOST_NAMES
        or not all(isinstance(n, str) for n in found)
    ):
        raise InputError(f"{key} is no list of names", f"Send at most {_MOST_NAMES} of them.")
    return list(found)


def number_of(body: Any, key: str) -> float:
    """A number of a request."""
    value = body.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"{key} is no number", "Send a number.")
    return float(value)
