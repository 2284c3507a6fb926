"""The pages about Python are run as they stand, and what they promise of every result holds."""

from __future__ import annotations

import dataclasses
import doctest
import json
import pickle
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

import facademap as fm
from facademap.errors import FacademapError, InputError
from facademap.library import deciding, one_photo, results, survey, work

DOCS = Path(__file__).parents[2] / "docs"
FENCE = re.compile(r"```pycon\n(.*?)```", re.DOTALL)


#: What a task told and its result does not hold.
LOST: set[tuple[str, str]] = set()


def watched(cls: type, values: Mapping[str, object], **more: object) -> object:
    """A result, and a note of everything that a task told and the result does not hold."""
    fields = {f.name for f in dataclasses.fields(cls)}
    if "report" not in more:  # a report is held whole
        LOST.update((cls.__name__, n) for n in values if n not in fields)
    return results.told(cls, values, **more)  # type: ignore[type-var]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """What stands after the page has been run, which must have answered as it says."""
    import matplotlib

    matplotlib.use("Agg")
    folder = tmp_path_factory.mktemp("page")
    text = "\n".join(FENCE.findall((DOCS / "library.md").read_text("utf-8")))
    test = doctest.DocTestParser().get_doctest(text, {}, "library.md", "library.md", 0)
    told: list[str] = []
    runner = doctest.DocTestRunner(
        optionflags=doctest.ELLIPSIS | doctest.IGNORE_EXCEPTION_DETAIL, verbose=False
    )
    with pytest.MonkeyPatch.context() as patch:
        for module in (survey, deciding, work, one_photo):
            patch.setattr(module, "told", watched)
        patch.chdir(folder)
        failed, asked = runner.run(test, out=told.append, clear_globs=False)
    assert failed == 0, "".join(told)[-4000:]
    assert asked > 40
    return test.globs


RESULTS = (
    "east",
    "control",
    "brought",
    "conditions",
    "planned",
    "looks",
    "matched",
    "why",
    "papers",
    "audit",
    "programme",
)


def test_the_examples_answer_as_they_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = "\n".join(FENCE.findall((DOCS / "gallery.md").read_text("utf-8")))
    test = doctest.DocTestParser().get_doctest(text, {}, "gallery.md", "gallery.md", 0)
    told: list[str] = []
    failed, asked = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS, verbose=False).run(
        test, out=told.append
    )
    assert failed == 0, "".join(told)[-4000:]
    assert asked > 40


def test_results_hold_all_that_the_tasks_tell(page: dict[str, object]) -> None:
    assert page["planned"]
    assert set() == LOST


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_shows_itself(page: dict[str, object], name: str) -> None:
    """One line, a card that escapes what it is given, plain values, and a table of its own."""
    result: Any = page[name]
    assert len(repr(result)) < 1500
    assert "\n" not in repr(result)
    card = result._repr_html_()
    assert card.startswith(f"<div><b>{type(result).__name__}</b>")
    assert "<img" in card or "geometry" not in result.to_frame()
    json.dumps(result.as_json())
    frame = result.to_frame()
    frame["own"] = 1
    assert "own" not in result.to_frame()
    assert result == dataclasses.replace(result)
    assert pickle.loads(pickle.dumps(result)) == result


def test_a_map_of_a_result_asks_for_nothing_and_lies_in_metres(page: dict[str, object]) -> None:
    planned: Any = page["planned"]
    text = planned.explore().get_root().render()
    assert not re.search(r"""<(script|link|img|iframe)[^>]*(src|href)=["'](https?:)?//""", text)
    assert "L.CRS.Simple" in text
    u0, v0, *_ = planned.to_frame().total_bounds
    assert f"[{v0}, {u0}]" in text
    assert "data:image/jpeg;base64," in text


def test_rows_without_a_place_are_not_drawn(page: dict[str, object]) -> None:
    audit: Any = page["audit"]
    with pytest.raises(InputError, match="no place on the wall"):
        audit.plot()
    with pytest.raises(InputError, match="no place on the wall"):
        audit.explore()


def test_what_a_project_says_of_itself_is_escaped(tmp_path: Path) -> None:
    made = fm.new(tmp_path / "one", name="<script>alert(1)</script>")
    assert "<script>" not in made._repr_html_()
    assert made == fm.open(tmp_path / "one")
    with pytest.raises(InputError, match="a name or a description"):
        fm.new(tmp_path / "two")
    with pytest.raises(FacademapError):
        fm.open(tmp_path / "none")


def test_the_front_door_offers_what_it_says_and_loads_nothing() -> None:
    for name in fm.__all__:
        assert getattr(fm, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'opne'"):
        _ = fm.opne
    told = subprocess.run(
        [sys.executable, "-c", "import facademap, sys; print('numpy' in sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stdout.strip() == "False"
