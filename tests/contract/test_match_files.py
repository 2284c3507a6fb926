"""The files of ``facademap solve``: strict in, right out, one clear line for every fault."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_instances import random_yard, small_problem

from facademap.cli.main import main
from facademap.io.match_files import problem_from_json, problem_to_json, read_solution
from facademap.match import verify

REASONS = {"stone_type", "bed", "depth", "weathered", "colour", "size", "capacity", "locked_out"}


def _run(folder: Path, problem: object, *more: str) -> tuple[int, str, str]:
    path = folder / "problem.json"
    path.write_text(problem if isinstance(problem, str) else json.dumps(problem), encoding="utf-8")
    result = CliRunner().invoke(
        main, ["solve", str(path), "--out", str(folder / "out.json"), *more]
    )
    return result.exit_code, result.stdout, result.stderr


def test_solution_has_the_keys_of_the_contract(tmp_path: Path) -> None:
    given = small_problem(0, cut_mode="guillotine")
    code, out, _ = _run(tmp_path, given, "--json", "--quiet", "--seed", "7")
    assert code == 0
    written = json.loads((tmp_path / "out.json").read_text())
    assert set(written) == {
        "status",
        "objective",
        "bound",
        "gap",
        "seconds",
        "seed",
        "ended_by",
        "slabs",
        "placements",
        "unmatched",
        "meta",
    }
    assert written["seed"] == 7
    assert written["bound"] <= written["objective"] + 1e-9
    for row in written["placements"]:
        assert set(row) == {"repair", "block", "face", "slab", "x", "y", "rot"}
    assert {row["reason"] for row in written["unmatched"]} <= REASONS
    assert verify(problem_from_json(given), read_solution(tmp_path / "out.json")) == []
    assert {"placed_proved", "gap_fixed_count", "gap_avoidable"} <= set(json.loads(out))


def test_problem_survives_the_round_trip() -> None:
    problem = problem_from_json(random_yard(20, 15, seed=3))
    assert problem_from_json(json.loads(json.dumps(problem_to_json(problem)))) == problem


def _broken(change: str) -> dict:
    p = small_problem(0)
    r, b = p["repairs"][0], p["blocks"][0]
    if change == "unknown key":
        r["colour"] = 1
    elif change == "missing key":
        del r["bed"]
    elif change == "bow tie":
        r["poly"] = [[0, 0], [100, 100], [100, 0], [0, 100]]
    elif change == "flaw outside":
        b["faces"][0]["flaws"] = [{"poly": [[9000, 0], [9010, 0], [9010, 10]], "depth": None}]
    elif change == "no bed":
        b["faces"][0]["bed"] = None
    elif change == "negative":
        r["depth"] = -5
    elif change == "absurd":
        r["poly"] = [[0, 0], [1e9, 0], [1e9, 10], [0, 10]]
    elif change == "no repairs":
        p["repairs"] = []
    elif change == "no blocks":
        p["blocks"] = []
    elif change == "twins":
        p["repairs"].append(dict(r))
    elif change == "lock nowhere":
        r["lock"] = {"block": "nobody"}
    elif change == "two locked to one place":
        for one in p["repairs"][:2]:
            one |= {
                "lock": {"block": "B0", "face": "f0", "slab": 0, "x": 0, "y": 0},
                "bed": "any",
                "de_tol": None,
                "weathered": "any",
                "poly": [[0, 0], [30, 0], [30, 30], [0, 30]],
                "depth": 40,
            }
        b["faces"][0]["flaws"] = []
    elif change == "text for number":
        r["priority"] = "high"
    elif change == "joints":
        r["joint"] = [1, 2, 3]
    elif change == "unknown parameter":
        p["params"]["blade"] = 3
    return p


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ("unknown key", "colour"),
        ("missing key", "bed"),
        ("bow tie", "R0"),
        ("flaw outside", "outside"),
        ("no bed", "bed"),
        ("negative", "depth"),
        ("absurd", "R0"),
        ("no repairs", "no repairs"),
        ("no blocks", "yard is empty"),
        ("twins", "there twice"),
        ("lock nowhere", "nobody"),
        ("two locked to one place", "R0, R1"),
        ("text for number", "priority"),
        ("joints", "joints"),
        ("unknown parameter", "blade"),
    ],
)
def test_a_fault_is_one_clear_line_and_nothing_is_written(
    tmp_path: Path, change: str, word: str
) -> None:
    code, _, err = _run(tmp_path, _broken(change), "--quiet")
    assert code == 2
    assert err.count("\n") == 1
    assert err.startswith("error: ")
    assert "fix: " in err
    assert word in err
    assert [p.name for p in tmp_path.iterdir()] == ["problem.json"]


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"repairs": NaN}', '{"a": 1, "a": 2}', "[" * 100_000, "\x00"]
)
def test_a_file_that_is_no_problem_is_refused(tmp_path: Path, text: str) -> None:
    code, _, err = _run(tmp_path, text, "--quiet")
    assert code == 2
    assert err.startswith("error: ")
    assert err.count("\n") == 1


def test_limits_must_be_above_zero(tmp_path: Path) -> None:
    code, _, err = _run(tmp_path, small_problem(0), "--quiet", "--time-limit-s", "-1")
    assert code == 2
    assert "time limit" in err
