"""Random sessions of two people at the desk, played in a real browser and beside it in a model that shares no code with it.

A session draws, classes, measures, notes, deletes, takes back and does again, reads the page again and loses the connection;
both people work on the same rows. The model knows what every row must hold at the end, who is asked when two met over one
row, and what undo may turn back.
"""

from __future__ import annotations

import copy
import http.client
import itertools
import json
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from desk_browser import Server, open_desk, ready, saved, until

from facademap.tasks.project.check import check_project

FIELDS = ("cc", "depth_m", "note")
#: Depths as people type them, with what they are in metres.
DEPTHS = {"12": 0.012, "3.5 cm": 0.035, "27 mm": 0.027, "1 1/2 in": 0.0381, "0.08 m": 0.08}
#: How often each act is drawn.
ACTS = {
    "draw": 5, "cc": 4, "depth": 3, "note": 2, "delete": 1.5, "undo": 3, "redo": 2, "reload": 1,
    "offline": 1.2,
}  # fmt: skip
Row = dict[str, Any]


@dataclass
class Edit:
    """One stored edit as the model knows it: what it did, and what turns it back."""

    key: int
    inverse: list[dict[str, Any]]
    undoes: int | None = None


@dataclass
class Model:
    """What every row of the session holds, and how often it was changed."""

    rows: dict[str, Row] = field(default_factory=dict)
    revs: dict[str, int] = field(default_factory=dict)

    def run(self, changes: list[dict[str, Any]]) -> None:
        for change in changes:
            name = change["row"]
            self.revs[name] = self.revs.get(name, 0) + 1
            if change["op"] == "delete":
                self.rows.pop(name, None)
            elif change["op"] == "update":
                self.rows[name] |= change["values"]
            else:
                self.rows[name] = dict(change["values"])


