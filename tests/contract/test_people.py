"""Accounts, roles, sessions and the audit trail of a desk whose project lies in a database, with a real one."""

from __future__ import annotations

import contextlib
import csv
import itertools
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner
from cluster import Cluster

from facademap.cli.main import main
from facademap.errors import InputError, ProjectError
from facademap.store.project import Project
from facademap.store.team import connect_team
from facademap.store.team_address import read_address
from facademap.store.team_people import ROLES, PeopleBook
from facademap.tables import TABLES
from facademap.tasks.desk.accounts import (
    change_person,
    invite_person,
    list_people,
    remove_person,
    rights_of_server,
    trail_of,
)
from facademap.tasks.project.team import join_project, rights_in_project
from facademap.wall.world import wall_crs
from facademap.web.acts import ACTS, EDITS, JOBS, OPEN, RULES
from facademap.web.app import make_app
from facademap.web.jobs import KINDS

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

_number = itertools.count(1)
BASE = "http://10.0.0.4:8471"
SECRET = "seven herons by the old sluice"
WORK = "/api/work"


@pytest.fixture(scope="module")
def address(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A project of two elevations; its owner leads the people, the desk comes as a role of its own."""
    found = f"{cluster.make_database('people')}#sail_loft"
    owner = tmp_path_factory.mktemp("people") / "owner"
    with Project.create_in(read_address(found), owner, name="sail_loft") as project:
        project._connection.execute("CREATE ROLE desk LOGIN")
        with project.edit(who="ann", what="set up") as edit:
            for elevation, surface in (("river", "front"), ("lane", "back")):
                edit.insert("elevations", [{"id": elevation, "name": elevation}])
                edit.insert("surfaces", [{"id": surface, "elevation": elevation, "name": surface, "frame_wkt": wall_crs(surface, f"test {surface}")}])  # fmt: skip
                edit.insert("conditions", [{"id": f"C-{surface}", "surface": surface, "term": "scaling", "geometry": shapely.box(0, 0, 1, 1)}])  # fmt: skip
    rights_in_project(owner, role="desk", may="edit")
    for role in ROLES:
        invite_person(owner, role.title(), role=role)
    rights_of_server(owner, "desk", "serve")
    return found


@pytest.fixture(scope="module")
def owner(address: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return join_project(address, tmp_path_factory.mktemp("people") / "owner")


@pytest.fixture(scope="module")
def folder(address: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the desk's server, which does not own the project."""
    return join_project(address.replace("postgres@", "desk@"), tmp_path_factory.mktemp("people") / "desk")  # fmt: skip


@pytest.fixture(scope="module")
def desk(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder, host="0.0.0.0", accounts=True), base_url=BASE, follow_redirects=False) as made:  # fmt: skip
        yield made


def browser_of(desk: TestClient) -> TestClient:
    """A browser at an address of its own, whose failures make nobody else wait."""
    return TestClient(desk.app, base_url=BASE, follow_redirects=False, client=(f"10.0.1.{next(_number)}", 50_000))  # fmt: skip


def let_in(desk: TestClient, owner: Path, name: str, **about: Any) -> TestClient:
    """A browser of somebody who took an invitation up just now, whoever they were before."""
    if any(p["name"] == name for p in list_people(owner)):
        remove_person(owner, name)
    made = invite_person(owner, name, new_secret=True, **about)
    browser = browser_of(desk)
    came = browser.post("/invited", data={"word": made["word"], "secret": SECRET, "again": SECRET})
    assert (came.status_code, came.headers["location"]) == (303, "/"), came.text
    return browser


def edit_of(table: str, id: str, op: str = "delete", **values: Any) -> dict[str, Any]:
    return {"key": f"key-{table}-{id}-{op}".replace("_", "-")[:60], "changes": [{"op": op, "table": table, "id": id, "rev": 1, "values": values}]}  # fmt: skip


