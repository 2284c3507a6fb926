"""Random sessions of two people against the gate, replayed in a model that knows only what the server told it.

Whatever they try, the audit finds no fault afterwards, nothing changes that was not told, and what is refused changes nothing.
"""

from __future__ import annotations

import json
import shutil
import sys
import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.errors import FacademapError
from facademap.store.database import connect
from facademap.store.project import Project
from facademap.tables import STAGES, TABLES
from facademap.tasks.desk.inverse import row_for_desk
from facademap.tasks.match.match import match_project
from facademap.tasks.project.check import contracts_of
from facademap.tasks.project.check_gate import references_of, settled_of, stages_of
from facademap.tasks.survey.add_features import add_features
from facademap.tasks.yard.add_blocks import add_blocks
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

ACTS, FRESH_EVERY = 16, 20
TABLE_OF = {"place": "placements", "repair": "repairs"}
TABLES_EDITED = (
    "conditions", "wall_stones", "openings", "repairs", "pieces", "blocks", "faces", "placements", "photos",
    "observations", "surfaces", "elevations",
)  # fmt: skip


def project_to_try(folder: Path) -> Path:
    """A wall that is planned, with a few pieces matched."""
    made = desk_sample.make_planned_project(folder, blocks=2)
    match_project(made, time_limit_s=None, work_limit=100)
    return made


