"""Signing in to the survey desk: the secret, sessions, guesses, certificates, stalled connections."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
import socket
import subprocess
import sys
import threading
import time
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.errors import FileError, InputError
from facademap.tasks.desk.secret import check_secret, find_secret
from facademap.tasks.desk.serve import plan_server
from facademap.web.app import make_app
from facademap.web.attempts import Attempts, open_log
from facademap.web.connections import Watched
from facademap.web.server import server_config
from facademap.web.sessions import IDLE_S, LONGEST_S, Sessions

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

SECRET = "slate under a blue heron"
BASE = "http://192.168.1.7:8471"
SQUARE = {"type": "Polygon", "coordinates": [[[1, 1], [1.2, 1], [1.2, 1.2], [1, 1]]]}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return desk_sample.make_project(tmp_path / "sample", many=4, blocks=1, picture=False)


def _client(folder: Path, *, base: str = BASE, **more: Any) -> TestClient:
    return TestClient(
        make_app(folder, host="0.0.0.0", secret=SECRET, **more),
        base_url=base,
        follow_redirects=False,
    )


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with _client(folder) as client:
        yield client


def _enter(client: TestClient, name: str = "A. Mason", secret: str = SECRET) -> Any:
    return client.post("/enter", data={"name": name, "secret": secret})


# -- sessions ----------------------------------------------------------------------------------------------------


def test_the_cookie_is_a_random_session_and_never_the_secret(client: TestClient) -> None:
    assert client.get("/").status_code == 401
    entered = _enter(client)
    assert (entered.status_code, entered.headers["location"]) == (303, "/")
    cookie = entered.headers["set-cookie"]
    assert SECRET not in cookie
    for word in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert word in cookie
    assert "Secure" not in cookie, "over plain HTTP it would never come back"
    assert client.get("/").status_code == 200
    assert client.get("/api/project").json()["signed_in_as"] == "A. Mason"
    first = client.cookies[next(iter(client.cookies))]
    _enter(client)
    assert client.cookies[next(iter(client.cookies))] != first


def test_over_tls_the_cookie_goes_by_tls_alone(folder: Path) -> None:
    with _client(folder, base="https://192.168.1.7:8471", secure=True) as client:
        cookie = _enter(client).headers["set-cookie"]
        assert cookie.startswith("__Host-")
        assert "Secure" in cookie


def test_the_secret_opens_nothing_by_address_or_as_a_bearer(client: TestClient) -> None:
    answer = client.get("/", params={"key": SECRET})
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers
    assert (
        client.get("/api/project", headers={"authorization": f"Bearer {SECRET}"}).status_code == 401
    )
    token = client.post("/enter", json={"name": "a program", "secret": SECRET}).json()["token"]
    client.cookies.clear()
    assert (
        client.get("/api/project", headers={"authorization": f"Bearer {token}"}).status_code == 200
    )


def test_two_projects_do_not_sign_each_other_out(folder: Path, tmp_path: Path) -> None:
    other = desk_sample.make_project(tmp_path / "other", many=4, blocks=1, picture=False)
    with _client(folder) as first, _client(other) as second:
        _enter(first)
        second.cookies = first.cookies  # a browser sends its cookies to every port of a machine
        assert second.get("/api/project").status_code == 401
        _enter(second)
        assert second.get("/api/project").status_code == 200
        assert first.get("/api/project").status_code == 200


def test_edits_are_signed_by_the_person_of_the_session(client: TestClient) -> None:
    _enter(client, "A. Mason")
    values = {"surface": "landward", "term": "alga", "geometry": SQUARE}
    change = {"op": "insert", "table": "conditions", "id": "new:1", "values": values}
    key = f"desk-{uuid.uuid4().hex}"
    made = client.post("/api/edits", json={"key": key, "who": "The Architect", "changes": [change]})
    row = made.json()["ids"]["new:1"]
    log = client.get("/api/history", params={"table": "conditions", "id": row}).json()["entries"]
    assert {e["who"] for e in log} == {"A. Mason"}
    assert (
        client.get("/api/mine", params={"who": "x", "keys": "desk-"}).json()["undo"][-1]["key"]
        == key
    )


def test_a_session_is_listed_ended_and_signed_out(folder: Path, client: TestClient) -> None:
    _enter(client, "A. Mason")
    with TestClient(client.app, base_url=BASE, follow_redirects=False) as phone:
        _enter(phone, "B. <b>Warden</b>")
        told = client.get("/api/sessions").json()["sessions"]
        assert {s["name"] for s in told} == {"A. Mason", "B. <b>Warden</b>"}
        assert [s["name"] for s in told if s["this"]] == ["A. Mason"]
        page = client.get("/sign-ins").text
        assert "B. &lt;b&gt;Warden" in page
        assert "<b>Warden" not in page
        lost = next(s["id"] for s in told if not s["this"])
        assert client.post("/sign-ins", data={"id": lost}).status_code == 303
        assert phone.get("/api/project").status_code == 401
        assert client.post("/api/sessions/end", json={"id": lost}).status_code == 400
    kept = client.cookies[next(iter(client.cookies))]
    assert client.post("/api/sign-out", json={}).status_code == 200
    assert (
        client.get("/api/project", headers={"authorization": f"Bearer {kept}"}).status_code == 401
    )
    log = (folder / "cache" / "sign-ins.log").read_text()
    assert "signed in" in log
    assert "signed out by A. Mason" in log
    assert kept not in log


def test_a_reviewer_sees_and_ends_only_the_own_session(client: TestClient) -> None:
    _enter(client)
    link = client.post("/api/reviewer-links", json={"name": "P. Lanner"}).json()
    with TestClient(client.app, base_url=BASE, follow_redirects=False) as reviewer:
        came = reviewer.get(link["address"])
        assert came.status_code == 200, (
            "a redirection from another site would lose the strict cookie"
        )
        assert 'http-equiv="refresh"' in came.text
        told = reviewer.get("/api/sessions").json()["sessions"]
        assert [(s["name"], s["kind"]) for s in told] == [("P. Lanner", "review")]
        others = client.get("/api/sessions").json()["sessions"]
        team = next(s["id"] for s in others if s["kind"] == "write")
        assert reviewer.post("/sign-ins", data={"id": team}).status_code == 400
        assert reviewer.post("/api/sessions/end", json={"id": team}).status_code == 403
        client.post("/api/reviewer-links/withdraw", json={"id": link["id"]})
        assert reviewer.get("/api/project").status_code == 401


def test_sessions_outlast_a_restart_but_no_other_secret_and_no_copy(tmp_path: Path) -> None:
    now = [1e9]
    clock = lambda: now[0]  # noqa: E731
    token = Sessions(tmp_path, secret=SECRET, clock=clock).open(kind="write", name="a")
    assert token not in (tmp_path / "sessions.json").read_text()
    assert (tmp_path / "sessions.json").stat().st_mode & 0o077 == 0
    assert Sessions(tmp_path, secret=SECRET, clock=clock).find(token)
    assert not Sessions(tmp_path, secret="another secret", clock=clock).find(token)
    copy = tmp_path / "copy"
    copy.mkdir()
    (copy / "sessions.json").write_bytes((tmp_path / "sessions.json").read_bytes())
    assert not Sessions(copy, secret=SECRET, clock=clock).find(token)


def test_a_session_ends_when_it_is_not_used_and_at_last_anyhow() -> None:
    now = [0.0]
    sessions = Sessions(None, secret=SECRET, clock=lambda: now[0])
    idle = sessions.open(kind="write", name="a")
    now[0] += IDLE_S + 1
    assert sessions.find(idle) is None
    used = sessions.open(kind="write", name="a")
    for _ in range(int(LONGEST_S / (IDLE_S / 2))):
        assert sessions.find(used)
        now[0] += IDLE_S / 2
    now[0] += 2
    assert sessions.find(used) is None
    assert sessions.all() == []


@pytest.mark.parametrize("body", ["", "{", "[]", '{"sessions": [1], "salt": "x", "check": "y"}'])
def test_a_damaged_list_of_sessions_lets_nobody_in(tmp_path: Path, body: str) -> None:
    (tmp_path / "sessions.json").write_text(body)
    sessions = Sessions(tmp_path, secret=SECRET)
    assert sessions.all() == []
    assert sessions.find(sessions.open(kind="write", name="a"))


def test_the_browser_of_this_machine_gets_a_ticket_that_works_once(folder: Path) -> None:
    app = make_app(folder, host="0.0.0.0", secret=SECRET)
    assert app.ticket is not None
    ticket = app.ticket()
    with TestClient(app, base_url=BASE, follow_redirects=False) as client:
        page = client.get("/", params={"ticket": ticket}).text
        assert f'value="{ticket}"' in page
        assert client.post("/enter", data={"ticket": ticket, "name": "A"}).status_code == 303
        assert client.post("/enter", data={"ticket": ticket, "name": "B"}).status_code == 401


def test_on_a_machine_of_ones_own_nobody_signs_in(folder: Path) -> None:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        assert client.get("/").status_code == 200
        assert client.get("/api/sessions").json() == {"needed": False, "sessions": []}
        assert "Nobody needs to sign in" in client.get("/sign-ins").text
        assert client.post("/enter", json={"secret": "x", "name": "y"}).status_code == 400


# -- guesses -----------------------------------------------------------------------------------------------------


def test_guesses_wait_longer_each_time_and_are_written_down(
    folder: Path, client: TestClient
) -> None:
    statuses = [_enter(client, secret=f"guess number {n}").status_code for n in range(40)]
    assert statuses[:4] == [401] * 4
    assert set(statuses[4:]) == {429}
    refused = _enter(client)
    assert refused.status_code == 429, "the right one waits as well: a guess must learn nothing"
    assert int(refused.headers["retry-after"]) >= 1
    assert client.get("/", params={"key": "guess"}).status_code == 429
    log = (folder / "cache" / "sign-ins.log").read_text()
    assert log.count("sign-in failed") == 4
    assert "guess number" not in log


def test_a_day_of_guessing_is_some_hundred_guesses() -> None:
    now = [0.0]
    attempts = Attempts(logging.Logger("test", logging.CRITICAL), clock=lambda: now[0])
    tried = 0
    while now[0] < 86_400:
        now[0] += attempts.failed("10.0.0.9")
        tried += 1
    assert tried < 86_400 / 60 + 20
    assert attempts.wait_s("10.0.0.10") <= 1.0, "others are not shut out by it"
    now[0] += 1000
    assert attempts.failed("10.0.0.9") == 0, "after a quiet time slips are free again"


def test_one_house_of_ipv6_counts_as_one() -> None:
    attempts = Attempts(logging.Logger("test", logging.CRITICAL), clock=lambda: 0.0)
    for n in range(6):
        attempts.failed(f"2001:db8:1:2::{n:x}")
    assert attempts.wait_s("2001:db8:1:2:ffff::1") > 0
    assert attempts.wait_s("2001:db8:1:3::1") == 0


def test_a_log_that_cannot_be_written_stops_nobody(tmp_path: Path, capsys: Any) -> None:
    attempts = Attempts(open_log(tmp_path / "gone"))
    attempts.failed("10.0.0.9")
    attempts.succeeded("10.0.0.9", name="A\nB", kind="write")
    assert "Traceback" not in capsys.readouterr().err


# -- the secret --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "weak",
    [
        "aaaaaaaaaaaa",
        "password1234",
        "qwertyuiop12",
        "123456789012",
        "facademap facademap",
        "abcabcabcabc",
    ],
)
def test_a_secret_that_is_soon_guessed_is_refused(weak: str) -> None:
    with pytest.raises(InputError, match="soon guessed") as refused:
        check_secret(weak)
    assert weak not in str(refused.value)
    suggested = re.search(r"or this: (\S+?)\.?$", refused.value.remedy)
    assert suggested
    assert check_secret(suggested[1])


def test_the_name_of_the_project_is_no_secret() -> None:
    with pytest.raises(InputError, match="soon guessed"):
        check_secret("Kingfisher Mill", words=("Kingfisher Mill",))


def test_the_secret_comes_from_a_file_or_the_environment_and_leaves_it(tmp_path: Path) -> None:
    environment = {"FACADEMAP_SECRET": SECRET}
    assert find_secret(environment=environment) == SECRET
    assert environment == {}, "jobs started later do not inherit it"
    file = tmp_path / "secret"
    file.write_text(f"{SECRET}\nsecond line")
    assert find_secret(file=file, environment={}) == SECRET
    file.write_text("")
    with pytest.raises(FileError, match="no secret"):
        find_secret(file=file, environment={})
    with pytest.raises(FileError, match="cannot be read"):
        find_secret(file=tmp_path, environment={})


def test_a_secret_as_an_argument_is_refused(folder: Path) -> None:
    result = CliRunner().invoke(
        main, ["serve", str(folder), "--host", "0.0.0.0", "--secret", SECRET]
    )
    assert result.exit_code == 2
    assert "command line" in result.output
    assert SECRET not in result.output


# -- certificates and proxies ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("tls")
    files = folder / "cert.pem", folder / "key.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=localhost", "-keyout", files[1], "-out", files[0]),
        ],
        check=True,
        capture_output=True,
    )
    return files


def test_a_certificate_must_fit_its_key(
    folder: Path, certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    with pytest.raises(FileError, match="not there"):
        plan_server(folder, port=0, tls=(tmp_path / "no.pem", certificate[1]))
    with pytest.raises(FileError, match="no certificate"):
        plan_server(folder, port=0, tls=(certificate[1], certificate[1]))
    plan = plan_server(folder, port=0, tls=certificate)
    assert plan.address.startswith("https://")
    plan.socket.close()


@pytest.mark.parametrize(
    "public",
    ["desk.example.org", "ftp://x/", "https://", "https://a b/", "https://x/desk?y", "https://["],
)
def test_the_address_of_a_proxy_is_a_whole_address(folder: Path, public: str) -> None:
    with pytest.raises(InputError, match="public"):
        plan_server(folder, port=0, public=public, secret=SECRET)


def test_behind_a_proxy_its_name_is_answered_and_the_cookie_is_secure(folder: Path) -> None:
    plan = plan_server(folder, port=0, public="https://desk.example.org", secret=SECRET)
    plan.socket.close()
    assert plan.address == "https://desk.example.org/"
    with TestClient(
        make_app(folder, secret=SECRET, names=plan.names, secure=True),
        base_url="https://desk.example.org",
    ) as client:
        assert (
            "Secure"
            in client.post("/enter", json={"secret": SECRET, "name": "A"}).headers["set-cookie"]
        )
        assert client.get("/api/project").status_code == 200
        assert client.get("/api/project", headers={"host": "other.example.org"}).status_code == 421


# -- connections -------------------------------------------------------------------------------------------------


class _Served:
    """A server in a thread, watching closely."""

    def __init__(self, folder: Path, *, watch: dict[str, Any] | None = None, **more: Any) -> None:
        import uvicorn

        class Impatient(Watched):
            head_s, quiet_s, slow_after_s, look_every_s = 0.6, 0.6, 1.2, 0.1

        for name, value in (watch or {}).items():
            setattr(Impatient, name, value)
        plan = plan_server(folder, port=0, **more)
        app = make_app(folder, secret=plan.secret, secure=plan.tls is not None)
        config = server_config(app, plan)
        config.http = Impatient
        self.server, self.socket = uvicorn.Server(config), plan.socket
        self.thread = threading.Thread(
            target=lambda: asyncio.run(self.server.serve(sockets=[plan.socket])), daemon=True
        )
        self.thread.start()
        while not self.server.started:
            time.sleep(0.02)
        self.port = plan.socket.getsockname()[1]

    def __enter__(self) -> _Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.server.should_exit = True
        self.thread.join(20)


def _is_closed(line: socket.socket) -> bool:
    line.settimeout(0.05)
    try:
        return line.recv(65536) == b""
    except TimeoutError:
        return False
    except OSError:
        return True


HEAD = b"POST /api/edits HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Type: application/json\r\n"


def test_stalled_connections_are_closed_and_others_answered_meanwhile(folder: Path) -> None:
    with _Served(folder) as served:
        lines = {}
        for n, first in enumerate(
            [
                b"",
                b"GET / HT",
                HEAD % served.port,
                HEAD % served.port + b"Content-Length: 900\r\n\r\n{",
            ]
            * 100
        ):
            line = socket.create_connection(("127.0.0.1", served.port))
            line.sendall(first)
            lines[n] = line
        began = time.monotonic()
        with socket.create_connection(("127.0.0.1", served.port)) as honest:
            honest.sendall(
                b"GET /api/schema HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
            )
            assert honest.recv(100).startswith(b"HTTP/1.1 200")
        while lines and time.monotonic() - began < 12:
            lines = {n: s for n, s in lines.items() if not _is_closed(s)}
        assert lines == {}


def test_many_that_stall_keep_nobody_out(folder: Path) -> None:
    """Longer than they are let wait: those that said nothing for longest make room for who comes."""
    with _Served(folder, watch={"head_s": 60.0, "quiet_s": 60.0, "most": 40}) as served:
        lines = []
        for n in range(200):
            line = socket.create_connection(("127.0.0.1", served.port), timeout=10)
            line.sendall(
                b"GET / HT" if n % 2 else HEAD % served.port + b"Content-Length: 9\r\n\r\n{"
            )
            lines.append(line)
        for _ in range(3):
            with socket.create_connection(("127.0.0.1", served.port), timeout=10) as honest:
                honest.sendall(
                    b"GET /api/schema HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
                )
                assert honest.recv(100).startswith(b"HTTP/1.1 200")
        assert len(served.server.server_state.connections) <= 42
        assert sum(_is_closed(line) for line in lines[:20]) == 20, "the oldest made room"
        for line in lines:
            line.close()


def test_a_body_that_drips_is_broken_off(folder: Path) -> None:
    with _Served(folder) as served, socket.create_connection(("127.0.0.1", served.port)) as line:
        line.sendall(HEAD % served.port + b"Content-Length: 900\r\n\r\n")
        began = time.monotonic()
        while not _is_closed(line) and time.monotonic() - began < 10:
            with contextlib.suppress(OSError):
                line.sendall(b" ")
            time.sleep(0.05)
        assert 1.0 < time.monotonic() - began < 8


def test_an_answer_that_nobody_takes_is_broken_off(folder: Path) -> None:
    with _Served(folder) as served:
        line = socket.socket()
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        line.connect(("127.0.0.1", served.port))
        ask = b"GET /built/desk.js HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        line.sendall(ask * 60)
        deadline = time.monotonic() + 12
        while served.server.server_state.connections and time.monotonic() < deadline:
            time.sleep(0.1)
        assert not served.server.server_state.connections
        line.close()


def test_waiting_for_news_is_no_stalling(folder: Path) -> None:
    with _Served(folder) as served, socket.create_connection(("127.0.0.1", served.port)) as line:
        line.sendall(
            b"GET /api/changes?after=999999&wait=2 HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
        )
        line.settimeout(10)
        assert line.recv(100).startswith(b"HTTP/1.1 200")


def test_over_tls_the_page_is_served_by_tls(folder: Path, certificate: tuple[Path, Path]) -> None:
    import httpx

    with _Served(folder, tls=certificate, secret=SECRET) as served:
        with httpx.Client(verify=False, base_url=f"https://127.0.0.1:{served.port}") as client:
            entered = client.post("/enter", json={"secret": SECRET, "name": "A"})
            assert "__Host-" in entered.headers["set-cookie"]
            assert client.get("/api/project").status_code == 200
        with pytest.raises(httpx.HTTPError):
            httpx.get(f"http://127.0.0.1:{served.port}/")


def test_no_address_believes_the_name_that_is_sent() -> None:
    """Plans, papers and rows set aside were signed by whatever name the request gave, whoever was signed in."""
    import facademap.web

    said = [
        (path.name, line.strip())
        for path in sorted(Path(facademap.web.__file__).parent.glob("*.py"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if 'text_of(body, "who"' in line or 'text_of(body, "reviewer"' in line
    ]
    assert len(said) >= 8
    assert [s for s in said if "author_of(request.scope, " not in s[1]] == []
