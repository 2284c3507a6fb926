"""Who may ask the survey desk's server, and what stays out of reach."""

from __future__ import annotations

import sys
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.desk.serve import plan_server
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

BASE = "http://127.0.0.1:8471"
EDIT = {
    "key": "k" * 12,
    "who": "x",
    "changes": [
        {"op": "update", "table": "conditions", "id": "C-001", "rev": 99, "values": {"note": "x"}}
    ],
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_project(
        tmp_path_factory.mktemp("guard") / "sample", many=4, blocks=1, picture=False
    )


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url=BASE) as client:
        yield client


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "192.168.1.7:8471",
        "",
        "localhost.evil.example:8471",
    ],
)
def test_other_host_names_are_not_answered(client: TestClient, host: str) -> None:
    assert client.get("/api/project", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_pages_of_other_origins_cannot_write(client: TestClient, headers: dict[str, str]) -> None:
    assert client.post("/api/edits", json=EDIT, headers=headers).status_code == 403


def test_our_own_page_can_write(client: TestClient) -> None:
    answer = client.post(
        "/api/edits", json=EDIT, headers={"origin": BASE, "sec-fetch-site": "same-origin"}
    )
    assert answer.status_code == 409


@pytest.mark.parametrize(
    "kind",
    ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""],
)
def test_forms_of_other_pages_are_refused_by_content_type(client: TestClient, kind: str) -> None:
    assert (
        client.post("/api/edits", content=b"{}", headers={"content-type": kind}).status_code == 415
    )


def test_a_body_too_large_is_refused(client: TestClient) -> None:
    assert (
        client.post(
            "/api/edits",
            content=b"{}",
            headers={"content-type": "application/json", "content-length": "99999999"},
        ).status_code
        == 413
    )


def test_who_watches_a_server_is_told_how_it_does_and_nothing_else(folder: Path) -> None:
    """Read by the reference parser of the exposition format (prometheus_client)."""
    from prometheus_client.parser import text_string_to_metric_families

    app = make_app(folder, host="0.0.0.0", secret="cleft-quarry-73")
    with TestClient(app, base_url="http://10.0.0.4:8471") as client:
        assert client.get("/api/project").status_code == 401
        assert client.get("/health").json() == {"status": "ok", "store": "file", "problem": ""}
        assert client.get("/health", headers={"host": "evil.example"}).status_code == 421
        answer = client.get("/metrics")
        assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
        told = {
            (s.name, *s.labels.values()): s.value
            for family in text_string_to_metric_families(answer.text)
            for s in family.samples
        }
        assert told["facademap_store_up",] == 1
        assert told["facademap_requests_total", "GET", "4xx"] == 2
        assert told["facademap_requests_total", "GET", "2xx"] == 1
        assert told["facademap_requests_open",] == 1
        assert told["facademap_request_seconds_bucket", "+Inf"] == 3
        assert told["facademap_last_change",] >= 1
        assert told["facademap_memory_bytes",] > 1e6
        for secret in ("cleft-quarry", folder.name, str(folder), "ann"):
            assert secret not in answer.text


@pytest.mark.parametrize(
    "address",
    [
        "/",
        "/api/project",
        "/built/desk.js",
        "/nowhere",
        "/tiles/surface/0/0/0?id=x",
        "/favicon.ico",
    ],
)
def test_every_answer_carries_the_content_policy(client: TestClient, address: str) -> None:
    answer = client.get(address)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_paths_out_of_the_project_are_not_read(
    client: TestClient, folder: Path, tmp_path: Path
) -> None:
    outside = tmp_path / "secret.png"
    cv2.imwrite(str(outside), np.full((40, 40, 3), 200, np.uint8))
    deep = "../" * 12 + str(outside).lstrip("/")
    with Project.open(folder) as project, project.edit(who="x", what="hostile paths") as edit:
        edit.update("surfaces", "landward", {"picture": deep})
        edit.insert(
            "photos",
            [{"id": "bad", "path": deep, "sha256": "0" * 64, "width_px": 40, "height_px": 40}],
        )
    for address in (
        "/tiles/surface/0/0/0?id=landward",
        "/tiles/photo/0/0/0?id=bad",
        "/pictures/photo?id=bad",
    ):
        answer = client.get(address)
        assert answer.status_code == 400
        assert "leads out of the folder" in answer.json()["error"]["problem"]
    with Project.open(folder) as project, project.edit(who="x", what="put right") as edit:
        edit.update("surfaces", "landward", {"picture": None})


