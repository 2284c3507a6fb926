"""Solve a matching problem that is given as a file of numbers."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from importlib import metadata
from pathlib import Path

from facademap.errors import FileError, InputError
from facademap.io.match_files import read_problem, read_solution, write_solution
from facademap.io.whole_files import make_folder, write_whole
from facademap.match import Problem, Progress, Solution, kernels, premises_of, solve, solve_again
from facademap.match.solver import is_small, load_compiled_code

__all__ = [
    "cache_folder",
    "compile_ahead",
    "compiled_in_time",
    "keep_compiled_code",
    "make_ready",
    "solve_file",
]

#: Share of a time limit that is spent waiting for the compiler before the plain code makes a plan.
_WAIT_SHARE = 0.55


def cache_folder() -> Path:
    """Where this user's machine keeps what can be made again."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "facademap"


def keep_compiled_code() -> None:
    """Let numba keep compiled code in the user's cache folder, unless another is already named.

    Has no effect once numba is loaded. Where the folder may not be written, numba compiles once a process.
    """
    if "NUMBA_CACHE_DIR" in os.environ or "numba" in sys.modules:
        return
    folder = cache_folder() / "compiled"
    try:
        make_folder(folder)
    except (OSError, RuntimeError):
        return
    if os.access(folder, os.W_OK):
        os.environ["NUMBA_CACHE_DIR"] = str(folder)


def _marker() -> Path | None:
    """A file that says that the code as it stands is compiled; None where none can be kept."""
    if "NUMBA_CACHE_DIR" not in os.environ:
        return None
    source = Path(kernels.__file__).parent
    state = [(f.name, f.stat().st_mtime_ns) for f in sorted(source.glob("*.py"))]
    name = repr(
        (str(source), state, kernels.digest_of_kernels(), metadata.version("numba"), sys.version)
    )
    return (
        Path(os.environ["NUMBA_CACHE_DIR"])
        / f"ready-{hashlib.sha256(name.encode()).hexdigest()[:16]}"
    )


def compile_ahead() -> None:
    """Compile the matching code and keep it, so that later runs start at once."""
    keep_compiled_code()
    load_compiled_code()
    marker = _marker()
    if marker is not None:
        write_whole(marker, b"", durable=False)


def make_ready(problem: Problem) -> None:
    """Have the compiled code ready where a problem needs it, before its time counts.

    On the first day on a machine this takes longer than a plan; it is no part of the search.
    """
    if not is_small(problem):
        compile_ahead()


def compiled_in_time(time_limit_s: float | None) -> bool | None:
    """Whether a run with this limit should use compiled code; None lets the solver choose.

    Where the code is not compiled yet, another process starts to compile it and goes on even when this
    run does not wait for it; a short run then makes its plan with the plain code.
    """
    keep_compiled_code()
    marker = _marker()
    if time_limit_s is None or time_limit_s <= 0 or marker is None or marker.exists():
        return None
    call = "from facademap.tasks.match.solve import compile_ahead; compile_ahead()"
    process = subprocess.Popen(
        [sys.executable, "-c", call],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        process.wait(timeout=_WAIT_SHARE * time_limit_s)
    except subprocess.TimeoutExpired:
        return False
    return None if process.returncode == 0 else False


def solve_file(
    problem_path: Path | str,
    out_path: Path | str,
    *,
    time_limit_s: float | None = None,
    work_limit: int | None = None,
    seed: int = 0,
    threads: int | None = None,
    earlier_path: Path | str | None = None,
    earlier_problem_path: Path | str | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> Solution:
    """Read a problem, solve it, and write the solution, whole or not at all.

    With ``earlier_path``, the solution of an earlier problem, only what has changed since is solved again; with
    ``earlier_problem_path``, that problem, what was proved then is used where it still holds.

    Raises
    ------
    InputError, FileError, SolveError
        Bad input, an unwritable place, or no plan that may be shown; nothing is written then.
    """
    out = Path(out_path)
    if not out.parent.is_dir():
        raise FileError(
            f"the folder {out.parent} does not exist", "Make it, or choose another place for --out."
        )
    if out.is_dir():
        raise FileError(f"{out} is a folder", "Name a file for --out.")
    if out.exists() and Path(problem_path).exists() and out.samefile(problem_path):
        raise InputError(f"{out} is the problem itself", "Choose another file for --out.")
    if earlier_path is None and earlier_problem_path is not None:
        raise InputError(
            "an earlier problem without its solution", "Give the solution with --again too."
        )
    problem = read_problem(problem_path)
    keep_compiled_code()
    began = time.monotonic()
    if earlier_path is not None:
        earlier = read_solution(earlier_path)
        premises = (
            None
            if earlier_problem_path is None
            else premises_of(read_problem(earlier_problem_path))
        )
        solution = solve_again(
            problem,
            earlier,
            premises=premises,
            time_limit_s=time_limit_s,
            work_limit=work_limit,
            seed=seed,
            progress=progress,
        )
        write_solution(solution, out)
        return solution
    use = None if is_small(problem) else compiled_in_time(time_limit_s)
    left_s = time_limit_s
    if time_limit_s is not None and time_limit_s > 0:
        left_s = max(0.1 * time_limit_s, time_limit_s - (time.monotonic() - began))
    solution = solve(
        problem,
        time_limit_s=left_s,
        work_limit=work_limit,
        seed=seed,
        threads=threads,
        progress=progress,
        compiled=use,
    )
    solution = dataclasses.replace(solution, seconds=time.monotonic() - began)
    write_solution(solution, out)
    return solution
