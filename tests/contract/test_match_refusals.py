"""Hostile files for ``facademap solve``: one clear line that says where, exit 2, and nothing written."""

from __future__ import annotations

import copy
import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from facademap.cli.main import main

SQUARE = [[0, 0], [100, 0], [100, 80], [0, 80]]
FACE = {
    "id": "f0",
    "poly": [[0, 0], [400, 0], [400, 300], [0, 300]],
    "depth": 150,
    "bed": "x",
    "flaws": [],
    "finish": None,
    "weathered": False,
}
REPAIR = {
    "poly": SQUARE,
    "depth": 60,
    "joint": 3,
    "bed": "horizontal",
    "stone": "a",
    "accept": [],
    "lab": [70, 0, 10],
    "de_tol": None,
    "finish": None,
    "weathered": "any",
    "priority": 1,
    "lock": None,
    "forbid": [],
}
BLOCK = {"stone": "a", "lab": [70, 0, 10], "spread": 1, "weight_kg": 40, "faces": [FACE]}
GOOD = {
    "params": {},
    "repairs": [{"id": "R0", **REPAIR}, {"id": "R1", **REPAIR}],
    "blocks": [{"id": "B0", **BLOCK}, {"id": "B1", **BLOCK}],
}
R, B, F = ("repairs", 0), ("blocks", 0), ("blocks", 0, "faces", 0)


class _Gone:
    """Marks a key to take out; by name, since the tests are listed in several processes."""

    def __repr__(self) -> str:
        return "gone"


GONE = _Gone()
SECOND = ("repairs", 1)


def _with(*changes: tuple[tuple[Any, ...], Any]) -> dict[str, Any]:
    problem = copy.deepcopy(GOOD)
    for path, value in changes:
        at: Any = problem
        for key in path[:-1]:
            at = at[key]
        if value is GONE:
            del at[path[-1]]
        else:
            at[path[-1]] = value
    return problem


def _flaw(**more: Any) -> list[dict[str, Any]]:
    return [{"poly": [[10, 10], [20, 10], [20, 20]], "depth": None, **more}]


def _locks(first: Any, second: Any, *changes: tuple[tuple[Any, ...], Any]) -> dict[str, Any]:
    return _with(((*R, "lock"), first), ((*SECOND, "lock"), second), *changes)


def _run(folder: Path, given: bytes, *more: str, out: Path | None = None) -> tuple[int, str]:
    path = folder / "problem.json"
    path.write_bytes(given)
    result = CliRunner().invoke(
        main, ["solve", str(path), "--out", str(out or folder / "out.json"), "--quiet", *more]
    )
    return result.exit_code, result.stderr


def _is_refusal(code: int, told: str, *words: str) -> None:
    assert code == 2, told
    assert told.startswith("error: ")
    assert told.count("\n") == 1
    assert "; fix: " in told
    assert "could not be worked out" not in told
    for word in words:
        assert word in told


