"""Addresses for jobs, ranking, proposals, the work record, photos, reviews and reviewer links."""

from __future__ import annotations

import datetime as dt
import math
import re
import secrets
from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap.errors import ConflictError, FacademapError, InputError
from facademap.repair.ways import Way
from facademap.store.changes import changes_of, edit_once
from facademap.tasks.desk.edit import KEY
from facademap.tasks.desk.papers import read_paper
from facademap.tasks.desk.photos import take_photo
from facademap.tasks.desk.work import record_act, work_overview, work_page
from facademap.tasks.plan.ways import choose_way, try_way, way_state
from facademap.web.acts import DECIDED_STAGES, JOBS, need
from facademap.web.answers import Answer, failure, text_of, threaded
from facademap.web.apart import Apart, Order, apart
from facademap.web.desk import Desk
from facademap.web.guard import author_of, read_picture_body
from facademap.web.queue_jobs import DeskJobs
from facademap.web.sign_in import digest

__all__ = ["routes"]

MAX_LINKS = 200
#: Points, flaws, and corners of a flaw at once.
MAX_MARKS = 400


def routes(desk: Desk, pool: Apart, jobs: DeskJobs) -> list[Route]:
    """All of them."""
    return [
        *_job_routes(jobs),
        *_match_routes(pool),
        *_assist_routes(pool),
        *_paper_routes(desk, pool),
        *_way_routes(desk),
        *_record_routes(desk, pool),
        *_review_routes(desk),
    ]


def _job_routes(jobs: DeskJobs) -> list[Route]:
    def start(request: Request, body: Any) -> Any:
        options = body.get("options") if isinstance(body, Mapping) else None
        if options is not None and not isinstance(options, dict):
            raise InputError("options are not an object", "Send options as name and value.")
        kind = text_of(body, "kind", required=True)
        need(request.scope, JOBS.get(kind, "design"))
        return jobs.start(
            kind,
            options or {},
            who=author_of(request.scope, text_of(body, "who"), "survey desk"),
        ).as_json()

    def every(request: Request, body: Any) -> Any:
        return {"jobs": [j.as_json() for j in jobs.all()]}

    def one(request: Request, body: Any) -> Any:
        return jobs.named(request.path_params["id"]).as_json()

    def stop(request: Request, body: Any) -> Any:
        return jobs.stop(request.path_params["id"]).as_json()

    return [
        Route("/api/jobs", threaded(every)),
        Route("/api/jobs", threaded(start), methods=["POST"]),
        Route("/api/jobs/{id}", threaded(one)),
        Route("/api/jobs/{id}/stop", threaded(stop), methods=["POST"]),
    ]


