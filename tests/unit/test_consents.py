"""Conditions of consents: they hold the work that they are about, and are ticked with a name, a day and what proves it."""

from __future__ import annotations

import base64
import itertools
import sys
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.errors import InputError, StageError
from facademap.repair.consents import open_consents
from facademap.report.ticket_content import make_tickets
from facademap.store.project import Project
from facademap.tasks.desk.edit import RowChange, apply_changes
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.plan.treatments import jobs_of_project
from facademap.tasks.project.check import check_project
from facademap.tasks.record.consents import (
    add_consent,
    evidence_faults,
    list_consents,
    meet_consent,
)
from facademap.tasks.record.trials import decide_trial, make_trial
from facademap.tasks.record.work import move_on, record
from facademap.tasks.training.programme import _candidates

KEYS = itertools.count()


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = desk_sample.make_planned_project(tmp_path_factory.mktemp("consents") / "p", blocks=2)
    with Project.open(folder) as project, project.edit(who="test", what="a joint") as edit:
        surface = str(project.read("surfaces")["id"].iloc[0])
        shape = shapely.LineString([(0, 0.3), (0.6, 0.3)])
        joint = {"surface": surface, "term": "open joint", "layer": "joint", "width_m": 0.008}
        edit.put("conditions", [{"id": "X-1", **joint, "geometry": shape}])
        work = {"surface": surface, "treatment": "shelter", "conditions": ["X-1"]}
        edit.put("repairs", [{"id": "RX-1", **work, "geometry": shape}])
    return folder


@pytest.fixture
def folder(planned: Path, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(planned, tmp_path / "project"))


def asked(folder: Path, **told: Any) -> str:
    words = {"reference": "LB/12", "clause": "3", "text": "A sample is approved.", **told}
    return str(add_consent(folder, **words)["id"])


def test_work_waits_until_its_condition_is_ticked_with_what_proves_it(
    folder: Path, tmp_path: Path
) -> None:
    name = asked(folder, treatments=["shelter"])
    move_on(folder, "RX-1", "approved")
    record(folder, "RX-1", "work seen", result="pass")
    with pytest.raises(InputError, match=r"LB/12, condition 3 \(L-001\) is not met: A sample"):
        move_on(folder, "RX-1", "accepted")
    with Project.open(folder) as project:
        (job,) = [j for j in jobs_of_project(project) if j.repair == "RX-1"]
    assert any("LB/12" in h for h in job.holds)
    letter = tmp_path / "letter of the officer.PDF"
    letter.write_bytes(b"approved")
    row = meet_consent(folder, name, by="A. Keeper", on="2026-05-04", file=letter)
    kept = folder / "evidence" / row["evidence_file"]
    assert kept.read_bytes() == b"approved"
    assert kept.suffix == ".pdf"
    move_on(folder, "RX-1", "accepted")
    assert not [f for f in check_project(folder)["findings"] if f["table"] == "consents"]
    kept.write_bytes(b"refused!")
    (found,) = [f for f in check_project(folder)["findings"] if f["table"] == "consents"]
    assert "was changed since it was ticked" in found["problem"]
    kept.unlink()
    (found,) = [f for f in check_project(folder)["findings"] if f["table"] == "consents"]
    assert "is gone" in found["problem"]


@pytest.mark.parametrize(
    ("told", "holds"),
    [
        ({}, True),
        ({"treatments": ["inset"]}, False),
        ({"treatments": ["inset"], "repairs": ["RX-1"]}, True),
        ({"before": "work is accepted"}, True),
        ({"before": "nothing"}, False),
    ],
)
def test_a_condition_holds_what_it_is_about(
    folder: Path, told: dict[str, Any], holds: bool
) -> None:
    asked(folder, **told)
    move_on(folder, "RX-1", "approved")
    record(folder, "RX-1", "work seen", result="pass")
    if holds:
        with pytest.raises(InputError, match="is not met"):
            move_on(folder, "RX-1", "accepted")
    else:
        assert move_on(folder, "RX-1", "accepted")["stage"] == "accepted"


