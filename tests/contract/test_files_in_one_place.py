"""Nobody but the one module writes, moves or removes files."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import facademap

ROOT = Path(facademap.__file__).parent
#: Calls by the name after the dot that change what is on the disk.
_METHODS = frozenset(
    [
        "mkdir",
        "makedirs",
        "rmdir",
        "removedirs",
        "unlink",
        "remove",
        "rmtree",
        "rename",
        "renames",
        "symlink_to",
        "hardlink_to",
        "link",
        "symlink",
        "touch",
        "write_bytes",
        "write_text",
        "chmod",
        "umask",
        "mkstemp",
        "mkdtemp",
        "copyfile",
        "copytree",
        "copy2",
        "copyfileobj",
        "move",
        "truncate",
        "ftruncate",
        "NamedTemporaryFile",
        "TemporaryDirectory",
        "TemporaryFile",
        "SpooledTemporaryFile",
        "imwrite",
        "imwritemulti",
        "savefig",
        "tofile",
        "to_csv",
        "to_excel",
        "to_file",
        "to_parquet",
    ]
)
#: The same words said of lists, sets, frames and the like; each line was looked at.
_NOT_FILES = {
    "remove",
    "copy2",
    "move",
    "link",
    "truncate",
    "rename",
}
#: Modules with a reason to be left out.
_ALONE = {
    "io/whole_files.py": "is the one module",
    "web/build_hook.py": "runs before facademap is there, when the package is built",
}
#: Calls that write within a temporary folder or into memory.
_ALLOWED = {
    ("cli/main.py", "os.open"): "the null device, over standard output",
    ("web/apart_process.py", "os.open"): "the null device, over the pipes it was started with",
    ("tasks/issue/papers_exchange.py", "write_dataframe"): "GDAL, in a temporary folder",
    ("tasks/issue/papers_exchange.py", "to_parquet"): "into memory",
    ("tasks/issue/papers_attached.py", "rasterio.open"): "GDAL, into the same temporary file",
}


def _name(call: ast.Call) -> str:
    function = call.func
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def _owner(call: ast.Call) -> str:
    function = call.func
    value = function.value if isinstance(function, ast.Attribute) else None
    return value.id if isinstance(value, ast.Name) else ""


def _opens_for_writing(call: ast.Call) -> bool:
    position = 0 if isinstance(call.func, ast.Attribute) and _owner(call) != "os" else 1
    mode = next((k.value for k in call.keywords if k.arg == "mode"), None)
    if mode is None and len(call.args) > position:
        mode = call.args[position]
    return (
        isinstance(mode, ast.Constant)
        and isinstance(mode.value, str)
        and bool(set(mode.value) & set("wax+"))
    )


def _writes(tree: ast.AST, source: str) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = {a.name for a in node.names} | {getattr(node, "module", "") or ""}
            for bad in names & {"shutil", "tempfile"}:
                yield node.lineno, f"import {bad}"
        if not isinstance(node, ast.Call):
            continue
        name = _name(node)
        if name == "open" and _opens_for_writing(node):
            yield node.lineno, "open for writing"
        elif name in ("replace", "open") and _owner(node) == "os":
            yield node.lineno, f"os.{name}"
        elif name == "replace" and len(node.args) == 1 and not node.keywords:
            yield node.lineno, "Path.replace"
        elif name == "write_dataframe" or (
            name in _METHODS and (name not in _NOT_FILES or _owner(node) in ("os", "shutil"))
        ):
            yield node.lineno, name


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_files_are_written_in_one_place(path: Path) -> None:
    where = path.relative_to(ROOT).as_posix()
    if where in _ALONE or "demo_facade" in path.parts or "node_modules" in path.parts:
        return
    source = path.read_text(encoding="utf-8")
    found = [
        f"{where}:{line} {what}"
        for line, what in _writes(ast.parse(source), source)
        if (where, what) not in _ALLOWED
    ]
    assert not found, "write through facademap.io.whole_files: " + "; ".join(found)


@pytest.mark.parametrize(
    "line",
    [
        "Path('x').write_text('y')",
        "open('x', 'w')",
        "Path('x').open(mode='ab')",
        "os.replace(a, b)",
        "a.replace(b)",
        "os.umask(0)",
        "import shutil",
        "from tempfile import mkstemp",
        "cv2.imwrite('x', y)",
        "os.open('x', os.O_CREAT)",
    ],
)
def test_every_way_is_seen(line: str) -> None:
    assert list(_writes(ast.parse(line), line))
