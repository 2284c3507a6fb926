"""Solve a matching problem that is given as a file of numbers."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from facademap.errors import FileError, InputError
from facademap.io.match_files import read_problem, write_solution
from facademap.match import Progress, Solution, solve

__all__ = ["cache_folder", "keep_compiled_code", "solve_file"]


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
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return
    if os.access(folder, os.W_OK):
        os.environ["NUMBA_CACHE_DIR"] = str(folder)


def solve_file(
    problem_path: Path | str,
    out_path: Path | str,
    *,
    time_limit_s: float | None = None,
    work_limit: int | None = None,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
) -> Solution:
    """Read a problem, solve it, and write the solution, whole or not at all.

    Raises
    ------
    InputError, FileError, SolveError
        Bad input, an unwritable place, or no plan that may be shown; nothing is written then.
    """
    out = Path(out_path)
    if not out.parent.is_dir():
        raise FileError(f"the folder {out.parent} does not exist", "Make it, or choose another place for --out.")
    if out.is_dir():
        raise FileError(f"{out} is a folder", "Name a file for --out.")
    if out.exists() and Path(problem_path).exists() and out.samefile(problem_path):
        raise InputError(f"{out} is the problem itself", "Choose another file for --out.")
    problem = read_problem(problem_path)
    keep_compiled_code()
    solution = solve(problem, time_limit_s=time_limit_s, work_limit=work_limit, seed=seed, progress=progress)
    write_solution(solution, out)
    return solution