@pytest.mark.parametrize(
    ("told", "treatment", "stage", "holds"),
    [
        ({}, "inset", "approved", False),
        ({}, "inset", "cut out", True),
        ({}, "repoint", "pointed", True),
        ({}, "make safe", "accepted", False),
        ({}, "leave", "accepted", False),
        ({"repairs": ["R-1"]}, "make safe", "accepted", True),
        ({"repairs": ["R-2"]}, "inset", "cut out", False),
        ({"before": "work is accepted"}, "inset", "cut out", False),
        ({"before": "work is accepted"}, "inset", "accepted", True),
        ({"met": True}, "inset", "cut out", False),
        ({"surfaces": ["S-2"]}, "inset", "cut out", False),
    ],
)
def test_a_condition_holds_at_its_point_and_nothing_that_makes_safe(
    told: dict[str, Any], treatment: str, stage: str, holds: bool
) -> None:
    row = {"id": "L-1", "reference": "LB", "text": "x", "before": "work begins", "met": False, **told}  # fmt: skip
    repair = {"id": "R-1", "treatment": treatment, "surface": "S-1"}
    assert bool(open_consents([row], repair, stage=stage)) == holds


def test_the_choices_of_the_command_are_those_of_the_tables() -> None:
    from facademap.cli.commands import consent, trial
    from facademap.tables import CONSENT_POINTS, SOILINGS, TRIAL_KINDS

    def choices(command: Any, name: str) -> set[str]:
        (found,) = [p.type.choices for p in command.command.params if p.name == name]
        return set(found)

    assert choices(consent, "before") == set(CONSENT_POINTS)
    assert choices(consent, "wants_trial") == choices(trial, "kind") == set(TRIAL_KINDS)
    assert choices(trial, "soiling") == set(SOILINGS)


def test_the_ticket_of_an_inset_says_that_it_is_held(folder: Path) -> None:
    asked(folder, treatments=["inset"])
    with Project.open(folder) as project:
        frames = {n: project.read(n) for n in ("repairs", "pieces", "consents", "conditions")}
        settings = settings_of_project(project)
    tickets = make_tickets(frames, project="p", settings=settings)
    assert tickets
    assert all("LB/12" in t.waits[-1] for t in tickets if t.repair["treatment"] == "inset")


def test_a_trial_proves_only_when_it_is_approved(folder: Path) -> None:
    name = asked(folder)
    trial = str(make_trial(folder, kind="mock-up", treatment="repoint", stone_type="buff")["id"])
    with pytest.raises(InputError, match="is not approved"):
        meet_consent(folder, name, by="K", trial=trial)
    decide_trial(folder, trial, "approved", by="K", on="2026-05-04")
    assert meet_consent(folder, name, by="K", trial=trial)["met"]
    with pytest.raises(InputError, match="ticked already"):
        meet_consent(folder, name, by="K", trial=trial)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--text", "x"], "names no consent"),
        (["--reference", "LB", "--text", " "], "asks nothing"),
        (["--reference", "LB", "--text", "x", "--treatment", "gilding"], "is no treatment"),
        (["--reference", "LB", "--text", "x", "--repair", "R-999"], "R-999"),
        (["--reference", "LB", "--text", "x", "--given-on", "2999-01-01"], "has not come yet"),
        (["--met", "--by", "K"], "no condition is named"),
        (["L-001", "--met", "--by", " ", "--photo", "H-1"], "nobody is named"),
        (["L-001", "--met", "--by", "K"], "nothing proves"),
        (["L-001", "--met", "--by", "K", "--file", "/nowhere.pdf"], "/nowhere.pdf"),
        (["L-001", "--met", "--by", "K", "--file", "/dev/null"], "/dev/null"),
        (["L-001", "--met", "--by", "K", "--file", "/tmp"], "/tmp"),
        (["L-001", "--met", "--by", "K", "--photo", "H-999"], "H-999"),
        (["L-001", "--take-back"], "is not ticked"),
        (["L-001"], "nothing is said of"),
        (["N-999", "--met", "--by", "K", "--photo", "H-1"], "N-999"),
    ],
)
def test_bad_input_is_one_line_and_changes_nothing(
    folder: Path, words: list[str], said: str
) -> None:
    asked(folder)
    done = CliRunner().invoke(main, ["consent", str(folder), *words])
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert "Traceback" not in done.output
    (row,) = list_consents(folder)
    assert not row["met"]
    assert not (folder / "evidence").exists()


