"""The addresses of the survey desk's server in words and schemas (OpenAPI 3.1), for tests and other programs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from facademap import __version__
from facademap.limits import limits_now
from facademap.repair.fixings import FIXINGS
from facademap.repair.ways import STEEPEST_DEG
from facademap.tables import FINDINGS, TABLES
from facademap.tasks.desk.edit import MAX_CHANGES, PREFIXES
from facademap.tasks.desk.work import ACTS
from facademap.web.answers import threaded
from facademap.web.guard import PICTURE_TYPES
from facademap.web.jobs import KINDS

__all__ = ["describe", "routes"]

Schema = dict[str, Any]

_TEXT: Schema = {"type": "string", "maxLength": 2000}
_ID: Schema = {"type": "string", "minLength": 1, "maxLength": 200}
_NAME: Schema = {"type": "string", "maxLength": 80}
_KEY: Schema = {"type": "string", "pattern": "^[0-9a-zA-Z-]{8,64}$"}
_METRES: Schema = {"type": "number", "minimum": -2000, "maximum": 2000}
_PLACE: Schema = {"type": "array", "prefixItems": [_METRES, _METRES], "items": False, "minItems": 2}
_TABLE: Schema = {"type": "string", "enum": [t for t in TABLES if t != "settings"]}
_LEVEL: Schema = {"type": "integer", "minimum": 0, "maximum": 999_999}
_SIZE: Schema = {"type": "integer", "minimum": 0, "maximum": 99_999}


def _list(items: Schema, least: int = 0, most: int | None = None) -> Schema:
    return {
        "type": "array",
        "items": items,
        "minItems": least,
        **({} if most is None else {"maxItems": most}),
    }


def _object(needed: Sequence[str] = (), **properties: Schema) -> Schema:
    return {"type": "object", "properties": properties, "required": list(needed)}


_RING = _list(_PLACE, 4)
_LINE = _list(_PLACE, 2)
_GEOMETRY: Schema = {
    "oneOf": [
        _object(("type", "coordinates"), type={"const": kind}, coordinates=coordinates)
        for kind, coordinates in (
            ("Point", _PLACE),
            ("LineString", _LINE),
            ("MultiLineString", _list(_LINE, 1)),
            ("Polygon", _list(_RING, 1)),
            ("MultiPolygon", _list(_list(_RING, 1), 1)),
        )
    ]
}
_KINDS: Mapping[str, Schema] = {
    "text": _TEXT,
    "int": {"type": "integer"},
    "float": {"type": "number"},
    "bool": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
    "time": {"type": "string", "format": "date-time"},
    "json": {"type": ["array", "object", "null"]},
}


def _values(name: str) -> Schema:
    """What a change of a table may say, after the table's contract."""
    table = TABLES[name]
    properties: dict[str, Schema] = {}
    for column in table.columns:
        schema = dict(_KINDS[column.kind])
        if column.choices:
            schema = {"type": "string", "enum": list(column.choices)}
        if column.minimum is not None:
            schema["minimum"] = column.minimum
        if column.maximum is not None:
            schema["maximum"] = column.maximum
        properties[column.name] = (
            {"anyOf": [schema, {"type": "null"}]} if column.nullable else schema
        )
    if table.geometry:
        properties["geometry"] = _GEOMETRY
    return _object((), **properties)


def _edit() -> Schema:
    changes = [
        _object(
            ("op", "table", "id"),
            op={"enum": ["insert", "update", "delete", "restore"]},
            table={"const": name},
            id=_ID,
            rev={"type": ["integer", "null"]},
            values=_values(name),
        )
        for name in PREFIXES
    ]
    return _object(
        ("key", "changes"),
        key=_KEY,
        who=_NAME,
        what=_NAME,
        undoes={"anyOf": [_KEY, {"type": "null"}]},
        confirmed={"anyOf": [{"type": "boolean"}, {"type": "string", "maxLength": 16}]},
        changes=_list({"oneOf": changes}, 1, MAX_CHANGES),
    )