def _match_routes(pool: Apart) -> list[Route]:
    def ranking(request: Request, body: Any) -> Order:
        return "ranking", {"repair": request.query_params.get("repair", "")}

    def insisted(request: Request, body: Any) -> Order:
        asked = request.query_params
        return "what-if", {"repair": asked.get("repair", ""), "block": asked.get("block", "")}

    def in_wall(request: Request, body: Any) -> Order:
        asked = request.query_params
        turn = asked.get("turn", "0")
        return "in-wall", {
            "repair": asked.get("repair", ""),
            "face": asked.get("face", ""),
            "x_m": _float(asked.get("x")),
            "y_m": _float(asked.get("y")),
            "turn_deg": int(turn) if re.match(r"[0-9]{1,3}\Z", turn) else -1,
            "slab": _slab(asked.get("slab")),
            "now": asked.get("now") == "1",
        }

    def picture(data: bytes) -> Response:
        return Response(
            data, media_type="image/jpeg", headers={"cache-control": "private, max-age=60"}
        )

    def compare(request: Request, body: Any) -> Order:
        asked = request.query_params
        return "compare", {"first": asked.get("first", ""), "second": asked.get("second", "")}

    def face(request: Request, body: Any) -> Order:
        photo = text_of(body, "photo", required=True, most=400)
        points, flaws = body.get("points") or [], body.get("flaws") or []
        if (
            not isinstance(points, list)
            or len(points) > MAX_MARKS
            or not isinstance(flaws, list)
            or len(flaws) > MAX_MARKS
            or not all(isinstance(f, dict) for f in flaws)
        ):
            raise InputError("points or flaws are no lists", f"Send at most {MAX_MARKS} of each.")
        for flaw in flaws:
            if not isinstance(flaw.get("ring_px"), list) or len(flaw["ring_px"]) > MAX_MARKS:
                raise InputError(
                    "a flaw without a ring", f"Send ring_px with 3 to {MAX_MARKS} corners."
                )
            flaw["ring_px"] = [_numbers({"a corner": p}, "a corner", 2) for p in flaw["ring_px"]]
        scale: dict[str, Any] = (
            {"points": [_numbers({"a point": p}, "a point", 4) for p in points]}
            if points
            else {
                "scale_px": _numbers(body, "scale_px", 4),
                "length_m": _numbers({"length_m": [body.get("length_m")]}, "length_m", 1)[0],
            }
        )
        ring = body.get("ring_px")
        if ring is not None and (not isinstance(ring, list) or len(ring) > MAX_MARKS):
            raise InputError("an outline that is no list", f"Send at most {MAX_MARKS} corners.")
        place: dict[str, Any] = (
            {"ring_px": [_numbers({"a corner": p}, "a corner", 2) for p in ring]}
            if ring
            else {"click_px": _numbers(body, "click_px", 2)}
        )
        return "face", {"photo": photo, **place, "flaws": flaws, **scale}

    return [
        Route("/api/faces/measure", apart(pool, face), methods=["POST"]),
        Route("/api/ranking", apart(pool, ranking)),
        Route("/api/ranking/insist", apart(pool, insisted)),
        Route("/api/plans/compare", apart(pool, compare)),
        Route("/pictures/in-wall", apart(pool, in_wall, picture)),
    ]


def _assist_routes(pool: Apart) -> list[Route]:
    def can_assist(request: Request, body: Any) -> Any:
        return pool.tools.assistant.available()

    def assist(request: Request, body: Any) -> Order:
        surface = text_of(body, "surface", required=True)
        box, points, outside = body.get("box"), body.get("points"), body.get("outside") or []
        if not isinstance(box, list) or not all(
            isinstance(places, list) and all(isinstance(p, list) for p in places)
            for places in (points, outside)
        ):
            raise InputError("a proposal needs box and points", "Send both as lists.")
        kind = request.path_params["kind"]
        more = {"outside": outside} if kind == "damage" else {}
        return "assist", {"kind": kind, "surface": surface, "box": box, "points": points, **more}

    return [
        Route("/api/assist", threaded(can_assist)),
        Route("/api/assist/{kind}", apart(pool, assist), methods=["POST"]),
    ]


def _paper_routes(desk: Desk, pool: Apart) -> list[Route]:
    def papers(request: Request, body: Any) -> Order:
        return "papers", {}

    def paper(request: Request, body: Any) -> Any:
        name = request.path_params["name"]
        data = read_paper(desk.folder, name)
        # handed over as a file and never opened as a page of this server, whatever is in it
        plain = re.sub(r"[^A-Za-z0-9._-]", "_", name.rsplit("/", 1)[-1])
        return Response(
            data,
            media_type="application/octet-stream",
            headers={
                "content-disposition": f'attachment; filename="{plain}"',
                "cache-control": "no-cache",
            },
        )

    def ticket(request: Request, body: Any) -> Order:
        return "ticket", {"repair": request.query_params.get("repair", "")}

    def drawn(data: bytes) -> Response:
        return Response(data, media_type="image/svg+xml", headers={"cache-control": "no-cache"})

    return [
        Route("/api/papers", apart(pool, papers)),
        Route("/papers/{name:path}", threaded(paper)),
        Route("/pictures/ticket", apart(pool, ticket, drawn)),
    ]


def _numbers(body: Mapping[str, Any], name: str, count: int) -> list[float]:
    values = body.get(name)
    plain = (
        isinstance(values, list)
        and len(values) == count
        and all(
            isinstance(v, (int, float)) and not isinstance(v, bool) and abs(v) < 1e9 for v in values
        )
    )
    if not plain:
        raise InputError(
            f"{name} is not {count} number{'s' if count > 1 else ''}", f"Send {name} as numbers."
        )
    return [float(v) for v in values or ()]


