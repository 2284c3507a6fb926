"""Control in world coordinates alone: the outside is asked for, never guessed from the order of rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.tasks.survey.add_control import add_control

ROWS = [("A", 0.0, 0.0), ("B", 8.0, 0.1), ("C", 8.0, 6.0), ("D", 0.1, 6.0), ("E", 4.0, 3.0)]


def written(folder: Path, order: list[int]) -> Path:
    path = folder / "points.csv"
    lines = [f"{n},control,{1000 + u},2000,{50 + v}" for n, u, v in (ROWS[i] for i in order)]
    path.write_text("name,role,east_m,north_m,height_m\n" + "\n".join(lines), encoding="utf-8")
    return path


def test_points_in_the_world_alone_ask_for_the_outside(tmp_path: Path) -> None:
    create_project(tmp_path / "p", ProjectPlan.of_one_wall("wall"))
    with pytest.raises(InputError, match="which side of the wall is outside") as refused:
        add_control(tmp_path / "p", written(tmp_path, [0, 1, 2, 3, 4]), epsg=25832)
    assert "--outside E,N,H" in refused.value.remedy
    with Project.open(tmp_path / "p", read_only=True) as project:
        assert len(project.read("control_points")) == 0


@pytest.mark.parametrize("seed", range(4))
def test_the_order_of_rows_does_not_mirror_the_wall(tmp_path: Path, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(5).tolist()
    create_project(tmp_path / "p", ProjectPlan.of_one_wall("wall"))
    add_control(
        tmp_path / "p", written(tmp_path, order), epsg=25832, outside_enh=(1004.0, 1980.0, 51.0)
    )
    with Project.open(tmp_path / "p", read_only=True) as project:
        placed = project.read("control_points").set_index("name")
    # seen from the south, east is to the right
    assert placed.loc["B", "u_m"] - placed.loc["A", "u_m"] == pytest.approx(8.0, abs=0.02)


@pytest.mark.parametrize(
    ("epsg", "problem"),
    [
        (99999, "no known coordinate system"),
        (4326, "not a projected"),
        (2263, "counts in US survey foot"),
    ],
)
def test_a_code_that_is_no_plan_in_metres_is_refused(
    tmp_path: Path, epsg: int, problem: str
) -> None:
    create_project(tmp_path / "p", ProjectPlan.of_one_wall("wall"))
    path = written(tmp_path, [0, 1, 2, 3, 4])
    with pytest.raises(InputError, match=problem):
        add_control(tmp_path / "p", path, epsg=epsg, outside_enh=(1004.0, 1980.0, 51.0))
    with Project.open(tmp_path / "p", read_only=True) as project:
        assert len(project.read("control_points")) == 0


def test_degrees_are_no_metres(tmp_path: Path) -> None:
    """A wall of eight metres spans a ten-thousandth of a degree."""
    create_project(tmp_path / "p", ProjectPlan.of_one_wall("wall"))
    path = tmp_path / "points.csv"
    lines = [f"{n},{12.5683 + u / 62_000},{55.6761 + u / 2e5},{10 + v}" for n, u, v in ROWS]
    path.write_text("name,east_m,north_m,height_m\n" + "\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match="degrees"):
        add_control(tmp_path / "p", path, epsg=25832, outside_enh=(12.5, 55.6, 10.0))


def test_points_are_called_what_the_surveyor_calls_them(tmp_path: Path) -> None:
    names = ("Tür oben", "Tur-oben", "5/a", "T4")
    folder = tmp_path / "wall"
    create_project(folder, ProjectPlan.of_one_wall("wall"))
    places = [(0, 0), (4, 0), (4, 3), (0, 3)]
    text = "\n".join(f"{n},control,{u},{v}" for n, (u, v) in zip(names, places, strict=True))
    (tmp_path / "p.csv").write_text(f"name,role,u_m,v_m\n{text}\n", encoding="utf-8")
    for _ in range(2):  # a list that is read again corrects its points
        add_control(folder, tmp_path / "p.csv")
    with Project.open(folder, read_only=True) as project:
        surface = project.read("surfaces")["id"].iloc[0]
        points = project.read("control_points").set_index("name")
    assert set(points.index) == set(names)
    assert points.at["Tur-oben", "id"] == f"{surface}:Tur-oben"
    assert points["id"].is_unique
    assert tuple(points.loc["5/a", ["u_m", "v_m"]]) == (4.0, 3.0)