def test_a_tick_is_given_and_not_typed(folder: Path, tmp_path: Path) -> None:
    name = asked(folder)

    def by_hand(op: Any, id: str = name, **values: object) -> None:
        with Project.open(folder) as project:
            rev = None if op == "insert" else project.revisions("consents")[id]
            change = RowChange(op=op, table="consents", id=id, rev=rev, values=values)
            key = f"typed-by-hand-{next(KEYS):04}"
            apply_changes(project, [change], key=key, who="a surveyor", what="typed")

    with pytest.raises(StageError, match="ticked with evidence, not typed"):
        by_hand("update", met=True, met_by="K", met_on="2026-05-04")
    with pytest.raises(StageError, match="ticked with evidence, not typed"):
        by_hand("insert", "new:1", reference="LB", text="x", met=True)
    by_hand("update", note="asked by telephone")
    proof = tmp_path / "p.txt"
    proof.write_text("ok")
    meet_consent(folder, name, by="K", file=proof)
    for column, other in (("text", "Nothing at all."), ("surfaces", ["U"]), ("repairs", ["RX-1"])):
        with pytest.raises(StageError, match="stays as it was"):
            by_hand("update", **{column: other})
    with pytest.raises(StageError, match="work may rest on it"):
        by_hand("delete")


def test_a_mock_up_that_is_asked_for_is_what_proves_it(folder: Path) -> None:
    name = asked(folder, treatments=["inset"], wants_trial="mock-up")
    with pytest.raises(InputError, match="wants an approved mock-up"):
        meet_consent(folder, name, by="K", photo=None, trial=None, file=Path(__file__))
    for kind, treatment, said in (
        ("other", "inset", "is: other"),
        ("mock-up", "repoint", "not for inset"),
        ("mock-up", "inset", ""),
    ):
        trial = str(make_trial(folder, kind=kind, treatment=treatment, stone_type="buff")["id"])
        decide_trial(folder, trial, "approved", by="K", on="2026-05-04")
        if said:
            with pytest.raises(InputError, match=said):
                meet_consent(folder, name, by="K", trial=trial)
        else:
            assert meet_consent(folder, name, by="K", trial=trial)["evidence_trial"] == trial
    with pytest.raises(InputError, match="is met by trial"):
        decide_trial(folder, trial, "open", by="")


def test_the_desk_goes_through_the_same_gate(folder: Path) -> None:
    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:

        def send(act: str, **body: Any) -> tuple[int, Any]:
            answer = client.post(f"/api/campaign/{act}", json={"who": "ada", **body})
            return answer.status_code, answer.json()

        asked = {"reference": "LB/12", "text": "A sample.", "treatments": ["shelter"]}
        assert send("consent", **asked)[0] == 200
        for act, body, said in (
            ("consent-met", {"id": "L-001", "by": "K"}, "nothing proves"),
            ("consent-met", {"id": "L-001", "by": " ", "photo": "H-1"}, "nobody is named"),
            (
                "consent",
                {"reference": "LB", "text": "x", "treatments": "inset"},
                "no list of names",
            ),
            ("trial-decide", {"id": "T-001", "result": "maybe", "by": "K"}, "is no decision"),
            (
                "trial",
                {"kind": "mock-up", "treatment": "inset", "colour_dry": [1, 2]},
                "is no colour",
            ),
            ("crew", {"crew": "A", "hours": 0}, "has no hours"),
            ("crew", {"crew": " ", "hours": 8}, "has no name"),
            ("crew", {"crew": "A", "hours": 8, "treatments": ["gilding"]}, "is no treatment"),
            ("hours", {"repair": "RX-1", "hours": "3", "crew": "A"}, "is no number"),
            ("hours", {"repair": "RX-1", "hours": 3, "crew": "A"}, "has no crews"),
        ):
            status, answer = send(act, **body)
            assert status == 400, answer
            assert said in str(answer)
        assert send("crew", crew="A", hours=8, treatments=["shelter"])[0] == 200
        assert send("crew", crew="A", hours=6)[0] == 200
        assert send("hours", repair="RX-1", crew="A", hours=2, on="2026-05-04")[0] == 200
        found = client.get("/api/campaign").json()
        assert [(c["name"], c["hours_h"], c["skills"]) for c in found["crews"]] == [("A", 6, [])]
        assert [b["hours_h"] for b in found["booked"]] == [2]
        assert [c["met"] for c in found["consents"]] == [False]
        work = client.get("/api/work/all").json()["states"]["RX-1"]
        assert "LB/12" in work["consents"][0]


