"""What the rooms offer is explained: by numpydoc's own checks, and examples in docstrings answer as they say."""

from __future__ import annotations

import doctest
import importlib
import inspect
from pathlib import Path

import pytest
from numpydoc.validate import validate

import facademap

ROOT = Path(facademap.__file__).parent
ROOMS = (
    "condition", "io", "library", "match", "photo", "relief", "repair", "report", "salvage", "store", "tables", "wall",
)  # fmt: skip
#: Faults that nothing of a front door may have: no docstring, a parameter or a section that is not there, no summary.
NOWHERE = {"GL08", "PR02", "PR05", "PR10", "SS01", "GL06", "GL07"}
#: The library says everything: every parameter, in order, and what comes back.
IN_THE_LIBRARY = NOWHERE | {"PR01", "PR03", "RT01", "SS03"}
#: Every result has them from :class:`facademap.library.Result`, which explains them.
INHERITED = {
    "Parameters {'folder', 'frame'} not documented",
    "Parameters {'frame', 'folder'} not documented",
}
EXAMPLES = sorted(
    str(p.relative_to(ROOT.parent).with_suffix("")).replace("/", ".")
    for p in ROOT.rglob("*.py")
    if ">>> " in p.read_text("utf-8")
)


def offered(room: str) -> list[str]:
    """Full names of the functions and classes of a front door, and of the methods of the library's."""
    found = []
    module = importlib.import_module(f"facademap.{room}")
    for name in module.__all__:
        value = getattr(module, name)
        if inspect.isfunction(value) or inspect.isclass(value):
            found.append(f"{value.__module__}.{name}")
        if inspect.isclass(value) and room == "library":
            found += [
                f"{value.__module__}.{name}.{n}"
                for n, m in vars(value).items()
                if inspect.isfunction(m) and not n.startswith("_")
            ]
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_docstrings_of_a_front_door_say_what_is_there(room: str) -> None:
    strict = IN_THE_LIBRARY if room == "library" else NOWHERE
    names = offered(room)
    assert names
    faults = [
        f"{name}: {code} {words}"
        for name in names
        for code, words in validate(name)["errors"]
        if code in strict and words not in INHERITED
    ]
    assert faults == []


def test_examples_in_docstrings_answer_as_they_say() -> None:
    asked = 0
    for name in EXAMPLES:
        result = doctest.testmod(importlib.import_module(name))
        assert result.failed == 0, name
        asked += result.attempted
    assert asked > 60
