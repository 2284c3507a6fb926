"""Item statistics and pass decisions against scipy and pandas, on synthetic groups.

Answers are drawn by the Rasch model (G. Rasch 1960): the chance of a right answer is the logistic of ability less difficulty.
KR-20 equals Cronbach's alpha (L. J. Cronbach 1951) for answers of 0 and 1, which is worked out here from the covariances.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest, pointbiserialr

from facademap.training import Book, Question, SealedTest, analyse_items, sittings_of

MARK = 0.6


def group(seed: int, persons: int = 60, width: int = 20) -> np.ndarray:
    rng = np.random.default_rng(seed)
    ability, hard = rng.normal(0.5, 1, persons), np.linspace(-2, 2, width)
    chance = 1 / (1 + np.exp(hard[None, :] - ability[:, None]))
    return rng.random((persons, width)) < chance


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_item_figures_are_those_of_reference_libraries(seed: int) -> None:
    right = group(seed)
    passed = right.mean(axis=1) >= MARK
    found = analyse_items(right, passed, [f"q{k}" for k in range(right.shape[1])])
    frame = pd.DataFrame(right.astype(int))
    for k, item in enumerate(found.items):
        rest = frame.drop(columns=k).sum(axis=1)
        assert item.discrimination == pytest.approx(pointbiserialr(frame[k], rest).statistic)
        wilson = binomtest(int(frame[k].sum()), len(frame)).proportion_ci(0.95, method="wilson")
        assert (item.low, item.high) == pytest.approx((wilson.low, wilson.high), abs=1e-6)
        by_pass = frame[k].groupby(passed).mean()
        assert item.b_index == pytest.approx(by_pass[True] - by_pass[False])
    covariance = frame.cov().to_numpy()
    width = len(frame.columns)
    alpha = width / (width - 1) * (1 - np.trace(covariance) / covariance.sum())
    assert found.kr20 == pytest.approx(alpha)
    assert found.error_share == pytest.approx(frame.sum(axis=1).std() / width * np.sqrt(1 - alpha))


def test_pass_decisions_are_those_of_the_answers() -> None:
    right = group(4, persons=30, width=10)
    questions = tuple(
        Question(
            id=f"q{k}",
            chapter="c",
            text="?",
            options=("a", "b"),
            right=0,
            source="s",
            critical=k == 3,
        )
        for k in range(10)
    )
    test = SealedTest(
        name="t",
        sealed_on=dt.date(2026, 1, 1),
        sealed_by="A01",
        questions=questions,
        pass_share=MARK,
        scope="s",
    )
    book = Book()
    for n, row in enumerate(right):
        body = {
            "test": "t",
            "person": f"P{n}",
            "answers": [int(not r) for r in row],
            "assessor": "A01",
            "on": "2026-02-01",
        }
        book = book.with_entry("sitting", body, at="2026-02-01T00:00:00+00:00")
    frame = pd.DataFrame(right)
    wanted = (frame.sum(axis=1) >= 6) & frame[3]
    assert 0 < wanted.sum() < len(wanted)
    assert [s.passed for s in sittings_of(book, test)] == wanted.tolist()
