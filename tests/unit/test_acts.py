"""Who may do what, written down a second time by hand: a right that is given or taken away must be changed in both places."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.errors import InputError, RightsError
from facademap.store.team import limit_now
from facademap.web import acts
from facademap.web.acts import (
    ACTS,
    DECIDED_STAGES,
    EDITS,
    JOBS,
    RULES,
    acts_of,
    judged,
    need,
    need_edits,
)
from facademap.web.sessions import Pass

#: Roles: surveyor, conservator, mason, reviewer, yard, administrator.
MAY = {
    "look": "s c m r y a",
    "self": "s c m r y a",
    "learn": "s c m y a",
    "photo": "s c m y a",
    "try": "s c m y a",
    "edit": "s c m y a",
    "survey": "s c a",
    "work": "c m a",
    "yard": "c y a",
    "review": "c r a",
    "design": "c a",
    "administer": "a",
}
ROLE = {
    "s": "surveyor", "c": "conservator", "m": "mason", "r": "reviewer", "y": "yard", "a": "administrator",
}  # fmt: skip
TABLES = {
    "survey": "elevations surfaces photos control_points observations wall_stones openings conditions gauges gauge_readings looks",
    "design": "repairs pieces plans placements trials variations consents settings",
    "yard": "blocks faces orders",
    "work": "work_log",
    "review": "reviews",
}  # fmt: skip
#: What changes something: the act that each address asks for.
WRITES = {
    "open": "/enter /invited",
    "self": "/sign-ins /api/sessions/end /api/sign-out",
    "edit": "/api/edits",
    "try": "/api/consequences /api/jobs /api/jobs/{id}/stop /api/running/{id}/stop",
    "photo": "/api/photos",
    "review": "/api/reviews",
    "survey": "/api/assist/{kind} /api/watch/gauge /api/watch/limits /api/watch/reading /api/watch/look",
    "work": "work/{act} /api/campaign/hours",
    "yard": "/api/faces/measure /api/campaign/stone-ask /api/campaign/stone-sample /api/campaign/stone-test /api/campaign/stone-decide /api/campaign/stone-order /api/campaign/stone-delivery",
    "design": "/api/way /api/papers/recall /api/plans/name /api/plans/keep /api/plans/keep-now /api/plans/choose /api/plans/undo /api/plans/drop /api/campaign/consent /api/campaign/consent-met /api/campaign/consent-back /api/campaign/trial /api/campaign/trial-add /api/campaign/trial-decide /api/campaign/crew /api/campaign/variation /api/campaign/variation-decide /api/training/standard /api/training/seal /api/training/decide /api/training/certify /api/training/certificate /api/training/withdraw",
    "learn": "/api/training/person /api/training/session /api/training/verify /api/training/results /api/training/sit /api/training/exercise /api/training/work /api/training/appeal",
    "administer": "/people /api/check/set-aside /api/check/put-back /api/reviewer-links /api/reviewer-links/withdraw",
    # a photo of a code is sent, read and forgotten
    "look": "/api/papers/code",
}  # fmt: skip
#: What is read is everybody's to look at but for these.
READS = {
    "open": "/ /invited /built/{name} /service.js /manifest.webmanifest /favicon.ico /pages.css /health /metrics",
    "self": "/sign-ins /api/sessions",
    "administer": "/api/reviewer-links /people /people/trail /people/trail.csv",
}
#: Asked for by the whole project alone: somebody who sees some elevations is refused.
WHOLE = {
    "GET": "/api/campaign /api/check /api/plans /api/plans/compare /api/ranking /api/ranking/insist /pictures/in-wall /pictures/ticket /api/way /api/papers /api/papers/asked /api/papers/number/{number} /papers.html /papers/{name:path} /api/training /api/running /api/jobs /api/jobs/{id} /api/reviewer-links /people /people/trail /people/trail.csv",
    "POST": "/people /api/papers/code /api/way /api/assist/{kind} /api/faces/measure /api/jobs /api/jobs/{id}/stop /api/running/{id}/stop /api/check/set-aside /api/check/put-back /api/papers/recall /api/reviewer-links /api/reviewer-links/withdraw",
}  # fmt: skip
#: Read without a line in the trail: what shows nothing of the project by itself.
UNSEEN = "/api/schema /api/changes /api/length /api/signs /api/languages /api/languages/{tag} /api/described /api/assist /api/mine /api/pictures /api/reliefs /api/watch /ogc /ogc/conformance /ogc/api /ogc/collections /ogc/crs/{surface} /api/running /api/jobs /api/jobs/{id}"


def listed(words: str) -> list[str]:
    """Addresses; those without a stroke before them lie under /api."""
    return [a if a.startswith("/") else f"/api/{a}" for a in words.split()]


def test_each_role_may_do_what_it_is_there_for() -> None:
    assert {act: {ROLE[r] for r in roles.split()} for act, roles in MAY.items()} == ACTS
    assert {t: act for act, tables in TABLES.items() for t in tables.split()} == EDITS
    assert {k for k, act in JOBS.items() if act == "design"} == {"plan", "match", "papers"}
    assert {k for k, act in JOBS.items() if act == "survey"} == {
        "rectify", "tape", "outlines", "control", "stones", "damage", "relief",
    }  # fmt: skip
    assert len(JOBS) == 10
    assert {"proposed", "undecided", "approved", "on hold", "accepted"} == DECIDED_STAGES


def test_each_address_asks_for_its_act() -> None:
    writes = {f"POST {a}": act for act, words in WRITES.items() for a in listed(words)}
    reads = {f"GET {a}": act for act, words in READS.items() for a in listed(words)}
    found = {a: rule.act for a, rule in RULES.items()}
    assert {a: act for a, act in found.items() if a.startswith("POST")} == writes
    assert {a: act for a, act in found.items() if a.startswith("GET") and act != "look"} == reads


def test_somebody_of_some_elevations_is_answered_where_it_was_looked_at_alone() -> None:
    whole = {f"{m} {a}" for m, words in WHOLE.items() for a in listed(words)}
    whole |= {
        a
        for a in RULES
        if a.startswith(("POST /api/plans/", "POST /api/campaign/", "POST /api/training/"))
    }
    assert {a for a, rule in RULES.items() if not rule.parts} == whole


def test_what_is_looked_at_is_written_down() -> None:
    unseen = {f"GET {a}" for a in UNSEEN.split()}
    looked = {
        a for a, r in RULES.items() if a.startswith("GET") and r.act in ("look", "administer")
    }
    assert {a for a in looked if not RULES[a].sees} == unseen


def somebody(role: str, **more: Any) -> Pass:
    given = {"kind": "write", "name": "Ann", "session": "s1", "role": role, **more}
    return Pass(**given)


def test_who_has_no_role_is_judged_by_how_they_came_in() -> None:
    assert set(acts_of(None)) == set(ACTS)
    assert acts_of(somebody("", kind="review")) == ["look", "self", "review"]
    need({}, "administer")  # on one's own machine
    with pytest.raises(RightsError, match="for reading and reviewing"):
        need({"facademap_pass": somebody("", kind="review")}, "edit")
    with pytest.raises(RightsError, match="Ann is mason here, who may not record the survey"):
        need({"facademap_pass": somebody("mason")}, "survey")
    need({"facademap_pass": somebody("mason")}, "work")


def test_an_edit_asks_for_the_right_of_every_table_and_tells_the_trail() -> None:
    scope: dict[str, Any] = {"facademap_pass": somebody("surveyor")}
    rows = [("conditions", f"C-{k}") for k in range(12)]
    need_edits(scope, [*rows, rows[0]])
    assert scope["facademap_about"].endswith("conditions C-11")
    need_edits(scope, [*rows, ("photos", "P-1"), ("photos", "P-2")])
    assert scope["facademap_about"].endswith("conditions C-11 and 2 more")
    with pytest.raises(RightsError):
        need_edits(scope, [*rows, ("repairs", "R-1")])


class Desk:
    """One address with its trail, without a server."""

    def __init__(self, address: str = "/api/campaign", method: str = "GET", *, status=200) -> None:
        self.trail: list[tuple[str, str, str]] = []
        self.ran: list[Any] = []
        self.fails = False

        async def endpoint(request: Request) -> Response:
            self.ran.append(limit_now())
            request.scope["facademap_about"] = "repairs R-1"
            return Response("done", status_code=status)

        self.method, self.address = method, address
        (self.route,) = judged([Route(address, endpoint, methods=[method])], self._note)

    def _note(self, granted: Pass, act: str, about: str, outcome: str, came_from: str) -> None:
        if self.fails:
            raise InputError("no room", "Make room.")
        self.trail.append((act, about, outcome))

    def ask(self, granted: Pass | None, query: str = "", method: str = "", **params: str) -> int:
        scope = {
            "type": "http", "method": method or self.method, "path": self.address, "headers": [],
            "query_string": query.encode(), "path_params": params, "facademap_pass": granted,
            "client": ("10.0.0.9", 5000),
        }  # fmt: skip
        return asyncio.run(self.route.endpoint(Request(scope))).status_code


def test_a_desk_answers_whom_it_may_and_writes_down_whom_it_refused() -> None:
    desk = Desk("/api/way", "POST")
    assert desk.ask(somebody("conservator")) == 200
    assert desk.trail == [("change", "/api/way repairs R-1", "done")]
    assert desk.ask(somebody("mason")) == 403
    assert desk.trail[1:] == [("change", "/api/way", "refused")]
    assert len(desk.ran) == 1
    assert desk.ask(None) == 200
    assert len(desk.trail) == 2


def test_whoever_sees_some_elevations_is_kept_to_them() -> None:
    part = somebody("administrator", elevations=("river", "lane"))
    whole_only, answered = Desk("/api/check"), Desk("/api/project")
    assert whole_only.ask(part) == 403
    assert whole_only.trail == [("see", "/api/check", "refused")]
    assert answered.ask(part) == 200
    assert answered.ran == [("river", "lane")]
    assert whole_only.ask(somebody("administrator")) == 200


@pytest.mark.parametrize(("status", "outcome"), [(399, "done"), (400, "refused (400)")])
def test_what_the_desk_refused_for_its_content_is_told_so(status, outcome) -> None:
    desk = Desk("/api/way", "POST", status=status)
    desk.ask(somebody("conservator"))
    assert [o for _, _, o in desk.trail] == [outcome]
    quiet = Desk("/api/jobs", "POST", status=status)
    quiet.ask(somebody("conservator"))
    assert quiet.trail == []


@pytest.mark.parametrize(("later_s", "again"), [(599.0, False), (600.0, True)])
def test_the_same_look_is_written_down_again_after_ten_minutes(monkeypatch, later_s, again) -> None:
    now = 5000.0
    monkeypatch.setattr(acts.time, "monotonic", lambda: now)
    desk = Desk("/api/rows/{table}/{id:path}")
    ann = somebody("mason")
    desk.ask(ann, table="repairs", id="R-1")
    assert desk.trail == [("see", "row repairs R-1", "done")]
    now += later_s
    desk.ask(ann, table="repairs", id="R-1")
    assert len(desk.trail) == (2 if again else 1)
    desk.ask(somebody("mason", session="s2"), table="repairs", id="R-1")
    desk.ask(ann, method="HEAD", table="repairs", id="R-2")
    assert len(desk.trail) == (4 if again else 3)


def test_what_is_asked_for_is_told_but_not_which_tile() -> None:
    tiles = Desk("/tiles/photo/{level}/{column}/{row}")
    tiles.ask(somebody("mason"), "id=P-1&secret=x", level="3", column="2", row="1")
    assert tiles.trail == [("see", "photo P-1", "done")]
    long = Desk("/api/rows/{table}/{id:path}")
    long.ask(somebody("mason"), table="repairs", id="R" * 400)
    assert len(long.trail[0][1]) == 300


def test_few_thousand_looks_are_remembered_and_the_oldest_forgotten(monkeypatch) -> None:
    monkeypatch.setattr(acts, "_MOST_SEEN", 2)
    desk, ann = Desk("/api/rows/{table}/{id:path}"), somebody("mason")
    for id in ("1", "2", "2", "3", "2", "1"):
        desk.ask(ann, table="t", id=id)
    assert [about for _, about, _ in desk.trail] == ["row t 1", "row t 2", "row t 3", "row t 1"]


def test_what_cannot_be_written_down_is_not_shown_and_what_was_done_stays_done() -> None:
    seen, done = Desk("/api/check"), Desk("/api/way", "POST")
    seen.fails = done.fails = True
    assert seen.ask(somebody("mason")) == 400
    assert seen.ran == []
    assert done.ask(somebody("conservator")) == 200