def test_an_upload_must_be_a_picture_and_keeps_no_name_of_its_own(
    client: TestClient, folder: Path
) -> None:
    script = client.post(
        "/api/photos?subject=record&name=../../x.sh",
        content=b"#!/bin/sh\necho",
        headers={"content-type": "image/jpeg"},
    )
    assert script.status_code == 400
    ok, data = cv2.imencode(".png", np.full((30, 50, 3), 120, np.uint8))
    assert ok
    name = "..%2F..%2Fevil<script>.php"
    answer = client.post(
        f"/api/photos?subject=record&name={name}",
        content=data.tobytes(),
        headers={"content-type": "image/png"},
    )
    assert answer.status_code == 200, answer.text
    photo = answer.json()["id"]
    assert photo.endswith(".png")
    assert not set("/<>\\") & set(photo)
    again = client.post(
        "/api/photos?subject=record&name=other.png",
        content=data.tobytes(),
        headers={"content-type": "image/png"},
    )
    assert again.json()["id"] == photo
    assert (folder / "photos" / photo).is_file()


def test_a_photo_of_a_code_tells_whether_its_sheet_holds(client: TestClient) -> None:
    code = cv2.copyMakeBorder(
        cv2.resize(
            cv2.QRCodeEncoder.create().encode("DR-001 rev A"), None, fx=6, fy=6, interpolation=cv2.INTER_NEAREST
        ), 90, 60, 40, 200, cv2.BORDER_CONSTANT, value=235,
    )  # fmt: skip
    blurred = cv2.GaussianBlur(code, (0, 0), 1.2)

    def sent(picture: np.ndarray, kind: str = "image/jpeg") -> Any:
        data = cv2.imencode(".jpg", picture)[1].tobytes()
        return client.post("/api/papers/code", content=data, headers={"content-type": kind})

    told = sent(blurred)
    assert told.status_code == 200, told.text
    assert told.json()["words"] == "DR-001 rev A"
    assert [a["state"] for a in told.json()["answers"]] == ["unknown"]  # nothing is issued here
    nothing = sent(np.full((300, 400), 200, np.uint8))
    assert nothing.status_code == 400
    assert "no code" in nothing.json()["error"]["problem"]
    assert sent(blurred, kind="application/json").status_code == 400


def test_a_picture_that_claims_to_be_enormous_is_refused(client: TestClient) -> None:
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    bomb = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 100_000, 100_000, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )
    assert (
        client.post(
            "/api/photos?subject=record", content=bomb, headers={"content-type": "image/png"}
        ).status_code
        == 400
    )


def test_a_host_that_others_reach_needs_a_secret(folder: Path) -> None:
    with pytest.raises(InputError, match="no secret"):
        plan_server(folder, host="0.0.0.0", port=0)
    with pytest.raises(InputError, match="no secret"):
        plan_server(folder, port=0, public="https://desk.example.org/")
    with pytest.raises(InputError, match="12 characters"):
        plan_server(folder, host="0.0.0.0", port=0, secret="short")


def test_a_reviewer_reads_and_reviews_until_the_link_is_withdrawn(folder: Path) -> None:
    secret = "a long enough secret"
    with TestClient(
        make_app(folder, host="0.0.0.0", secret=secret), base_url="http://10.0.0.4:8471"
    ) as team:
        team.post("/enter", json={"secret": secret, "name": "A. Mason"})
        link = team.post("/api/reviewer-links", json={"name": "P. Lanner"}).json()
        assert "hash" not in str(team.get("/api/reviewer-links").json())
        assert link["address"].split("=")[1] not in str(team.get("/api/project").json())
        with TestClient(team.app, base_url="http://10.0.0.4:8471") as reviewer:
            reviewer.get(link["address"])
            about = reviewer.get("/api/project").json()
            assert (about["pass"], about["reviewer"]) == ("review", "P. Lanner")
            assert reviewer.post("/api/edits", json=EDIT).status_code == 403
            assert reviewer.post("/api/reviewer-links", json={"name": "more"}).status_code == 403
            assert reviewer.get("/api/reviewer-links").status_code == 403, (
                "links are shown to the team alone"
            )
            said = {
                "about_table": "conditions",
                "about": "C-001",
                "decision": "return",
                "text": "Show the joint",
                "reviewer": "somebody else",
            }
            assert reviewer.post("/api/reviews", json=said).status_code == 200
            reviews: list[dict[str, Any]] = reviewer.get("/api/tables/reviews").json()["rows"]
            assert reviews[-1]["reviewer"] == "P. Lanner"
            team.post("/api/reviewer-links/withdraw", json={"id": link["id"]})
            assert reviewer.get("/api/project").status_code == 401


def test_markup_in_a_note_is_kept_and_told_as_text(client: TestClient) -> None:
    note = "<img src=x onerror=alert(1)></script>"
    square = {"type": "Polygon", "coordinates": [[[1, 1], [1.2, 1], [1.2, 1.2], [1, 1]]]}
    body = {
        "key": uuid.uuid4().hex,
        "who": note,
        "what": note,
        "changes": [
            {
                "op": "insert",
                "table": "conditions",
                "id": "new:1",
                "values": {"surface": "landward", "term": "alga", "note": note, "geometry": square},
            }
        ],
    }
    answer = client.post("/api/edits", json=body)
    assert answer.json()["rows"][0]["row"]["note"] == note
    assert answer.headers["content-type"] == "application/json"