_REVIEW = _object(
    ("about_table", "about", "reviewer"),
    about_table={"enum": ["repairs", "conditions", "plans"]},
    about=_ID,
    reviewer={**_NAME, "minLength": 1},
    decision={"enum": list(TABLES["reviews"].column("decision").choices)},
    text=_TEXT,
)
_ACT = _object(
    ("repair",),
    repair=_ID,
    who=_NAME,
    mason=_NAME,
    reason=_TEXT,
    photo=_TEXT,
    key=_KEY,
    waited_s={"type": "number", "minimum": 0},
    seen={"type": "object"},
    stage=_TEXT,
    slot=_TEXT,
    criterion=_TEXT,
    measured={"type": "object"},
    result=_TEXT,
    values={"type": "object"},
)
_FACE = _object(
    ("photo",),
    photo={"type": "string", "maxLength": 400},
    length_m={"type": "number"},
    click_px=_list({"type": "number"}, 2, 2),
    ring_px=_list(_list({"type": "number"}, 2, 2), 3, 200),
    scale_px=_list({"type": "number"}, 4, 4),
)
_CLICKS = _object(
    ("surface", "box", "points"),
    surface=_ID,
    box=_list(_METRES, 4, 4),
    points=_list(_PLACE, 1, 200),
    outside=_list(_PLACE, 0, 200),
)

_COLOUR = _list({"type": "number"}, 3, 3)
_OF_TRIAL = (
    *("place", "method", "mix", "measured", "made_on", "photo_before", "photo_after"),
    *("colour_before", "colour_dry", "colour_wet"),
)
_OF_CONSENT = (
    *("reference", "text", "treatments", "repairs", "surfaces", "before"),
    *("clause", "given_by", "given_on", "wants_trial", "note"),
)
_OF_VARIATION = (
    *("what", "reason", "elevation", "measure", "currency"),
    *("quantity", "rate", "amount"),
)
#: What is said of consents, trials, hours and variations.
_LEAD: Mapping[str, Schema] = {
    **dict.fromkeys(("by", "on", "photo", "trial", "note", "finding", "crew"), _TEXT),
    **dict.fromkeys(("file", "supplier", "test", "value", "price", "due"), _TEXT),
    "content": {"type": "string", "contentEncoding": "base64"},
    "tested": {"enum": ["open", "pass", "fail"]},
    **dict.fromkeys(("kind", "treatment", "stone_type", "soiling", "wall_stone"), _TEXT),
    **dict.fromkeys((*_OF_TRIAL, *_OF_CONSENT, *_OF_VARIATION), _TEXT),
    **dict.fromkeys(("colour_before", "colour_dry", "colour_wet"), _COLOUR),
    **dict.fromkeys(("treatments", "repairs", "surfaces", "days"), _list(_TEXT, 0, 2_000)),
    **dict.fromkeys(("id", "repair"), _ID),
    **{name: {"type": "number"} for name in ("hours", "volume_m3", "quantity", "rate", "amount")},
    "area_m": _list({"type": "number"}, 4, 4),
    "result": {"enum": ["approved", "agreed", "refused", "open"]},
}
_OF_GAUGE = (
    *("kind", "condition", "note", "u_m", "v_m"),
    *("limit_m", "rate_m_a_year", "reading_m", "every_months"),
)
_WATCH: dict[str, Schema] = {
    **dict.fromkeys(("on", "by", "photo", "note", "kind", "condition", "surface"), _TEXT),
    **{
        name: {"type": ["number", "null"]}
        for name in (
            *("u_m", "v_m", "limit_m", "rate_m_a_year", "reading_m", "every_months"),
            *("temperature_degc", "hollow_share", "open_joint_m", "colour_difference"),
        )
    },
    "id": _ID,
    "value_m": {"type": "number"},
    "finding": {"enum": list(FINDINGS)},
}

