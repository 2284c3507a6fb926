"""The example of the documentation is found by its entry points and used; what a plug-in does wrong is told in a line."""

from __future__ import annotations

import sys
import tomllib
from importlib.metadata import EntryPoint
from pathlib import Path

import numpy as np
import pytest

from facademap.errors import InputError
from facademap.io import plug_ins, rule_files
from facademap.io.rule_files import load_profile, load_rules
from facademap.io.segmentation_model import GivenSegmenter
from facademap.io.survey_files import read_survey_points
from facademap.repair import mixes
from facademap.tasks.issue.papers import make_papers, paper_names
from facademap.tasks.plan.plan import choose_mix, plan_project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.tasks.survey.assist import outline_finder

EXAMPLE = Path(__file__).parents[2] / "docs" / "plug_in_example"


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The example as an installer leaves it: the module, and beside it what its pyproject says of entry points."""
    said = tomllib.loads((EXAMPLE / "pyproject.toml").read_text("utf-8"))["project"]
    about = tmp_path / "site" / "office_extras-1.0.dist-info"
    about.mkdir(parents=True)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: office-extras\nVersion: 1.0\n")
    lines = [
        line
        for group, points in said["entry-points"].items()
        for line in (f"[{group}]", *(f"{n} = {v}" for n, v in points.items()), "")
    ]
    (about / "entry_points.txt").write_text("\n".join(lines))
    (about.parent / "office_extras.py").write_text(
        (EXAMPLE / "office_extras.py").read_text("utf-8")
    )
    monkeypatch.syspath_prepend(str(about.parent))
    monkeypatch.setattr(mixes, "MIXES", dict(mixes.MIXES))
    rule_files.know_mixes.cache_clear()
    yield
    rule_files.know_mixes.cache_clear()
    sys.modules.pop("office_extras", None)


@pytest.mark.usefixtures("installed")
def test_rules_mixes_and_papers_of_another_package_are_used_by_name(tmp_path: Path) -> None:
    assert load_rules("careful").name == "careful office"
    load_profile("metric")
    assert mixes.mix_named("NHL 2 1:2 with brick dust").source == "trial batches of our office"
    assert paper_names()[-1] == "stone-count"
    folder = tmp_path / "wall"
    create_project(folder, ProjectPlan.of_one_wall("Granary"))
    assert plan_project(folder, rules_path="careful")["rules"] == "careful office"
    choose_mix(folder, "NHL 2 1:2 with brick dust")
    made = make_papers(folder, only=["stone-count"])
    assert made.made == ("stone-count",)
    assert (folder / "out" / made.files["stone-count"][0]).read_text().startswith("stone_type,")
    with pytest.raises(InputError, match="there is no paper stone-cuont"):
        make_papers(folder, only=["stone-cuont"])


@pytest.mark.usefixtures("installed")
def test_an_instruments_list_is_read_by_its_ending_and_checked(tmp_path: Path) -> None:
    path = tmp_path / "survey.PTS"
    path.write_text("# station 1\nT1 565000.0 5930000.0 12.5\nT2 565003.0 5930000.0 12.5\n")
    first, second = read_survey_points(path)
    assert (first.name, first.east_m, first.role) == ("T1", 565000.0, "control")
    assert second.height_m == 12.5
    path.write_text("T1 565000.0 5930000.0 12.5\nT1 565003.0 5930000.0 12.5\n")
    with pytest.raises(InputError, match=r"survey.PTS, point 2: point T1 was given before"):
        read_survey_points(path)
    path.write_text("T1 565000.0 x 12.5\n")
    with pytest.raises(InputError, match="north_m is 'x', not a number"):
        read_survey_points(path)
    path.write_text("T1 565000.0\n")
    with pytest.raises(InputError, match="the plug-in pts of office-extras failed"):
        read_survey_points(path)


@pytest.mark.usefixtures("installed")
def test_an_outline_is_found_by_the_model_of_another_package() -> None:
    rgb = np.full((300, 400, 3), 200, np.uint8)
    rgb[100:180, 120:260] = (90, 60, 40)
    ring = outline_finder(Path("same-tone"))(rgb, 190.0, 140.0)
    assert ring.min(axis=0) == pytest.approx([120, 100], abs=4)
    assert ring.max(axis=0) == pytest.approx([259, 179], abs=4)


def test_a_model_that_answers_nonsense_is_told() -> None:
    class Odd:
        side_px = 64

        def __call__(self, rgb: object, x_px: float, y_px: float) -> np.ndarray:
            return np.full((64, 64), 2.0)

    with pytest.raises(InputError, match="something else than probabilities"):
        GivenSegmenter(Odd(), "odd")(np.zeros((64, 64, 3), np.uint8), 1.0, 1.0)
    Odd.side_px = 63
    with pytest.raises(InputError, match="side of its views"):
        GivenSegmenter(Odd(), "odd")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": "NHL 2 1:2"}, "is there already"),
        ({"sand_parts": 0.0}, "not above 0"),
        ({"source": ""}, "where its figures come from"),
        ({"strength": None}, "states no strength"),
    ],
)
def test_a_mix_that_cannot_be_is_refused(
    change: dict[str, object], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import replace

    monkeypatch.setattr(mixes, "MIXES", dict(mixes.MIXES))
    known = mixes.MIXES["NHL 2 1:2.5"]
    given = {k: v for k, v in change.items() if k != "strength"}
    if "strength" in change:
        given |= {"strength_24_months_mpa": None, "binder": replace(known.binder, name="other")}
    with pytest.raises(InputError, match=words):
        mixes.add_mixes([replace(known, **{"name": "mine", **given})])
    mixes.add_mixes([replace(known, name="mine")])
    assert mixes.mix_named("mine").binder == known.binder


def test_what_is_not_there_or_not_loadable_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match="no plug-in of rule sets is called 'none'"):
        plug_ins.loaded("rule_sets", "none")
    broken = EntryPoint(name="b", value="no_such_module:x", group="facademap.papers")
    monkeypatch.setattr(plug_ins, "offered", lambda group: {"b": broken})
    with pytest.raises(InputError, match=r"the plug-in b of no_such_module:x failed"):
        plug_ins.loaded("papers", "b")
