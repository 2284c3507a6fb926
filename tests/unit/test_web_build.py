"""The built pages: there, newer than their sources, free of outside addresses, with their licences."""

from __future__ import annotations

import importlib.util
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def hook() -> Any:
    spec = importlib.util.spec_from_file_location(
        "build_hook", ROOT / "facademap" / "web" / "build_hook.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["build_hook"] = module
    spec.loader.exec_module(module)
    return module


def made(root: Path, hook: Any, *, source_s: float, result_s: float) -> Path:
    source = root / hook.SOURCES / "src" / "main.js"
    source.parent.mkdir(parents=True)
    source.write_text("x")
    os.utime(source, (source_s, source_s))
    for name in hook.RESULTS:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("x")
        os.utime(root / name, (result_s, result_s))
    return root


def test_pages_are_built_again_only_when_a_source_is_newer(hook: Any, tmp_path: Path) -> None:
    assert hook.is_current(made(tmp_path / "new", hook, source_s=1000, result_s=2000))
    assert not hook.is_current(made(tmp_path / "old", hook, source_s=2000, result_s=1000))
    halfway = made(tmp_path / "half", hook, source_s=1000, result_s=2000)
    (halfway / hook.RESULTS[0]).unlink()
    assert not hook.is_current(halfway)


def test_packages_lying_in_the_checkout_do_not_count_as_sources(hook: Any, tmp_path: Path) -> None:
    root = made(tmp_path, hook, source_s=1000, result_s=2000)
    stray = root / hook.SOURCES / "node_modules" / "x" / "index.js"
    stray.parent.mkdir(parents=True)
    stray.write_text("newer")
    assert hook.is_current(root)


def test_built_pages_name_their_licences_and_load_nothing_from_outside(hook: Any) -> None:
    for name in hook.RESULTS:
        assert (ROOT / name).is_file(), "install facademap, which builds the pages"
    desk = (ROOT / "facademap/web/static/built/licences.txt").read_text(encoding="utf-8")
    for package in ("ol", "preact", "polygon-clipping", "@fontsource/atkinson-hyperlegible"):
        assert re.search(rf"^{re.escape(package)} \d", desk, re.MULTILINE)
    assert "leaflet 1." in (ROOT / "facademap/report/built/licences.txt").read_text(
        encoding="utf-8"
    )
    for style in ("facademap/web/static/built/desk.css", "facademap/report/built/leaflet.css"):
        assert not re.findall(
            r"url\(\s*[\"']?(?:https?:)?//", (ROOT / style).read_text(encoding="utf-8")
        )


def test_the_lock_file_holds_no_addresses_of_packages() -> None:
    lock = (ROOT / "facademap/web/frontend/package-lock.json").read_text(encoding="utf-8")
    assert '"resolved"' not in lock