def test_a_letter_is_sent_from_the_desk_and_days_of_a_crew_are_kept(folder: Path) -> None:
    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:

        def send(act: str, **body: Any) -> tuple[int, Any]:
            answer = client.post(f"/api/campaign/{act}", json={"who": "ada", **body})
            return answer.status_code, answer.json()

        assert send("consent", reference="LB/12", text="A letter is here.")[0] == 200
        letter = b"%PDF-1.7 yes"
        told = {"id": "L-001", "by": "K", "file": "../../C:\\a letter.pdf"}
        assert send("consent-met", **told, content="%%%")[0] == 400
        assert not list_consents(folder)[0]["met"]
        status, answer = send("consent-met", **told, content=base64.b64encode(letter).decode())
        assert status == 200, answer
        (row,) = list_consents(folder)
        assert (folder / "evidence" / row["evidence_file"]).read_bytes() == letter
        assert row["evidence_file"].endswith(".pdf")
        with Project.open(folder, read_only=True) as project:
            assert not evidence_faults(project)
        days = ["Mon", "Sat"]
        assert send("crew", crew="A", hours=8, treatments=["inset", "clean"], days=days)[0] == 200
        assert send("crew", crew="A", hours=8, days=["Someday"])[0] == 400
        (crew,) = client.get("/api/campaign").json()["crews"]
        assert (crew["days"], crew["skills"]) == (days, ["clean", "inset"])


def test_an_enquiry_is_carried_on_from_the_desk(folder: Path) -> None:
    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    with Project.open(folder) as project, project.edit(who="t", what="asked") as edit:
        edit.insert("orders", [{"id": "A-1", "stone_type": "buff", "supplier": "Quarry"}])
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:

        def send(act: str, **body: Any) -> tuple[int, str]:
            answer = client.post(f"/api/campaign/stone-{act}", json={"id": "A-1", **body})
            return answer.status_code, answer.text

        assert "sample" in send("decide", result="approved", by="K")[1]
        assert send("sample", colour_dry=[70, 4, 15])[0] == 200
        assert send("test", test="absorption", value="4 %", by="Lab", tested="fine")[0] == 400
        assert send("test", test="absorption", value="4 %", by="Lab", tested="pass")[0] == 200
        assert send("order", by="K", volume_m3=0.4)[0] == 400
        assert send("decide", result="open", by="K")[0] == 400
        assert send("decide", result="approved", by="K")[0] == 200
        assert send("order", by="K", volume_m3=0.4, price="900 EUR")[0] == 200
        (row,) = client.get("/api/campaign").json()["orders"]
        assert (row["state"], row["volume_m3"]) == ("ordered", 0.4)
        assert send("ask", stone_type="buff", supplier="")[0] == 400


def test_words_of_a_repair_hold_nothing_and_the_check_says_so(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="words") as edit:
        edit.update("repairs", "RX-1", {"consent_reference": "LB/77"})

    def told() -> list[str]:
        found = check_project(folder)["findings"]
        return [f["problem"] for f in found if f["field"] == "consent_reference"]

    assert told() == ["names consent LB/77, of which no condition is entered: no work waits for it"]
    add_consent(folder, reference="lb/77 ", text="A sample.", repairs=["RX-1"])
    assert told() == []


