"""Tape measures and the one table of control: its distances take part, its places on the wall give the frame."""

from __future__ import annotations

import csv
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from facademap.errors import InputError
from facademap.tasks.survey.rectify_surface import place_points_by_tape

WALL = {
    "A": (2.0, 1.0),
    "B": (6.0, 1.2),
    "C": (6.2, 4.0),
    "D": (2.1, 3.8),
    "E": (5.0, 1.0),
    "F": (2.0, 3.0),
}


def taped(path: Path) -> Path:
    lines = [
        f"distance,{a},{b},{np.hypot(*np.subtract(WALL[a], WALL[b])):.4f},2"
        for a, b in combinations(WALL, 2)
    ]
    path.write_text(
        "kind,start,end,length_m,sigma_mm\n" + "\n".join(lines) + "\nlevel,A,E,,2\nplumb,A,F,,2\n"
    )
    return path


@pytest.mark.parametrize(
    ("head", "rows"),
    [
        ("u_m,v_m", ["A,2.0,1.0", "C,6.2,4.0"]),
        ("u_m,v_m,e_m,n_m,h_m", ["A,2.0,1.0,101.6,51.2,1.0", "C,6.2,4.0,104.96,53.72,4.0"]),
    ],
)
def test_places_come_in_the_frame_of_the_known_points(
    tmp_path: Path, head: str, rows: list[str]
) -> None:
    (tmp_path / "known.csv").write_text(f"name,{head}\n" + "\n".join(rows) + "\n")
    done = place_points_by_tape(
        taped(tmp_path / "tape.csv"), tmp_path / "o.csv", control=tmp_path / "known.csv"
    )
    with (tmp_path / "o.csv").open() as file:
        found = {r["name"]: (float(r["u_m"]), float(r["v_m"])) for r in csv.DictReader(file)}
    for name, place in WALL.items():
        assert found[name] == pytest.approx(place, abs=2e-3)
    assert any("placed on the wall by 2 known points" in w for w in done["warnings"])


def test_a_distance_in_the_world_contradicts_a_wrong_tape(tmp_path: Path) -> None:
    (tmp_path / "known.csv").write_text("name,e_m,n_m,h_m\nA,101.6,51.2,1.0\nC,104.96,53.72,4.0\n")
    tape = taped(tmp_path / "tape.csv")
    right = place_points_by_tape(tape, tmp_path / "o.csv", control=tmp_path / "known.csv")
    tape.write_text(tape.read_text().replace("distance,A,C,5.1614", "distance,A,C,5.2614"))
    wrong = place_points_by_tape(tape, tmp_path / "o.csv", control=tmp_path / "known.csv")
    assert wrong["sigma0"] > 3 * max(right["sigma0"], 1.0)


def test_points_without_a_tape_to_them_are_refused(tmp_path: Path) -> None:
    (tmp_path / "known.csv").write_text("name,u_m,v_m\nX,0,0\nA,2,1\n")
    with pytest.raises(InputError, match="1 of the points of the control table"):
        place_points_by_tape(
            taped(tmp_path / "tape.csv"), tmp_path / "o.csv", control=tmp_path / "known.csv"
        )