_COUNTED = (
    *("pass_share", "attendance_share", "exercises", "attempts"),
    *("wait_days", "appeal_days", "validity_months"),
)
#: What an assessor says.
_ASSESSING: Mapping[str, Schema] = {
    **dict.fromkeys(("name", "scope", "standard", "test", "person", "answers", "exercise"), _TEXT),
    **dict.fromkeys(("finding", "mason", "ground", "reason", "question", "number", "on"), _TEXT),
    **dict.fromkeys(("questions", "repairs"), _list(_TEXT, 0, 2_000)),
    **{name: {"type": "number"} for name in (*_COUNTED, "sitting", "appeal")},
    "content": {"type": "string", "contentEncoding": "base64"},
    "result": {"enum": ["pass", "redo"]},
    "outcome": {"enum": ["dismiss", "void", "strike"]},
}

#: Address, what it does, its query (name: schema), and the kind of answer.
_READ: tuple[tuple[str, str, dict[str, Schema], str], ...] = (
    ("/api/described", "This description", {}, "application/json"),
    ("/api/schema", "Tables, glossary, classes", {}, "application/json"),
    ("/api/project", "Name, settings, what the sender may do", {}, "application/json"),
    ("/api/pictures", "Place and size of the picture of every surface", {}, "application/json"),
    (
        "/api/campaign",
        "Conditions of consents, trials, crews with hours, variations, stone asked for",
        {},
        "application/json",
    ),
    (
        "/api/watch",
        "Gauges with state, limits and readings; looks with what they tell by year",
        {},
        "application/json",
    ),
    (
        "/api/training",
        "Programme, attendance and what was sealed, by labels; nothing for reviewers",
        {},
        "application/json",
    ),
    ("/api/reliefs", "Reliefs that every surface keeps", {}, "application/json"),
    (
        "/api/relief",
        "Place and range of one relief",
        {"id": _ID, "survey": _NAME},
        "application/json",
    ),
    (
        "/pictures/relief",
        "Heights of one relief, 16 bit in red and green, blue where known",
        {"id": _ID, "survey": _NAME},
        "image/png",
    ),
    ("/api/tables", "Several tables at once", {"names": _TEXT}, "application/json"),
    (
        "/api/tables/{table}",
        "One table",
        {"surface": _ID, "id": _ID, "box": {"type": "string"}},
        "application/json",
    ),
    ("/api/packed/{table}", "One table, column by column", {}, "application/octet-stream"),
    ("/api/rows/{table}/{id}", "One row", {}, "application/json"),
    (
        "/api/history",
        "Who changed what and when",
        {"table": _TABLE, "id": _ID, "last": {"type": "integer", "minimum": 1}},
        "application/json",
    ),
    (
        "/api/mine",
        "Edits of one person that can be taken back",
        {"who": _NAME, "keys": _TEXT, "last": {"type": "integer", "minimum": 1}},
        "application/json",
    ),
    (
        "/api/changes",
        "What changed since",
        {"after": {"type": "integer", "minimum": 0}},
        "application/json",
    ),
    (
        "/api/length",
        "A length as it was typed, in metres",
        {"text": _TEXT, "unit": {"enum": ["mm", "cm", "m", "in", "ft"]}},
        "application/json",
    ),
    ("/api/jobs", "All jobs", {}, "application/json"),
    ("/api/running", "Costly answers that are being made", {}, "application/json"),
    ("/api/jobs/{id}", "One job", {}, "application/json"),
    ("/api/ranking", "Blocks for a repair", {"repair": _ID}, "application/json"),
    (
        "/api/ranking/insist",
        "What the plan becomes when a repair must come from a block",
        {"repair": _ID, "block": _ID},
        "application/json",
    ),
    ("/api/plans", "Plans of the matching, and what can be done with each", {}, "application/json"),
    (
        "/api/plans/compare",
        "Two plans side by side",
        {"first": _ID, "second": _ID},
        "application/json",
    ),
    ("/api/assist", "Which assisted outlines there are", {}, "application/json"),
    ("/api/languages", "Languages of the desk beside English", {}, "application/json"),
    ("/api/languages/{tag}", "Texts of one language", {}, "application/json"),
    ("/api/papers", "Papers that were made", {}, "application/json"),
    ("/api/papers/number/{number}", "One paper by its number", {}, "application/json"),
    (
        "/api/papers/asked",
        "Whether a sheet holds, by its number or what its code says",
        {"words": {"type": "string", "maxLength": 200}},
        "application/json",
    ),
    (
        "/api/signs",
        "The book of signs: colour, hatch, weight, dash, letter",
        {},
        "application/json",
    ),
    (
        "/papers.html",
        "The page that tells which papers hold, and who has what",
        {"asked": {"type": "string", "maxLength": 200}},
        "text/html",
    ),
    (
        "/api/check",
        "What is wrong or missing, each line with its place",
        {"fast": {"enum": ["0", "1"]}},
        "application/json",
    ),
    (
        "/api/way",
        "How a repair is set, and what may be chosen",
        {"repair": _ID},
        "application/json",
    ),
    ("/api/work", "Record of one repair", {"repair": _ID}, "application/json"),
    ("/api/work/all", "Record of all repairs", {}, "application/json"),
    ("/api/reviewer-links", "Links for reviewers", {}, "application/json"),
    ("/api/sessions", "Who is signed in", {}, "application/json"),
    ("/papers/{name}", "One paper", {}, "application/octet-stream"),
    ("/pictures/photo", "A photo made small", {"id": _ID, "size": _SIZE}, "image/jpeg"),
    ("/pictures/face", "A face seen square", {"id": _ID, "size": _SIZE}, "image/jpeg"),
    (
        "/pictures/in-wall",
        "A piece seen in the wall",
        {
            "repair": _ID,
            "face": _ID,
            "x": _METRES,
            "y": _METRES,
            "turn": {"enum": [0, 90, 180, 270]},
            "slab": {"type": "integer", "minimum": 0, "maximum": 99},
            "now": {"enum": ["0", "1"]},
        },
        "image/jpeg",
    ),
    ("/pictures/ticket", "A cut ticket", {"repair": _ID}, "image/svg+xml"),
    (
        "/tiles/surface/{level}/{column}/{row}",
        "A tile of a surface's picture",
        {"id": _ID, "v": _TEXT},
        "image/*",
    ),
    (
        "/tiles/photo/{level}/{column}/{row}",
        "A tile of a photo",
        {"id": _ID, "v": _TEXT},
        "image/jpeg",
    ),
)
#: Address, what it does, what is sent.
_WRITE: tuple[tuple[str, str, Schema], ...] = (
    ("/api/edits", "Changes of rows, stored wholly or not at all", _edit()),
    (
        "/api/consequences",
        "What deleting rows would take along; nothing is changed",
        _object(
            ("changes",),
            changes=_list(
                _object(("op", "table", "id"), op={"const": "delete"}, table=_TABLE, id=_ID),
                1,
                MAX_CHANGES,
            ),
        ),
    ),
    (
        "/api/jobs",
        "Begin a job",
        _object(
            ("kind",),
            kind={"enum": list(KINDS)},
            who=_NAME,
            options=_object(
                time_limit_s={"type": "number", "minimum": 1, "maximum": 600},
                again={"type": "boolean"},
                donors={"type": "boolean"},
                only=_list(_NAME, 0, 40),
                gsd_mm={"type": "number", "minimum": 0.05, "maximum": 100},
                look={"type": "boolean"},
                surface=_ID,
                extents={"type": "object", "additionalProperties": _list(_METRES, 4, 4)},
                measures=_list(
                    _object(
                        ("kind", "start", "end"),
                        kind={"enum": ["distance", "level", "plumb"]},
                        start=_NAME,
                        end=_NAME,
                        length_m={"type": ["number", "null"]},
                        sigma_m={"type": ["number", "null"]},
                    ),
                    0,
                    400,
                ),
                table={"enum": ["wall_stones", "openings", "conditions"]},
                name=_NAME,
                content={"type": "string", "contentEncoding": "base64"},
                layer=_NAME,
                unit=_NAME,
                store={"type": "boolean"},
                accept={"type": "boolean"},
                limits=_TEXT,
                cell_mm={"type": "number", "minimum": 0.5, "maximum": 1000},
                survey=_NAME,
                elevation={"type": "boolean"},
                replace={"type": "boolean"},
            ),
        ),
    ),
    ("/api/jobs/{id}/stop", "Stop a job", _object()),
    ("/api/running/{id}/stop", "Stop the making of an answer", _object()),
    ("/api/faces/measure", "Size and outline of a face from its photo", _FACE),
    (
        "/api/assist/{kind}",
        "An outline, a line, the stones of a course, joints or a damage found in the picture; of a course, proposals "
        "(geometry, course, number, doubts) and what was left_out (geometry, why); of a damage, a guess of its term and the "
        "confidence, from points inside and outside",
        _CLICKS,
    ),
    ("/api/work/{act}", "An entry of the record", _ACT),
    (
        "/api/way",
        "A way of setting gone through, and kept where that is asked and it can be done",
        _object(
            ("repair", "fixing"),
            repair=_ID,
            fixing={"enum": list(FIXINGS)},
            down_deg={"type": "number", "minimum": -STEEPEST_DEG, "maximum": STEEPEST_DEG},
            right_deg={"type": "number", "minimum": -STEEPEST_DEG, "maximum": STEEPEST_DEG},
            keep={"type": "boolean"},
            who=_NAME,
        ),
    ),
    *(
        (
            f"/api/plans/{act}",
            text,
            _object(needed, plan=_ID, name=_NAME, kept={"type": "boolean"}, who=_NAME),
        )
        for act, text, needed in (
            ("name", "Name a plan", ("plan", "name")),
            ("keep", "Keep a plan beside the one in force", ("plan",)),
            ("keep-now", "Keep what is placed now as a plan", ("name",)),
            ("choose", "Put a plan in force again", ("plan",)),
            ("undo", "Take the last matching or choice back as a whole", ()),
            ("drop", "Take a plan off the list", ("plan",)),
        )
    ),
    *(
        (f"/api/campaign/{act}", text, _object(needed, **{n: _LEAD[n] for n in known}, who=_NAME))
        for act, text, needed, known in (
            ("consent", "A condition of a consent", ("reference", "text"), _OF_CONSENT),
            (
                "consent-met",
                "Tick a condition",
                ("id", "by"),
                ("id", "by", "on", "photo", "trial", "note", "file", "content"),
            ),
            ("consent-back", "Take the tick of a condition back", ("id",), ("id",)),
            (
                "trial",
                "A trial, sample or mock-up",
                ("kind", "treatment"),
                ("kind", "treatment", "stone_type", "soiling", "wall_stone", *_OF_TRIAL),
            ),
            ("trial-add", "What a trial showed", ("id",), ("id", *_OF_TRIAL)),
            (
                "trial-decide",
                "Approve or refuse a trial",
                ("id", "result"),
                ("id", "result", "by", "on", "finding"),
            ),
            (
                "crew",
                "A crew: its hours of a day, its skills and its days of the week",
                ("crew", "hours"),
                ("crew", "hours", "treatments", "days"),
            ),
            (
                "hours",
                "Book hours of a crew",
                ("repair", "hours", "crew"),
                ("repair", "hours", "crew", "on"),
            ),
            (
                "stone-ask",
                "Ask for stone that no block can serve",
                ("stone_type", "supplier"),
                ("stone_type", "supplier", "on", "note"),
            ),
            (
                "stone-sample",
                "A sample that came",
                ("id",),
                ("id", "on", "photo", "colour_dry"),
            ),
            (
                "stone-test",
                "A test of a sample",
                ("id", "test", "value", "by"),
                ("id", "test", "value", "by", "tested", "on"),
            ),
            (
                "stone-decide",
                "Approve or refuse a sample",
                ("id", "result", "by"),
                ("id", "result", "by", "on", "finding"),
            ),
            (
                "stone-order",
                "Order stone whose sample was approved",
                ("id", "by", "volume_m3"),
                ("id", "by", "volume_m3", "price", "due", "on"),
            ),
            (
                "stone-delivery",
                "Take what was ordered into the yard, from a table of blocks",
                ("id", "content"),
                ("id", "file", "content", "on"),
            ),
            (
                "variation",
                "Raise a variation of the contract",
                ("what", "reason"),
                (*_OF_VARIATION, "repair", "treatment", "on", "note"),
            ),
            (
                "variation-decide",
                "Agree to a variation or refuse it",
                ("id", "result"),
                ("id", "result", "by", "on", "note"),
            ),
        )
    ),
    *(
        (
            f"/api/watch/{act}",
            text,
            _object(needed, **{n: _WATCH[n] for n in (*needed, *known)}, who=_NAME),
        )
        for act, text, needed, known in (
            ("gauge", "A monitoring point", (), ("id", "surface", *_OF_GAUGE)),
            ("limits", "Limits and place of a gauge", ("id",), _OF_GAUGE),
            (
                "reading",
                "What a gauge showed on a day",
                ("id", "value_m"),
                ("on", "temperature_degc", "by"),
            ),
            (
                "look",
                "A look at a condition, a repair or a surface",
                ("id", "finding"),
                (
                    *("on", "by", "hollow_share", "open_joint_m", "colour_difference"),
                    *("photo", "note"),
                ),
            ),
        )
    ),
    (
        "/api/training/person",
        "Somebody to be taught, or an assessor, by a label",
        _object(role={"enum": ["trainee", "assessor"]}),
    ),
    (
        "/api/training/session",
        "A session that was held, and who was there by labels",
        _object(
            ("title", "kind", "hours"),
            title=_TEXT,
            kind=_TEXT,
            on=_TEXT,
            hours={"type": "number"},
            present=_list(_TEXT, 0, 2_000),
        ),
    ),
    (
        "/api/training/verify",
        "Whether a certificate was given here and holds",
        _object(("number", "code"), number=_TEXT, code=_TEXT),
    ),
    *(
        (
            f"/api/training/{act}",
            f"{does}; with the key of the assessor where people sign in",
            _object(
                ("by", *needs), by=_TEXT, key=_TEXT, **{n: _ASSESSING[n] for n in (*needs, *may)}
            ),
        )
        for act, does, needs, may in (
            ("results", "Where each stands, appeals and certificates, by labels", (), ()),
            (
                "standard",
                "Fix the packaged standard of work, or one that is sent",
                (),
                ("content",),
            ),
            ("seal", "Seal a test", (), ("name", "scope", "standard", "questions", *_COUNTED)),
            ("sit", "Enter the answers of a person", ("test", "person", "answers"), ("on",)),
            ("exercise", "Enter an exercise", ("person", "exercise", "result"), ("finding", "on")),
            ("work", "Assess recorded work", ("test", "person", "repairs"), ("mason",)),
            ("appeal", "Enter an appeal", ("sitting", "ground"), ("on",)),
            ("decide", "Decide an appeal", ("appeal", "outcome", "reason"), ("question",)),
            ("certify", "Give a certificate", ("test", "person"), ("on",)),
            ("certificate", "The sheet of a certificate, without the name", ("number",), ()),
            ("withdraw", "Withdraw a certificate", ("number", "reason"), ()),
        )
    ),
    (
        "/api/papers/recall",
        "Recall a paper that was handed out",
        _object(("number", "why"), number={**_NAME, "minLength": 1}, why=_TEXT, who=_NAME),
    ),
    (
        "/api/check/set-aside",
        "Set a damaged row aside; it is kept",
        _object(("table", "row"), table=_ID, row=_ID, who=_NAME),
    ),
    (
        "/api/check/put-back",
        "Put back what was set aside",
        _object(("key",), key=_ID, who=_NAME),
    ),
    ("/api/reviews", "A review", _REVIEW),
    (
        "/api/reviewer-links",
        "A new link for a reviewer",
        _object(("name",), name={**_NAME, "minLength": 1}, who=_NAME),
    ),
    ("/api/sessions/end", "End a session", _object(("id",), id=_ID)),
    ("/api/sign-out", "End the session that asks", _object()),
    ("/api/reviewer-links/withdraw", "Withdraw a link", _object(("id",), id=_ID, who=_NAME)),
)
_IN_PATH: Mapping[str, Schema] = {
    "table": _TABLE,
    "id": _ID,
    "name": _ID,
    "tag": _ID,
    "number": {"type": "string", "pattern": "^[0-9A-F]{4}-[0-9A-F]{4}$"},
    "level": _LEVEL,
    "column": _LEVEL,
    "row": _LEVEL,
    "kind": {"enum": ["outline", "line", "course", "joints", "damage"]},
    "act": {"enum": list(ACTS)},
}
_FAULT = {"$ref": "#/components/schemas/Fault"}
_REFUSED = {
    status: {"description": text, "content": {"application/json": {"schema": _FAULT}}}
    for status, text in (
        ("400", "The request is wrong"),
        ("401", "Not signed in"),
        ("403", "Not allowed"),
        ("404", "Not there"),
        ("409", "Somebody else changed it"),
        ("413", "Too large"),
        ("415", "Another content type is wanted"),
        ("421", "Another name of this server is wanted"),
        ("422", "It cannot be solved"),
        ("429", "Too many wrong secrets; try later"),
        ("503", "The project cannot be used"),
    )
}


