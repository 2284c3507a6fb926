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
import gc
import importlib
import importlib.abc
import importlib.machinery
import json
import os
import random
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

import pytest
from operators import mutants_of

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
#: Share of the mutants that the tests must notice.
LEAST_KILLED = 0.9
#: A mutant that runs this much longer than its tests do without it has hung.
PATIENCE, LEAST_WAIT_S = 4.0, 20.0
_LOADED = (
    *("numpy", "pandas", "shapely", "geopandas", "cv2", "ezdxf", "numba", "pyproj", "PIL.Image"),
    *("scipy.stats", "scipy.optimize", "scipy.sparse.csgraph", "scipy.spatial.transform"),
    *("pytest", "hypothesis", "starlette.routing"),
)
_QUIETLY = ("-q", "-p", "no:cacheprovider", "-p", "no:unraisableexception")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One mutant: the file with its altered source, what was altered, and the tests that must notice."""

    file: str
    where: str
    source: str
    tests: tuple[str, ...]
    reason: str = ""
    line: int = 0


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
                    line=m.line,
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


class _Trial:
    """Tests that run in a process of their own, which sees the change."""

    def __init__(self, case: Case | None, tests: tuple[str, ...], *, wait_s: float) -> None:
        self.case, self._end = case, time.monotonic() + wait_s
        self._child = os.fork()
        if self._child == 0:
            _try(case, tests)

    def noticed(self) -> bool | None:
        """Whether tests failed or hung; None while they run."""
        done, status = os.waitpid(self._child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) != 0
        if time.monotonic() < self._end:
            return None
        os.killpg(self._child, signal.SIGKILL)
        os.waitpid(self._child, 0)
        return True


def _try(case: Case | None, tests: tuple[str, ...]) -> NoReturn:
    os.setsid()
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    if case is not None:
        sys.meta_path.insert(0, _Altered(case.file, case.source))
    code = 1
    try:
        code = pytest.main(["-x", *_QUIETLY, *tests])
    finally:
        os._exit(int(code) if int(code) in (0, 1) else 1 if int(code) == 2 else 2)


class _Steps:
    """A plugin of pytest that writes down which tests come to which lines of a file."""

    def __init__(self, file: str) -> None:
        self.file, self.found = str(ROOT / file), {}
        self._lines: set[int] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):  # type: ignore[no-untyped-def]
        self._lines = self.found.setdefault(item.nodeid, set())
        sys.settrace(self._enter)
        try:
            return (yield)
        finally:
            sys.settrace(None)

    def _enter(self, frame, event, argument):  # type: ignore[no-untyped-def]
        if frame.f_code.co_filename != self.file:
            return None
        return self._step

    def _step(self, frame, event, argument):  # type: ignore[no-untyped-def]
        self._lines.add(frame.f_lineno)
        return self._step


def steps_of(file: str, tests: tuple[str, ...]) -> dict[str, set[int]]:
    """Lines of a file that each test comes to; asked in a process of its own."""
    reader, writer = os.pipe()
    if (child := os.fork()) == 0:
        os.close(reader)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        steps = _Steps(file)
        try:
            pytest.main([*_QUIETLY, *tests], plugins=[steps])
            with os.fdopen(writer, "w") as told:
                json.dump({name: sorted(lines) for name, lines in steps.found.items()}, told)
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as told:
        answer = told.read()
    os.waitpid(child, 0)
    return {name: set(lines) for name, lines in json.loads(answer or "{}").items()}


def nearest_tests(cases: Iterable[Case]) -> Iterator[Case]:
    """The same mutants, each with the tests that come to its line; with all of its place where none does."""
    known: dict[tuple[str, tuple[str, ...]], dict[str, set[int]]] = {}
    for case in cases:
        key = case.file, case.tests
        if case.line and key not in known:
            known[key] = steps_of(*key)
        near = tuple(t for t, lines in known.get(key, {}).items() if case.line in lines)
        yield replace(case, tests=near or case.tests)


def judged(cases: Iterable[Case], *, wait_s: float, at_once: int) -> Iterator[tuple[Case, bool]]:
    """Every mutant with whether tests notice it, a few at once.

    The tests that come to its line are asked first, and all of its place before it is said to survive: what a test
    left behind for others (a fixture of the module) is not seen by its steps.
    """
    cases = list(cases)
    nearest = list(nearest_tests(cases))
    whole = {id(n): c for n, c in zip(nearest, cases, strict=True) if n.tests != c.tests}
    waiting, running = nearest[::-1], []
    while waiting or running:
        while waiting and len(running) < at_once:
            case = waiting.pop()
            running.append(_Trial(case, case.tests, wait_s=wait_s))
        for trial in tuple(running):
            answer = trial.noticed()
            if answer is None:
                continue
            running.remove(trial)
            if answer is False and id(trial.case) in whole:
                waiting.append(whole[id(trial.case)])
            else:
                yield trial.case, answer
        time.sleep(0.01)


def fails_without_change(tests: tuple[str, ...]) -> bool:
    """Whether tests fail as the source stands."""
    trial = _Trial(None, tests, wait_s=900.0)
    while (answer := trial.noticed()) is None:
        time.sleep(0.02)
    return answer


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
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    gc.freeze()  # what is loaded by now is looked through by no child
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
    if fails_without_change(all_tests):
        raise SystemExit(f"without any change these fail: {' '.join(all_tests)}")
    wait_s = max(LEAST_WAIT_S, PATIENCE * (time.monotonic() - start))
    survivors, excused = [], []
    for case, answer in judged(cases, wait_s=wait_s, at_once=os.cpu_count() or 1):
        if not answer:
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