def test_every_address_and_every_edit_has_a_rule_and_no_rule_is_without_its_address(
    desk: TestClient,
) -> None:
    """A server with an address that nobody thought of does not start."""
    addresses = {f"{m} {r.path}" for r in desk.app._app.routes for m in r.methods - {"HEAD"}}
    assert addresses == set(RULES)
    assert {rule.act for rule in RULES.values()} <= {OPEN, *ACTS}
    assert set(EDITS) == set(TABLES)
    assert set(JOBS) == set(KINDS)
    for act, roles in ACTS.items():
        assert "administrator" in roles, act
        assert roles <= set(ROLES), act
    # nothing but pages that show no project is open, and nothing that changes it
    opened = {a for a, rule in RULES.items() if rule.act == OPEN}
    assert not [a for a in opened if "/api/" in a or "/tiles" in a or "/pictures" in a or "/papers" in a]  # fmt: skip
    assert {a for a in opened if a.startswith("POST")} == {"POST /enter", "POST /invited"}
    writing = {a for a in RULES if a.startswith("POST")} - opened
    # a photo of a code is sent, read and forgotten
    assert {a for a in writing if RULES[a].act == "look"} == {"POST /api/papers/code"}
    from starlette.routing import Route

    from facademap.web.acts import judged

    with pytest.raises(LookupError, match="GET /api/forgotten has no rule"):
        judged([Route("/api/forgotten", endpoint=lambda request: None)])


@pytest.mark.parametrize("role", ROLES)
def test_the_server_refuses_every_act_that_the_role_may_not_do(
    desk: TestClient, owner: Path, role: str
) -> None:
    """Asked for at every address with the session of a real person."""
    browser = let_in(desk, owner, role.title(), role=role)
    told = browser.get("/api/project").json()
    assert set(told["may"]) == {act for act, roles in ACTS.items() if role in roles}
    refused = {a for a, rule in RULES.items() if rule.act != OPEN and role not in ACTS[rule.act]}
    for address in refused:
        method, path = address.split(" ")
        filled = path.replace("{", "").replace("}", "").replace(":path", "")
        answer = browser.request(method, filled, **({"json": {}} if method == "POST" else {}))
        assert answer.status_code == 403, (address, answer.text)
        said = answer.json()["error"]
        assert f"is {role} here, who may not" in said["problem"]
        assert "\n" not in said["problem"] + said["remedy"]
    for table, act in EDITS.items():
        answer = browser.post("/api/edits", json=edit_of(table, "nothing-here"))
        if role in ACTS[act] & ACTS["edit"]:
            assert answer.status_code != 403, (table, answer.text)
        else:
            # some tables are edited by nobody here, whatever the role
            never = "cannot be changed here" in answer.text or "never changed" in answer.text
            assert never or answer.status_code == 403, (table, answer.text)
    approving = browser.post(f"{WORK}/stage", json={"repair": "R-1", "stage": "approved"})
    assert (approving.status_code == 403) == (role not in ACTS["design"])
    assert (len(refused) > 20) == (role not in ("conservator", "administrator")), len(refused)