def describe() -> Schema:
    """The whole description."""
    paths: dict[str, Any] = {}
    for path, summary, query, kind in _READ:
        answer = {"200": {"description": "As asked", "content": {kind: {}}}, **_REFUSED}
        asked = [{"name": n, "in": "query", "schema": s} for n, s in query.items()]
        paths.setdefault(path, {})["get"] = {
            "summary": summary,
            "parameters": [*_parameters(path), *asked],
            "responses": answer,
        }
    for path, summary, body in _WRITE:
        paths.setdefault(path, {})["post"] = _post(
            path, summary, {"application/json": {"schema": body}}
        )
    picture = {kind: {"schema": {"type": "string", "format": "binary"}} for kind in PICTURE_TYPES}
    for path, summary in (
        ("/api/photos", "A photo"),
        ("/api/papers/code", "Whether the sheet holds whose code a picture shows"),
    ):
        paths[path] = {"post": _post(path, summary, picture)}
    paths["/api/photos"]["post"]["parameters"] = [
        {"name": n, "in": "query", "schema": _TEXT} for n in ("subject", "who", "name", "surface")
    ]
    fault = _object(
        ("error",),
        error=_object(
            ("type", "problem", "remedy", "faults"),
            type=_TEXT,
            problem={"type": "string"},
            remedy={"type": "string"},
            faults=_list({}),
        ),
    )
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "facademap survey desk",
            "version": __version__,
            "description": f"Lengths in metres of the wall. A request holds at most {limits_now().request_mb} MB.",
        },
        "paths": paths,
        "components": {"schemas": {"Fault": fault}},
    }


def _parameters(path: str) -> list[dict[str, Any]]:
    return [
        {"name": name, "in": "path", "required": True, "schema": schema}
        for name, schema in _IN_PATH.items()
        if f"{{{name}}}" in path
    ]


def _post(path: str, summary: str, content: dict[str, Any]) -> dict[str, Any]:
    return {
        "summary": summary,
        "parameters": _parameters(path),
        "requestBody": {"required": True, "content": content},
        "responses": {
            "200": {"description": "Done", "content": {"application/json": {}}},
            **_REFUSED,
        },
    }


def routes() -> list[Route]:
    """The address /api/described."""

    def described(request: Request, body: Any) -> Any:
        return describe()

    return [Route("/api/described", threaded(described))]
