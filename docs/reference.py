"""Write a page for every room that the public may use: what it holds, where a change belongs, every function and value: ``python -m docs.reference``."""

from __future__ import annotations

import ast
import importlib
import inspect
from collections.abc import Iterator
from pathlib import Path

import facademap
from facademap.io.whole_files import make_folder, write_whole

FOLDER = Path(__file__).parent / "reference"
#: Rooms in the order in which they may use one another, the lowest first.
ROOMS = (
    "tables", "wall", "photo", "relief", "salvage", "condition", "repair", "treatment", "match",
    "io", "store", "report", "training", "library",
)  # fmt: skip


def modules_of(room: str) -> Iterator[tuple[str, str]]:
    """Name and first sentence of every module of a room."""
    for path in sorted((Path(facademap.__file__).parent / room).rglob("*.py")):
        words = ast.get_docstring(ast.parse(path.read_text("utf-8")))
        if words and path.name != "__init__.py":
            yield path.relative_to(path.parents[1]).as_posix(), words.splitlines()[0]


def page_of(room: str) -> str:
    """The page of a room."""
    package = importlib.import_module(f"facademap.{room}")
    parts = [f"# facademap.{room}", inspect.getdoc(package) or "", "## What it offers"]
    for name in package.__all__:
        value = getattr(package, name)
        home = getattr(value, "__module__", package.__name__)
        if inspect.isclass(value):
            lines = [f".. autoclass:: {home}.{name}", "   :members:"]
        elif inspect.isfunction(value):
            lines = [f".. autofunction:: {home}.{name}"]
        else:
            continue
        parts.append("\n".join(["```{eval-rst}", *lines, "```"]))
    parts += ["## Where a change belongs", "| Module | What lives there |\n|---|---|\n" + "\n".join(f"| `{m}` | {words} |" for m, words in modules_of(room))]  # fmt: skip
    return "\n\n".join(filter(None, parts)) + "\n"


def main() -> None:
    """Write all pages and the list of them."""
    make_folder(FOLDER)
    for room in ROOMS:
        write_whole(FOLDER / f"{room}.md", page_of(room).encode())
    listed = "\n".join(ROOMS)
    index = (
        "# Rooms and their functions\n\nEach room with what it offers, and where a change belongs. Lengths are metres, and every name says its"
        f" unit. Rooms stand from the lowest to the highest; what is lower knows nothing of what is higher.\n\n```{{toctree}}\n:maxdepth: 1\n\n{listed}\n```\n"
    )
    write_whole(FOLDER / "index.md", index.encode())


if __name__ == "__main__":
    main()