def test_an_invitation_is_good_once_and_for_a_time_and_the_secret_is_kept_by_argon2(
    desk: TestClient, owner: Path, folder: Path, address: str
) -> None:
    made = invite_person(owner, "Ada  Quill", role="surveyor", elevations=["river"], days=2)
    assert (made["name"], made["elevations"]) == ("Ada Quill", ["river"])
    browser = browser_of(desk)
    good = {"word": made["word"], "secret": SECRET, "again": SECRET}
    for wrong, problem in (
        ({"secret": "short", "again": "short"}, "a secret of 5 characters"),
        ({"secret": "Ada Quill Ada Quill", "again": "Ada Quill Ada Quill"}, "soon guessed"),
        ({"again": "another"}, "the two secrets differ"),
        ({"word": "no-such-word"}, "this word opens nothing"),
    ):
        answer = browser.post("/invited", data={**good, **wrong})
        assert answer.status_code == 400
        assert problem.lower() in answer.text.lower()
        assert SECRET not in answer.text
    came = browser.post("/invited", data=good)
    cookie = came.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert browser.get("/api/project").json()["elevations"] == ["river"]
    again = browser_of(desk)
    assert "word opens nothing" in again.post("/invited", data=good).text
    assert again.post("/enter", json={"name": "ada quill", "secret": SECRET}).json()["name"] == "Ada Quill"  # fmt: skip
    # the wrong secret and the wrong name are told apart by nobody
    told = [again.post("/enter", json={"name": n, "secret": "wrong " + SECRET}).json()["error"] for n in ("Ada Quill", "Nobody")]  # fmt: skip
    assert told[0]["problem"] == told[1]["problem"] == "this secret opens nothing"
    # somebody who has a secret keeps it, unless another is asked for
    with pytest.raises(InputError, match="already, as surveyor, limited to river"):
        invite_person(owner, "ADA QUILL", role="surveyor")  # it would lift what limits her
    assert invite_person(owner, "ADA QUILL", role="surveyor", elevations=["river"])["word"] == ""
    again = browser_of(desk)
    # a secret that was typed where the name belongs is written down nowhere
    again.post("/enter", json={"name": SECRET, "secret": "Ada Quill"})
    with contextlib.closing(connect_team(read_address(address))) as raw:
        kept = raw.execute("SELECT secret FROM facademap_people.persons WHERE name = 'Ada Quill'")
        assert kept.fetchone()[0].startswith(
            "$argon2id$v=19$m=65536,t=3,p=4$"
        )  # RFC 9106, section 4
        late = invite_person(owner, "Late Comer", role="mason", days=1)
        raw.execute("UPDATE facademap_people.invitations SET until = now() - interval '1 second' WHERE name = 'Late Comer'")  # fmt: skip
        everything = "".join(str(raw.execute(f"SELECT * FROM facademap_people.{t}").fetchall()) for t in ("persons", "members", "invitations", "sessions", "audit"))  # fmt: skip
    assert "opens nothing" in again.post("/invited", data={**good, "word": late["word"]}).text
    for secret in (SECRET, made["word"], late["word"], cookie.split("=", 1)[1].split(";")[0]):
        assert secret not in everything, "only digests are kept"
        for file in (f for place in (owner, folder) for f in place.rglob("*") if f.is_file()):
            assert secret.encode() not in file.read_bytes(), file


def test_sessions_are_shared_by_servers_and_end_everywhere_at_once(
    desk: TestClient, owner: Path, folder: Path, address: str, tmp_path: Path
) -> None:
    browser = let_in(desk, owner, "Bo Lathe", role="mason")
    token = browser.cookies.get(next(iter(browser.cookies)))
    second = join_project(address.replace("postgres@", "desk@"), tmp_path / "second")
    with TestClient(make_app(second, host="0.0.0.0", accounts=True), base_url=BASE) as other:
        bearer = {"authorization": f"Bearer {token}"}
        assert other.get("/api/project", headers=bearer).json()["role"] == "mason"
        review = {"about_table": "conditions", "about": "C-front", "text": "seen", "decision": "comment"}  # fmt: skip
        assert other.post("/api/reviews", json=review, headers=bearer).status_code == 403
        change_person(owner, "bo lathe", role="reviewer")
        assert other.post("/api/reviews", json=review, headers=bearer).status_code == 200
        seq = other.get("/api/project", headers=bearer).json()["seq"]
        with ThreadPoolExecutor(1) as pool:
            waits = pool.submit(other.get, f"/api/changes?after={seq}&wait=20", headers=bearer)
            time.sleep(0.3)
            remove_person(owner, "Bo Lathe")
            with Project.open(owner) as project, project.edit(who="ann", what="after that") as edit:
                edit.update("elevations", "lane", {"name": "not for him"})
            assert waits.result().json() == {"seq": seq, "edits": [], "rows": []}
        assert other.post("/api/reviews", json=review, headers=bearer).status_code == 401
        assert browser.post("/api/reviews", json=review).status_code == 401
    assert "Bo Lathe" not in {p["name"] for p in list_people(owner)}
    assert browser.post("/enter", json={"name": "Bo Lathe", "secret": SECRET}).status_code == 401


