"""A gate over numbers: small wrong changes, each of which some test must notice.

    python tests/mutation/run.py --named             the mutants that people found, all must be killed
    python tests/mutation/run.py --room repair       every mutant of the places listed for a room
    python tests/mutation/run.py --changed main      of the listed modules, those that differ from a commit
    python tests/mutation/run.py --room repair --most 40   a fixed sample

Each mutant runs the tests listed for its place in a process of its own, forked from one that has loaded the heavy libraries;
only that process sees the change. It is killed when a test fails or does not end in time. Exit status 1 below 90 %.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.abc
import importlib.machinery
import os
import random
import signal
import subprocess
import sys
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path

from operators import mutants_of

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
#: Share of the mutants that the tests must notice.
LEAST_KILLED = 0.9
#: A mutant that runs this much longer than its tests do without it has hung.
PATIENCE, LEAST_WAIT_S = 4.0, 20.0
_LOADED = ("numpy", "pandas", "shapely", "geopandas", "pytest", "hypothesis", "cv2", "ezdxf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One mutant: the file with its altered source, what was altered, and the tests that must notice."""

    file: str
    where: str
    source: str
    tests: tuple[str, ...]
    reason: str = ""


def named_cases() -> list[Case]:
    """The mutants of ``named.toml``."""
    found = []
    for row in tomllib.loads((HERE / "named.toml").read_text("utf-8"))["mutant"]:
        source = (ROOT / row["file"]).read_text("utf-8")
        if source.count(row["was"]) != 1:
            raise SystemExit(
                f"{row['name']}: {row['file']} holds its place {source.count(row['was'])} times"
            )
        found.append(
            Case(
                file=row["file"],
                where=row["name"],
                source=source.replace(row["was"], row["becomes"]),
                tests=tuple(row["tests"]),
            )
        )
    return found


def listed_cases(room: str | None, changed: set[str] | None) -> list[Case]:
    """The mutants of the places in ``places.toml``, those of one room or of changed modules."""
    content = tomllib.loads((HERE / "places.toml").read_text("utf-8"))
    kept = {(s["file"], s["line"], s["words"]): s["reason"] for s in content.get("survivor", [])}
    found = []
    for row in content["place"]:
        if (room and row["room"] != room) or (changed is not None and row["file"] not in changed):
            continue
        source = (ROOT / row["file"]).read_text("utf-8")
        lines = source.splitlines()
        for m in mutants_of(source, functions=frozenset(row.get("functions", ()))):
            line = lines[m.line - 1].strip()
            found.append(
                Case(
                    file=row["file"],
                    where=f"{row['file']}:{m.line} {m.words}: {line}",
                    source=m.source,
                    tests=tuple(row["tests"]),
                    reason=kept.get((row["file"], line, m.words), ""),
                )
            )
    return found


class _Altered(importlib.abc.MetaPathFinder):
    """Gives one module its altered source."""

    def __init__(self, file: str, source: str) -> None:
        self.path, self.source = ROOT / file, source
        self.name = file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")

    def find_spec(self, fullname, path=None, target=None):  # type: ignore[no-untyped-def]
        if fullname != self.name:
            return None
        source = self.source

        class Loader(importlib.machinery.SourceFileLoader):
            def get_code(self, fullname):  # type: ignore[no-untyped-def]
                return compile(source, self.path, "exec")

        loader = Loader(fullname, str(self.path))
        return importlib.machinery.ModuleSpec(fullname, loader, origin=str(self.path))


def noticed(case: Case | None, tests: tuple[str, ...], *, wait_s: float) -> bool:
    """Whether tests fail, or hang, in a process that sees the change."""
    child = os.fork()
    if child == 0:
        os.setsid()
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        if case is not None:
            finder = _Altered(case.file, case.source)
            sys.meta_path.insert(0, finder)
        import pytest

        code = 1
        try:
            code = pytest.main(["-x", "-q", "-p", "no:cacheprovider", *tests])
        finally:
            os._exit(int(code) if int(code) in (0, 1) else 1 if int(code) == 2 else 2)
    end = time.monotonic() + wait_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) != 0
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def main() -> int:
    """Run the gate; the exit status says whether it holds."""
    ask = argparse.ArgumentParser(description="Mutation gate over the numbers that reach stone.")
    ask.add_argument("--named", action="store_true", help="the mutants that people found")
    ask.add_argument("--room", help="one room of places.toml")
    ask.add_argument("--changed", metavar="COMMIT", help="only modules that differ from a commit")
    ask.add_argument("--most", type=int, help="a fixed sample of so many")
    ask.add_argument("--only", metavar="WORDS", help="those whose name or place holds these words")
    asked = ask.parse_args()
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    for name in _LOADED:
        importlib.import_module(name)
    changed = None
    if asked.changed:
        listing = subprocess.run(
            ["git", "diff", "--name-only", asked.changed],
            capture_output=True,
            text=True,
            check=True,
        )
        changed = set(listing.stdout.split())
    cases = named_cases() if asked.named else listed_cases(asked.room, changed)
    cases = [c for c in cases if not asked.only or asked.only in c.where]
    if asked.most and len(cases) > asked.most:
        cases = random.Random(19).sample(cases, asked.most)
    if not cases:
        print("nothing that is listed has changed")
        return 0
    all_tests = tuple(sorted({t for c in cases for t in c.tests}))
    start = time.monotonic()
    if noticed(None, all_tests, wait_s=900.0):
        raise SystemExit(f"without any change these fail: {' '.join(all_tests)}")
    wait_s = max(LEAST_WAIT_S, PATIENCE * (time.monotonic() - start))
    survivors, excused = [], []
    for case in cases:
        if not noticed(case, case.tests, wait_s=wait_s):
            (excused if case.reason else survivors).append(case)
            print(
                "survives" + (f" ({case.reason})" if case.reason else "") + f": {case.where}",
                flush=True,
            )
    counted = len(cases) - len(excused)
    killed = counted - len(survivors)
    print(f"{killed} of {counted} killed; {len(excused)} survive with a reason")
    least = 1.0 if asked.named else LEAST_KILLED
    return 0 if killed >= least * counted else 1


if __name__ == "__main__":
    raise SystemExit(main())
