"""Faces laid flat at one scale, and their appearance in the matching."""

from __future__ import annotations

import cv2
import numpy as np

from facademap.salvage.face_picture import flat_face, sound_mask


def test_a_face_seen_askew_is_laid_flat_where_it_belongs() -> None:
    outline = np.array([(0, 0), (0.3, 0), (0.3, 0.2), (0, 0.2)])
    picture = np.zeros((700, 900, 3), np.uint8)
    corners = np.array([(120, 610), (760, 560), (800, 130), (90, 90)], np.float32)
    matrix = cv2.getPerspectiveTransform(outline.astype(np.float32), corners).astype(float)
    for x0, y0, x1, y1, tone in ((0, 0, 0.3, 0.2, 100), (0.06, 0.03, 0.12, 0.09, 200)):
        ring = cv2.perspectiveTransform(
            np.array([[(x0, y0), (x1, y0), (x1, y1), (x0, y1)]]), matrix
        )[0]
        cv2.fillPoly(picture, [np.round(ring).astype(np.int32)], (tone, tone, tone))
    flat = flat_face(picture, outline, matrix, gsd_m=0.002)
    assert flat.shape == (100, 150, 3)
    rows, cols = np.nonzero(flat[..., 0] > 150)
    assert abs(cols.min() - 30) <= 1
    assert abs(cols.max() - 59) <= 1
    assert abs(rows.min() - 55) <= 1
    assert abs(rows.max() - 84) <= 1


def test_rim_and_flaws_are_no_sound_stone() -> None:
    outline = [(0, 0), (0.3, 0), (0.3, 0.2), (0, 0.2)]
    mask = sound_mask(outline, [[(0.1, 0.05), (0.15, 0.05), (0.15, 0.1), (0.1, 0.1)]], gsd_m=0.002)
    assert not mask[:5].any()
    assert not mask[:, -5:].any()
    assert not mask[62, 62]
    assert mask[20, 62]
    assert abs(mask.sum() * 0.002**2 - (0.276 * 0.176 - 0.062**2)) < 0.002