class Session:
    """One run of the server, and a copy of the project that is kept up by its answers alone."""

    def __init__(
        self, client: TestClient, folder: Path, rng: np.random.Generator, lost: list[str]
    ) -> None:
        self.client, self.folder, self.rng, self.lost = client, folder, rng, lost
        self.rows = stored(folder)
        self.count = {"done": 0, "refused": 0}
        self.number = 0

    def pick(self, table: str) -> tuple[str, int, dict[str, Any]] | None:
        found = sorted(k for k in self.rows if k[0] == table)
        if not found:
            return None
        place = found[int(self.rng.integers(len(found)))]
        return place[1], *self.rows[place]

    def one_of(self, *values: Any) -> Any:
        return values[int(self.rng.integers(len(values)))]

    def send(self, changes: list[dict[str, Any]], **more: Any) -> bool:
        self.number += 1
        who = self.one_of("ada", "bo")
        key = f"desk-sess-{int(self.rng.integers(1 << 60)):016x}"
        before = stored(self.folder) if self.number % 7 == 0 else None
        answer = self.client.post(
            "/api/edits", json={"key": key, "who": who, "what": "try", "changes": changes, **more}
        )
        assert answer.status_code in (200, 400, 409), answer.text
        if answer.status_code != 200:
            assert answer.json()["error"]["remedy"]
            self.count["refused"] += 1
            assert before is None or stored(self.folder) == before
            return False
        self.count["done"] += 1
        self.learn(answer.json()["rows"])
        return True

    def learn(self, rows: list[dict[str, Any]]) -> None:
        for told in rows:
            place = (told["table"], told["id"])
            if told["row"] is None:
                self.rows.pop(place, None)
            else:
                self.rows[place] = (told["rev"], told["row"])

    def news(self, after: int) -> None:
        """What the record and other tasks did, as a page hears of it."""
        self.learn(self.client.get(f"/api/changes?after={after}").json()["rows"])

    # -- what people try ------------------------------------------------------------------------

    def delete(self) -> None:
        table = self.one_of(*TABLES_EDITED)
        if (found := self.pick(table)) is None:
            return
        change = {"op": "delete", "table": table, "id": found[0], "rev": found[1]}
        if self.rng.random() < 0.5:
            told = self.client.post("/api/consequences", json={"changes": [change]}).json()
            done = self.send([change], confirmed=told["seal"])
            assert done == (not told["refused"])
        else:
            self.send([change], confirmed=bool(self.rng.random() < 0.5))

    def draw(self) -> None:
        u, v = float(self.rng.uniform(0.2, 11)), float(self.rng.uniform(0.2, 6.5))
        ring = [[u, v], [u + 0.2, v], [u + 0.2, v + 0.15], [u, v + 0.15], [u, v]]
        table = self.one_of("conditions", "wall_stones", "openings")
        values: dict[str, Any] = {
            "surface": self.one_of(desk_sample.SURFACE, desk_sample.SURFACE, "nowhere"),
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        if table == "conditions":
            values |= {"term": self.one_of("alveolization", "soiling", None)}
            values |= {"wall_stone": self.one_of(None, "S-001", "S-999")}
        self.send([{"op": "insert", "table": table, "id": "new:1", "values": values}])

    def change(self) -> None:
        table, values = self.one_of(
            ("repairs", {"stage": self.one_of(*STAGES)}),
            ("repairs", {"treatment": self.one_of("leave", "clean", "inset", "undecided")}),
            ("repairs", {"conditions": [self.one_of("C-001", "C-002", "C-999")]}),
            ("repairs", {"wall_stone": self.one_of("S-001", "S-050", "S-999", None)}),
            ("repairs", {"held_back": self.one_of(None, "wait for the bat survey")}),
            ("repairs", {"depth_m": self.one_of("60 cm", "12 mm", "abc", 0.08)}),
            ("pieces", {"lock_block": self.one_of("B-001", "B-999", "-", None)}),
            ("pieces", {"forbid_blocks": self.one_of([], ["B-001"], ["B-999"])}),
            ("placements", {"state": self.one_of("proposed", "approved", "reserved", "sawn")}),
            ("placements", {"x_m": float(self.rng.uniform(0, 0.2))}),
            ("placements", {"repair": self.one_of("R-001", "R-999")}),
            ("conditions", {"photo": self.one_of("block-1.jpg", "none.jpg", None)}),
            ("conditions", {"wall_stone": self.one_of("S-001", "S-999", None)}),
            ("conditions", {"cc": int(self.rng.integers(0, 5))}),
            ("blocks", {"state": self.one_of("available", "sawn", "rejected")}),
            ("faces", {"block": self.one_of("B-001", "B-999")}),
        )
        if (found := self.pick(table)) is not None:
            self.send(
                [
                    {
                        "op": "update",
                        "table": table,
                        "id": found[0],
                        "rev": found[1],
                        "values": values,
                    }
                ]
            )

    def record(self) -> None:
        if (found := self.pick("repairs")) is None:
            return
        seq = self.client.get("/api/project").json()["seq"]
        stage = self.one_of(
            "approved", "proposed", "on hold", "cut out", "redo", "accepted", "pointed", "curing"
        )
        body = {
            "repair": found[0],
            "who": "ada",
            "stage": stage,
            "reason": self.one_of("", "as agreed"),
        }
        answer = self.client.post("/api/work/stage", json=body)
        assert answer.status_code in (200, 400, 409), answer.text
        self.count["done" if answer.status_code == 200 else "refused"] += 1
        self.news(seq)

    def undo(self) -> None:
        who = self.one_of("ada", "bo")
        mine = self.client.get(
            "/api/mine", params={"who": who, "keys": "desk-sess-", "last": 3}
        ).json()
        if not mine["undo"]:
            return
        item = mine["undo"][-1]
        changes = self.as_now(item["inverse"])
        if changes:
            self.send(changes, undoes=item["key"], confirmed=bool(self.rng.random() < 0.5))

    def redo(self) -> None:
        who = self.one_of("ada", "bo")
        mine = self.client.get(
            "/api/mine", params={"who": who, "keys": "desk-sess-", "last": 3}
        ).json()
        for item in mine["redo"][-1:]:
            changes = self.as_now(item["inverse"])
            if changes:
                self.send(changes, undoes=item["key"], confirmed=bool(self.rng.random() < 0.5))

    def as_now(self, inverse: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """An inverse as a page sends it: on the rows as they are by now."""
        changes = []
        for c in inverse:
            now = self.rows.get((c["table"], c["id"]))
            if c["op"] == "restore":
                changes += [{**c, "rev": None}] if now is None else []
            elif now is not None:
                sent = {k: v for k, v in c.items() if k != "expect"}
                changes.append({**sent, "rev": now[0]})
        return changes

    def back_to_this(self) -> None:
        """A row as it once was, all of its columns, whatever has been settled since."""
        found = self.pick(
            self.one_of("repairs", "placements", "conditions", "wall_stones", "pieces")
        )
        if found is None:
            return
        asked = {
            "table": self.one_of("repairs", "placements", "conditions", "wall_stones", "pieces")
        }
        entries = self.client.get("/api/history", params=asked).json()["entries"]
        entries = [e for e in entries if e["after"]]
        if not entries:
            return
        entry = entries[int(self.rng.integers(len(entries)))]
        id, then = entry["after"]["id"], entry["after"]
        now = self.rows.get((asked["table"], id))
        values = {k: v for k, v in then.items() if k not in ("id", "rev")}
        if now is None:
            # as a desk brings a row back that somebody deleted
            change = {"op": "restore", "table": asked["table"], "id": id, "values": values}
        else:
            differing = {k: v for k, v in values.items() if now[1].get(k) != v}
            change = {"op": "update", "table": asked["table"], "id": id, "rev": now[0], "values": differing}  # fmt: skip
        forged = {"undoes": f"desk-sess-{self.number:016x}"} if self.rng.random() < 0.3 else {}
        self.send([change], confirmed=bool(self.rng.random() < 0.5), **forged)

    def retype(self) -> None:
        """Another number, a second place for a piece, a repair that was never there and is accepted."""
        act = self.one_of("id", "place", "repair")
        found = self.pick({"id": "wall_stones", "place": "placements", "repair": "repairs"}[act])
        if found is None:
            return
        id, rev, row = found
        values = {k: v for k, v in row.items() if k != "id"}
        if act == "id":
            self.send([{"op": "update", "table": "wall_stones", "id": id, "rev": rev, "values": {"id": "S-777"}}])  # fmt: skip
            return
        if act == "repair":
            values["stage"] = self.one_of("accepted", "piece sawn", "proposed")
        op, new = self.one_of(("insert", "new:1"), ("restore", "X-777"))
        self.send([{"op": op, "table": TABLE_OF[act], "id": new, "values": values}])

    def aside(self) -> None:
        """A damaged row is set aside and put back; something may have happened meanwhile."""
        table, column = self.one_of(("faces", "appearance"), ("blocks", "acceptance_checks"))
        found = self.pick(table)
        if found is None:
            return
        seq = self.client.get("/api/project").json()["seq"]
        self.damage(table, column, found[0], "{")
        told = self.client.post("/api/check/set-aside", json={"table": table, "row": found[0]})
        assert told.status_code == 200, told.text
        self.news(seq)
        seq = self.client.get("/api/project").json()["seq"]
        for _ in range(int(self.rng.integers(3))):
            self.one_of(self.delete, self.change, self.draw)()
        back = self.client.post("/api/check/put-back", json={"key": told.json()["key"]})
        if back.status_code == 200:
            self.damage(table, column, found[0], found[2][column])
        else:
            # what it named is gone: then nothing names it either, once that was told and confirmed
            assert back.json()["error"]["remedy"], back.text
            self.lost.append(found[0])
        self.news(seq)

    def damage(self, table: str, column: str, id: str, value: Any) -> None:
        """Another program writes into the file."""
        if value is not None and not isinstance(value, str):
            value = json.dumps(value)
        raw = connect(self.folder / "project.gpkg")
        raw.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE "id" = ?', (value, id))
        raw.close()

    def bring_in(self) -> None:
        """A list of blocks or stones is read again, with other sizes, states and owners."""
        seq = self.client.get("/api/project").json()["seq"]
        self.number += 1
        path = self.folder.parent / f"in-{self.folder.name}-{self.number}.csv"
        stone = self.pick("wall_stones")
        try:
            if self.rng.random() < 0.5 or stone is None:
                wide = int(self.rng.uniform(80, 900))
                path.write_text(
                    "id,face,stone_type,outline_mm,usable_depth_mm,state\n"
                    f"{self.one_of('B-001', 'B-002', 'B-777')},{self.one_of('1', '2')},Quay sandstone,"
                    f'"0 0, {wide} 0, {wide} 300, 0 300",{self.one_of(40, 280)},{self.one_of("available", "rejected")}\n'
                )
                add_blocks(self.folder, path)
            else:
                u, v = float(self.rng.uniform(0.2, 11)), float(self.rng.uniform(0.2, 6.5))
                box = shapely.box(u, v, u + 0.4, v + 0.25)
                frame = gpd.GeoDataFrame({"id": [stone[0]]}, geometry=[box])
                path = path.with_suffix(".gpkg")
                with warnings.catch_warnings():
                    warnings.simplefilter(
                        "ignore"
                    )  # metres of the wall have no system of the world
                    frame.to_file(path)
                add_features(self.folder, "wall_stones", path, surface=self.one_of(desk_sample.SURFACE, "nowhere"), accept_doubts=True)  # fmt: skip
            self.count["done"] += 1
        except FacademapError:
            self.count["refused"] += 1
        self.news(seq)

    def plan(self) -> None:
        seq = self.client.get("/api/project").json()["seq"]
        act = self.one_of("undo", "choose")
        self.client.post(
            f"/api/plans/{act}", json={"plan": self.one_of("M-001", "M-002"), "who": "bo"}
        )
        self.news(seq)


def stored(folder: Path) -> dict[tuple[str, str], tuple[int, dict[str, Any]]]:
    """Every row as the desk would know it."""
    found: dict[tuple[str, str], tuple[int, dict[str, Any]]] = {}
    with Project.open(folder, read_only=True) as project:
        for table in TABLES.values():
            if table.name in ("settings", "plans", "work_log", "reviews"):
                continue
            revisions = project.revisions(table.name)
            for row in project.read(table.name).to_dict("records"):
                plain = row_for_desk(table, {**row, "geometry": row.get("geometry")})
                found[(table.name, row["id"])] = (revisions[row["id"]], plain)
    return found


def plainly(rows: dict[tuple[str, str], tuple[int, dict[str, Any]]]) -> dict[tuple[str, str], Any]:
    """Rows without their outlines, whose last digits differ by the way they came."""
    return {
        place: {k: v for k, v in row.items() if k != "geometry" and v is not None}
        for place, (_, row) in rows.items()
        if place[0] not in ("settings", "plans", "work_log", "reviews")
    }


def audited(folder: Path) -> list[Any]:
    """What the audit finds that a gate would refuse; whether an inset can be set or sawn is another matter."""
    with Project.open(folder, read_only=True) as project:
        audits = (references_of, stages_of, settled_of, contracts_of)
        return [f for audit in audits for f in audit(project) if f.level == "fault"]


def run_sessions(start: Path, scratch: Path, *, count: int, seed: int) -> tuple[int, int]:
    """Run sessions, each of which must leave what the audit passes and the model knows; how much was done and refused."""
    rng = np.random.default_rng(seed)
    done = refused = 0
    for batch in range(-(-count // FRESH_EVERY)):
        folder = Path(shutil.copytree(start, scratch / f"b{batch}"))
        lost: list[str] = []
        with TestClient(make_app(folder), base_url="http://127.0.0.1:8478") as client:
            for number in range(min(FRESH_EVERY, count - batch * FRESH_EVERY)):
                session = Session(client, folder, rng, lost)
                acts = [
                    session.delete,
                    session.draw,
                    session.change,
                    session.change,
                    session.record,
                    session.undo,
                    session.redo,
                    session.back_to_this,
                    session.retype,
                    session.aside,
                    session.bring_in,
                ]
                for _ in range(ACTS):
                    session.one_of(*acts, *([session.plan] if rng.random() < 0.2 else []))()
                faults = [f for f in audited(folder) if not any(id in f.problem for id in lost)]
                assert not faults, (batch, number, faults[:3])
                assert plainly(session.rows) == plainly(stored(folder)), (batch, number)
                done, refused = done + session.count["done"], refused + session.count["refused"]
    return done, refused
