"""The matching problem and its solution as JSON files, read strictly: every fault is one clear line.

Lengths in these files are millimetres, angles degrees. Unknown keys are refused by name; ``meta`` at
the top is free and not looked at.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.whole_files import need_file, write_whole
from facademap.limits import hold_within
from facademap.match.problem import Block, Face, Flaw, Lock, Params, Problem, Repair
from facademap.match.solution import Placement, Quality, Slabs, Solution, Unmatched

__all__ = [
    "problem_from_json",
    "problem_to_json",
    "read_problem",
    "read_solution",
    "solution_from_json",
    "solution_to_json",
    "write_problem",
    "write_solution",
]

_Made = TypeVar("_Made")
_MISSING = object()
_PARAMS = {
    "kerf": "kerf_mm",
    "trim": "trim_mm",
    "depth_kerf": "depth_kerf_mm",
    "depth_allow": "depth_allow_mm",
    "min_slab": "min_slab_mm",
    "cut_mode": "cut_mode",
    "max_slabs": "max_slabs",
    "unmatched_penalty": "unmatched_penalty",
    "spread_weight": "spread_weight",
    "finish_penalty": "finish_penalty",
    "open_per_dm3": "open_per_dm3",
    "handle_per_kg": "handle_per_kg",
}


class _Table:
    """A JSON object whose keys are taken one by one; what is left over at the end is refused."""

    def __init__(self, value: Any, where: str) -> None:
        if not isinstance(value, dict):
            raise InputError(f"{where} is {_kind(value)}", "Give an object in braces.")
        self.values = dict(value)
        self.where = where

    def take(self, key: str, default: Any = _MISSING) -> Any:
        if key in self.values:
            return self.values.pop(key)
        if default is _MISSING:
            raise InputError(f"{self.where}: the key {key} is missing", f"Add {key}.")
        return default

    def text(self, key: str, default: Any = _MISSING, *, null: bool = False) -> Any:
        value = self.take(key, default)
        if value is None and (null or default is None):
            return None
        if not isinstance(value, str):
            raise InputError(f"{self.where}: {key} is {_kind(value)}", "Give a text in quotes.")
        return value

    def number(self, key: str, default: Any = _MISSING, *, null: bool = False) -> Any:
        value = self.take(key, default)
        if value is None and (null or default is None):
            return None
        return _number(value, f"{self.where}: {key}")

    def whole(self, key: str, default: Any = _MISSING) -> Any:
        value = self.take(key, default)
        if value is default or value is None:
            return value
        number = _number(value, f"{self.where}: {key}")
        if number != int(number):
            raise InputError(f"{self.where}: {key} is {number:g}", "Give a whole number.")
        return int(number)

    def rows(self, key: str, default: Any = _MISSING) -> list[Any]:
        value = self.take(key, default)
        if not isinstance(value, list):
            raise InputError(f"{self.where}: {key} is {_kind(value)}", "Give a list in brackets.")
        return value

    def flag(self, key: str, default: Any = _MISSING) -> bool:
        value = self.take(key, default)
        if not isinstance(value, bool):
            raise InputError(f"{self.where}: {key} is {_kind(value)}", "Give true or false.")
        return value

    def points(self, key: str) -> tuple[tuple[float, ...], ...]:
        rows = self.rows(key)
        for row in rows:
            if not isinstance(row, list):
                raise InputError(
                    f"{self.where}: a vertex of {key} is {_kind(row)}",
                    "Give every vertex as [x, y].",
                )
        return tuple(
            tuple(_number(v, f"{self.where}: a vertex of {key}") for v in row) for row in rows
        )

    def lab(self, key: str, default: Any = _MISSING) -> tuple[float, ...] | None:
        value = self.take(key, default)
        if value is None:
            return None
        if not isinstance(value, list):
            raise InputError(f"{self.where}: {key} is {_kind(value)}", "Give [L, a, b].")
        return tuple(_number(v, f"{self.where}: {key}") for v in value)

    def end(self) -> None:
        if self.values:
            names = ", ".join(sorted(str(k) for k in self.values))
            raise InputError(
                f"{self.where}: unknown key {names}", "Remove it, or correct its spelling."
            )


def _kind(value: Any) -> str:
    names = {
        dict: "an object",
        list: "a list",
        str: "a text",
        bool: "true or false",
        type(None): "null",
    }
    return names.get(type(value), "a number")


def _number(value: Any, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError(f"{what} is {_kind(value)}", "Give a number.")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise InputError(f"{what} is not a finite number", "Give a finite number.")
    return number


def _params(value: Any) -> Params:
    table = _Table(value, "params")
    given: dict[str, Any] = {}
    for key, name in _PARAMS.items():
        if key not in table.values:
            continue
        if key == "cut_mode":
            given[name] = table.text(key)
        elif key == "max_slabs":
            given[name] = table.whole(key)
        else:
            given[name] = table.number(key)
    table.end()
    return Params(**given)


def _lock(value: Any, where: str) -> Lock | None:
    if value is None:
        return None
    table = _Table(value, f"{where}: lock")
    lock = {
        "block_id": table.text("block", null=True),
        "face_id": table.text("face", None),
        "slab": table.whole("slab", None),
        "x_mm": table.number("x", None),
        "y_mm": table.number("y", None),
        "rot_deg": table.whole("rot", None),
    }
    table.end()
    return _made(Lock, where, lock)


def _made(kind: type[_Made], where: str, given: dict[str, Any]) -> _Made:
    """Make a value; a fault in it is told with the place in the file."""
    try:
        return kind(**given)
    except FacademapError as error:
        if where in error.problem:
            raise
        raise type(error)(f"{where}: {error.problem}", error.remedy) from None


def _texts(table: _Table, key: str, default: Any = _MISSING) -> tuple[str, ...]:
    rows = table.rows(key, default)
    for row in rows:
        if not isinstance(row, str):
            raise InputError(f"{table.where}: {key} holds {_kind(row)}", "Give a list of texts.")
    return tuple(rows)


def _repair(value: Any, number: int) -> Repair:
    table = _Table(value, f"repair number {number}")
    name = table.text("id")
    table.where = f"repair {name}"
    joint = table.take("joint")
    joints = joint if isinstance(joint, list) else [joint]
    given = {
        "id": name,
        "outline_mm": table.points("poly"),
        "depth_mm": table.number("depth"),
        "joints_mm": tuple(_number(j, f"{table.where}: joint") for j in joints),
        "bed": table.text("bed"),
        "stone": table.text("stone"),
        "accept": _texts(table, "accept"),
        "lab": table.lab("lab"),
        "de_tolerance": table.number("de_tol", null=True),
        "finish": table.text("finish", null=True),
        "weathered": table.text("weathered"),
        "priority": table.number("priority"),
        "lock": _lock(table.take("lock"), table.where),
        "forbid": _texts(table, "forbid"),
        "turn180": table.flag("turn180", True),
        "campaign": table.text("campaign", None),
    }
    table.end()
    if isinstance(joint, list) and len(joint) == 1:
        raise InputError(
            f"{table.where}: 1 joint in a list for {len(given['outline_mm'])} edges",
            "Give one number, or one an edge.",
        )
    return _made(Repair, table.where, given)


def _face(value: Any, where: str, number: int) -> Face:
    table = _Table(value, f"{where}: face number {number}")
    name = table.text("id")
    table.where = f"{where}: face {name}"
    flaws = []
    for n, row in enumerate(table.rows("flaws")):
        flaw = _Table(row, f"{table.where}: flaw {n}")
        given = {
            "outline_mm": flaw.points("poly"),
            "depth_mm": flaw.number("depth", null=True),
            "from_mm": flaw.number("from", 0),
        }
        flaw.end()
        flaws.append(_made(Flaw, flaw.where, given))
    given = {
        "id": name,
        "outline_mm": table.points("poly"),
        "depth_mm": table.number("depth"),
        "bed": table.text("bed"),
        "flaws": tuple(flaws),
        "lab": table.lab("lab", None),
        "finish": table.text("finish", null=True),
        "weathered": table.flag("weathered"),
        "campaign": table.text("campaign", None),
        "haul_kg": table.number("haul_kg", 0.0),
        "provenance": table.number("provenance", 0.0),
    }
    table.end()
    return _made(Face, where, given)


def _block(value: Any, number: int) -> Block:
    table = _Table(value, f"block number {number}")
    name = table.text("id")
    table.where = f"block {name}"
    given = {
        "id": name,
        "stone": table.text("stone"),
        "lab": table.lab("lab"),
        "spread": table.number("spread"),
        "weight_kg": table.number("weight_kg"),
        "faces": tuple(_face(f, table.where, n) for n, f in enumerate(table.rows("faces"))),
    }
    table.end()
    return _made(Block, table.where, given)


def problem_from_json(values: Any) -> Problem:
    """A problem from the object of a ``problem.json``.

    Raises
    ------
    InputError
        With the place of the first fault.
    """
    table = _Table(values, "the problem")
    table.take("meta", None)
    params = _params(table.take("params", {}))
    repairs = tuple(_repair(r, n) for n, r in enumerate(table.rows("repairs")))
    blocks = tuple(_block(b, n) for n, b in enumerate(table.rows("blocks")))
    looks_given = table.take("looks", {})
    table.end()
    looks: dict[str, dict[str, float]] = {}
    for repair_id, costs in _Table(looks_given, "looks").values.items():
        rows = _Table(costs, f"looks of {repair_id}").values
        looks[repair_id] = {b: _number(c, f"looks of {repair_id} on {b}") for b, c in rows.items()}
    return Problem(params=params, repairs=repairs, blocks=blocks, looks=looks)


def problem_to_json(problem: Problem) -> dict[str, Any]:
    """The object of a ``problem.json``."""

    def lock(value: Lock | None) -> dict[str, Any] | None:
        if value is None or value.block_id is None:
            return None if value is None else {"block": None}
        rows = {
            "block": value.block_id,
            "face": value.face_id,
            "slab": value.slab,
            "x": value.x_mm,
            "y": value.y_mm,
            "rot": value.rot_deg,
        }
        return {k: v for k, v in rows.items() if v is not None}

    result: dict[str, Any] = {
        "params": {key: getattr(problem.params, name) for key, name in _PARAMS.items()},
        "repairs": [
            {
                "id": r.id,
                "poly": [list(p) for p in r.outline_mm],
                "depth": r.depth_mm,
                "joint": r.joints_mm[0] if len(set(r.joints_mm)) == 1 else list(r.joints_mm),
                "bed": r.bed,
                "stone": r.stone,
                "accept": list(r.accept),
                "lab": _list(r.lab),
                "de_tol": r.de_tolerance,
                "finish": r.finish,
                "weathered": r.weathered,
                "priority": r.priority,
                "lock": lock(r.lock),
                "forbid": list(r.forbid),
                "turn180": r.turn180,
                **({} if r.campaign is None else {"campaign": r.campaign}),
            }
            for r in problem.repairs
        ],
        "blocks": [
            {
                "id": b.id,
                "stone": b.stone,
                "lab": list(b.lab),
                "spread": b.spread,
                "weight_kg": b.weight_kg,
                "faces": [
                    {
                        "id": f.id,
                        "poly": [list(p) for p in f.outline_mm],
                        "depth": f.depth_mm,
                        "bed": f.bed,
                        "flaws": [
                            {
                                "poly": [list(p) for p in w.outline_mm],
                                "depth": w.depth_mm,
                                "from": w.from_mm,
                            }
                            for w in f.flaws
                        ],
                        "finish": f.finish,
                        "weathered": f.weathered,
                        **({} if f.lab is None else {"lab": list(f.lab)}),
                        **_campaign(f),
                    }
                    for f in b.faces
                ],
            }
            for b in problem.blocks
        ],
    }
    if problem.looks:
        result["looks"] = {r: dict(costs) for r, costs in problem.looks.items()}
    return result


def _campaign(face: Face) -> dict[str, Any]:
    """What a face says of campaigns that are matched together; nothing where it says nothing."""
    told = {"campaign": face.campaign, "haul_kg": face.haul_kg, "provenance": face.provenance}
    return {key: value for key, value in told.items() if value}


def _list(value: tuple[float, ...] | None) -> list[float] | None:
    return None if value is None else list(value)


def solution_to_json(solution: Solution) -> dict[str, Any]:
    """The object of a ``solution.json``; what is proved beyond the contract goes under ``meta``."""
    result: dict[str, Any] = {
        "status": solution.status,
        "objective": solution.objective,
        "bound": solution.bound,
        "gap": solution.gap,
        "seconds": round(solution.seconds, 3),
        "seed": solution.seed,
        "ended_by": solution.ended_by,
        "slabs": {
            b: {"face": s.face_id, "thickness": list(s.thickness_mm)}
            for b, s in sorted(solution.slabs.items())
        },
        "placements": [
            {
                "repair": p.repair_id,
                "block": p.block_id,
                "face": p.face_id,
                "slab": p.slab,
                "x": p.x_mm,
                "y": p.y_mm,
                "rot": p.rot_deg,
            }
            for p in solution.placements
        ],
        "unmatched": [
            {"repair": u.repair_id, "reason": u.reason, "source": list(u.source_mm)}
            for u in solution.unmatched
        ],
    }
    quality = solution.quality
    if quality is not None:
        result["meta"] = {name: getattr(quality, name) for name in quality.__dataclass_fields__}
    return result


def solution_from_json(values: Any) -> Solution:
    """A solution from the object of a ``solution.json``."""
    table = _Table(values, "the solution")
    quality = _quality(table.take("meta", None))
    slabs: dict[str, Slabs] = {}
    for block_id, row in _Table(table.take("slabs", {}), "slabs").values.items():
        one = _Table(row, f"slabs of {block_id}")
        thickness = tuple(_number(t, f"{one.where}: thickness") for t in one.rows("thickness"))
        slabs[block_id] = Slabs(face_id=one.text("face"), thickness_mm=thickness)
        one.end()
    placements = []
    for n, row in enumerate(table.rows("placements")):
        one = _Table(row, f"placement number {n}")
        placements.append(
            Placement(
                repair_id=one.text("repair"),
                block_id=one.text("block"),
                face_id=one.text("face"),
                slab=one.whole("slab", 0),
                x_mm=one.number("x"),
                y_mm=one.number("y"),
                rot_deg=one.whole("rot"),
            )
        )
        one.end()
    unmatched = []
    for n, row in enumerate(table.rows("unmatched")):
        one = _Table(row, f"unmatched number {n}")
        source = tuple(_number(v, f"{one.where}: source") for v in one.rows("source"))
        if len(source) != 3:
            raise InputError(
                f"{one.where}: source has {len(source)} numbers", "Give [width, height, depth]."
            )
        unmatched.append(
            Unmatched(
                repair_id=one.text("repair"),
                reason=one.text("reason"),
                source_mm=(source[0], source[1], source[2]),
            )
        )
        one.end()
    solution = Solution(
        status=table.text("status"),
        objective=table.number("objective"),
        bound=table.number("bound"),
        gap=table.number("gap"),
        seconds=table.number("seconds"),
        seed=table.whole("seed"),
        ended_by=table.text("ended_by"),
        placements=tuple(placements),
        unmatched=tuple(unmatched),
        slabs=slabs,
        quality=quality,
    )
    table.end()
    return solution


def _quality(meta: Any) -> Quality | None:
    """The figures beside a plan, where they are our own; others may keep there what they like."""
    names = [f.name for f in dataclasses.fields(Quality)]
    if not isinstance(meta, dict) or not all(
        isinstance(meta.get(n), (int, float)) and math.isfinite(meta[n]) for n in names
    ):
        return None
    return Quality(**{n: meta[n] for n in names})


def _read_json(path: Path) -> Any:
    def twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for key, value in pairs:
            if key in result:
                raise InputError(
                    f"{path.name}: the key {key} is there twice in one object",
                    "Remove one of them.",
                )
            result[key] = value
        return result

    def constant(name: str) -> float:
        raise InputError(
            f"{path.name} holds {name}, which is no number", "Give a finite number, or null."
        )

    need_file(path)
    if path.is_dir():
        raise FileError(f"{path} is a folder", "Name a JSON file.")
    try:
        size = path.stat().st_size / 1e6
        hold_within(
            "file_mb", size, what=f"{path.name} is {size:.0f} MB large", remedy="Split the problem"
        )
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise FileError(f"{path} does not exist", "Check the spelling of the path.") from None
    except UnicodeDecodeError:
        raise InputError(f"{path.name} is not UTF-8 text", "Save it as UTF-8.") from None
    try:
        return json.loads(text, object_pairs_hook=twins, parse_constant=constant)
    except json.JSONDecodeError as error:
        raise InputError(
            f"{path.name}, line {error.lineno}, column {error.colno}: {error.msg}",
            "Correct the JSON there; the file may be cut off.",
        ) from None
    except RecursionError:
        raise InputError(
            f"{path.name} is nested too deeply", "Write it as the format is described."
        ) from None
    except ValueError as error:
        if isinstance(error, FacademapError):
            raise
        raise InputError(
            f"{path.name} holds a number that is too long", "Correct the number."
        ) from None


def read_problem(path: Path | str) -> Problem:
    """Read a ``problem.json``."""
    return problem_from_json(_read_json(Path(path)))


def read_solution(path: Path | str) -> Solution:
    """Read a ``solution.json``."""
    return solution_from_json(_read_json(Path(path)))


def _write_json(values: Mapping[str, Any], path: Path) -> None:
    text = json.dumps(values, ensure_ascii=False, allow_nan=False, indent=1)
    write_whole(path, text + "\n")


def write_problem(problem: Problem, path: Path | str) -> None:
    """Write a ``problem.json``; the file is there whole or not at all."""
    _write_json(problem_to_json(problem), Path(path))


def write_solution(solution: Solution, path: Path | str) -> None:
    """Write a ``solution.json``; the file is there whole or not at all."""
    _write_json(solution_to_json(solution), Path(path))
