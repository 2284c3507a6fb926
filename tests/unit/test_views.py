"""Views of repairs: which are missing at a stage, and a later photo laid over an earlier one."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from facademap.photo.align_pair import align_pair
from facademap.photo.homography import apply_homography
from facademap.repair.views import missing_views


def entry(n: int, **given: Any) -> dict[str, Any]:
    blank = dict.fromkeys(("stage", "check", "photo", "corrects", "note", "result", "mason"))
    return {"id": f"W{n}", "repair": "R", "at": f"2026-05-0{n}T08:00:00+00:00", **blank, **given}


@pytest.mark.parametrize(
    ("treatment", "stage", "missing"),
    [
        ("repoint", "approved", ()),
        ("repoint", "pointed", ("before",)),
        ("repoint", "curing", ("before", "during")),
        ("repoint", "accepted", ("before", "during", "after")),
        ("leave", "accepted", ()),
        ("inset", "approved", ()),
        ("inset", "cut out", ("before",)),
        ("inset", "bedded", ("before", "cut out", "dry fit")),
    ],
)
def test_views_are_missing_from_their_stage_on(
    treatment: str, stage: str, missing: tuple[str, ...]
) -> None:
    assert missing_views({"id": "R", "treatment": treatment, "stage": stage}, []) == missing


def test_a_photo_fills_the_view_of_its_stage_and_a_corrected_one_does_not() -> None:
    repair = {"id": "R", "treatment": "repoint", "stage": "accepted"}
    taken = [
        entry(1, stage="approved", photo="P1"),
        entry(2, check="pointing", photo="P2", result="pass"),
        entry(3, stage="accepted", photo="P3"),
    ]
    assert missing_views(repair, taken) == ()
    assert missing_views(repair, [*taken, entry(4, corrects="W3")]) == ("after",)
    assert missing_views(repair, [{**e, "repair": "Q"} for e in taken]) == (
        "before",
        "during",
        "after",
    )


def wall(seed: int) -> np.ndarray:
    """Something with texture at every size, as stone has it."""
    rng = np.random.default_rng(seed)
    picture = np.zeros((420, 560))
    for size in (6, 12, 25, 50, 100):
        grain = rng.normal(size=(420 // size + 2, 560 // size + 2))
        picture += cv2.resize(grain, (560, 420), interpolation=cv2.INTER_CUBIC) * size**0.5
    grey = cv2.normalize(picture, None, 30, 220, cv2.NORM_MINMAX).astype(np.uint8)
    return np.dstack([grey, grey, grey])


def test_a_later_photo_is_laid_over_the_earlier_though_the_repair_changed_it() -> None:
    earlier = wall(1)
    changed = earlier.copy()
    changed[150:260, 210:360] = wall(2)[150:260, 210:360]  # a piece of stone was set
    true = np.array([[1.1, 0.08, -30.0], [-0.05, 1.05, 25.0], [5e-5, -4e-5, 1.0]])
    later = cv2.warpPerspective(changed, np.linalg.inv(true), (560, 420))
    later = np.clip(later * 0.8 + 20, 0, 255).astype(np.uint8)  # another light
    found, why = align_pair(earlier, later)
    assert found is not None, why
    inner = np.array([[100, 100], [480, 100], [480, 340], [100, 340], [280, 210]], dtype=float)
    off = apply_homography(found.matrix, inner) - apply_homography(true, inner)
    assert np.hypot(*off.T).max() < 1.0
    assert found.rms_px < 1.5
    assert found.picture.shape == earlier.shape
    # what the later photo does not show stays as white as the paper, and is told
    half, why = align_pair(earlier, later[:, 280:])
    assert half is not None, why
    assert 0.3 < half.covered < 0.6 < 0.8 < found.covered <= 1.0
    assert (half.picture[:, :60] == 255).all()


def test_photos_of_two_places_are_not_laid_over_each_other() -> None:
    found, why = align_pair(wall(1), wall(3))
    assert found is None
    assert "points" in why
