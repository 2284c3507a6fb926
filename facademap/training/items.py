"""Item analysis: how hard each question is, and whether it tells those who know from those who do not.

References
----------
Difficulty is the share of right answers; discrimination the correlation of an item with the score of all others (item-rest,
point-biserial) and, for a pass mark, the B-index: share right among those who passed less that among those who did not
(R. L. Brennan 1972). The reliability is KR-20 (G. F. Kuder, M. W. Richardson 1937). Formulas from memory; tests compare them
with scipy.stats.pointbiserialr and with Cronbach's alpha, which KR-20 equals for answers of 0 and 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAST_PERSONS", "GroupFigures", "Item", "analyse_items"]

#: With fewer persons the figures say next to nothing, and would show single persons.
LEAST_PERSONS = 5
#: Common practice: outside these a question is looked at again.
_EASY, _HARD, _DULL = 0.95, 0.3, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One question over a group.

    Parameters
    ----------
    question : str
    difficulty : float
        Share of right answers: 1 is easy.
    low, high : float
        Wilson's interval of that share at 95 %.
    discrimination : float
        Correlation with the score of the other questions; NaN where all answered alike.
    b_index : float
        Share right among those who passed less that among others; NaN where one of both is empty.
    remark : str
        What to look at; empty where nothing stands out.
    """

    question: str
    difficulty: float
    low: float
    high: float
    discrimination: float
    b_index: float
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupFigures:
    """The group as a whole.

    Parameters
    ----------
    persons : int
    passed : int
        Reached the mark at this sitting.
    mean_share : float
        Mean share of right answers.
    kr20 : float
        Reliability; NaN where scores do not differ.
    error_share : float
        Standard error of measurement as share of the questions; NaN where it cannot be told.
    items : tuple of Item
    """

    persons: int
    passed: int
    mean_share: float
    kr20: float
    error_share: float
    items: tuple[Item, ...]


def analyse_items(
    right: NDArray[np.bool_], passed: NDArray[np.bool_], questions: Sequence[str]
) -> GroupFigures:
    """Figures of a group.

    Parameters
    ----------
    right : (persons, questions) array of bool
        Whether each answer was right.
    passed : (persons,) array of bool
        Who reached the mark.
    questions : sequence of str

    Returns
    -------
    GroupFigures
    """
    answers = right.astype(float)
    count, width = answers.shape
    scores = answers.sum(axis=1)
    items = tuple(
        _item(name, answers[:, k], scores - answers[:, k], passed)
        for k, name in enumerate(questions)
    )
    reliability = _kr20(answers, scores)
    spread = float(np.std(scores, ddof=1)) / width if count > 1 else math.nan
    return GroupFigures(
        persons=count,
        passed=int(passed.sum()),
        mean_share=float(scores.mean()) / width,
        kr20=reliability,
        error_share=spread * math.sqrt(max(1 - reliability, 0.0)),
        items=items,
    )


def _item(
    name: str, right: NDArray[np.float64], rest: NDArray[np.float64], passed: NDArray[np.bool_]
) -> Item:
    difficulty = float(right.mean())
    low, high = _wilson(int(right.sum()), right.size)
    told = float(np.corrcoef(right, rest)[0, 1]) if np.ptp(right) and np.ptp(rest) else math.nan
    both = passed.any() and not passed.all()
    b_index = float(right[passed].mean() - right[~passed].mean()) if both else math.nan
    return Item(
        question=name,
        difficulty=difficulty,
        low=low,
        high=high,
        discrimination=told,
        b_index=b_index,
        remark=_remark(difficulty, told),
    )


def _remark(difficulty: float, told: float) -> str:
    if not math.isnan(told) and told < 0:
        return "those who know the rest err here: check the key and the wording"
    if difficulty < _HARD:
        return "hard: was it taught, is the wording clear?"
    if difficulty > _EASY:
        return "nearly all know it"
    if not math.isnan(told) and told < _DULL:
        return "tells little of who knows the rest"
    return ""


def _kr20(answers: NDArray[np.float64], scores: NDArray[np.float64]) -> float:
    count, width = answers.shape
    if count < 2 or width < 2 or not np.ptp(scores):
        return math.nan
    share = answers.mean(axis=0)
    return float(
        width / (width - 1) * (1 - (share * (1 - share)).sum() / np.var(scores))
    )  # both variances over the number of persons


def _wilson(right: int, count: int, z: float = 1.959964) -> tuple[float, float]:
    share, extra = right / count, z * z / count
    middle = (share + extra / 2) / (1 + extra)
    half = z * math.sqrt(share * (1 - share) / count + extra / (4 * count)) / (1 + extra)
    return max(middle - half, 0.0), min(middle + half, 1.0)