def test_a_surveyor_of_one_elevation_sees_and_changes_no_other_at_the_desk(
    desk: TestClient, owner: Path, folder: Path
) -> None:
    browser = let_in(desk, owner, "Rita Marl", role="conservator", elevations=["river"])
    seen = browser.get("/api/tables/conditions").json()["rows"]
    assert {r["surface"] for r in seen} == {"front"}
    everything = ""
    for method, path in (a.split(" ") for a, rule in RULES.items() if rule.act not in (OPEN, "self")):  # fmt: skip
        if method == "GET" and "{" not in path:
            everything += browser.get(path, params={"names": "conditions,surfaces", "id": "back", "text": "1 m"}).text  # fmt: skip
    everything += browser.get("/api/packed/conditions").content.decode("latin-1")
    everything += browser.get("/api/history?table=conditions&id=C-back").text
    assert "C-front" in everything
    assert "C-back" not in everything
    assert browser.get("/api/rows/conditions/C-back").status_code == 400
    for wanted in ("/api/campaign", "/papers/map.pdf", "/api/check"):
        answer = browser.get(wanted)
        assert answer.status_code == 403
        assert "needs the whole project" in answer.json()["error"]["problem"]
    assert browser.post("/api/edits", json=edit_of("conditions", "C-back")).status_code == 400
    stray = edit_of("conditions", "C-front", "update", surface="back")
    assert browser.post("/api/edits", json=stray).status_code in (400, 403)
    mine = edit_of("conditions", "C-front", "update", note="seen from the punt")
    assert browser.post("/api/edits", json=mine).status_code == 200, "and works on its own"
    with Project.open(folder, read_only=True) as project:
        assert project.row("conditions", "C-back")["surface"] == "back"
        assert project.row("conditions", "C-front")["surface"] == "front"
    # the whole is still seen by whoever comes after, on the same threads
    whole = let_in(desk, owner, "Con Slate", role="conservator")
    assert len(whole.get("/api/tables/conditions").json()["rows"]) == 2


def test_a_mason_of_one_elevation_records_the_work_there_by_the_same_gates(
    desk: TestClient, owner: Path, folder: Path
) -> None:
    with Project.open(owner) as project, project.edit(who="ann", what="repairs") as edit:
        for id, surface, treatment in (("R-front", "front", "crack repair"), ("R-saw", "front", "inset"), ("R-back", "back", "crack repair")):  # fmt: skip
            edit.insert("repairs", [{"id": id, "surface": surface, "treatment": treatment, "stage": "approved", "conditions": [f"C-{surface}"], "edges": [0.003] * 4, "depth_m": 0.1, "geometry": shapely.box(0, 0, 1, 1)}])  # fmt: skip
        edit.insert("consents", [{"id": "K-1", "reference": "LB 12", "text": "leave to cut", "repairs": ["R-saw"]}])  # fmt: skip
    whole = let_in(desk, owner, "Con Slate", role="mason")
    mine = let_in(desk, owner, "Mo Chisel", role="mason", elevations=["river"])
    everything, part = (b.get(f"{WORK}/all").json() for b in (whole, mine))
    assert set(everything["states"]) == {"R-front", "R-saw", "R-back"}
    assert part["states"] == {r: everything["states"][r] for r in ("R-front", "R-saw")}
    for repair in ("R-front", "R-saw"):
        seen = [b.get(WORK, params={"repair": repair}).json() for b in (whole, mine)]
        assert seen[0] == seen[1], "nothing that a gate asks for is hidden"
    assert mine.get(WORK, params={"repair": "R-back"}).status_code == 400
    (stage, *_) = part["next"]["crack repair"]["approved"]
    seen = {"repair": "R-front", "criterion": "work seen", "result": "pass"}
    assert mine.post(f"{WORK}/check", json=seen).status_code == 200
    moved = mine.post(f"{WORK}/stage", json={"repair": "R-front", "stage": stage, "key": "mo-chisel-0001"})  # fmt: skip
    assert (moved.status_code, moved.json().get("stage")) == (200, stage), moved.text
    refusals = [
        b.post(f"{WORK}/stage", json={"repair": "R-saw", "stage": "cut out"}).json()["error"]
        for b in (whole, mine)
    ]
    assert refusals[0] == refusals[1]
    for body in ({"repair": "R-back", "stage": stage}, {"repair": "R-front", "stage": "accepted"}):
        assert mine.post(f"{WORK}/stage", json=body).status_code in (400, 403), body
    with Project.open(folder, read_only=True) as project:
        assert project.row("repairs", "R-back")["stage"] == "approved"
        assert project.row("repairs", "R-front")["stage"] == stage
        assert set(project.read("work_log")["repair"]) == {"R-front"}
    with Project.open(owner) as project, project.edit(who="ann", what="taken back") as edit:
        for entry in project.read("work_log")["id"]:
            edit.delete("work_log", entry)
        edit.delete("consents", "K-1")
        for id in ("R-front", "R-saw", "R-back"):
            edit.delete("repairs", id)


