"""The pages on which an administrator leads the people of a project, over a real database."""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cluster import Cluster

from facademap.store.project import Project
from facademap.store.team_address import read_address
from facademap.store.team_people import book_of
from facademap.tasks.desk.accounts import invite_person, list_people, rights_of_server
from facademap.tasks.project.team import join_project, rights_in_project
from facademap.wall.world import wall_crs
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

BASE = "http://10.0.0.4:8471"
SECRET = "seven herons by the old sluice"
HOSTILE = "<b onmouseover=alert(1)>Zoë"


@pytest.fixture(scope="module")
def owners(cluster: Cluster, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two projects of one database, led by their owner at the terminal."""
    database, base = cluster.make_database("people_page"), tmp_path_factory.mktemp("people_page")
    made = {}
    for name in ("mill", "kiln"):
        address = f"{database}#{name}"
        with Project.create_in(read_address(address), base / name, name=name) as project:
            if name == "mill":
                project._connection.execute("DROP ROLE IF EXISTS leads")
                project._connection.execute("CREATE ROLE leads LOGIN")
            with project.edit(who="ann", what="set up") as edit:
                for elevation in ("river", "lane"):
                    edit.insert(
                        "elevations",
                        [
                            {
                                "id": elevation,
                                "name": HOSTILE if elevation == "lane" else "River front",
                            }
                        ],
                    )
                    edit.insert(
                        "surfaces",
                        [
                            {
                                "id": f"s-{elevation}",
                                "elevation": elevation,
                                "name": "s",
                                "frame_wkt": wall_crs("s", f"test {name} {elevation}"),
                            }
                        ],
                    )
        rights_in_project(base / name, role="leads", may="edit")
        made[name] = base / name
    invite_person(made["mill"], "Ida Lead", role="administrator")
    rights_of_server(made["mill"], "leads", "manage")
    made["desk"] = join_project(f"{database}#mill".replace("postgres@", "leads@"), base / "desk")
    return made


@pytest.fixture(scope="module")
def desk(owners: dict[str, Path]) -> Iterator[TestClient]:
    with TestClient(
        make_app(owners["desk"], host="0.0.0.0", accounts=True),
        base_url=BASE,
        follow_redirects=False,
    ) as made:
        yield made


def come_in(desk: TestClient, word: str) -> TestClient:
    browser = TestClient(desk.app, base_url=BASE, follow_redirects=False)
    came = browser.post("/invited", data={"word": word, "secret": SECRET, "again": SECRET})
    assert came.status_code == 303, came.text
    return browser


@pytest.fixture(scope="module")
def ida(desk: TestClient, owners: dict[str, Path]) -> TestClient:
    """An administrator who is signed in."""
    return come_in(desk, invite_person(owners["mill"], "Ida Lead", role="administrator")["word"])


def sent(browser: TestClient, do: str, name: str, **fields: Any) -> Any:
    return browser.post("/people", data={"do": do, "name": name, **fields})


def people(owners: dict[str, Path], project: str = "mill") -> dict[str, dict[str, Any]]:
    return {p["name"]: p for p in list_people(owners[project])}


def word_on(page: str) -> str:
    return re.search(r'<code class="word">([^<]+)</code>', page)[1]  # type: ignore[index]


def test_an_administrator_invites_changes_and_takes_out_at_the_desk(
    desk: TestClient, ida: TestClient, owners: dict[str, Path]
) -> None:
    invited = sent(ida, "invite", "Bo  Lathe", role="mason", elevation=["river", "lane"], days="2")
    assert invited.status_code == 200
    word = word_on(invited.text)
    assert word not in ida.get("/people").text, "shown once"
    assert people(owners)["Bo Lathe"]["elevations"] == ("river", "lane")
    bo = come_in(desk, word)
    assert bo.get("/api/project").json()["role"] == "mason"

    changed = sent(ida, "change", "BO LATHE", role="surveyor", elevation="river")
    assert (changed.status_code, changed.headers["location"]) == (303, "/people")
    assert sent(bo, "remove", "Ida Lead").status_code == 403
    assert bo.get("/api/project").json()["elevations"] == ["river"]
    sent(ida, "change", "Bo Lathe", role="surveyor")
    assert people(owners)["Bo Lathe"]["elevations"] is None, "none chosen is the whole project"

    for fields, problem in (
        ({"do": "invite", "name": "Cy", "role": "king"}, "no role"),
        ({"do": "invite", "name": "Cy", "role": "mason", "elevation": "roof"}, "no elevation"),
        ({"do": "invite", "name": "Cy", "role": "mason", "days": "61"}, "61 days"),
        ({"do": "invite", "name": "Cy", "role": "mason", "days": "soon"}, "soon"),
        ({"do": "invite", "name": "", "role": "mason"}, "a name that cannot be used"),
        ({"do": "invite", "name": "Bo Lathe", "role": "administrator"}, "in the project already"),
        ({"do": "remove", "name": "Nobody"}, "none of the people"),
        ({"do": "rule", "name": "Bo Lathe"}, "Nothing was asked for"),
        (
            {"do": "change", "name": "IDA LEAD", "role": "mason"},
            "Nobody changes or takes out themselves",
        ),
        ({"do": "remove", "name": "Ida Lead"}, "Nobody changes or takes out themselves"),
    ):
        answer = ida.post("/people", data=fields)
        assert answer.status_code == 400, fields
        assert problem.lower() in answer.text.lower()
    assert set(people(owners)) == {"Ida Lead", "Bo Lathe"}
    assert people(owners)["Ida Lead"]["role"] == "administrator"

    assert sent(ida, "remove", "Bo Lathe").status_code == 303
    assert bo.get("/api/project").status_code == 401
    assert set(people(owners)) == {"Ida Lead"}


def test_only_administrators_of_the_whole_project_lead_and_no_other_site_does(
    desk: TestClient, ida: TestClient, owners: dict[str, Path]
) -> None:
    assert TestClient(desk.app, base_url=BASE).get("/people").status_code == 401
    for role, elevation in (("conservator", []), ("administrator", ["river"])):
        name = f"Some {role}"
        other = come_in(
            desk, word_on(sent(ida, "invite", name, role=role, elevation=elevation, days="1").text)
        )
        for path in ("/people", "/people/trail", "/people/trail.csv"):
            assert other.get(path).status_code == 403, (role, path)
        assert sent(other, "remove", "Ida Lead").status_code == 403
        assert "/people" not in other.get("/sign-ins").text or role == "administrator"
        sent(ida, "remove", name)
    assert (
        ida.post(
            "/people",
            data={"do": "remove", "name": "x"},
            headers={"origin": "https://elsewhere.example"},
        ).status_code
        == 403
    )
    assert 'href="/people"' in ida.get("/sign-ins").text


def test_who_has_a_secret_already_comes_in_with_a_warning_and_a_lost_elevation_widens_nobody(
    desk: TestClient, ida: TestClient, owners: dict[str, Path]
) -> None:
    """Somebody else may have chosen that secret; and a limit to what is gone is no leave for the whole wall."""
    word = word_on(sent(ida, "invite", "Anna Weiß", role="mason", days="1").text)
    come_in(desk, word)
    assert sent(ida, "remove", "Anna Weiß").status_code == 303
    again = sent(ida, "invite", "ANNA WEISS", role="mason", elevation="river", days="1")
    assert again.status_code == 200
    assert "Is that the person you mean?" in again.text
    assert 'class="word"' not in again.text
    with Project.open(owners["mill"]) as project, book_of(project) as book:
        book._asked("UPDATE {p}.members SET elevations = '[\"attic\"]' WHERE name = 'Anna Weiß'")
    page = ida.get("/people").text
    assert 'value="attic" checked' in page
    refused = sent(ida, "change", "Anna Weiß", role="yard", elevation="attic")
    assert (refused.status_code, "no elevation" in refused.text) == (400, True)
    assert people(owners)["Anna Weiß"]["elevations"] == ("attic",)
    sent(ida, "remove", "Anna Weiß")


def test_a_word_never_opens_another_project_and_names_stay_text(
    desk: TestClient, ida: TestClient, owners: dict[str, Path]
) -> None:
    invite_person(owners["kiln"], "Una Ashlar", role="yard")
    refused = sent(ida, "invite", "una ashlar", role="mason", days="7")
    assert refused.status_code == 400
    assert "is in another project of this database" in refused.text
    assert "Una Ashlar" not in people(owners)
    assert people(owners, "kiln")["Una Ashlar"]["invited_until"], "her own invitation holds"

    # a word that was given out first opens nothing once another project counts on that name
    first = word_on(sent(ida, "invite", "Quin Joist", role="mason", days="7").text)
    invite_person(owners["kiln"], "Quin Joist", role="administrator")
    used = desk.post("/invited", data={"word": first, "secret": SECRET, "again": SECRET})
    assert (used.status_code, "opens nothing" in used.text) == (400, True)

    page = sent(ida, "invite", HOSTILE, role="yard", elevation="lane", days="1").text
    assert "<b onmouseover" not in page
    assert "&lt;b onmouseover" in page
    assert sent(ida, "remove", HOSTILE).status_code == 303
    assert "<b onmouseover" not in ida.get("/people/trail").text


def test_the_trail_is_shown_filtered_and_as_a_table(
    ida: TestClient, owners: dict[str, Path]
) -> None:
    sent(ida, "invite", "Cy Mortar", role="mason", days="1")
    sent(ida, "remove", "Cy Mortar")
    page = ida.get("/people/trail?act=remove&about=cy+mortar").text
    assert page.count("<tr><td>2") == 1
    assert "Cy Mortar" in page
    assert "Nothing." in ida.get("/people/trail?since=2999-01-01").text
    wrong = ida.get("/people/trail?since=yesterday+or+so")
    assert (wrong.status_code, 'role="alert"' in wrong.text) == (400, True)
    rows = list(csv.DictReader(io.StringIO(ida.get("/people/trail.csv?act=invite").text)))
    assert {r["act"] for r in rows} == {"invite"}
    assert "Cy Mortar: mason" in {r["about"] for r in rows}
    told = ida.get("/people/trail?name=ida+lead&act=see").text
    assert "audit trail" in told, "who reads the trail stands in it"


def test_a_trail_that_is_too_long_for_its_table_is_refused_and_not_cut(
    ida: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = len(list(csv.DictReader(io.StringIO(ida.get("/people/trail.csv?act=see").text))))
    # asking for the table is itself written down before it is read
    for most, code in ((held + 10, 200), (held, 400)):
        monkeypatch.setattr("facademap.web.people_page._WHOLE", most)
        answer = ida.get("/people/trail.csv?act=see")
        assert answer.status_code == code
    assert "Ask for fewer days" in answer.text


def test_who_only_asks_about_a_sheet_is_not_said_to_change_something(
    ida: TestClient, owners: dict[str, Path]
) -> None:
    ida.post("/api/papers/code", content=b"no picture", headers={"content-type": "image/png"})
    rows = list(csv.DictReader(io.StringIO(ida.get("/people/trail.csv?name=Ida+Lead").text)))
    assert not [r for r in rows if "papers/code" in r["about"] and r["act"] == "change"]


def test_a_server_that_may_not_lead_says_so_and_a_desk_without_accounts_has_no_such_page(
    desk: TestClient,
    ida: TestClient,
    owners: dict[str, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rights_of_server(owners["mill"], "leads", "serve")
    try:
        assert "Ida Lead" in ida.get("/people").text
        for answer in (sent(ida, "invite", "Cy", role="mason", days="1"), ida.get("/people/trail")):
            assert answer.status_code == 400
            assert "our role may not do this" in answer.text
    finally:
        rights_of_server(owners["mill"], "leads", "manage")
    assert "Cy" not in people(owners)
    with Project.create(tmp_path / "file", name="file"):
        pass
    with TestClient(
        make_app(tmp_path / "file"), base_url="http://127.0.0.1:8471", follow_redirects=False
    ) as other:
        for path in ("/people", "/people/trail", "/people/trail.csv"):
            assert other.get(path).headers["location"] == "/"
