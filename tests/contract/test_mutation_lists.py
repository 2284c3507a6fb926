"""The lists of the mutation gate stay true: every place stands where it is said, and makes mutants."""

from __future__ import annotations

import ast
import sys
import tomllib
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "mutation"))

from operators import mutants_of

ROOT = Path(__file__).resolve().parents[2]
GATE = ROOT / "tests/mutation"


def listed(name: str) -> dict[str, list[dict[str, object]]]:
    return tomllib.loads((GATE / name).read_text("utf-8"))


def stands(test: str) -> bool:
    path, _, name = test.partition("::")
    text = (ROOT / path).read_text("utf-8") if (ROOT / path).is_file() else ""
    return f"def {name}(" in text if name else bool(text)


def test_every_named_mutant_stands_once_and_changes_something() -> None:
    rows = listed("named.toml")["mutant"]
    assert len(rows) >= 20
    assert len({r["name"] for r in rows}) == len(rows)
    for row in rows:
        source = (ROOT / str(row["file"])).read_text("utf-8")
        assert source.count(str(row["was"])) == 1, row["name"]
        changed = source.replace(str(row["was"]), str(row["becomes"]))
        assert ast.dump(ast.parse(changed)) != ast.dump(ast.parse(source)), row["name"]
        assert all(stands(t) for t in row["tests"]), row["name"]  # type: ignore[attr-defined]


def test_every_place_of_the_gate_is_there_and_every_survivor_has_a_reason() -> None:
    content = listed("places.toml")
    for row in content["place"]:
        source = (ROOT / str(row["file"])).read_text("utf-8")
        for name in row["functions"]:  # type: ignore[attr-defined]
            made = mutants_of(source, functions=frozenset({name}))
            assert next(iter(made), None) is not None, (row["file"], name)
        assert all(stands(t) for t in row["tests"]), row  # type: ignore[attr-defined]
    for row in content.get("survivor", []):
        lines = [x.strip() for x in (ROOT / str(row["file"])).read_text("utf-8").splitlines()]
        assert row["line"] in lines, row
        assert row["reason"], row


def test_operators_alter_numbers_and_leave_words_alone() -> None:
    source = """
def f(a: float) -> float:
    \"\"\"No number of 3 here.\"\"\"
    if a <= 2.0:
        raise ValueError(f"{a} is below {1 + 1}")
    return min(a, 5.0) * -1e-9
"""
    found = list(mutants_of(source))
    words = {m.words for m in found}
    assert words == {
        "LtE becomes Lt",
        "LtE becomes GtE",
        "condition always True",
        "condition always False",
        "2.0 becomes 4.0",
        "min becomes max",
        "5.0 becomes 10.0",
        "Mult becomes Div",
        "minus becomes plus",
    }
    assert len({m.source for m in found}) == len(found)
    assert all(ast.parse(m.source) for m in found)