PLACE = {"block": "B1", "face": "f0", "slab": 0, "x": 0, "y": 0, "rot": 0}
TWO_FACES = {**BLOCK, "id": "B0", "faces": [FACE, {**FACE, "id": "f1"}]}
VALUES: list[tuple[tuple[Any, ...], Any, str]] = [
    # outlines
    ((*R, "poly"), [[0, 0], [100, 100], [100, 0], [0, 100]], "R0: poly crosses"),
    (
        (*R, "poly"),
        [[0, 0], [100, 0], [100, 100], [50, 0], [0, 100]],
        "R0: poly crosses or touches",
    ),
    ((*R, "poly"), [[0, 0], [100, 0], [100, 200], [100, 80], [0, 80]], "R0: poly crosses"),
    ((*R, "poly"), [[0, 0], [0, 0], [10, 0], [10, 10]], "R0: poly repeats a vertex"),
    ((*R, "poly"), [[0, 0], [1, 1]], "R0: poly has 2 vertices"),
    ((*R, "poly"), [[0, 0, 0], [10, 0, 0], [10, 10, 0]], "R0: poly has a vertex of 3 numbers"),
    ((*R, "poly"), [["0", 0], [10, 0], [10, 10]], "R0"),
    ((*R, "poly"), [[0, 0], [0.3, 0], [0.3, 0.2]], "R0: poly has an area of 0.03"),
    ((*R, "poly"), [[0, 0], [1e300, 0], [0, 1e300]], "R0: poly is 1e+300"),
    ((*R, "poly"), [[-9e4, 0], [9e4, 0], [9e4, 10], [-9e4, 10]], "R0: poly is more than 100000 mm"),
    ((*R, "poly"), {}, "R0: poly is an object"),
    ((*F, "poly"), [[0, 0], [400, 300], [400, 0], [0, 300]], "B0: face f0: poly crosses"),
    ((*F, "poly"), None, "B0: face f0: poly is null"),
    # flaws
    (
        (*F, "flaws"),
        _flaw(poly=[[900, 0], [910, 0], [910, 10]]),
        "B0: face f0: flaw 0 lies outside",
    ),
    (
        (*F, "flaws"),
        _flaw(poly=[[400, 0], [410, 0], [410, 10]]),
        "B0: face f0: flaw 0 lies outside",
    ),
    (
        (*F, "flaws"),
        _flaw(poly=[[10, 10], [20, 20], [20, 10], [10, 20]]),
        "face f0: flaw 0: a flaw crosses",
    ),
    ((*F, "flaws"), _flaw(depth=0), "face f0: flaw 0: depth"),
    ((*F, "flaws"), _flaw(depth=5, **{"from": 9}), "face f0: flaw 0: a flaw reaches from 9 to 5"),
    ((*F, "flaws"), _flaw(kind="crack"), "face f0: flaw 0: unknown key kind"),
    ((*F, "flaws"), [[1, 2]], "face f0: flaw 0 is a list"),
    # bed
    ((*F, "bed"), GONE, "B0: face f0: the key bed is missing"),
    ((*F, "bed"), None, "B0: face f0: bed is null"),
    ((*F, "bed"), "up", "face f0: bed is 'up'"),
    ((*R, "bed"), "x", "R0: bed is 'x'"),
    # numbers
    ((*R, "depth"), -60, "R0: depth is -60"),
    ((*R, "depth"), 0.06, "R0: depth is 0.06"),
    ((*R, "depth"), 1e9, "R0: depth is 1e+09"),
    ((*R, "depth"), 10**400, "R0: depth is not a finite number"),
    ((*R, "depth"), "60", "R0: depth is a text"),
    ((*R, "depth"), True, "R0: depth is true or false"),
    ((*R, "priority"), 0, "R0: priority is 0"),
    ((*R, "joint"), -1, "R0: joint is -1"),
    ((*R, "joint"), [3, 3, 3], "R0: 3 joints for 4 edges"),
    ((*R, "joint"), 60, "R0: nothing is left of the piece"),
    ((*R, "de_tol"), -2, "R0: de_tol is -2"),
    ((*R, "lab"), [70, 0], "R0: lab has 2 numbers"),
    ((*B, "lab"), None, "B0: lab is missing"),
    ((*B, "lab"), [70, 1e9, 0], "B0: lab is 1e+09"),
    ((*B, "spread"), -1, "B0: spread is -1"),
    ((*B, "weight_kg"), "heavy", "B0: weight_kg is a text"),
    ((*F, "depth"), 0, "face f0: depth is 0"),
    (("params", "kerf"), -5, "params: kerf is -5"),
    (("params", "kerf"), 1e5, "params: kerf is 100000"),
    (("params", "max_slabs"), 0, "params: max_slabs is 0"),
    (("params", "max_slabs"), 1e308, "params: max_slabs is 1e+308"),
    (("params", "max_slabs"), 1.5, "params: max_slabs is 1.5"),
    (("params", "cut_mode"), "laser", "params: cut_mode is 'laser'"),
    (("params", "blade"), 3, "params: unknown key blade"),
    # names and types
    (("repairs",), [], "no repairs"),
    (("blocks",), [], "yard is empty"),
    (("repairs",), {}, "repairs is an object"),
    (("repairs",), [None], "repair number 0 is null"),
    (("blocks",), GONE, "the key blocks is missing"),
    (("repairs", 1, "id"), "R0", "repair R0 is there twice"),
    (("blocks", 1, "id"), "B0", "block B0 is there twice"),
    ((*B, "faces"), [FACE, FACE], "B0: face f0 is there twice"),
    ((*B, "faces"), [], "B0 has no face"),
    ((*R, "id"), "", "id of a repair is ''"),
    ((*R, "id"), "\ud800", "half a character"),
    ((*R, "id"), 7, "repair number 0: id is a number"),
    ((*R, "colour"), "red", "R0: unknown key colour"),
    ((*R, "stone"), GONE, "R0: the key stone is missing"),
    ((*R, "accept"), "a", "R0: accept is a text"),
    ((*R, "forbid"), ["B9"], "R0 forbids the block B9"),
    ((*R, "weathered"), True, "R0: weathered is true or false"),
    ((*F, "weathered"), "yes", "face f0: weathered is a text"),
    (("looks",), {"R9": {"B0": 1}}, "looks names the repair R9"),
    (("looks",), {"R0": {"B9": 1}}, "looks of R0 names the block B9"),
    (("looks",), {"R0": {"B0": -1}}, "looks of R0 on B0 is -1"),
    (("extra",), 1, "unknown key extra"),
    # locks
    ((*R, "lock"), "B0", "R0: lock is a text"),
    ((*R, "lock"), {"face": "f0"}, "R0: lock: the key block is missing"),
    ((*R, "lock"), {"block": None, "slab": 0}, "R0: a lock without a block"),
    ((*R, "lock"), {"block": "B9"}, "R0 is locked to the block B9"),
    ((*R, "lock"), {"block": "B0", "face": "f9"}, "R0 is locked to the face f9"),
    ((*R, "lock"), {"block": "B0", "x": 3}, "R0: a lock gives only one of x and y"),
    ((*R, "lock"), {"block": "B0", "rot": 45}, "R0: rot of a lock is 45"),
    ((*R, "lock"), {"block": "B0", "slab": -1}, "R0: slab of a lock is -1"),
    ((*R, "lock"), {"block": "B0", "slab": 9}, "R0 is locked to block B0, where it may not lie"),
    (
        (*R, "lock"),
        {"block": "B0", "rot": 90},
        "R0 is locked to block B0, where it may not lie (the face or the turn",
    ),
    ((*R, "lock"), {**PLACE, "x": 390}, "R0 is locked to block B1, where it may not lie"),
]
FILES: list[tuple[str, bytes, str]] = [
    ("empty", b"", "line 1"),
    ("not UTF-8", '{"meta": "é"}'.encode("latin-1"), "not UTF-8"),
    ("UTF-16", json.dumps(GOOD).encode("utf-16"), "not UTF-8"),
    ("cut off", json.dumps(GOOD).encode()[:-5], "line 1, column"),
    ("something after it", json.dumps(GOOD).encode() + b"{}", "line 1, column"),
    ("no object", b"3", "the problem is a number"),
    ("nested lists", b"[" * 100_000, "nested too deeply"),
    ("nested in meta", b'{"meta": ' + b"[" * 100_000 + b"]" * 100_000 + b"}", "nested too deeply"),
    ("nested objects", b'{"a":' * 100_000, "nested too deeply"),
    ("NaN", b'{"params": {"kerf": NaN}}', "NaN"),
    ("infinite", b'{"params": {"kerf": -Infinity}}', "Infinity"),
    ("too large", b'{"params": {"kerf": 1e999}}', "kerf is not a finite number"),
    ("endless number", b'{"params": {"kerf": ' + b"9" * 5000 + b"}}", "number that is too long"),
    ("a key twice", b'{"meta": 1, "meta": 2}', "meta is there twice"),
]
LOCKS: list[tuple[str, dict[str, Any], tuple[str, ...]]] = [
    ("one place", _locks(PLACE, {**PLACE, "x": 40}), ("R0, R1", "B1")),
    (
        "two faces",
        _locks({"block": "B0", "face": "f0"}, {"block": "B0", "face": "f1"}, (B, TWO_FACES)),
        ("R0, R1", "B0"),
    ),
    (
        "no room for both",
        _locks(
            {"block": "B0"},
            {"block": "B0"},
            ((*F, "poly"), [[0, 0], [120, 0], [120, 100], [0, 100]]),
            ((*F, "depth"), 80),
        ),
        ("R0, R1", "B0"),
    ),
    (
        "forbidden",
        _locks({"block": "B0"}, None, ((*R, "forbid"), ["B0"])),
        ("R0", "B0", "forbidden"),
    ),
    (
        "another stone",
        _locks({"block": "B0"}, None, ((*R, "stone"), "b")),
        ("R0", "B0", "stone_type"),
    ),
    ("too thin", _locks({"block": "B0"}, None, ((*R, "depth"), 500)), ("R0", "B0", "depth")),
    (
        "not weathered",
        _locks({"block": "B0"}, None, ((*R, "weathered"), "required")),
        ("R0", "B0", "weathered"),
    ),
    (
        "colour",
        _locks({"block": "B0"}, None, ((*R, "lab"), [10, 60, 10]), ((*R, "de_tol"), 2)),
        ("R0", "B0", "colour"),
    ),
    ("bed", _locks({"block": "B0"}, None, ((*F, "bed"), "parallel")), ("R0", "B0")),
]


