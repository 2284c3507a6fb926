"""Small wrong changes of a Python source: each operator alters one place on numeric lines."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

__all__ = ["Mutant", "mutants_of"]

_COMPARED = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_REVERSED = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
_COUNTED = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
_SWAPPED = {
    "min": "max",
    "max": "min",
    "floor": "ceil",
    "ceil": "floor",
    "all": "any",
    "any": "all",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """A source with one place altered, and what was altered in words."""

    line: int
    words: str
    source: str


def mutants_of(source: str, *, functions: frozenset[str] = frozenset()) -> Iterator[Mutant]:
    """Every mutant of a source; where names are given, of the functions, classes and constants of these names alone.

    Annotations, docstrings, messages and raised errors are left alone.
    """
    tree = ast.parse(source)
    places = [n for top in _tops(tree, functions) for n in _numeric(top)]
    for node in places:
        for words, undo in _alter(node):
            yield Mutant(line=getattr(node, "lineno", 0), words=words, source=ast.unparse(tree))
            undo()


def _tops(tree: ast.Module, functions: frozenset[str]) -> list[ast.AST]:
    if not functions:
        return list(tree.body)
    defined = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    found = [n for n in ast.walk(tree) if isinstance(n, defined) and n.name in functions]
    return [*found, *(n for n in tree.body if _constants(n) & functions)]


def _constants(node: ast.AST) -> set[str]:
    """What an assignment gives a name to."""
    if not isinstance(node, (ast.Assign, ast.AnnAssign)):
        return set()
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    return {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}


_ALTERED = (ast.Compare, ast.BinOp, ast.Call, ast.Constant, ast.If, ast.UnaryOp, ast.keyword)


def _numeric(node: ast.AST) -> Iterator[ast.AST]:
    """Places that may be altered, outermost first."""
    if isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    if isinstance(node, _ALTERED):
        yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "slice"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _numeric(child)


def _words_of(call: ast.Call) -> str:
    """The name of what is called."""
    return call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def _is_hair(node: ast.AST) -> bool:
    """A number so small that it only allows for rounding."""
    return isinstance(node, ast.Constant) and type(node.value) is float and 0 < node.value < 1e-5


def _loosely_held(node: ast.Compare) -> bool:
    """A limit with an allowance for rounding: whether the limit itself still counts, nobody can tell."""
    allowances = ("_ROUND", "_MORE", "TOLERANCE")
    return any(
        _is_hair(n) or (isinstance(n, ast.Name) and n.id.startswith(allowances))
        for n in ast.walk(node)
    )


def _alter(node: ast.AST) -> Iterator[tuple[str, object]]:
    """Alters a node in place, once for each operator that fits, with the way to undo it."""

    def put(name: str, value: object, words: str):  # type: ignore[no-untyped-def]
        old = getattr(node, name)
        setattr(node, name, value)
        return words, lambda: setattr(node, name, old)

    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        op = type(node.ops[0])
        for table in (_COMPARED, _REVERSED):
            if op in table and not (table is _COMPARED and op in _REVERSED and _loosely_held(node)):
                yield put("ops", [table[op]()], f"{op.__name__} becomes {table[op].__name__}")
    elif isinstance(node, ast.BinOp) and isinstance(node.right, ast.Set):
        yield put(
            "right", ast.parse("set()", mode="eval").body, "a set that is added or taken away"
        )
    elif isinstance(node, ast.BinOp) and type(node.op) in _COUNTED:
        if not any(_is_text(x) or _is_hair(x) for x in (node.left, node.right)):
            new = _COUNTED[type(node.op)]
            yield put("op", new(), f"{type(node.op).__name__} becomes {new.__name__}")
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.USub, ast.Not)):
        if isinstance(node.op, ast.USub):
            yield put("op", ast.UAdd(), "minus becomes plus")
    elif isinstance(node, ast.keyword):
        if node.arg == "act" and _is_text(node.value) and node.value.value != "look":
            yield put("value", ast.Constant("look"), "everybody may")
        elif node.arg == "parts" and isinstance(node.value, ast.Constant):
            yield put("value", ast.Constant(not node.value.value), "answered by parts or not")
    elif isinstance(node, ast.Call):
        if _words_of(node) == "Rule" and all(k.arg != "parts" for k in node.keywords):
            told = [*node.keywords, ast.keyword("parts", ast.Constant(True))]
            yield put("keywords", told, "answered by parts or not")
        name = _words_of(node)
        if name in _SWAPPED:
            field = "id" if isinstance(node.func, ast.Name) else "attr"
            func = node.func
            setattr(func, field, _SWAPPED[name])
            yield f"{name} becomes {_SWAPPED[name]}", lambda: setattr(func, field, name)
    elif isinstance(node, ast.If):
        for answer in (True, False):
            yield put("test", ast.Constant(answer), f"condition always {answer}")
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        value = node.value
        # a rounding allowance is no number that reaches stone
        if _is_hair(node):
            return
        new = value * 2 if value else 1
        yield put("value", new, f"{value!r} becomes {new!r}")
