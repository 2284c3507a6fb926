"""Vibration and noise of a day against worked sums.

The points are those of the published ready-reckoner rule ``points = 2 a^2 T`` (100 = action value, 400 = limit value; from
memory), and the day's values are worked out here by the defining integrals, step by step, apart from the module.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.repair.exposure import ToolUse, day_exposure, noise_level_db, vibration_points


def test_a_day_by_its_defining_integrals() -> None:
    """A(8) is the root of the mean square over eight hours, LEX the level of the mean energy: summed here second by second."""
    uses = [(9.5, 92.0, 0.75), (4.0, 98.0, 1.5), (0.0, 78.0, 4.0)]
    a = np.concatenate([np.full(round(h * 3600), a) for a, _, h in uses])
    level = np.concatenate([np.full(round(h * 3600), db) for _, db, h in uses])
    a8 = np.sqrt((a**2).sum() / (8 * 3600))
    lex = 10 * np.log10((10 ** (level / 10)).sum() / (8 * 3600))
    day = day_exposure(
        [
            ToolUse(tool=f"tool {n}", hours=h, vibration_m_per_s2=a, noise_db=db)
            for n, (a, db, h) in enumerate(uses)
        ]
    )
    assert day.vibration_a8_m_per_s2 == pytest.approx(a8)
    assert day.noise_lex_db == pytest.approx(lex)


@pytest.mark.parametrize(
    ("a", "hours", "points"), [(2.5, 8, 100), (5, 2, 100), (10, 0.5, 100), (5, 8, 400), (7, 1, 98)]
)
def test_points_of_the_ready_reckoner(a: float, hours: float, points: float) -> None:
    assert vibration_points(a, hours) == pytest.approx(points)


def test_three_decibels_are_half_the_time() -> None:
    assert noise_level_db([(88.0103, 4)]) == pytest.approx(85.0, abs=1e-3)
    assert noise_level_db([(85, 4), (85, 4)]) == pytest.approx(85.0)


@pytest.mark.parametrize(
    ("a", "stands"), [(2.499, "below"), (2.5, "action"), (4.999, "action"), (5.0, "limit")]
)
def test_both_sides_of_each_limit(a: float, stands: str) -> None:
    assert (
        day_exposure([ToolUse(tool="t", hours=8, vibration_m_per_s2=a, noise_db=70)]).vibration
        == stands
    )


def test_a_tool_without_a_value_leaves_the_day_unknown() -> None:
    day = day_exposure(
        [
            ToolUse(tool="saw", hours=1, vibration_m_per_s2=3, noise_db=100),
            ToolUse(tool="drill", hours=1, noise_db=95),
        ]
    )
    assert day.points is None
    assert day.vibration is None
    assert day.not_known == ("drill: vibration",)
    assert day.noise == "limit"


def test_the_command_says_it_and_refuses_nonsense() -> None:
    done = CliRunner().invoke(main, ["exposure", "--tool", "rotary drill=0.5,10,92", "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["points"] == pytest.approx(100)
    for wrong in (
        "drill",
        "drill=x,1,1",
        "drill=25,1,1",
        "=1,1,1",
        "drill=1,2,3,4",
        "drill=1,-2,80",
    ):
        done = CliRunner().invoke(main, ["exposure", "--tool", wrong])
        assert done.exit_code == 2, wrong
    with pytest.raises(InputError, match="no tool"):
        day_exposure([])