def _float(text: str | None) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 100:
        raise InputError(f"{text[:30]!r} is no length in metres", "Give metres.")
    return value


def _slab(text: str | None) -> int | None:
    if not text:
        return None
    if not re.match(r"[0-9]{1,2}\Z", text):
        raise InputError(f"{text[:30]!r} is no slab", "Count slabs from the face, from 0.")
    return int(text)


def _way_routes(desk: Desk) -> list[Route]:
    def now(request: Request, body: Any) -> Any:
        return way_state(desk.reading(), request.query_params.get("repair", ""))

    def wanted(request: Request, body: Any) -> Any:
        repair = text_of(body, "repair", required=True)
        slopes = {k: _degrees(body, k) for k in ("down_deg", "right_deg")}
        way = Way(fixing=text_of(body, "fixing", required=True), **slopes)
        if body.get("keep") is not True:
            return try_way(desk.reading(), repair, way)
        who = author_of(request.scope, text_of(body, "who", most=80), "survey desk")
        with desk.writing():
            return choose_way(desk.folder, repair, way, who=who)

    return [
        Route("/api/way", threaded(now)),
        Route("/api/way", threaded(wanted), methods=["POST"]),
    ]


def _degrees(body: Mapping[str, Any], name: str) -> float:
    value = body.get(name, 0)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError(f"{name} is no number", "Send degrees.")
    return float(value)


def _record_routes(desk: Desk, pool: Apart) -> list[Route]:
    def page(request: Request, body: Any) -> Any:
        return work_page(desk.folder, request.query_params.get("repair", ""))

    def overview(request: Request, body: Any) -> Any:
        return work_overview(desk.reading())

    def do(request: Request, body: Any) -> Any:
        act, repair = request.path_params["act"], text_of(body, "repair", required=True)
        if act == "stage" and body.get("stage") in DECIDED_STAGES:
            need(request.scope, "design")
        key = text_of(body, "key", most=64)
        if key and not KEY.match(key):
            raise InputError(
                "an entry needs a key of its own",
                "Send key as 8 to 64 letters, digits and hyphens.",
            )
        waited = body.get("waited_s", 0)
        if (
            isinstance(waited, bool)
            or not isinstance(waited, (int, float))
            or not math.isfinite(waited)
        ):
            raise InputError("waited_s is no number", "Send the seconds that the entry waited.")
        seen = body.get("seen")
        if seen is not None and not isinstance(seen, dict):
            raise InputError("seen is not an object", "Send what was seen as name and value.")
        try:
            with desk.writing():
                return record_act(
                    desk.folder,
                    act,
                    repair,
                    _act_values(act, body),
                    who=author_of(request.scope, text_of(body, "who", most=80), "survey desk"),
                    mason=text_of(body, "mason", most=80) or None,
                    reason=text_of(body, "reason") or None,
                    photo=text_of(body, "photo") or None,
                    key=key or None,
                    seen=seen,
                    waited_s=float(waited),
                )
        except ConflictError as conflict:
            return failure(conflict, more={"theirs": getattr(conflict, "theirs", None)})

    async def photo(request: Request) -> Response:
        try:
            data = await read_picture_body(request)
            asked = request.query_params

            def store() -> Any:
                return take_photo(
                    desk.writing,
                    data,
                    subject=asked.get("subject", "record"),
                    who=author_of(request.scope, asked.get("who", ""), "survey desk"),
                    name=asked.get("name", ""),
                    surface=asked.get("surface") or None,
                    decode=lambda path: pool.run("photo", path=path),
                )

            return Answer({"id": await run_in_threadpool(store)})
        except FacademapError as error:
            return failure(error)

    return [
        Route("/api/work", threaded(page)),
        Route("/api/work/all", threaded(overview)),
        Route("/api/work/{act}", threaded(do), methods=["POST"]),
        Route("/api/photos", photo, methods=["POST"]),
    ]


