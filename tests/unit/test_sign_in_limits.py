"""Who may ask what, and how long: every limit of sign-ins, sessions and the guard, on both sides."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import facademap.web.attempts as attempts_module
import facademap.web.sessions as sessions_module
from facademap.limits import limits_now
from facademap.web.attempts import Attempts
from facademap.web.guard import Access, Guard
from facademap.web.sessions import IDLE_S, LONGEST_S, Session, Sessions

HOUSE = "10.0.0.9"


@pytest.fixture
def now() -> list[float]:
    return [1000.0]


@pytest.fixture
def attempts(now: list[float]) -> Attempts:
    return Attempts(logging.Logger("test", logging.CRITICAL), clock=lambda: now[0])


@pytest.fixture
def sessions(now: list[float], monkeypatch: pytest.MonkeyPatch) -> Iterator[Sessions]:
    monkeypatch.setattr(sessions_module, "_stretched", lambda secret, salt: secret + salt)
    return Sessions(None, secret="slate under a blue heron", clock=lambda: now[0])


# -- guesses -------------------------------------------------------------------------------------------------------------


def test_three_slips_are_free_and_then_each_wait_is_twice_the_last_up_to_a_minute(
    attempts: Attempts,
) -> None:
    assert [attempts.failed(HOUSE) for _ in range(12)] == [0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_a_wait_runs_down_and_no_further(attempts: Attempts, now: list[float]) -> None:
    for _ in range(6):
        attempts.failed(HOUSE)
    now[0] += 3
    assert attempts.wait_s(HOUSE) == 1
    now[0] += 2
    assert attempts.wait_s(HOUSE) == 0


def test_slips_are_forgotten_after_a_quarter_of_an_hour_without_one(
    attempts: Attempts, now: list[float]
) -> None:
    for _ in range(3):
        attempts.failed(HOUSE)
    now[0] += 900
    assert attempts.failed(HOUSE) == 1, "a quarter of an hour to the second is not over"
    now[0] += 900.5
    assert attempts.failed(HOUSE) == 0


def test_who_signs_in_begins_anew(attempts: Attempts) -> None:
    for _ in range(3):
        attempts.failed(HOUSE)
    attempts.succeeded(HOUSE, name="a", kind="write")
    assert attempts.failed(HOUSE) == 0


def test_fifty_slips_of_many_houses_are_free_and_the_next_holds_everybody_up(
    attempts: Attempts, now: list[float]
) -> None:
    assert {attempts.failed(f"10.0.{n}.1") for n in range(50)} == {0}
    assert attempts.failed("10.0.50.1") == 1
    assert attempts.wait_s("10.9.9.9") == 1
    now[0] += 900.5
    assert attempts.failed("10.0.51.1") == 0


def test_slips_of_all_houses_count_for_a_quarter_of_an_hour_to_the_second(
    attempts: Attempts, now: list[float]
) -> None:
    for n in range(50):
        attempts.failed(f"10.0.{n}.1")
    now[0] += 900
    assert attempts.failed("10.0.50.1") == 1


def test_of_too_many_houses_the_quietest_is_forgotten(
    attempts: Attempts, now: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(attempts_module, "MOST_ADDRESSES", 3)
    for house in ("10.0.0.1", "10.0.0.2", "10.0.0.3"):
        now[0] += 1
        for _ in range(3):
            attempts.failed(house)
    now[0] += 1
    attempts.failed("10.0.0.4")
    assert len(attempts._by_address) == 3
    assert attempts.failed("10.0.0.3") == 1
    assert attempts.failed("10.0.0.2") == 1
    now[0] += 1
    assert attempts.failed("10.0.0.1") == 0
    now[0] += 900
    attempts.failed("10.0.0.5")
    assert set(attempts._by_address) == {"10.0.0.1", "10.0.0.5"}, (
        "the old ones go first; a quarter of an hour to the second is not old"
    )


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("2001:db8:1:2::1", "2001:db8:1:2:ffff::9", True),
        ("2001:db8:1:2::1", "2001:db8:1:3::1", False),
        ("::ffff:10.0.0.9", "10.0.0.9", True),
        ("10.0.0.9", "10.0.0.8", False),
        ("a" * 90, "a" * 80, True),
    ],
)
def test_a_house_counts_as_one(attempts: Attempts, one: str, other: str, same: bool) -> None:
    for _ in range(4):
        attempts.failed(one)
    assert attempts.wait_s(other) == (1 if same else 0)


# -- sessions ------------------------------------------------------------------------------------------------------------


def test_a_session_lasts_to_the_second(sessions: Sessions, now: list[float]) -> None:
    idle = sessions.open(kind="write", name="a")
    now[0] += IDLE_S
    assert sessions.find(idle)
    now[0] += IDLE_S + 0.5
    assert sessions.find(idle) is None
    opened = now[0]
    used = sessions.open(kind="write", name="a")
    while now[0] + IDLE_S < opened + LONGEST_S:
        now[0] += IDLE_S
        assert sessions.find(used)
    now[0] = opened + LONGEST_S
    assert sessions.find(used)
    now[0] += 0.5
    assert sessions.find(used) is None


def test_there_are_no_more_sessions_than_allowed_and_the_least_used_goes(
    sessions: Sessions, now: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sessions_module, "MOST_SESSIONS", 2)
    first, second = (sessions.open(kind="write", name=n) for n in "ab")
    now[0] += 1
    assert sessions.find(first)
    now[0] += 1
    third = sessions.open(kind="write", name="c")
    assert sessions.find(second) is None
    assert sessions.find(first)
    assert sessions.find(third)
    assert [s.name for s in sessions.all()] in (["a", "c"], ["c", "a"])


def test_sessions_are_listed_last_used_first_and_ended_ones_not(
    sessions: Sessions, now: list[float]
) -> None:
    sessions.open(kind="write", name="old")
    now[0] += IDLE_S
    sessions.open(kind="write", name="new")
    assert [s.name for s in sessions.all()] == ["new", "old"]
    now[0] += 0.5
    assert [s.name for s in sessions.all()] == ["new"]


def test_a_token_of_two_hundred_letters_is_looked_for_and_a_longer_one_is_not(
    sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sessions_module, "_digest", lambda token: "same")
    sessions._by_digest["same"] = Session(
        id="1",
        digest="same",
        kind="write",
        name="a",
        opened_at=1000.0,
        seen_at=1000.0,
        address="",
        browser="",
    )
    assert sessions.find("x" * 200)
    assert sessions.find("x" * 201) is None
    assert sessions.find("") is None


def test_ending_a_session_ends_that_one_and_says_whether_there_was_one(sessions: Sessions) -> None:
    first, second = (sessions.open(kind="write", name=n) for n in "ab")
    ended = next(s.id for s in sessions.all() if s.name == "a")
    assert sessions.end(ended)
    assert not sessions.end(ended)
    assert sessions.find(first) is None
    assert sessions.find(second)


def test_a_session_of_a_link_ends_with_it(
    now: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sessions_module, "_stretched", lambda secret, salt: secret + salt)
    links = ["good"]
    sessions = Sessions(None, secret="slate", links=lambda: links, clock=lambda: now[0])
    linked = sessions.open(kind="review", name="a", link="good")
    team = sessions.open(kind="write", name="b")
    assert sessions.find(linked)
    links.clear()
    assert sessions.find(linked) is None
    assert sessions.find(team)
    links.append("good")
    assert sessions.find(linked) is None, "what has ended does not begin again"


def test_what_a_session_did_is_written_down_every_five_minutes_and_its_end_at_once(
    now: list[float], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(sessions_module, "_stretched", lambda secret, salt: secret + salt)
    sessions = Sessions(tmp_path, secret="slate", clock=lambda: now[0])

    def kept() -> list[float]:
        told = json.loads((tmp_path / sessions_module.FILE).read_text())
        return [s["seen_at"] for s in told["sessions"]]

    token = sessions.open(kind="write", name="a")
    assert kept() == [1000]
    for seen, written in ((1300, 1000), (1300.5, 1300.5), (1400, 1300.5)):
        now[0] = seen
        assert sessions.find(token)
        assert kept() == [written]
    assert not sessions.end("nobody")
    assert kept() == [1300.5]
    assert sessions.end(sessions.all()[0].id)
    assert kept() == []


# -- the guard -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def refused(sessions: Sessions) -> Any:
    """Status with which a request is refused, 0 where it is not."""
    access = Access(
        hosts=frozenset({"desk"}), any_address=False, cookie="c", sessions=sessions, is_open=False
    )
    tokens = {
        kind: sessions.open(kind=kind, name=kind) for kind in ("write", "review", "assess")
    } | {"": ""}

    async def app(*_: Any) -> None:
        raise AssertionError

    guard = Guard(app, access)

    def ask(method: str, path: str, who: str = "write", **headers: str) -> int:
        told = {b"host": "desk:8471", b"authorization": f"Bearer {tokens[who]}"}
        if method == "POST":
            told[b"content-type"] = "application/json"
        told |= {k.replace("_", "-").encode(): v for k, v in headers.items()}
        scope = {"type": "http", "method": method, "path": path}
        found = guard._refusal(scope, told) or asyncio.run(guard._entry_refusal(scope, told))
        return found[0] if found else 0

    return ask


@pytest.mark.parametrize(
    ("method", "path", "who", "status"),
    [
        ("GET", "/api/project", "", 401),
        ("HEAD", "/api/project", "", 401),
        ("POST", "/api/edits", "", 401),
        ("GET", "/", "", 0),
        ("GET", "/health", "", 0),
        ("GET", "/built/desk.js", "", 0),
        ("GET", "/builtin", "", 401),
        ("GET", "/api/project", "review", 0),
        ("HEAD", "/api/project", "review", 0),
        ("POST", "/api/reviews", "review", 0),
        ("POST", "/api/sign-out", "review", 0),
        ("POST", "/api/edits", "write", 0),
        ("POST", "/enter", "", 0),
    ],
)
def test_who_may_come_in(refused: Any, method: str, path: str, who: str, status: int) -> None:
    assert refused(method, path, who) == status


@pytest.mark.parametrize(
    ("method", "headers", "status"),
    [
        ("GET", {"host": "desk"}, 0),
        ("GET", {"host": "DESK:1"}, 0),
        ("GET", {"host": "other"}, 421),
        ("GET", {"host": "10.0.0.1"}, 421),
        ("GET", {"sec_fetch_site": "same-origin"}, 0),
        ("GET", {"sec_fetch_site": "cross-site"}, 403),
        ("GET", {"sec_fetch_site": "same-site"}, 403),
        ("GET", {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate"}, 0),
        ("POST", {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate"}, 403),
        ("POST", {"origin": "https://desk:8471"}, 0),
        ("POST", {"origin": "https://desk:8472"}, 403),
        ("POST", {"origin": "null"}, 403),
        ("POST", {"origin": "https://other://desk:8471"}, 403),
        ("POST", {"content_type": "text/plain"}, 415),
        ("POST", {"content_type": "application/x-www-form-urlencoded"}, 415),
        ("POST", {"content_type": "image/png"}, 0),
        ("POST", {"content_type": "Application/JSON; charset=utf-8"}, 0),
        ("POST", {"content_length": "many"}, 400),
    ],
)
def test_a_page_of_another_site_writes_nothing(
    refused: Any, method: str, headers: dict[str, str], status: int
) -> None:
    assert refused(method, "/api/edits", **headers) == status


@pytest.mark.parametrize(
    ("path", "kind", "status"),
    [
        ("/enter", "application/x-www-form-urlencoded", 0),
        ("/sign-ins", "application/x-www-form-urlencoded", 0),
        ("/enter", "text/plain", 415),
        ("/api/edits", "application/x-www-form-urlencoded", 415),
    ],
)
def test_forms_are_taken_where_pages_send_them(
    refused: Any, path: str, kind: str, status: int
) -> None:
    assert refused("POST", path, content_type=kind) == status


@pytest.mark.parametrize(
    ("kind", "limit"), [("application/json", "request_mb"), ("image/png", "upload_mb")]
)
def test_a_body_is_as_long_as_allowed_to_the_byte(refused: Any, kind: str, limit: str) -> None:
    most = getattr(limits_now(), limit) * 1_000_000
    assert refused("POST", "/api/edits", content_type=kind, content_length=str(most)) == 0
    assert refused("POST", "/api/edits", content_type=kind, content_length=str(most + 1)) == 413


def test_numbers_are_answered_where_any_address_is(sessions: Sessions) -> None:
    access = Access.for_host("0.0.0.0", cookie="c", sessions=sessions, is_open=False)
    assert access.answers_to("10.0.0.1:8471")
    assert access.answers_to("[2001:db8::1]")
    assert access.answers_to("[2001:db8::1]:8471")
    assert not access.answers_to("evil.example.org")
    alone = Access.for_host("127.0.0.1", cookie="c", sessions=sessions, is_open=True)
    assert alone.answers_to("localhost:8471")
    assert not alone.answers_to("10.0.0.1")


def test_on_a_machine_of_ones_own_a_session_that_ended_is_ended(sessions: Sessions) -> None:
    alone = Access.for_host("127.0.0.1", cookie="c", sessions=sessions, is_open=True)
    found = asyncio.run(alone.pass_of(""))
    assert found is not None
    assert found.kind == "write"
    assert asyncio.run(alone.pass_of("no session")) is None
    team = Access.for_host("127.0.0.1", cookie="c", sessions=sessions, is_open=False)
    assert asyncio.run(team.pass_of("")) is None
