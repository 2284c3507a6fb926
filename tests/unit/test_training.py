"""A training from programme to certificate, and everything that must be refused on the way."""

from __future__ import annotations

import datetime as dt
import json
import stat
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.record.work import fix_standard
from facademap.tasks.training import record
from facademap.tasks.training.assessors import give_key
from facademap.tasks.training.kept import read_kept, read_names
from facademap.tasks.training.papers import certificate_paper, programme_papers, report_papers
from facademap.training import choose_spare_stone, why_not
from facademap.training import test_of as sealed_of

TEST = "masons, first test"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A project with an assessor, a second one, and a learner, and a sealed test."""
    folder = tmp_path / "p"
    Project.create(folder, name="Mill").close()
    for role, name in (("assessor", "Ada Ashlar"), ("assessor", ""), ("trainee", "Bo Bed")):
        record.add_person(folder, role=role, name=name)
    record.seal_test(folder, None, by="A01")
    return folder


def key(folder: Path, *, wrong: int = 0) -> str:
    """The right answers, the first few that are not critical spoilt."""
    letters = []
    for q in sealed_of(read_kept(folder), TEST).questions:
        spoil = wrong > 0 and not q.critical
        wrong -= spoil
        letters.append("-" if spoil else q.letter)
    return "".join(letters)


def text_of(path: Path) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(path).pages)


def test_a_certificate_is_given_only_to_who_was_assessed_and_passed(
    folder: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="not assessed"):
        record.certify(folder, TEST, "P01", by="A01")
    with pytest.raises(InputError, match="nobody in this training"):
        record.certify(folder, TEST, "P09", by="A01")
    record.sit(folder, TEST, "P01", key(folder, wrong=6), assessor="A01")
    with pytest.raises(InputError, match="80% are asked"):
        record.certify(folder, TEST, "P01", by="A01")
    with pytest.raises(InputError, match="at the earliest"):
        record.sit(folder, TEST, "P01", key(folder), assessor="A01")
    assert not list(read_kept(folder).of("certificate"))


def test_an_appeal_is_decided_by_another_and_counts_for_everybody(folder: Path) -> None:
    record.sit(folder, TEST, "P01", key(folder, wrong=5), assessor="A01")
    (sitting,) = read_kept(folder).of("sitting")
    made = record.appeal(folder, sitting.number, ground="question 2 has two right answers")
    with pytest.raises(InputError, match="A01 assessed"):
        record.decide(folder, made["appeal"], "void", by="A01", reason="so")
    assert "an appeal is not decided yet" in record.standing_in(folder, TEST, "P01").wanting
    easy = next(q for q in sealed_of(read_kept(folder), TEST).questions if not q.critical)
    record.decide(
        folder, made["appeal"], "strike", by="A02", reason="two were right", question=easy.id
    )
    before = len(sealed_of(read_kept(folder), TEST).questions)
    (only,) = record.standing_in(folder, TEST, "P01").sittings
    assert only.share == pytest.approx((before - 5) / (before - 1))
    with pytest.raises(InputError, match="is decided"):
        record.decide(folder, made["appeal"], "dismiss", by="A02", reason="again")


def test_a_certificate_verifies_and_nothing_on_it_can_be_changed(
    folder: Path, tmp_path: Path
) -> None:
    record.sit(folder, TEST, "P01", key(folder), assessor="A01")
    given, code = record.certify(folder, TEST, "P01", by="A01")
    sheet = text_of(certificate_paper(folder, given.number, tmp_path / "out"))
    assert "Bo Bed" in sheet
    assert code in sheet
    assert "not at work" in sheet
    look = record.verify(folder, given.number, code.lower().replace("-", " "), name="bo  bed")
    assert look["genuine"]
    assert look["holds"]
    assert look["name_fits"] is True
    assert record.verify(folder, given.number, code, name="Al Bed")["holds"] is False
    changed = code[:-1] + ("A" if code[-1] != "A" else "B")
    told = record.verify(folder, given.number, changed)
    assert told == {"genuine": False, "holds": False, "why": told["why"]}
    last = dt.date.fromisoformat(given.valid_until)
    assert record.verify(folder, given.number, code, on=last.isoformat())["holds"]
    late = (last + dt.timedelta(days=1)).isoformat()
    assert not record.verify(folder, given.number, code, on=late)["holds"]
    with pytest.raises(InputError, match="holds certificate"):
        record.certify(folder, TEST, "P01", by="A01")
    record.withdraw(folder, given.number, by="A02", reason="given in error")
    assert "withdrawn" in record.verify(folder, given.number, code)["why"]


def test_names_lie_apart_and_can_be_removed(folder: Path, tmp_path: Path) -> None:
    record.sit(folder, TEST, "P01", key(folder), assessor="A01")
    given, code = record.certify(folder, TEST, "P01", by="A01")
    kept = folder / "training"
    assert "Bo Bed" not in (kept / "book.jsonl").read_text()
    for name in ("book.jsonl", "names.json", "office.key"):
        assert stat.S_IMODE((kept / name).stat().st_mode) == 0o600
    assert record.forget_names(folder, "P01") == 1
    assert set(read_names(folder)) == {"A01"}
    look = record.verify(folder, given.number, code, name="Bo Bed")
    assert look["genuine"]
    assert look["holds"]
    assert look["name_fits"] is None
    assert "Bo Bed" not in text_of(certificate_paper(folder, given.number, tmp_path / "out"))
    for path in report_papers(folder, tmp_path / "r", test=TEST):
        told = text_of(path) if path.suffix == ".pdf" else path.read_text()
        assert "P01" not in told
        assert "would show single persons" in told


def test_what_was_sealed_cannot_be_changed(folder: Path) -> None:
    with pytest.raises(InputError, match="was sealed on"):
        record.seal_test(folder, None, by="A01")
    book = folder / "training" / "book.jsonl"
    whole = book.read_text()
    book.write_text(whole.replace('"pass_share": 0.8', '"pass_share": 0.1'))
    with pytest.raises(InputError, match="entry 4 was changed"):
        record.sit(folder, TEST, "P01", "A", assessor="A01")
    lines = whole.splitlines(keepends=True)
    book.write_text("".join(lines[:1] + lines[2:]))
    with pytest.raises(InputError, match="entry 2 was changed, taken out"):
        read_kept(folder)
    book.write_text(whole)
    assert read_kept(folder).head == json.loads(lines[-1])["digest"]


def test_a_criterion_that_was_changed_after_the_seal_is_refused(
    folder: Path, tmp_path: Path
) -> None:
    from importlib import resources

    packaged = resources.files("facademap.repair").joinpath("criteria.toml").read_text()
    own = tmp_path / "criteria.toml"
    own.write_text(packaged)
    with Project.open(folder) as project, project.edit(who="test", what="criteria") as edit:
        edit.set("criteria_path", str(own))
    fix_standard(folder)
    test = tmp_path / "test.toml"
    test.write_text('[test]\nname = "at work"\nstandard = "insets, first standard"\n')
    record.seal_test(folder, test, by="A01")
    assert "no work assessed" in " ".join(record.standing_in(folder, "at work", "P01").wanting)
    own.write_text(packaged.replace("limit = 0.002", "limit = 0.02", 1))
    for judged in (
        lambda: record.standing_in(folder, "at work", "P01"),
        lambda: record.certify(folder, "at work", "P01", by="A01"),
        lambda: record.assess_work(folder, "at work", "P01", ["R-1"], assessor="A01"),
        lambda: record.sit(folder, "at work", "P01", "A", assessor="A01"),
    ):
        with pytest.raises(InputError, match="was changed after it was fixed"):
            judged()


def test_the_sheet_tells_no_answer_and_the_key_tells_all(folder: Path, tmp_path: Path) -> None:
    made = {p.name: p for p in programme_papers(folder, tmp_path / "o", test=TEST)}
    questions = text_of(made["training-questions.pdf"])
    for q in sealed_of(read_kept(folder), TEST).questions:
        assert q.source
        assert q.source not in made["training-questions.html"].read_text()
        assert q.options[q.right] in text_of(made["training-key.pdf"]).replace("\n", " ")
        assert q.text[:40] in questions.replace("\n", " ")


def test_the_report_of_who_was_not_assessed_praises_nothing(folder: Path, tmp_path: Path) -> None:
    paths = report_papers(folder, tmp_path / "r", test=TEST, person="P01")
    text = text_of(next(p for p in paths if p.suffix == ".pdf"))
    assert "No question was answered" in text
    assert "Nothing was missed" not in text
    record.sit(folder, TEST, "P01", key(folder), assessor="A01")
    paths = report_papers(folder, tmp_path / "r", test=TEST, person="P01")
    assert "Nothing was missed" in text_of(next(p for p in paths if p.suffix == ".pdf"))


def test_exercises_are_low_in_risk() -> None:
    low = {
        "treatment": "repoint",
        "stage": "proposed",
        "held_back": None,
        "materials": None,
        "lift": 1,
    }
    said = {"part": "walling", "urgency": 1.0, "weight_kg": None, "one_person_kg": 12.0}
    assert why_not(low, **said) == ""
    assert "urgent" in why_not(low, **{**said, "urgency": 2.0})
    assert "not known" in why_not(low, **{**said, "urgency": None})
    assert "high" in why_not({**low, "lift": 2}, **said)
    assert "lintel" in why_not(low, **{**said, "part": "lintel"})
    inset = {**low, "treatment": "inset", "materials": {"hold_points": ["propping"]}}
    assert "engineer" in why_not(inset, **said)
    assert "heavy" in why_not({**low, "treatment": "inset"}, **{**said, "weight_kg": 12.1})
    stone = {"id": "B", "state": "available", "acceptance": "accepted", "parent": None}
    sized = {**stone, "length_m": 0.2, "height_m": 0.2}
    assert not choose_spare_stone([sized], ())
    assert choose_spare_stone([{**sized, "parent": "B-1"}], ())
    assert not choose_spare_stone([{**sized, "parent": "B-1"}], {"B"})
    assert not choose_spare_stone([{**sized, "parent": "B-1", "length_m": 0.31}], ())


@pytest.mark.parametrize(
    "words",
    [
        ["sit", "P01", "--answers", "AB", "--assessor", "A01"],
        ["sit", "A01", "--answers", "AB", "--assessor", "A01"],
        ["sit", "P01", "--answers", "AB", "--assessor", "A01", "--on", "2020-01-01"],
        ["sit", "P01", "--answers", "AB", "--assessor", "P01"],
        ["session", "Lime", "--hours", "0"],
        ["session", "Lime", "--hours", "2", "--present", "P77"],
        ["exercise", "P01", "R-404", "pass", "--assessor", "A01"],
        ["appeal", "1", "--ground", "x"],
        ["work", "P01", "R-1", "--assessor", "A01"],
        ["verify", "2026-001", "AAAA"],
        ["withdraw", "2026-001", "--by", "A01", "--reason", "x"],
    ],
)
def test_bad_input_is_one_line_and_changes_nothing(folder: Path, words: list[str]) -> None:
    before = (folder / "training" / "book.jsonl").read_text()
    found = CliRunner().invoke(main, ["training", words[0], str(folder), *words[1:]])
    if words[0] == "verify":
        assert found.exit_code == 1
        assert found.output.startswith("not genuine")
    else:
        assert found.exit_code == 2, found.output
        assert "fix:" in found.output
    assert (folder / "training" / "book.jsonl").read_text() == before


@pytest.mark.parametrize(
    "line",
    ["name = 5", "questions = 3", "questions = [3]", "attempts = 2.5", "attempts = true", "pass_share = 1.1",
     "pass_share = 0", "attempts = 0", "validity_months = 241", 'name = " "', 'standard = "none such"', "colour = 1"],
)  # fmt: skip
def test_a_test_that_cannot_be_is_not_sealed(folder: Path, tmp_path: Path, line: str) -> None:
    path = tmp_path / "t.toml"
    path.write_text(f"[test]\n{line}\n")
    found = CliRunner().invoke(main, ["training", "seal", str(folder), str(path), "--by", "A01"])
    assert found.exit_code == 2, found.output
    assert "fix:" in found.output
    assert "could not be worked out" not in found.output
    assert len(list(read_kept(folder).of("test"))) == 1


def test_the_desk_shows_attendance_to_the_team_results_to_assessors_and_reviewers_nothing(
    folder: Path,
) -> None:
    """Those who are assessed know the secret of the team: what anybody reached opens with an assessor's key alone."""
    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    secret, host = "a long enough secret", "http://10.0.0.4:8471"
    app = make_app(folder, host="0.0.0.0", secret=secret)
    key_of_a01 = give_key(folder, "A01")
    (mode,) = {stat.S_IMODE(p.stat().st_mode) for p in (folder / "training").glob("*.json*")}
    assert mode == 0o600
    with TestClient(app, base_url=host) as team:
        team.post("/enter", json={"secret": secret, "name": "A. Mason"})
        session = {"title": "Lime", "kind": "lecture", "hours": 2, "present": ["P01"]}
        assert team.post("/api/training/session", json=session).status_code == 200
        for wrong in ({"present": ["P09"]}, {"hours": 0}, {"kind": "talk"}, {"present": "P01"}):
            answer = team.post("/api/training/session", json={**session, **wrong})
            assert answer.status_code == 400, answer.text
        record.sit(folder, TEST, "P01", key(folder, wrong=6), assessor="A01")
        assert team.post("/api/training/person", json={}).json()["row"]["label"] == "P02"
        told = team.get("/api/training")
        shown = told.json()["training"]
        assert shown["asks_key"] is True
        assert [s["present"] for s in shown["sessions"]] == [["P01"]]
        assert len(shown["programme"]["questions"]) > 5
        assert [t["pass_share"] for t in shown["tests"]] == [0.8]
        assert "standings" not in told.text
        assert 'share":0.6' not in told.text
        before = len(read_kept(folder).entries)
        for step in ("results", "seal", "sit", "exercise", "work", "appeal", "decide", "certify", "certificate", "withdraw", "standard"):  # fmt: skip
            for by, given in (("A01", ""), ("A01", "AAAA-AAAA-AAAA-AAAA-AAAA"), ("A02", key_of_a01), ("P01", key_of_a01), ("A01", "ä")):  # fmt: skip
                body = {"by": by, "key": given, "test": TEST, "person": "P02", "answers": key(folder), "number": "2026-001"}  # fmt: skip
                answer = team.post(f"/api/training/{step}", json=body)
                assert answer.status_code == 400, (step, by)
                assert "open no results" in answer.text
        assert len(read_kept(folder).entries) == before
        old = give_key(folder, "A01")
        assert team.post("/api/training/results", json={"by": "A01", "key": key_of_a01}).status_code == 400  # fmt: skip
        found = team.post("/api/training/results", json={"by": "A01", "key": old.lower()})
        for name in ("Bo Bed", "Ada"):
            assert name not in told.text + found.text
        (test,) = found.json()["results"]["tests"]
        stands = {s["person"]: s for s in test["standings"]}
        assert (stands["P01"]["may_sit"], stands["P02"]["may_sit"]) == (False, True)
        assert "at the earliest" in stands["P01"]["why_not"]
        assert len(stands["P01"]["sittings"]) == 1
        asked = [q.text for q in sealed_of(read_kept(folder), TEST).questions]
        assert asked
        assert not [a for a in asked if a in told.text + found.text]
        link = team.post("/api/reviewer-links", json={"name": "P. Lanner"}).json()
        with TestClient(app, base_url=host) as reviewer:
            reviewer.get(link["address"])
            assert reviewer.get("/api/training").json() == {"training": None}
            for step in ("session", "results", "verify"):
                answer = reviewer.post(f"/api/training/{step}", json={**session, "by": "A01", "key": old})  # fmt: skip
                assert answer.status_code == 403


