"""Whether a piece fits a face with flaws, against the exact set of free positions by shapely."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_fit import critical_problem, random_face, shapely_fits

from facademap.match import Block, Face, Flaw, Lock, Params, Problem, Repair
from facademap.match.freespace import FreeSpace


def _problem(face: Face, rings: list[tuple[tuple[float, float], ...]]) -> Problem:
    repairs = tuple(
        Repair(
            id=f"r{n}",
            outline_mm=ring,
            depth_mm=50.0,
            joints_mm=(0.0,),
            bed="horizontal",
            stone="s",
            turn180=False,
        )
        for n, ring in enumerate(rings)
    )
    return Problem(
        repairs=repairs,
        blocks=(Block(id="b", stone="s", lab=(70.0, 0.0, 10.0), faces=(face,)),),
        params=Params(trim_mm=0.0),
    )


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> tuple[tuple[float, float], ...]:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


@pytest.mark.parametrize("compiled", [False, True])
def test_pieces_that_just_fit_or_just_do_not(compiled: bool) -> None:
    problem = critical_problem(8, seed=4)
    space = FreeSpace(problem, compiled=compiled)
    answers = []
    for i, repair in enumerate(problem.repairs):
        face = problem.blocks[i // 5].faces[0]
        query = (i, i // 5, 0, tuple(range(len(face.flaws))))
        answers.append(space.fits(*query))
        assert answers[-1] == shapely_fits(face, repair.outline_mm), repair.id
        assert answers[-1] == (len(space.choices(*query)) > 0)
        assert answers[-1] == space.fits(*query)
    assert 10 < sum(answers) < 30


@pytest.mark.parametrize("seed", range(4))
def test_a_hair_decides(seed: int) -> None:
    """The largest width is found by halving; 0.02 mm to either side the answers differ and are both right."""
    rng = np.random.default_rng(seed)
    face = random_face(rng)
    high = float(rng.uniform(60.0, 150.0))
    low, top = 1.0, 1500.0
    while top - low > 0.001:
        middle = 0.5 * (low + top)
        low, top = (
            (middle, top) if shapely_fits(face, _rectangle(0, 0, middle, high)) else (low, middle)
        )
    problem = _problem(
        face, [_rectangle(0, 0, low - 0.02, high), _rectangle(0, 0, low + 0.02, high)]
    )
    space = FreeSpace(problem, compiled=False)
    level = tuple(range(len(face.flaws)))
    assert (space.fits(0, 0, 0, level), space.fits(1, 0, 0, level)) == (True, False)


def test_a_piece_as_large_as_its_place_fits_and_a_larger_one_does_not() -> None:
    flaws = (
        Flaw(outline_mm=_rectangle(100, 0, 120, 60)),
        Flaw(outline_mm=_rectangle(0, 60, 200, 80)),
    )
    face = Face(id="f", outline_mm=_rectangle(0, 0, 200, 200), depth_mm=60.0, bed="x", flaws=flaws)
    sizes = [(100, 60), (80, 60), (200, 120), (100.1, 60), (100, 60.1), (200, 120.1)]
    space = FreeSpace(_problem(face, [_rectangle(0, 0, w, h) for w, h in sizes]), compiled=False)
    # the band above the flaws takes the last three but for the one that is too high
    assert [space.fits(i, 0, 0, (0, 1)) for i in range(6)] == [True, True, True, True, True, False]
    low = Face(
        id="f", outline_mm=_rectangle(0, 0, 200, 60), depth_mm=60.0, bed="x", flaws=flaws[:1]
    )
    space = FreeSpace(_problem(low, [_rectangle(0, 0, w, h) for w, h in sizes]), compiled=False)
    assert [space.fits(i, 0, 0, (0,)) for i in range(6)] == [True, True, False, False, False, False]
    assert space.fits(3, 0, 0, ())  # the flaw does not reach the slab


def test_a_flaw_may_lie_in_the_notch() -> None:
    piece = ((0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (40.0, 50.0), (40.0, 100.0), (0.0, 100.0))
    face = Face(
        id="f",
        outline_mm=_rectangle(0, 0, 100, 100),
        depth_mm=60.0,
        bed="x",
        flaws=(
            Flaw(outline_mm=_rectangle(45, 55, 95, 95)),
            Flaw(outline_mm=_rectangle(35, 55, 38, 60)),
        ),
    )
    space = FreeSpace(_problem(face, [piece, _rectangle(0, 0, 100, 100)]), compiled=False)
    assert space.fits(0, 0, 0, (0,))
    assert not space.fits(1, 0, 0, (0,))
    assert not space.fits(0, 0, 0, (0, 1))


def test_a_locked_place_is_the_only_one() -> None:
    face = Face(
        id="f",
        outline_mm=_rectangle(0, 0, 200, 200),
        depth_mm=60.0,
        bed="x",
        flaws=(Flaw(outline_mm=_rectangle(0, 0, 50, 50)),),
    )
    free = _problem(face, [_rectangle(0, 0, 100, 100)])
    for x, y, fits in ((0.0, 0.0, False), (60.0, 60.0, True), (150.0, 60.0, False)):
        locked = replace(
            free.repairs[0], lock=Lock(block_id="b", face_id="f", slab=0, x_mm=x, y_mm=y, rot_deg=0)
        )
        space = FreeSpace(replace(free, repairs=(locked,)), compiled=False)
        assert space.fits(0, 0, 0, (0,)) is fits


def test_the_reference_itself_knows_a_plain_case() -> None:
    face = Face(
        id="f",
        outline_mm=_rectangle(0, 0, 200, 100),
        depth_mm=60.0,
        bed="x",
        flaws=(Flaw(outline_mm=_rectangle(90, 0, 110, 100)),),
    )
    assert shapely_fits(face, _rectangle(0, 0, 90, 100))
    assert not shapely_fits(face, _rectangle(0, 0, 91, 100))
