"""The survey desk's server against its own description: requests after the schema and beside it, and hostile files."""

from __future__ import annotations

import io
import json
import struct
import sys
import uuid
import warnings
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.store.project import Project
from facademap.web.app import make_app
from facademap.web.described import describe

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

DESCRIBED = describe()
#: Jobs are processes, and pictures no JSON: each is tried elsewhere.
NOT_FUZZED = {("post", p) for p in ("/api/jobs", "/api/photos", "/api/papers/code")}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from facademap.tasks.plan.plan import plan_project

    made = desk_sample.make_project(tmp_path_factory.mktemp("fuzz") / "sample", many=6, blocks=2)
    plan_project(made)
    return made


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        yield client


# -- requests after the schema ------------------------------------------------------------------------------------

_IDS = st.sampled_from(
    [
        "C-001",
        "S-001",
        "R-001",
        "B-001",
        "B-001.1",
        "landward",
        "front",
        "block-1.jpg",
        "new:1",
        "new:2",
    ]
)
_NASTY = st.sampled_from(
    [
        "",
        " ",
        "\0",
        "a\0b",
        "../../etc/passwd",
        "<script>alert(1)</script>",
        "'; DROP TABLE conditions;--",
        "%s%n",
        "\u202eevil",
        "é" * 300,
        "-1",
        "NaN",
        "1e309",
        "²",
        "null",
        "new:",
        "new:1",
        "\ufeff",
        "\N{PILE OF POO}",
    ]
)
_TEXTS = st.one_of(_IDS, _NASTY, st.text(st.characters(codec="utf-8"), max_size=20))
_JUNK: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(), _TEXTS),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(_TEXTS, inner, max_size=3)
    ),
    max_leaves=6,
)


def after(schema: Any) -> st.SearchStrategy[Any]:
    """Values of a schema, as far as our own description uses the language."""
    if not isinstance(schema, dict) or not schema:
        return _JUNK
    if "const" in schema:
        return st.just(schema["const"])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    for name in ("oneOf", "anyOf"):
        if name in schema:
            return st.one_of([after(s) for s in schema[name]])
    kinds = schema.get("type")
    if isinstance(kinds, list):
        return st.one_of([after({**schema, "type": k}) for k in kinds])
    if kinds == "object":
        parts, needed = schema.get("properties", {}), schema.get("required", ())
        return st.fixed_dictionaries(
            {n: after(parts[n]) for n in needed},
            optional={n: after(s) for n, s in parts.items() if n not in needed},
        )
    if kinds == "array":
        if "prefixItems" in schema:
            return st.tuples(*[after(s) for s in schema["prefixItems"]]).map(list)
        return st.lists(
            after(schema.get("items")),
            min_size=schema.get("minItems", 0),
            max_size=min(schema.get("maxItems", 5), schema.get("minItems", 0) + 3),
        )
    if kinds == "integer":
        return st.integers(schema.get("minimum", -10), schema.get("maximum", 2**40))
    if kinds == "number":
        return st.floats(schema.get("minimum", -1e6), schema.get("maximum", 1e6), allow_nan=False)
    if kinds == "boolean":
        return st.booleans()
    if kinds == "null":
        return st.none()
    if "pattern" in schema:
        return st.from_regex(schema["pattern"].replace("$", r"\Z"))
    return _TEXTS


