"""Light on relief: hazy sun from the upper left, sky from all round."""

from __future__ import annotations

import cv2
import numpy as np

from .noise import F, smooth

#: Direction to the sun in the wall frame (u, v, w).
SUN = np.array([-0.52, 0.52, 0.68]) / np.linalg.norm([-0.52, 0.52, 0.68])
SKY_SHARE = 0.46


def direct_light(height_mm: F, px_mm: float, *, relief: float = 1.0) -> F:
    """Sun on each pixel relative to a flat face (1), from the slope of the relief."""
    k = np.float32(relief / (2 * px_mm))
    soft = cv2.GaussianBlur(height_mm, (0, 0), 0.6)
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=1) * k
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=1) * k
    sx, sy, sz = (np.float32(v) for v in SUN)
    lit = (-gx * sx + gy * sy + sz) / (sz * np.sqrt(1 + gx * gx + gy * gy))
    return np.clip(lit, 0.0, 1.9)


def cast_shadow(
    height_mm: F, px_mm: float, steps_px: tuple[float, ...], *, soft_mm: float = 2.0
) -> F:
    """Share of the sun that reaches each pixel past higher ground towards the sun."""
    h, w = height_mm.shape
    sx, sy, sz = SUN
    run = float(np.hypot(sx, sy))
    out = np.ones((h, w), np.float32)
    for s in steps_px:
        m = np.array([[1, 0, s * sx / run], [0, 1, -s * sy / run]])
        toward = cv2.warpAffine(
            height_mm,
            m,
            (w, h),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        over = toward - height_mm - np.float32(s * px_mm * sz / run)
        np.minimum(out, 1 - smooth(over, -soft_mm * 0.4, soft_mm), out=out)
    return out


def sky_light(height_mm: F, px_mm: float) -> F:
    """Ambient light lost in hollows: crude openness at three reaches."""
    out = np.ones_like(height_mm)
    for reach_mm, weight in ((6, 0.34), (22, 0.30), (70, 0.24)):
        shrink = max(1, int(reach_mm / px_mm / 4))
        h, w = height_mm.shape
        small = cv2.resize(height_mm, (w // shrink, h // shrink), interpolation=cv2.INTER_AREA)
        mean = cv2.GaussianBlur(small, (0, 0), reach_mm / px_mm / shrink)
        mean = cv2.resize(mean, (w, h), interpolation=cv2.INTER_LINEAR)
        hollow = (mean - height_mm) / np.float32(reach_mm)
        out *= 1 - np.float32(weight) * np.tanh(np.clip(2.2 * hollow, -0.25, 3))
    return out


def shade(height_mm: F, px_mm: float, *, shadow: F | None = None) -> F:
    """Irradiance relative to a flat, open, sunlit face."""
    sun = direct_light(height_mm, px_mm) * cast_shadow(
        height_mm, px_mm, (2, 4, 6, 9, 13, 18, 24, 32, 42)
    )
    if shadow is not None:
        sun *= shadow
    return (1 - SKY_SHARE) * sun + SKY_SHARE * sky_light(height_mm, px_mm)