def _act_values(act: str, body: Mapping[str, Any]) -> Mapping[str, Any]:
    """What an act says, with everything of the right kind."""
    if act == "stage":
        return {"stage": text_of(body, "stage", required=True)}
    if act == "check":
        measured = body.get("measured")
        if measured is not None and not isinstance(measured, dict):
            raise InputError("measured is not an object", "Send name and value.")
        return {
            "criterion": text_of(body, "criterion", required=True),
            "measured": measured,
            "result": text_of(body, "result") or None,
        }
    if act == "photo":
        return {"slot": text_of(body, "slot", required=True)}
    values = body.get("values")
    if act == "cut-out" and not isinstance(values, dict):
        raise InputError(
            "the measures are not an object", "Send widths_m, heights_m, diagonals_m and depths_m."
        )
    return values or {}


def _review_routes(desk: Desk) -> list[Route]:
    def add_review(request: Request, body: Any) -> Any:
        reviewer = author_of(request.scope, text_of(body, "reviewer", most=80), "")
        if not reviewer:
            raise InputError("a review without a name", "Send the name of the reviewer.")
        table, about = (
            text_of(body, "about_table", required=True),
            text_of(body, "about", required=True),
        )
        decision, text = text_of(body, "decision") or "comment", text_of(body, "text")
        if decision == "return" and not text:
            raise InputError("a return without a reason", "Say why.")
        now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        key = text_of(body, "key", most=64)
        if key and not KEY.match(key):
            raise InputError(
                "a review needs a key of its own",
                "Send key as 8 to 64 letters, digits and hyphens.",
            )
        with desk.writing() as project:
            if table in ("repairs", "conditions", "plans"):
                project.row(table, about)
            with edit_once(
                project, key or secrets.token_hex(16), who=reviewer, what=f"review: {decision}"
            ) as edit:
                if edit is None:
                    return {"id": changes_of(project, key)[0].id, "repeated": True}
                name = edit.new_id("V")
                edit.insert(
                    "reviews",
                    [
                        {
                            "id": name,
                            "at": now,
                            "reviewer": reviewer,
                            "about_table": table,
                            "about": about,
                            "decision": decision,
                            "text": text or None,
                            "source": "survey desk",
                        }
                    ],
                )
        return {"id": name}

    def links(request: Request, body: Any) -> Any:
        granted = request.scope.get("facademap_pass")
        if granted and granted.role:
            raise InputError(
                "reviewers have accounts here", "Invite them with facademap people invite."
            )
        if request.method == "GET":
            kept = desk.setting("reviewer_links", []) or []
            return {"links": [{k: v for k, v in link.items() if k != "hash"} for link in kept]}
        name = text_of(body, "name", most=80, required=True)
        secret = secrets.token_urlsafe(18)
        with (
            desk.writing() as project,
            project.edit(
                who=author_of(request.scope, text_of(body, "who", most=80), "survey desk"),
                what="reviewer link",
            ) as edit,
        ):
            kept = list(project.setting("reviewer_links", []) or [])
            if len(kept) >= MAX_LINKS:
                raise InputError(
                    f"{len(kept)} reviewer links",
                    "Withdraw some, or give one link to several reviewers.",
                )
            link = {
                "id": secrets.token_hex(4),
                "name": name,
                "hash": digest(secret),
                "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            }
            edit.set("reviewer_links", [*kept, link])
        return {"id": link["id"], "name": name, "address": f"/?key={secret}"}

    def withdraw(request: Request, body: Any) -> Any:
        wanted = text_of(body, "id", required=True)
        with (
            desk.writing() as project,
            project.edit(
                who=author_of(request.scope, text_of(body, "who", most=80), "survey desk"),
                what="withdraw reviewer link",
            ) as edit,
        ):
            kept = list(project.setting("reviewer_links", []) or [])
            if not any(link["id"] == wanted for link in kept):
                raise InputError("there is no such link", "It may have been withdrawn already.")
            now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
            edit.set(
                "reviewer_links",
                [
                    {**link, "withdrawn_at": link.get("withdrawn_at") or now}
                    if link["id"] == wanted
                    else link
                    for link in kept
                ],
            )
        return {"withdrawn": wanted}

    return [
        Route("/api/reviews", threaded(add_review), methods=["POST"]),
        Route("/api/reviewer-links", threaded(links), methods=["GET", "POST"]),
        Route("/api/reviewer-links/withdraw", threaded(withdraw), methods=["POST"]),
    ]