def somewhere(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Mostly as the schema says; now and then with junk in one place."""

    @st.composite
    def changed(draw: Any) -> Any:
        value = draw(values)
        for _ in range(draw(st.integers(0, 2))):
            holder = value
            while isinstance(holder, (dict, list)) and holder:
                key = draw(
                    st.sampled_from(
                        sorted(holder) if isinstance(holder, dict) else range(len(holder))
                    )
                )
                if (
                    not isinstance(holder[key], (dict, list))
                    or not holder[key]
                    or draw(st.booleans())
                ):
                    holder[key] = draw(_JUNK)
                    break
                holder = holder[key]
        return value

    return changed()


@st.composite
def requests(draw: Any) -> tuple[str, str, Any]:
    method, path = draw(
        st.sampled_from(
            [
                (m, p)
                for p, told in sorted(DESCRIBED["paths"].items())
                for m in told
                if (m, p) not in NOT_FUZZED
            ]
        )
    )
    told = DESCRIBED["paths"][path][method]
    query = []
    for parameter in told["parameters"]:
        value = str(draw(st.one_of(after(parameter["schema"]), _TEXTS)))
        if parameter["in"] == "path":
            path = path.replace(f"{{{parameter['name']}}}", quote(value, safe=""))
        elif draw(st.booleans()):
            query.append(f"{quote(parameter['name'])}={quote(value, safe='')}")
    body = (
        draw(somewhere(after(told["requestBody"]["content"]["application/json"]["schema"])))
        if "requestBody" in told
        else None
    )
    return method, path + ("?" + "&".join(query) if query else ""), body


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(asked=requests())
def test_every_request_is_answered_as_described(
    client: TestClient, asked: tuple[str, str, Any]
) -> None:
    method, address, body = asked
    if method == "get":
        answer = client.get(address)
    else:
        answer = client.post(
            address, content=json.dumps(body), headers={"content-type": "application/json"}
        )
    assert answer.status_code < 500, answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert answer.headers["x-content-type-options"] == "nosniff"
    if answer.status_code >= 400:
        error = answer.json()["error"]
        assert {"type", "problem", "remedy", "faults"} <= set(error)
        assert error["problem"]
        assert error["remedy"]
        assert "Traceback" not in answer.text
        assert "/facademap/" not in answer.text


def test_the_project_is_sound_after_all_that(client: TestClient, folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        assert project.integrity() == []
    for table in client.get("/api/schema").json()["tables"]:
        if table != "settings":
            assert client.get(f"/api/tables/{table}").status_code == 200
            assert client.get(f"/api/packed/{table}").status_code == 200
    assert client.get("/api/changes?after=0").status_code == 200


def test_every_address_is_described(client: TestClient) -> None:
    routed = set()
    for route in client.app._app.routes:  # type: ignore[attr-defined]
        if route.path.startswith(("/api", "/tiles", "/pictures", "/papers")):
            routed |= {
                (m.lower(), route.path.replace(":path", "")) for m in route.methods if m != "HEAD"
            }
    assert routed == {(m, p) for p, told in DESCRIBED["paths"].items() for m in told}
    assert client.get("/api/described").json() == DESCRIBED


# -- hostile text and files ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "body",
    [
        b'{"key":"\\ud800"}',
        b'{"a":1e999}',
        b'{"a":NaN}',
        b'{"a":' + b"9" * 40 + b"}",
        b"[" * 200 + b"]" * 200,
        b"[" * 100_000,
        b'{"a":"\xff"}',
        b"\xed\xa0\x80",
        b"",
    ],
)
def test_text_and_numbers_that_can_be_stored_nowhere_are_refused(
    client: TestClient, body: bytes
) -> None:
    for address in ("/api/edits", "/api/reviews", "/api/work/stage", "/api/assist/outline"):
        answer = client.post(address, content=body, headers={"content-type": "application/json"})
        assert answer.status_code == 400, answer.text


def test_what_is_nested_too_deeply_is_never_stored(client: TestClient) -> None:
    deep: Any = "x"
    for _ in range(30):
        deep = [deep]
    body = {
        "key": uuid.uuid4().hex,
        "changes": [
            {
                "op": "update",
                "table": "repairs",
                "id": "R-001",
                "rev": 1,
                "values": {"conditions": deep},
            }
        ],
    }
    assert client.post("/api/edits", json=body).status_code == 400
    assert client.get("/api/tables/repairs").status_code == 200


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png(width: int, height: int, *more: bytes, data: bytes = b"\0" * 64) -> bytes:
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n"
        + head
        + b"".join(more)
        + _chunk(b"IDAT", zlib.compress(data))
        + _chunk(b"IEND", b"")
    )


def _picture(ending: str, size: tuple[int, int] = (40, 30)) -> bytes:
    shade = np.random.default_rng(1).integers(0, 255, (size[1], size[0], 3), np.uint8)
    ok, data = cv2.imencode(ending, shade)
    assert ok
    return bytes(data)


def _tiff_claiming(width: int, height: int) -> bytes:
    entries = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 8),
        (259, 3, 1, 1),
        (262, 3, 1, 1),
        (273, 4, 1, 8),
        (277, 3, 1, 1),
        (278, 4, 1, height),
        (279, 4, 1, 10),
    ]
    ifd = (
        struct.pack("<H", len(entries))
        + b"".join(struct.pack("<HHII", *e) for e in entries)
        + struct.pack("<I", 8)
    )
    return b"II*\0" + struct.pack("<I", 8) + ifd


HOSTILE = {
    "drawing with a script": b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "page": b"<!doctype html><script>alert(1)</script>",
    "claims 100,000 x 100,000": _png(100_000, 100_000),
    "claims 2^31": _png(2**31 - 1, 2**31 - 1),
    "no width": _png(0, 10),
    "pixels end early": _png(4000, 4000),
    "text that swells to 200 MB": _png(
        8, 8, _chunk(b"zTXt", b"a\0\0" + zlib.compress(b"\0" * 200_000_000, 9))
    ),
    "tiff claiming 4 billion rows": _tiff_claiming(2**32 - 1, 2**32 - 1),
    "tiff whose directory leads back to itself": _tiff_claiming(200_000, 200_000),
    "cut off": _picture(".jpg", (400, 300))[:2000],
    "gif": b"GIF89a\x01\0\x01\0\x80\0\0\0\0\0\xff\xff\xff!\xf9\x04\x01\0\0\0\0,\0\0\0\0\x01\0\x01\0\0\x02\x02D\x01\0;",
    "eps": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n(/etc/passwd) run\n",
    "pdf": b"%PDF-1.4\n1 0 obj <<>> endobj\n",
    "zip": b"PK\x03\x04" + b"\0" * 60,
    "nothing": b"",
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
@pytest.mark.parametrize("kind", ["image/png", "image/jpeg", "image/tiff"])
def test_a_hostile_file_is_refused_and_leaves_nothing(
    client: TestClient, folder: Path, name: str, kind: str
) -> None:
    before = sorted(p.name for p in (folder / "photos").rglob("*"))
    answer = client.post(
        "/api/photos?subject=record", content=HOSTILE[name], headers={"content-type": kind}
    )
    assert answer.status_code == 400, (name, answer.text)
    assert answer.json()["error"]["remedy"]
    assert sorted(p.name for p in (folder / "photos").rglob("*")) == before


@pytest.mark.parametrize("ending", [".jpg", ".png"])
def test_a_picture_that_is_also_a_page_is_only_ever_told_as_a_picture(
    client: TestClient, ending: str
) -> None:
    page = b"<script>alert('both')</script>"
    data = _picture(ending) + page
    answer = client.post(
        "/api/photos?subject=record&name=a.html",
        content=data,
        headers={"content-type": "image/png"},
    )
    assert answer.status_code == 200, answer.text
    photo = answer.json()["id"]
    assert photo.endswith(ending)
    for address in (f"/pictures/photo?id={photo}", f"/tiles/photo/0/0/0?id={photo}"):
        told = client.get(address)
        assert told.headers["content-type"] == "image/jpeg"
        assert page not in told.content
        assert told.headers["x-content-type-options"] == "nosniff"


def test_svg_may_not_be_sent_at_all(client: TestClient) -> None:
    assert (
        client.post(
            "/api/photos",
            content=HOSTILE["drawing with a script"],
            headers={"content-type": "image/svg+xml"},
        ).status_code
        == 415
    )


@pytest.mark.parametrize(
    "address",
    [
        "/built/a%00.js",
        "/built/%2e%2e%2fapp.py",
        "/built/..%5capp.py",
        "/papers/%2e%2e%2fproject.gpkg",
        "/papers/a%00",
        "/papers/" + "a" * 4000,
        "/tiles/surface/0/0/0?id=landward&v=" + quote("../../../x", safe=""),
        "/api/rows/conditions/%ff%fe",
    ],
)
def test_odd_addresses_reach_nothing(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code in (200, 400, 404)
    assert b"SQLite" not in answer.content
    if answer.status_code == 200:
        assert answer.headers["content-type"] == "image/jpeg"
        assert (
            cv2.imdecode(
                np.frombuffer(io.BytesIO(answer.content).read(), np.uint8), cv2.IMREAD_COLOR
            )
            is not None
        )