def test_a_desk_that_owns_the_project_lets_nobody_in_who_is_limited(owner: Path) -> None:
    """The database limits no owner, so the desk says what to do instead of showing all."""
    with TestClient(make_app(owner, host="0.0.0.0", accounts=True), base_url=BASE, follow_redirects=False) as desk:  # fmt: skip
        browser = let_in(desk, owner, "Rita Marl", role="surveyor", elevations=["river"])
        answer = browser.get("/api/tables/conditions")
        assert answer.status_code == 403
        assert "as the owner of the project" in answer.json()["error"]["problem"]


def test_the_trail_tells_who_saw_and_changed_what_and_the_server_cannot_change_it(
    desk: TestClient, owner: Path, address: str, tmp_path: Path
) -> None:
    browser = let_in(desk, owner, "=Tess Trail", role="surveyor")
    for path in ("/api/project", "/api/tables/surfaces?surface=x", "/api/tables/conditions", "/api/tables/conditions"):  # fmt: skip
        browser.get(path)
    forged = "x\n2026-11-30 00:00:00  Adm  remove  Una\x1b"  # a line that nobody wrote
    for id in (forged, "\0"):
        browser.get("/api/history", params={"table": "conditions", "id": id})
    browser.post("/api/edits", json=edit_of("conditions", "C-back", "update", note="wet"))
    browser.post("/api/edits", json=edit_of("blocks", "B-1"))
    browser.post("/api/sign-out", json={})
    browser.post("/enter", json={"name": "=Tess Trail", "secret": "wrong " + SECRET})
    run = CliRunner()
    out = tmp_path / "trail.csv"
    done = run.invoke(main, ["audit", str(owner), "--who", "=tess trail", "--out", str(out)])
    assert done.exit_code == 0, done.output
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {r["name"] for r in rows} == {"'=Tess Trail"}, "no formula for a spreadsheet"
    assert [(r["act"], r["about"], r["outcome"]) for r in reversed(rows)] == [
        ("accept invitation", "", "done"),
        ("see", "desk", "done"),
        ("see", "table surfaces x", "done"),
        ("see", "table conditions", "done"),
        ("see", "history x 2026-11-30 00:00:00 Adm remove Una? conditions", "done"),
        ("see", "history ? conditions", "done"),
        ("change", "/api/edits conditions C-back", "done"),
        ("change", "/api/edits", "refused (403)"),
        ("sign out", "", "done"),
        ("sign in", "", "refused"),
    ]
    listed = run.invoke(main, ["audit", str(owner), "--act", "change", "--about", "C-BACK"])
    assert "=Tess Trail  change  /api/edits conditions C-back" in listed.output
    assert "invite  =Tess Trail: surveyor" in run.invoke(main, ["audit", str(owner), "--act", "invite"]).output  # fmt: skip
    for role in ("desk", "postgres"):
        with contextlib.closing(connect_team(read_address(address.replace("postgres@", f"{role}@")))) as raw:  # fmt: skip
            for statement in ("DELETE FROM", "TRUNCATE", "UPDATE"):
                more = " SET name = 'x'" if statement == "UPDATE" else ""
                with pytest.raises(Exception, match=r"append-only|permission denied"):
                    raw.execute(f"{statement} facademap_people.audit{more}")
            if role == "desk":
                with pytest.raises(Exception, match="permission denied"):
                    raw.execute("SELECT * FROM facademap_people.audit")
                with pytest.raises(Exception, match="permission denied"):
                    raw.execute("UPDATE facademap_people.members SET role = 'administrator'")