def test_the_desk_assesses_by_the_same_rules_as_the_shell(folder: Path) -> None:
    from base64 import b64decode
    from io import BytesIO

    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as desk:

        def act(step: str, *, status: int = 200, by: str = "A01", **body: Any) -> Any:
            answer = desk.post(f"/api/training/{step}", json={"by": by, **body})
            assert answer.status_code == status, answer.text
            return answer.json()["row"] if status == 200 else answer.json()["error"]["problem"]

        assert desk.get("/api/training").json()["training"]["asks_key"] is False
        assert "not an assessor" in act("certify", status=400, by="P01", test=TEST, person="P01")
        assert "not assessed" in act("certify", status=400, test=TEST, person="P01")
        first = sealed_of(read_kept(folder), TEST).questions[0].id
        for wrong in ({"attempts": 1.5}, {"attempts": 0}, {"pass_share": 1.2}, {"questions": ["x"]}, {"name": TEST}, {"standard": "none"}):  # fmt: skip
            act("seal", status=400, **wrong)
        act("seal", name="second", scope="joints", questions=[first], attempts=1, wait_days=0)
        second = sealed_of(read_kept(folder), "second")
        assert (second.attempts, len(second.questions), second.sealed_by) == (1, 1, "A01")
        assert "answers" in act("sit", status=400, test="second", person="P01", answers="AB")
        got = act("sit", test="second", person="P01", answers=second.questions[0].letter)
        assert got["passed"] is True
        assert "has passed" in act("sit", status=400, test="second", person="P01", answers="A")
        made = act("certify", test="second", person="P01")
        assert "holds certificate" in act("certify", status=400, test="second", person="P01")
        sheet = act("certificate", number=made["number"])
        text = PdfReader(BytesIO(b64decode(sheet["content"]))).pages[0].extract_text()
        assert made["code"] in text
        assert "Bo Bed" not in text
        assert act("verify", number=made["number"], code=made["code"])["holds"] is True
        assert act("verify", number=made["number"], code="AAAA" * 5)["genuine"] is False
        act("withdraw", number=made["number"], reason="mixed up")
        assert act("verify", number=made["number"], code=made["code"])["holds"] is False
        act("standard")
        act("seal", name="third", standard=desk.get("/api/training").json()["training"]["standards"][0])  # fmt: skip
        assert sealed_of(read_kept(folder), "third").standard_seal