def test_a_condition_may_be_about_one_surface(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="another wall") as edit:
        own = str(project.row("repairs", "RX-1")["surface"])
        elevation = str(project.row("surfaces", own)["elevation"])
        edit.put("surfaces", [{"id": "N", "name": "n", "elevation": elevation, "kind": "plane"}])
    with pytest.raises(InputError):
        add_consent(folder, reference="LB/1", text="A sample.", surfaces=["nowhere"])
    add_consent(folder, reference="LB/1", text="A sample.", surfaces=["N"])
    move_on(folder, "RX-1", "approved")
    record(folder, "RX-1", "work seen", result="pass")
    add_consent(folder, reference="LB/2", text="Another.", surfaces=[own, "N"])
    with pytest.raises(InputError, match=r"LB/2 .* is not met"):
        move_on(folder, "RX-1", "accepted")
    meet_consent(folder, "L-002", by="K", file=folder / "project.gpkg")
    assert move_on(folder, "RX-1", "accepted")["stage"] == "accepted"


@pytest.mark.parametrize(
    ("shape", "held"),
    [
        (shapely.box(0.0, 0.0, 0.4, 0.4), False),
        (shapely.box(0.0, 0.0, 0.4999, 0.9), False),
        (shapely.box(0.0, 0.0, 0.5, 0.9), True),  # its edge reaches it
        (shapely.box(0.6, 0.6, 0.7, 0.7), True),
        (shapely.LineString([(0, 1.2), (2, 1.2)]), False),
        (shapely.LineString([(0, 0.2), (2, 1.2)]), True),
        (shapely.Point(1.0, 1.0), True),
        (None, True),  # where it is, is not known
    ],
)
def test_an_area_of_a_surface_holds_what_reaches_into_it(shape: Any, held: bool) -> None:
    row = {"id": "L-1", "reference": "LB/1", "text": "x", "before": "work begins", "met": False}
    row |= {"surfaces": ["S-1"], "area_m": [0.5, 0.5, 1.0, 1.0]}
    repair = {"id": "R-1", "treatment": "inset", "surface": "S-1", "geometry": shape}
    assert bool(open_consents([row], repair)) is held
    assert not open_consents([row], {**repair, "surface": "S-2"})
    assert not open_consents([row], {**repair, "treatment": "make safe"})


def test_a_condition_about_an_area_holds_repairs_that_come_later(folder: Path) -> None:
    def enter(*words: str, code: int) -> str:
        told = ["--reference", "LB/1", "--text", "The carving is recorded first."]
        done = CliRunner().invoke(main, ["consent", str(folder), *told, *words])
        assert done.exit_code == code, done.output
        return done.output

    with Project.open(folder) as project:
        own = str(project.row("repairs", "RX-1")["surface"])
    assert "lies on one surface" in enter("--area", "2,1,3,2", code=2)
    for wrong in ("3,1,2,2", "2,1,2,2", "2,1,3", "2,1,nan,2"):
        enter("--surface", own, "--area", wrong, code=2)
    assert list_consents(folder) == []
    assert "2.00 to 3.00 m across, 1.00 to 2.00 m up" in enter("--surface", own, "--area", "2,1,3,2", code=0)  # fmt: skip
    later = {"surface": own, "treatment": "repoint", "conditions": ["X-1"]}
    for name, left in (("RX-2", 2.5), ("RX-3", 3.5)):
        shape = shapely.LineString([(left, 1.5), (left + 0.2, 1.5)])
        with Project.open(folder) as project, project.edit(who="t", what="later") as edit:
            edit.put("repairs", [{"id": name, **later, "geometry": shape}])
    holds = {job.repair: job.holds for job in jobs_of_project_in(folder)}
    assert any("carving is recorded" in h for h in holds["RX-2"])
    assert not any("carving is recorded" in h for h in (*holds["RX-3"], *holds["RX-1"]))


def jobs_of_project_in(folder: Path) -> Any:
    with Project.open(folder) as project:
        return jobs_of_project(project)


def test_an_inset_that_waits_for_a_consent_is_no_exercise(folder: Path) -> None:
    """Not for its row, which says nothing of it, but for the condition that holds it."""

    def why(name: str) -> str:
        with Project.open(folder, read_only=True) as project:
            found = _candidates(project, settings_of_project(project))
        return next(reason for row, reason in found if str(row["id"]) == name)

    with Project.open(folder) as project:
        table = project.read("repairs")
    free = table[(table["treatment"] == "inset") & table["held_back"].isna()]
    name = str(free["id"].iloc[0])
    assert why(name) != "held back"
    asked(folder, treatments=["inset"])
    assert why(name) == "held back"
