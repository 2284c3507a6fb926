"""Variations in the project: raised with a reason, agreed by name and day, undone, and kept from being typed over."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
import shapely
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.errors import InputError, StageError
from facademap.store.project import Project
from facademap.tasks.desk.edit import RowChange, apply_changes
from facademap.tasks.record.variations import (
    decide_variation,
    fix_contract,
    list_variations,
    raise_variation,
)

KEYS = itertools.count()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A wall with one repair of 1 x 0.5 m to be cleaned."""
    folder = tmp_path / "p"
    Project.create(folder, name="Wall").close()
    with Project.open(folder) as project, project.edit(who="test", what="repair") as edit:
        edit.put("elevations", [{"id": "E", "name": "East"}])
        edit.put("surfaces", [{"id": "U", "elevation": "E", "name": "East", "kind": "plane"}])
        edit.put(
            "repairs",
            [
                {
                    "id": "RX-1",
                    "surface": "U",
                    "treatment": "clean",
                    "geometry": shapely.box(0, 0, 1.0, 0.5),
                }
            ],
        )
    return folder


def by_hand(folder: Path, op: str, row: dict | None, values: dict) -> None:
    change = RowChange(
        table="variations",
        op=op,
        id=str(row["id"]) if row else "new:1",
        rev=row["rev"] if row else None,
        values=values,
    )
    with Project.open(folder) as project:
        apply_changes(project, [change], who="desk", what="typed", key=f"{next(KEYS):08d}")


def kept(folder: Path) -> dict:
    with Project.open(folder, read_only=True) as project:
        return project.row("variations", "N-001")


def test_an_agreed_variation_stays_as_agreed_and_can_be_taken_back(folder: Path) -> None:
    raised = raise_variation(
        folder, what="Cornice cleaned too", reason="client asked", treatment="clean", measure="area_net_m2",
        quantity=2.5, repair="RX-1",
    )  # fmt: skip
    assert (raised["id"], raised["result"], raised["quantity"]) == ("N-001", "open", 2.5)
    with pytest.raises(StageError, match="decided, not typed"):
        by_hand(folder, "update", kept(folder), {"result": "agreed", "agreed_by": "me"})
    by_hand(folder, "update", kept(folder), {"quantity": 3.0})
    with pytest.raises(InputError, match="nobody is named"):
        decide_variation(folder, "N-001", "agreed", by=" ")
    with pytest.raises(InputError, match="after 2020-01-01"):
        decide_variation(folder, "N-001", "agreed", by="Client", on="2020-01-01")
    decide_variation(folder, "N-001", "agreed", by="Client")
    for op, values in (("update", {"quantity": 4.0}), ("delete", {})):
        with pytest.raises(StageError, match="agreed"):
            by_hand(folder, op, kept(folder), values)
    with pytest.raises(InputError, match="Client"):
        decide_variation(folder, "N-001", "refused", by="Other", note="no")
    repair = RowChange(table="repairs", op="delete", id="RX-1", rev=1, values={})
    with Project.open(folder) as project:
        with pytest.raises(StageError, match="N-001"):
            apply_changes(project, [repair], who="desk", what="typed", key=f"{next(KEYS):08d}")
        project.undo(str(project.history(last=1)["txn"].iloc[0]), who="t")
    assert (kept(folder)["result"], kept(folder)["quantity"]) == ("open", 3.0)


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({}, "either a quantity or a fixed amount"),
        ({"quantity": 1.0, "amount": 2.0, "currency": "EUR"}, "either"),
        ({"amount": 5.0}, "currency"),
        ({"amount": 0.0, "currency": "EUR"}, "nothing changes nothing"),
        ({"quantity": 2.0}, "of what"),
        ({"amount": float("nan"), "currency": "EUR"}, "nothing changes nothing"),
        (
            {"quantity": 1.0, "treatment": "clean", "measure": "count", "rate": -1.0, "currency": "E"},
            "no price",
        ),
        ({"quantity": 1.0, "treatment": "clean", "measure": "acres"}, "no measure of the bill"),
    ],
)  # fmt: skip
def test_a_variation_says_its_size_once(tmp_path: Path, told: dict, says: str) -> None:
    with pytest.raises(InputError, match=says):
        raise_variation(tmp_path, what="w", reason="r", **told)