@pytest.mark.parametrize(
    ("path", "value", "words"), VALUES, ids=lambda v: str(v)[:40] if not isinstance(v, str) else v
)
def test_a_value_that_cannot_be(
    tmp_path: Path, path: tuple[Any, ...], value: Any, words: str
) -> None:
    code, told = _run(tmp_path, json.dumps(_with((path, value))).encode())
    _is_refusal(code, told, words)
    assert [p.name for p in tmp_path.iterdir()] == ["problem.json"]


@pytest.mark.parametrize(("given", "words"), [f[1:] for f in FILES], ids=[f[0] for f in FILES])
def test_a_file_that_is_no_problem(tmp_path: Path, given: bytes, words: str) -> None:
    code, told = _run(tmp_path, given)
    _is_refusal(code, told, words)
    assert [p.name for p in tmp_path.iterdir()] == ["problem.json"]


@pytest.mark.parametrize(("given", "words"), [k[1:] for k in LOCKS], ids=[k[0] for k in LOCKS])
def test_locks_that_cannot_hold_name_the_repairs_and_the_block(
    tmp_path: Path, given: dict[str, Any], words: tuple[str, ...]
) -> None:
    code, told = _run(tmp_path, json.dumps(given).encode())
    _is_refusal(code, told, *words)
    assert [p.name for p in tmp_path.iterdir()] == ["problem.json"]


