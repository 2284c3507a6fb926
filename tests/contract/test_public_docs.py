"""What the rooms offer is explained: by numpydoc's own checks, examples in docstrings answer as they say, what is raised is told,
and where a formula comes from."""

from __future__ import annotations

import ast
import builtins
import doctest
import importlib
import inspect
import pkgutil
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from numpydoc.validate import validate

import facademap

ROOT = Path(facademap.__file__).parent
ROOMS = (
    "condition", "io", "library", "match", "photo", "relief", "repair", "report", "salvage", "store", "tables", "wall",
)  # fmt: skip
#: Of these every module is looked at, of the others the front door.
PURE = ("tables", "wall", "photo", "relief", "salvage", "condition", "repair", "match", "treatment", "training")  # fmt: skip
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


def functions_of(room: str) -> Iterator[tuple[str, Any]]:
    """Functions of a front door, and public methods of its classes."""
    module = importlib.import_module(f"facademap.{room}")
    for name in module.__all__:
        value = getattr(module, name)
        if inspect.isfunction(value):
            yield name, value
        elif inspect.isclass(value) and value.__module__.startswith("facademap."):
            for own, member in vars(value).items():
                method = getattr(member, "__func__", member)
                if inspect.isfunction(method) and not own.startswith("_"):
                    yield f"{name}.{own}", method


def public_functions_of(room: str) -> Iterator[tuple[str, Any]]:
    """Public functions and methods of every module of a room, those of its front door among them."""
    package = importlib.import_module(f"facademap.{room}")
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
        module = importlib.import_module(found.name)
        for name in getattr(module, "__all__", ()):
            value = getattr(module, name)
            if getattr(value, "__module__", None) != found.name:
                continue
            members = vars(value).items() if inspect.isclass(value) else [("", value)]
            for own, member in members:
                method = getattr(member, "__func__", member)
                if inspect.isfunction(method) and not own.startswith("_"):
                    yield f"{found.name}.{name}.{own}".rstrip("."), method


def raised_by(function: Any) -> set[str]:
    """Names of the errors that stand in ``raise`` in the function itself and are not caught there."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))

    def own(node: ast.AST) -> Iterator[ast.AST]:
        caught = isinstance(node, ast.Try) and node.handlers
        for child in ast.iter_child_nodes(node):
            if caught and child in node.body:  # type: ignore[attr-defined]
                continue
            if not isinstance(child, ast.FunctionDef | ast.Lambda | ast.ClassDef):
                yield child
                yield from own(child)

    return {
        node.exc.func.id
        for node in own(tree.body[0])
        if isinstance(node, ast.Raise)
        and isinstance(node.exc, ast.Call)
        and isinstance(node.exc.func, ast.Name)
        and node.exc.func.id[0].isupper()
    }


def formulas_in(function: Any) -> int:
    """Products, quotients and powers in a function, those of text and lists aside."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    counted = (ast.Mult, ast.Div, ast.Pow)
    return sum(
        isinstance(node, ast.BinOp)
        and isinstance(node.op, counted)
        and not isinstance(node.left, ast.List | ast.JoinedStr | ast.Tuple)
        and not (isinstance(node.left, ast.Constant) and isinstance(node.left.value, str))
        for node in ast.walk(tree)
    )


def test_a_function_with_a_formula_says_where_it_comes_from() -> None:
    """A published source or common practice stands under References of the function, its class or its module."""
    untold, looked_at = [], 0
    for room in ("wall", "photo", "condition", "repair", "salvage", "match", "relief"):
        for name, function in functions_of(room):
            if formulas_in(function) < 3:
                continue
            looked_at += 1
            module = importlib.import_module(function.__module__)
            owner = getattr(module, name.partition(".")[0], None)
            said = (function.__doc__, module.__doc__, inspect.isclass(owner) and owner.__doc__)
            if not any(re.search(r"References\n *-{10}\n *\S", text or "") for text in said):
                untold.append(f"{room}: {name}")
    assert untold == []
    assert looked_at > 35


def test_what_a_function_raises_stands_under_raises() -> None:
    """An error that is named in a ``raise`` is named under Raises, by itself or by the one above it."""
    untold, looked_at = [], 0
    for room in (*ROOMS, "training", "treatment"):
        everywhere = public_functions_of(room) if room in PURE else functions_of(room)
        for name, function in everywhere:
            if not function.__code__.co_filename.endswith(".py"):
                continue  # made by a decorator, without a source
            for error in sorted(raised_by(function)):
                looked_at += 1
                section = (function.__doc__ or "").partition("Raises\n")[2]
                cls = function.__globals__.get(error) or getattr(builtins, error, None)
                above = (
                    [c.__name__ for c in inspect.getmro(cls)] if inspect.isclass(cls) else [error]
                )
                if not any(
                    re.search(rf"\b{n}\b", section)
                    for n in above
                    if n not in ("Exception", "BaseException", "object")
                ):
                    untold.append(f"{room}: {name} raises {error}")
    assert untold == []
    assert looked_at > 100