def test_feet_typed_are_kept_as_metres_and_the_contract_is_kept_once(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="inch") as edit:
        edit.set("profile", "inch")
    run = CliRunner().invoke(
        main,
        [
            "variation", str(folder), "--what", "more", "--reason", "found", "--treatment", "clean", "--measure",
            "area_net_m2", "--quantity", "10", "--rate", "5", "--currency", "USD",
        ],
    )  # fmt: skip
    assert run.exit_code == 0, run.output
    (row,) = list_variations(folder)
    assert row["quantity"] == pytest.approx(0.9290304)  # 10 ft2, the international foot of 0.3048 m
    assert row["quantity"] * row["rate"] == pytest.approx(50.0)
    value = fix_contract(folder, by="Client", on="2026-01-02")
    assert {"treatment": "clean", "measure": "area_net_m2", "quantity": 0.5} in value["quantities"]
    with pytest.raises(InputError, match="is kept already"):
        fix_contract(folder, by="Client")
    assert fix_contract(folder, by="Client", again=True)["on"] != "2026-01-02"


def test_a_variation_is_not_raised_on_a_day_that_has_not_come(folder: Path) -> None:
    with pytest.raises(InputError, match="has not come yet"):
        raise_variation(
            folder, what="x", reason="y", amount=1.0, currency="EUR", raised_on="2999-01-01"
        )
    assert list_variations(folder) == []


def test_a_variation_names_only_a_repair_that_is_there(folder: Path) -> None:
    with pytest.raises(InputError, match="RX-9 as its repair"):
        raise_variation(folder, what="x", reason="y", amount=10.0, currency="EUR", repair="RX-9")
    assert list_variations(folder) == []


def test_the_desk_raises_and_decides_through_the_same_gate(folder: Path) -> None:
    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    with Project.open(folder) as project, project.edit(who="test", what="inches") as edit:
        edit.set("profile", "inch")
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8472") as client:

        def send(act: str, **body: object) -> tuple[int, str]:
            answer = client.post(f"/api/campaign/{act}", json={"who": "ada", **body})
            return answer.status_code, answer.text

        size = {"treatment": "clean", "measure": "area_net_m2", "quantity": 10.0}
        asked = {"what": "Cornice too", "reason": "client asked", **size}
        for act, body, said in (
            ("variation", {**asked, "reason": " "}, "does not say its reason"),
            ("variation", {**asked, "quantity": "10"}, "quantity is no number"),
            ("variation", {**asked, "amount": 5.0}, "either a quantity or a fixed amount"),
            ("variation", {**asked, "repair": "RX-9"}, "RX-9"),
            (
                "variation-decide",
                {"id": "N-001", "result": "approved", "by": "K"},
                "is no decision",
            ),
            ("variation-decide", {"id": "N-404", "result": "agreed", "by": "K"}, "N-404"),
        ):
            status, answer = send(act, **body)
            assert 400 <= status < 500, answer
            assert said in answer
        assert list_variations(folder) == []
        assert send("variation", **asked, rate=2.0, currency="USD", on="2026-05-04")[0] == 200
        told = client.get("/api/campaign").json()
        [row] = told["variations"]
        # one foot is 0.3048 m exactly
        assert row["quantity"] == pytest.approx(10 * 0.3048**2)
        assert row["size"] == "+10.000 ft² face area net at 2.00 USD"
        assert {m["name"]: m["unit"] for m in told["measures"]}["area_net_m2"] == "ft²"
        assert send("variation-decide", id="N-001", result="refused", by="K")[0] == 400
        assert send("variation-decide", id="N-001", result="agreed", by="K. Client")[0] == 200
        assert send("variation-decide", id="N-001", result="refused", by="K", note="no")[0] == 400
        [row] = client.get("/api/campaign").json()["variations"]
        assert (row["result"], row["agreed_by"]) == ("agreed", "K. Client")