@pytest.mark.parametrize(
    "option",
    [
        ("--time-limit-s", "0"),
        ("--time-limit-s", "-3"),
        ("--time-limit-s", "nan"),
        ("--time-limit-s", "inf"),
        ("--work-limit", "0"),
        ("--threads", "0"),
        ("--seed", "1.5"),
    ],
    ids=" ".join,
)
def test_a_limit_that_cannot_be(tmp_path: Path, option: tuple[str, str]) -> None:
    code, told = _run(tmp_path, json.dumps(GOOD).encode(), *option)
    _is_refusal(code, told)
    assert [p.name for p in tmp_path.iterdir()] == ["problem.json"]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("folder", "is a folder"),
        ("problem.json", "overwrite its own input"),
        ("link", "overwrite its own input"),
        ("hard link", "is the problem itself"),
        ("nowhere/out.json", "does not exist"),
        ("problem.json/out.json", "does not exist"),
        ("n" * 300, "too long"),
    ],
)
def test_a_place_that_cannot_be_written(tmp_path: Path, name: str, words: str) -> None:
    given = json.dumps(GOOD).encode()
    (tmp_path / "folder").mkdir()
    (tmp_path / "problem.json").write_bytes(given)
    (tmp_path / "link").symlink_to(tmp_path / "problem.json")
    os.link(tmp_path / "problem.json", tmp_path / "hard link")
    before = sorted(p.name for p in tmp_path.rglob("*"))
    code, told = _run(tmp_path, given, out=tmp_path / name)
    _is_refusal(code, told, words)
    assert sorted(p.name for p in tmp_path.rglob("*")) == before
    assert (tmp_path / "problem.json").read_bytes() == given


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "be written"),
        (errno.EROFS, "be written"),
        (errno.ENOSPC, "disk is full"),
    ],
)
def test_a_disk_that_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def refuse(handle: int) -> None:
        raise OSError(number, os.strerror(number), str(tmp_path / "out.json"))

    monkeypatch.setattr("facademap.io.whole_files.os.fsync", refuse)
    code, told = _run(tmp_path, json.dumps(GOOD).encode())
    _is_refusal(code, told, words)
    assert [p.name for p in tmp_path.iterdir()] == ["problem.json"]


def test_the_problem_that_all_of_these_spoil_is_a_good_one(tmp_path: Path) -> None:
    code, told = _run(tmp_path, json.dumps(GOOD).encode())
    assert (code, told) == (0, "")
