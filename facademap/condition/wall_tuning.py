"""The network's last step learned anew from outlines that people confirmed: a small correction of what it sees of stones.

Everything before the last layer stays as it was trained. What is learned is added to the last layer's answer, so that nothing
learned is nothing changed. Each of the four maps is a logistic regression of its own on 3 x 3 pixels of the network's last
features, held to nought by a penalty; its loss has one minimum, which is found in seconds without an accelerator.

References
----------
.. [1] C. M. Bishop, "Pattern recognition and machine learning", 2006, 4.3: logistic regression and its penalised form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from facademap.values import frozen_value

__all__ = ["MAPS", "Lesson", "Tuning", "corrected", "fitted", "lesson_of"]

Floats = NDArray[Any]

#: Maps that are corrected, in the order of the network: face of a stone, border, depth, no masonry.
MAPS = 4
_SIDE = 3
#: Strength of the penalty, and pixels of each picture that are learned from at most.
_HELD, _MOST_PLACES = 2e-3, 40_000
#: So far outside a confirmed stone is certainly its joint, pixels of the look.
_JOINT_PX = 2.5
_LEAST, _MOST = 1e-3, 1 - 1e-3


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """What is added to the last layer: weights (maps, features, 3, 3) and one number for each map."""

    weights: Floats
    bias: Floats


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """Places learned from: features of 3 x 3 pixels (places, 9 x features), answers before, truth and weight (places, maps)."""

    features: Floats
    before: Floats
    truth: Floats
    weight: Floats


def corrected(maps: Floats, features: Floats, tuning: Tuning) -> Floats:
    """Answers (maps, rows, columns), 0 to 1, with what was learned added to them before they are squeezed to that range."""
    p = np.clip(maps, _LEAST, _MOST)
    logits = np.log(p / (1 - p))
    for k in range(len(logits)):
        logits[k] += tuning.bias[k]
        for band, weights in zip(features, tuning.weights[k], strict=True):
            if np.any(weights):
                logits[k] += cv2.filter2D(
                    np.ascontiguousarray(band),
                    cv2.CV_32F,
                    weights.astype(np.float32),
                    borderType=cv2.BORDER_CONSTANT,
                )
    return np.asarray(1 / (1 + np.exp(-logits)), np.float32)


def lesson_of(
    maps: Floats,
    features: Floats,
    number: NDArray[np.int32],
    other: NDArray[np.bool_],
    held_back: NDArray[np.bool_],
    rng: np.random.Generator,
) -> Lesson | None:
    """What a part of a picture teaches.

    Parameters
    ----------
    maps : ndarray, shape (4, rows, columns)
        Answers of the network, 0 to 1.
    features : ndarray, shape (features, rows, columns)
    number : ndarray of int32, shape (rows, columns)
        Number of the confirmed stone at each pixel, 0 for none.
    other : ndarray of bool, shape (rows, columns)
        Where there is certainly no masonry.
    held_back : ndarray of bool, shape (rows, columns)
        Where nothing is learned.
    rng : numpy.random.Generator
        Chooses the places.

    Returns
    -------
    Lesson or None
        None where nothing is known.
    """
    stone = number > 0
    step = np.zeros(number.shape, np.uint8)
    step[:, 1:] |= number[:, 1:] != number[:, :-1]
    step[1:] |= number[1:] != number[:-1]
    edge = cv2.dilate(step, np.ones((2, 2), np.uint8), anchor=(0, 0)) > 0
    outside = cv2.distanceTransform((~stone).astype(np.uint8), cv2.DIST_L2, 3)
    inside = cv2.distanceTransform((stone & ~edge).astype(np.uint8), cv2.DIST_L2, 5)
    deepest = np.zeros(int(number.max()) + 1, np.float32)
    np.maximum.at(deepest, number.ravel(), inside.ravel())
    depth = np.where(stone, np.minimum(inside / np.maximum(deepest[number], 1e-3), 1), 0)
    known = ((outside <= _JOINT_PX) | other) & ~held_back
    known[:1] = known[-1:] = False
    known[:, :1] = known[:, -1:] = False
    rows, columns = np.nonzero(known)
    if not len(rows):
        return None
    chosen = rng.permutation(len(rows))[:_MOST_PLACES]
    rows, columns = rows[chosen], columns[chosen]
    near = [features[:, rows + dy, columns + dx].T for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
    x = np.stack(near, axis=2).reshape(len(rows), -1).astype(np.float32)
    truth = np.stack([stone, edge & ~other, depth, other & ~stone])[:, rows, columns].T
    weight = np.ones_like(truth, np.float32)
    weight[:, 1] += 2 * truth[:, 1]
    return Lesson(
        features=x,
        before=maps[:, rows, columns].T.astype(np.float32),
        truth=truth.astype(np.float32),
        weight=weight,
    )


def fitted(lessons: list[Lesson]) -> Tuning:
    """The correction that fits all lessons best under the penalty."""
    x = np.concatenate([n.features for n in lessons])
    before = np.clip(np.concatenate([n.before for n in lessons]), _LEAST, _MOST)
    truth = np.concatenate([n.truth for n in lessons])
    weight = np.concatenate([n.weight for n in lessons])
    spread = np.maximum(x.std(axis=0), 1e-3)
    scaled = x / spread
    weights, bias = [], []
    for k in range(MAPS):
        logits = np.log(before[:, k] / (1 - before[:, k]))
        learned = _regression(scaled, logits, truth[:, k], weight[:, k])
        weights.append((learned[:-1] / spread).reshape(-1, _SIDE, _SIDE))
        bias.append(learned[-1])
    return Tuning(weights=np.array(weights, np.float32), bias=np.array(bias, np.float32))


def _regression(x: Floats, logits: Floats, truth: Floats, weight: Floats) -> Floats:
    total = float(weight.sum())

    def loss(learned: Floats) -> tuple[float, Floats]:
        z = logits + x @ learned[:-1].astype(np.float32) + learned[-1]
        p = 1 / (1 + np.exp(-z))
        value = float((weight * (np.logaddexp(0, z) - truth * z)).sum()) / total
        slope = weight * (p - truth) / total
        down = np.append(x.T @ slope, slope.sum()).astype(float)
        return value + _HELD * float(learned @ learned), down + 2 * _HELD * learned

    found = minimize(
        loss, np.zeros(x.shape[1] + 1), jac=True, method="L-BFGS-B", options={"maxiter": 60}
    )
    return np.asarray(found.x)