def test_names_in_every_script_are_one_person_whatever_their_case(
    desk: TestClient, owner: Path
) -> None:
    browser = let_in(desk, owner, "Änne Öztürk", role="mason")
    decomposed = "A\u0308NNE O\u0308ZTU\u0308RK"
    for name in ("ÄNNE ÖZTÜRK", decomposed, "änne öztürk"):
        assert invite_person(owner, name, role="mason")["name"] == "Änne Öztürk"
        assert browser.post("/enter", json={"name": name, "secret": SECRET}).json()["name"] == "Änne Öztürk"  # fmt: skip
    assert change_person(owner, "ÄNNE ÖZTÜRK", role="yard")["name"] == "Änne Öztürk"
    assert sum(p["role"] == "yard" and "nne" in p["name"] for p in list_people(owner)) == 1
    assert {e["name"] for e in trail_of(owner, name=decomposed)} == {"Änne Öztürk"}
    with ThreadPoolExecutor(4) as pool:
        names = ["Şule Straße", "ŞULE STRASSE", "şule strasse", "Şule STRASSE"]
        made = [*pool.map(lambda name: invite_person(owner, name, role="mason")["name"], names)]
    assert len(set(made)) == 1, "however many are invited at once"
    # an accent is part of a name
    assert invite_person(owner, "Anne Öztürk", role="mason")["name"] == "Anne Öztürk"
    assert [remove_person(owner, n)["name"] for n in ("ÄNNE ÖZTÜRK", "ŞULE STRASSE")] == ["Änne Öztürk", made[0]]  # fmt: skip


def test_people_are_led_at_the_terminal_and_refusals_are_one_line(
    owner: Path, folder: Path, tmp_path: Path
) -> None:
    run = CliRunner()

    def said(*words: str) -> tuple[int, str]:
        done = run.invoke(main, ["people", *words])
        return done.exit_code, done.output

    code, told = said("invite", str(owner), "Una Ashlar", "--role", "yard", "--days", "3")
    assert code == 0
    assert "word: " in told
    code, told = said("change", str(owner), "una ashlar", "--elevation", "lane")
    assert (code, told) == (0, "Una Ashlar: yard, lane only\n")
    assert "Una Ashlar: yard, lane only (invited until" in said("list", str(owner))[1]
    Project.create(tmp_path / "file", name="file").close()
    for words, problem in (
        (("invite", str(owner), "Una", "--role", "yard", "--elevation", "roof"), "there is no elevation 'roof'"),
        (("invite", str(owner), "Una\nX" + "y" * 90, "--role", "yard"), "a name that cannot be used"),
        (("invite", str(owner), "Una", "--role", "yard", "--days", "99"), "an invitation for 99 days"),
        (("invite", str(owner), "Una", "--role", "yard", "--days", "1e-9"), "an invitation for 1e-09 days"),
        (("remove", str(owner), "Nobody'; DROP"), "is none of the people"),
        (("invite", str(folder), "Una", "--role", "yard"), "your role may not do this"),
        (("list", str(tmp_path / "file")), "lies in a file, which keeps no accounts"),
        (("rights", str(owner), "nobody", "--may", "serve"), "there is no role 'nobody'"),
    ):  # fmt: skip
        code, told = said(*words)
        assert (code, told.count("\n")) == (2, 1), told
        assert told.startswith("error: ")
        assert problem in told
    code, told = said("remove", str(owner), "Una Ashlar")
    assert (code, told) == (0, "Una Ashlar is out\n")


def test_a_desk_whose_database_is_away_says_so_in_a_line_and_lets_nobody_in(
    desk: TestClient, owner: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser = let_in(desk, owner, "Ada Quill", role="administrator")
    away = ProjectError("database people: cannot be reached", "Try again when it is back.")

    def gone(book: PeopleBook) -> None:
        raise away

    with monkeypatch.context() as patched:
        patched.setattr(PeopleBook, "_alive", gone)
        answers = [browser.post("/api/edits", json=edit_of("conditions", "C-front")), browser.post("/enter", json={"name": "Ada Quill", "secret": SECRET})]  # fmt: skip
        for answer in answers:
            assert (answer.status_code, answer.json()["error"]["problem"]) == (503, away.problem)
        assert "cannot be reached" in browser.get("/").text
        assert browser.post("/invited", data={"word": "x", "secret": SECRET, "again": SECRET}).status_code == 400  # fmt: skip
    assert browser.get("/api/project").json()["role"] == "administrator"
