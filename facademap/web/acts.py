"""Who may do what at the desk: one table of every address, and of every table that is edited, and the one place that judges by it."""

from __future__ import annotations

import logging
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.errors import FacademapError, RightsError
from facademap.store.team import limited_to
from facademap.web.answers import failure
from facademap.web.sessions import Pass

__all__ = [
    "ACTS",
    "DECIDED_STAGES",
    "EDITS",
    "JOBS",
    "OPEN",
    "RULES",
    "Rule",
    "acts_of",
    "judged",
    "need",
    "need_edits",
]

_ALL = frozenset({"surveyor", "conservator", "mason", "reviewer", "yard", "administrator"})
_LEADS = frozenset({"conservator", "administrator"})
#: What roles may do. To look and to end one's own sessions is everybody's.
ACTS: dict[str, frozenset[str]] = {
    "look": _ALL,
    "self": _ALL,
    "learn": _ALL - {"reviewer"},
    "photo": _ALL - {"reviewer"},
    "try": _ALL - {"reviewer"},
    "edit": _ALL - {"reviewer"},  # and then what each table that is edited asks for
    "survey": _LEADS | {"surveyor"},
    "work": _LEADS | {"mason"},
    "yard": _LEADS | {"yard"},
    "review": _LEADS | {"reviewer"},
    "design": _LEADS,
    "administer": frozenset({"administrator"}),
}
#: Needs no sign-in.
OPEN = "open"
#: What an edit of a table is.
EDITS: dict[str, str] = {
    **dict.fromkeys(("elevations", "surfaces", "photos", "control_points", "observations", "wall_stones", "openings"), "survey"),
    **dict.fromkeys(("conditions", "gauges", "gauge_readings", "looks"), "survey"),
    **dict.fromkeys(("repairs", "pieces", "plans", "placements", "trials", "variations", "consents", "settings"), "design"),
    **dict.fromkeys(("blocks", "faces", "orders"), "yard"),
    "work_log": "work",
    "reviews": "review",
}  # fmt: skip
#: What a job that is started at the desk is.
JOBS: dict[str, str] = {
    **dict.fromkeys(
        ("rectify", "tape", "outlines", "control", "stones", "damage", "relief"), "survey"
    ),
    **dict.fromkeys(("plan", "match", "papers"), "design"),
}
#: Stages that are decided rather than worked.
DECIDED_STAGES = frozenset({"proposed", "undecided", "approved", "on hold", "accepted"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What one address asks of whoever comes.

    Parameters
    ----------
    act : str
        One of :data:`ACTS`, or :data:`OPEN`.
    sees : str
        What is written into the trail of who saw what; empty for nothing. What changes something is always written.
    parts : bool
        Whether it can be answered for somebody who sees some elevations only. Nothing is unless it was looked at.
    """

    act: str
    sees: str = ""
    parts: bool = False


def _acts(base: str, act: str, names: str, *, parts: bool = False) -> dict[str, Rule]:
    return {f"POST {base}/{name}": Rule(act=act, parts=parts) for name in names.split()}


#: Every address by its method. A server with an address that is not here does not start.
RULES: dict[str, Rule] = {
    **{f"GET {p}": Rule(act=OPEN, parts=True) for p in (
        "/", "/invited", "/built/{name}", "/service.js", "/manifest.webmanifest", "/favicon.ico", "/pages.css",
        "/health", "/metrics")},
    **{f"POST {p}": Rule(act=OPEN, parts=True) for p in ("/enter", "/invited")},
    **{f"GET {p}": Rule(act="self", parts=True) for p in ("/sign-ins", "/api/sessions")},
    **{f"POST {p}": Rule(act="self", parts=True) for p in ("/sign-ins", "/api/sessions/end", "/api/sign-out")},
    **{f"GET {p}": Rule(act="look", parts=True) for p in (
        "/api/schema", "/api/changes", "/api/length", "/api/signs", "/api/languages", "/api/languages/{tag}",
        "/api/described", "/api/assist", "/api/mine")},
    "GET /api/project": Rule(act="look", sees="desk", parts=True),
    "GET /api/tables/{table}": Rule(act="look", sees="table", parts=True),
    "GET /api/tables": Rule(act="look", sees="tables", parts=True),
    "GET /api/packed/{table}": Rule(act="look", sees="table", parts=True),
    "GET /api/rows/{table}/{id:path}": Rule(act="look", sees="row", parts=True),
    "GET /api/history": Rule(act="look", sees="history", parts=True),
    "GET /api/pictures": Rule(act="look", parts=True),
    "GET /tiles/surface/{level}/{column}/{row}": Rule(act="look", sees="picture of surface", parts=True),
    "GET /tiles/photo/{level}/{column}/{row}": Rule(act="look", sees="photo", parts=True),
    "GET /pictures/photo": Rule(act="look", sees="photo", parts=True),
    "GET /pictures/face": Rule(act="look", sees="face", parts=True),
    "GET /pictures/relief": Rule(act="look", sees="relief", parts=True),
    "GET /api/reliefs": Rule(act="look", parts=True),
    "GET /api/relief": Rule(act="look", sees="relief", parts=True),
    "GET /api/watch": Rule(act="look", parts=True),
    **{f"GET /ogc{p}": Rule(act="look", parts=True) for p in ("", "/conformance", "/api", "/collections", "/crs/{surface}")},
    **{f"GET /ogc/collections/{{collection}}{p}": Rule(act="look", sees="layer", parts=True) for p in (
        "", "/items", "/items/{feature}")},
    "GET /api/campaign": Rule(act="look", sees="campaign"),
    "GET /api/check": Rule(act="look", sees="check"),
    "GET /api/plans": Rule(act="look", sees="plans"),
    "GET /api/plans/compare": Rule(act="look", sees="plans"),
    "GET /api/ranking": Rule(act="look", sees="ranking"),
    "GET /api/ranking/insist": Rule(act="look", sees="ranking"),
    "GET /pictures/in-wall": Rule(act="look", sees="piece in the wall"),
    "GET /pictures/ticket": Rule(act="look", sees="ticket"),
    "GET /api/way": Rule(act="look", sees="way in"),
    **{f"GET /api/work{p}": Rule(act="look", sees="work", parts=True) for p in ("", "/all")},
    "GET /api/papers": Rule(act="look", sees="papers"),
    "GET /api/papers/asked": Rule(act="look", sees="papers asked for"),
    "GET /api/papers/number/{number}": Rule(act="look", sees="paper"),
    "GET /papers.html": Rule(act="look", sees="papers asked for"),
    "GET /papers/{name:path}": Rule(act="look", sees="paper"),
    "GET /api/training": Rule(act="look", sees="training"),
    "GET /api/running": Rule(act="look"),
    "GET /api/jobs": Rule(act="look"),
    "GET /api/jobs/{id}": Rule(act="look"),
    "GET /people": Rule(act="administer", sees="people"),
    "GET /people/trail": Rule(act="administer", sees="audit trail"),
    "GET /people/trail.csv": Rule(act="administer", sees="audit trail as a table"),
    "POST /people": Rule(act="administer"),
    "GET /api/reviewer-links": Rule(act="administer", sees="reviewer links"),
    "POST /api/edits": Rule(act="edit", parts=True),
    "POST /api/papers/code": Rule(act="look", sees="papers asked for"),
    "POST /api/consequences": Rule(act="try", parts=True),
    "POST /api/photos": Rule(act="photo", parts=True),
    "POST /api/reviews": Rule(act="review", parts=True),
    **_acts("/api/watch", "survey", "gauge limits reading look", parts=True),
    **_acts("/api/work", "work", "{act}", parts=True),
    "POST /api/way": Rule(act="design"),
    "POST /api/assist/{kind}": Rule(act="survey"),
    "POST /api/faces/measure": Rule(act="yard"),
    "POST /api/jobs": Rule(act="try"),
    "POST /api/jobs/{id}/stop": Rule(act="try"),
    "POST /api/running/{id}/stop": Rule(act="try"),
    "POST /api/check/set-aside": Rule(act="administer"),
    "POST /api/check/put-back": Rule(act="administer"),
    "POST /api/papers/recall": Rule(act="design"),
    **_acts("/api/plans", "design", "name keep keep-now choose undo drop"),
    **_acts("/api/campaign", "design", "consent consent-met consent-back trial trial-add trial-decide crew variation variation-decide"),
    **_acts("/api/campaign", "work", "hours"),
    **_acts("/api/campaign", "yard", "stone-ask stone-sample stone-test stone-decide stone-order stone-delivery"),
    **_acts("/api/training", "learn", "person session verify results sit exercise work appeal"),
    **_acts("/api/training", "design", "standard seal decide certify certificate withdraw"),
    "POST /api/reviewer-links": Rule(act="administer"),
    "POST /api/reviewer-links/withdraw": Rule(act="administer"),
}  # fmt: skip

_SAID = {
    "survey": "record the survey",
    "work": "record work",
    "yard": "change what is in the yard",
    "review": "review",
    "design": "plan, decide and issue",
    "administer": "lead the project",
    "edit": "change anything",
    "learn": "take part in the training",
    "photo": "add photos",
    "try": "do this",
}


def acts_of(granted: Pass | None) -> list[str]:
    """What somebody may do, for a page that offers nothing else."""
    role = granted.acts_as if granted is not None else "administrator"
    return [act for act, roles in ACTS.items() if role in roles]


def need(scope: Mapping[str, Any], act: str) -> None:
    """Refuse whoever may not do something.

    Raises
    ------
    RightsError
        The role of the session may not do this.
    """
    granted: Pass | None = scope.get("facademap_pass")
    if granted is None or granted.acts_as in ACTS[act]:
        return
    if not granted.role:
        raise RightsError(
            "this link is for reading and reviewing", "Ask for a link of the team to make changes."
        )
    who = ", ".join(sorted(ACTS[act]))
    raise RightsError(
        f"{granted.name} is {granted.role} here, who may not {_SAID.get(act, 'do this')}",
        f"Ask one of: {who}; an administrator can change the role.",
    )


def need_edits(scope: MutableMapping[str, Any], places: Iterable[tuple[str, str]]) -> None:
    """Refuse an edit of rows of tables that the role may not change; the trail is told of them."""
    places = list(dict.fromkeys(places))
    for table in dict.fromkeys(table for table, _ in places):
        need(scope, EDITS[table])
    shown = ", ".join(f"{table} {id}" for table, id in places[:12])
    scope["facademap_about"] = shown + (f" and {len(places) - 12} more" if len(places) > 12 else "")


#: Writes an entry of the trail: who, what kind of act, about what, with which outcome.
Note = Callable[[Pass, str, str, str, str], None]
_Endpoint = Callable[[Request], Awaitable[Response]]
#: That somebody looks at the same thing again is written down again after so long.
_SEEN_S = 600.0
_MOST_SEEN = 5000
_TOLD = ("id", "names", "repair", "surface", "table", "name", "survey", "plan", "block")


def judged(routes: Sequence[Route], note: Note | None = None) -> list[Route]:
    """The same addresses, each asking first whether the one who comes may do this, and writing down what was seen and done.

    Parameters
    ----------
    routes : sequence of Route
    note : callable, optional
        Writes the trail; where there is none, nothing is written.

    Raises
    ------
    LookupError
        There is no rule for an address.
    """
    trail = _Trail(note) if note is not None else None
    made = []
    for route in routes:
        rules = {m: RULES.get(f"{m} {route.path}") for m in (route.methods or ()) if m != "HEAD"}
        for method, rule in rules.items():
            if rule is None:
                raise LookupError(
                    f"{method} {route.path} has no rule: say in facademap/web/acts.py who may do it"
                )
        made.append(
            Route(route.path, _judging(route, rules, trail), methods=list(rules), name=route.name)  # type: ignore[arg-type]
        )
    return made


def _judging(route: Route, rules: Mapping[str, Rule], trail: _Trail | None) -> _Endpoint:
    async def endpoint(request: Request) -> Response:
        answered: _Endpoint = route.endpoint
        rule = rules["GET" if request.method == "HEAD" else request.method]
        granted: Pass | None = request.scope.get("facademap_pass")
        if rule.act == OPEN or granted is None:
            return await answered(request)
        changes = request.method not in ("GET", "HEAD")
        try:
            _need_rule(request.scope, granted, rule)
            if trail is not None and rule.sees:
                await trail.seen(granted, request, rule)
        except FacademapError as error:
            if trail is not None and isinstance(error, RightsError):
                await trail.done(granted, request, "refused")
            return failure(error)
        with limited_to(granted.elevations):
            answer = await answered(request)
        if trail is not None and changes and rule.act not in ("self", "try", "look"):
            sound = answer.status_code < 400
            await trail.done(
                granted, request, "done" if sound else f"refused ({answer.status_code})"
            )
        return answer

    return endpoint


def _need_rule(scope: Mapping[str, Any], granted: Pass, rule: Rule) -> None:
    need(scope, rule.act)
    if granted.elevations is not None and not rule.parts:
        raise RightsError(
            f"{granted.name} sees {', '.join(granted.elevations)[:80]} here, and this needs the whole project",
            "Ask somebody who sees the whole project.",
        )


class _Trail:
    """Writes down what was seen and done, what was seen again only after a while."""

    def __init__(self, note: Note) -> None:
        self._note = note
        self._seen: OrderedDict[tuple[str, str, str], float] = OrderedDict()

    async def seen(self, granted: Pass, request: Request, rule: Rule) -> None:
        """Written before it is shown: what cannot be written down is not shown."""
        told = [v for k, v in request.path_params.items() if k not in ("level", "column", "row")]
        told += [v for k in _TOLD if (v := request.query_params.get(k))]
        about = " ".join((rule.sees, *map(str, told)))[:300]
        key, now = (granted.session, request.method, about), time.monotonic()
        if now - self._seen.get(key, -_SEEN_S) < _SEEN_S:
            return
        await run_in_threadpool(self._note, granted, "see", about, "done", _from(request))
        self._seen[key] = now
        self._seen.move_to_end(key)
        while len(self._seen) > _MOST_SEEN:
            self._seen.popitem(last=False)

    async def done(self, granted: Pass, request: Request, outcome: str) -> None:
        """Written after it was done, beside the history, which is stored with the change itself."""
        told = request.scope.get("facademap_about", "")
        act = "change" if request.method not in ("GET", "HEAD") else "see"
        about = " ".join(filter(None, (request.url.path, told)))
        try:
            await run_in_threadpool(self._note, granted, act, about, outcome, _from(request))
        except FacademapError as error:
            logging.getLogger("facademap").warning(
                "the audit trail could not be written: %s", error.problem
            )


def _from(request: Request) -> str:
    return request.client.host if request.client else ""