def inverse_of(rows: dict[str, Row], changes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What turns changes back, with what must be found for that."""
    turned = []
    for change in reversed(changes):
        name, op = change["row"], change["op"]
        if op == "update":
            before = {k: rows[name][k] for k in change["values"]}
            turned.append({"op": op, "row": name, "values": before, "expect": change["values"]})
        elif op == "delete":
            turned.append({"op": "restore", "row": name, "values": dict(rows[name])})
        else:
            turned.append({"op": "delete", "row": name, "expect": dict(change["values"])})
    return turned


def allowed(rows: dict[str, Row], inverse: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What of it may still be done: nothing that somebody else has changed since is turned back."""
    found = []
    for change in inverse:
        row = rows.get(change["row"])
        if change["op"] == "restore":
            found += [] if row is not None else [change]
        elif row is None:
            continue
        elif change["op"] == "delete":
            found += [change] if row == change["expect"] else []
        else:
            kept = {k: v for k, v in change["values"].items() if row[k] == change["expect"][k]}
            found += [change | {"values": kept}] if kept else []
    return found


def never_deleted(changes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Changes of one row without deletions that were taken back before they were sent: neither of the two ever was."""
    left: list[dict[str, Any]] = []
    for change in changes:
        last = max((k for k, c in enumerate(left) if c["op"] == "delete"), default=None)
        if change["op"] == "restore" and last is not None:
            del left[last]
        else:
            left.append(change)
    return left


class Person:
    """Somebody at the desk: a page, and what the model knows of what they can undo."""

    def __init__(self, running: Any, server: Server, who: str) -> None:
        self.server, self.who = server, who
        self.page, self.watch = open_desk(running, server, who=who, offline_is_fine=True)
        self.heard = 0
        self.page.on("request", self._hear)
        self.begin()

    def begin(self) -> None:
        """A new session on the same page: what was done before is nobody's business any more."""
        self.watch.faults.clear()
        self.away = False
        self.log: list[Edit] = []
        self.undoable: list[Edit] = []
        self.redoable: list[Edit] = []
        #: While the connection is away: the rows as this page sees them, their revisions then, and what waits.
        self.view = Model()
        self.seen: dict[str, int] = {}
        self.waiting: list[list[dict[str, Any]]] = []

    def _hear(self, request: Any) -> None:
        at = urlsplit(request.url)
        if at.path == "/api/changes":
            self.heard = max(self.heard, int(parse_qs(at.query)["after"][0]))

    # -- hands -------------------------------------------------------------------------------------------

    def key(self, *keys: str) -> None:
        self.page.evaluate("document.activeElement.blur()")
        for key in keys:
            self.page.keyboard.press(key)

    def show(self, id: str) -> None:
        self.page.evaluate(f"location.hash = 'condition={id}'")
        until(
            self.page, f"document.querySelector('.sheet .head .id')?.textContent.includes('{id}')"
        )

    def fill(self, name: str, words: str) -> None:
        place = self.page.locator(f"#field-conditions-{name}")
        place.fill(words)
        place.press("Tab")

    def draw(self, rng: random.Random, token: str) -> None:
        self.key("Escape", "Escape", "v", "0", "o")
        box = self.page.locator(".wall .map").first.bounding_box()
        at = (rng.uniform(0.3, 0.7), rng.uniform(0.25, 0.75))
        self.page.mouse.click(box["x"] + box["width"] * at[0], box["y"] + box["height"] * at[1])
        until(self.page, "document.querySelector('.sheet .terms, .sheet .offer') !== null")
        self.key("Enter")
        self.page.locator("#field-conditions-note").wait_for()
        self.key("v")
        self.fill("note", token)


class Session:
    """Two people, one wall, one model."""

    def __init__(self, people: list[Person], seed: int) -> None:
        self.rng = random.Random(seed)
        self.seed, self.server = seed, people[0].server
        self.people = people
        self.model = Model()
        self.ids: dict[str, str] = {}
        for person in people:
            person.begin()
            person.heard = self.seq()
        self.number = itertools.count(1)
        self.story: list[str] = []
        self.met = 0

    # -- the model ---------------------------------------------------------------------------------------

    def rows_of(self, person: Person) -> Model:
        return person.view if person.away else self.model

    def make(
        self, person: Person, changes: list[dict[str, Any]], *, undoes: Edit | None = None
    ) -> Edit:
        model = self.rows_of(person)
        done = Edit(next(self.number), inverse_of(model.rows, changes), undoes and undoes.key)
        model.run(changes)
        if person.away:
            person.waiting.append(copy.deepcopy(changes))
        person.log.append(done)
        return done

    def edit(self, person: Person, changes: list[dict[str, Any]]) -> None:
        person.undoable.append(self.make(person, changes))
        person.redoable = []

    def turn_back(self, person: Person, stack: list[Edit], other: list[Edit]) -> None:
        last = stack.pop()
        changes = allowed(self.rows_of(person).rows, last.inverse)
        if changes:
            other.append(self.make(person, changes, undoes=last))

    def recall(self, person: Person) -> None:
        """What a page that is read again can undo and redo: the history says."""
        undo: dict[int, Edit] = {}
        redo: dict[int, Edit] = {}
        for edit in person.log:
            if edit.undoes in undo:
                del undo[edit.undoes]
                redo[edit.key] = edit
            else:
                if edit.undoes in redo:
                    del redo[edit.undoes]
                elif edit.undoes is None:
                    redo = {}
                undo[edit.key] = edit
        person.undoable, person.redoable = list(undo.values()), list(redo.values())

    # -- the acts ----------------------------------------------------------------------------------------

    def play(self, steps: int) -> None:
        for _ in range(steps):
            person = self.rng.choice(self.people)
            act = self.rng.choices(list(ACTS), list(ACTS.values()))[0]
            self.story.append(f"{person.who} {act}{' (away)' if person.away else ''}")
            getattr(self, act)(person)
            if not person.away:
                self.settle(person)
        for person in self.people:
            self.come_back(person)

    def settle(self, person: Person) -> None:
        saved(person.page)
        at = self.seq()
        for other in self.people:
            for _ in range(0 if other.away else 400):
                if other.heard >= at:
                    break
                other.page.wait_for_timeout(30)
            assert other.away or other.heard >= at, f"{other.who} never heard of {at}"
        self.learn()

    def seq(self) -> int:
        link = http.client.HTTPConnection("127.0.0.1", self.server.port)
        link.request("GET", "/api/project")
        return int(json.loads(link.getresponse().read())["seq"])

    def stored(self) -> list[dict[str, Any]]:
        link = http.client.HTTPConnection("127.0.0.1", self.server.port)
        link.request("GET", "/api/tables/conditions")
        rows: list[dict[str, Any]] = json.loads(link.getresponse().read())["rows"]
        return rows

    def learn(self) -> None:
        """Numbers of what was drawn, by their notes."""
        wanted = set(self.model.rows) - set(self.ids)
        if not wanted:
            return
        for row in self.stored():
            token = (row["note"] or "").split(" ")[0]
            if token in wanted:
                self.ids[token] = row["id"]

    def some_row(self, person: Person) -> str | None:
        known = [token for token in self.rows_of(person).rows if token in self.ids]
        if not known:
            return None
        token = self.rng.choice(known)
        person.show(self.ids[token])
        return token

    def draw(self, person: Person) -> None:
        token = f"s{self.seed}n{next(self.number)}"
        person.draw(self.rng, token)
        self.edit(person, [{"op": "insert", "row": token, "values": dict.fromkeys(FIELDS)}])
        self.edit(person, [{"op": "update", "row": token, "values": {"note": token}}])

    def change(self, person: Person, name: str, value: Any, token: str) -> None:
        self.edit(person, [{"op": "update", "row": token, "values": {name: value}}])

    def cc(self, person: Person) -> None:
        token = self.some_row(person)
        if token is None:
            return
        now = self.rows_of(person).rows[token]["cc"]
        value = self.rng.choice([v for v in range(4) if v != now])
        person.key(f"Alt+Digit{value}")
        self.change(person, "cc", value, token)

    def depth(self, person: Person) -> None:
        token = self.some_row(person)
        if token is None:
            return
        now = self.rows_of(person).rows[token]["depth_m"]
        words, value = self.rng.choice([d for d in DEPTHS.items() if d[1] != now])
        person.fill("depth_m", words)
        self.change(person, "depth_m", value, token)

    def note(self, person: Person) -> None:
        token = self.some_row(person)
        if token is None:
            return
        words = f"{token} <i>{next(self.number)}</i>"
        person.fill("note", words)
        self.change(person, "note", words, token)

    def delete(self, person: Person) -> None:
        token = self.some_row(person)
        if token is None:
            return
        person.key("Delete")
        if person.away:
            # what depends on it is not known without a connection, so it is asked
            person.page.get_by_role("dialog").locator("button.danger").click()
        self.edit(person, [{"op": "delete", "row": token}])
        until(person.page, "document.querySelector('.sheet .head .id') === null")

    def undo(self, person: Person) -> None:
        if person.undoable:
            person.key("Control+z")
            self.turn_back(person, person.undoable, person.redoable)
            person.page.wait_for_timeout(40)

    def redo(self, person: Person) -> None:
        if person.redoable:
            person.key("Control+y")
            self.turn_back(person, person.redoable, person.undoable)
            person.page.wait_for_timeout(40)

    def reload(self, person: Person) -> None:
        if person.away:
            return
        with person.page.expect_response(lambda answer: "/api/mine" in answer.url):
            person.page.reload()
        ready(person.page)
        self.recall(person)

    def offline(self, person: Person) -> None:
        if person.away:
            self.come_back(person)
            return
        person.page.context.set_offline(True)
        person.away = True
        person.view, person.seen = copy.deepcopy(self.model), dict(self.model.revs)
        until(person.page, "document.querySelector('.state').textContent.includes('No connection')")

    def come_back(self, person: Person) -> None:
        """The connection is there again: what waited arrives, and a person chooses where two met over one row."""
        if not person.away:
            return
        touched = dict.fromkeys(c["row"] for changes in person.waiting for c in changes)
        met = [
            t for t in touched
            if t in person.seen and self.model.revs.get(t) != person.seen[t]
        ]  # fmt: skip
        person.page.context.set_offline(False)
        dialog = person.page.get_by_role("dialog")
        done = set()
        self.met += len(met)
        for _ in range(len(met) * 3):
            until(
                person.page,
                "document.querySelector('dialog[open]') || document.querySelector('.state').textContent === 'All saved'",
            )
            if not dialog.count():
                break
            text = dialog.inner_text()
            token = next(t for t in met if t in self.ids and self.ids[t] in text)
            done.add(token)
            self._choose(person, token, dialog)
            until(
                person.page,
                f"!document.querySelector('dialog[open]')?.textContent.includes('{self.ids[token]}')",
            )
        saved(person.page)
        for token in met:
            if (
                token not in done
            ):  # nothing was asked: what is left of it, where both did not delete it
                own = [c for cs in person.waiting for c in cs if c["row"] == token]
                self.model.run(never_deleted(own))
                done.add(token)
        for changes in person.waiting:
            self.model.run([c for c in changes if c["row"] not in done])
        person.away = False
        person.waiting = []
        self.settle(person)
        if met:
            # what was left of an edit that met another is the history's to say
            person.undoable, person.redoable = [], []
            person.log = []

    def _choose(self, person: Person, token: str, dialog: Any) -> None:
        """Somebody was there meanwhile: mine over theirs, or theirs."""
        changes = never_deleted([c for cs in person.waiting for c in cs if c["row"] == token])
        mine: Row = {}
        for change in changes:
            mine |= change.get("values", {})
        gone, deleted = token not in self.model.rows, token not in person.view.rows
        keep = self.rng.random() < 0.5
        if gone:
            keep = keep and not deleted
            dialog.get_by_role("button", name="Bring back" if keep else "Leave deleted").click()
            if keep:
                self.model.run([{"op": "insert", "row": token, "values": person.view.rows[token]}])
        elif dialog.get_by_role("button", name="Keep it").count():
            # also where changes came before the deletion, which were asked about by themselves
            keep = keep and deleted
            dialog.get_by_role("button", name="Delete" if keep else "Keep it").click()
            if keep:
                self.model.run([{"op": "delete", "row": token}])
        else:
            dialog.get_by_role("button", name="Keep as chosen" if keep else "Take theirs").click()
            if keep:
                self.model.run([{"op": "update", "row": token, "values": mine}])

    # -- the end -----------------------------------------------------------------------------------------

    def faults(self) -> list[str]:
        """What is not as the model says, on the server and on both pages."""
        told = [w for person in self.people for w in person.watch.faults]
        stored = {r["id"]: r for r in self.stored()}
        mine = {r["id"]: (r["note"] or "") for r in stored.values()}
        prefix = f"s{self.seed}n"
        extra = {i for i, n in mine.items() if n.startswith(prefix)} - {
            self.ids.get(t) for t in self.model.rows
        }
        told += [f"{i} should be gone" for i in sorted(extra)]
        for token, row in self.model.rows.items():
            # a row of which the note was taken back is known by its number only
            id = self.ids.get(token)
            if id is None:
                told += [f"{token} has no number"] if row["note"] else []
                continue
            found = stored.get(id)
            if found is None:
                told.append(f"{id} ({token}) is lost")
                continue
            told += [
                f"{id} ({token}) {name}: {found[name]!r}, not {row[name]!r}"
                for name in FIELDS
                if found[name] != row[name]
            ]
        return told


def two_people(running: Any, server: Server) -> list[Person]:
    """Ada and Ben, each with a page of their own."""
    return [Person(running, server, name) for name in ("Ada", "Ben")]


def gate_faults(folder: Path) -> list[str]:
    """What ``check`` faults in a project, but for values that are not known yet."""
    found = check_project(folder, fast=True)["findings"]
    return sorted(
        f"{f['about']}: {f['problem']}"
        for f in found
        if f["level"] == "fault" and f["kind"] not in ("missing", "undecided", "wanting")
    )
