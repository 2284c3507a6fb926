"""Takes the photographs: rays through the lens meet the pieces, four rays a pixel, nearest wins."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from .cameras import CAMERA, HEIGHT_PX, WIDTH_PX, Pose, project, ray_grid
from .colour import FULL, encode
from .noise import F, cells, stream
from .scene import Piece

SUBPIXELS = ((-0.375, -0.125), (0.125, -0.375), (0.375, 0.125), (-0.125, 0.375))
STRIP = 300


def _row_bounds(pose: Pose, p: Piece) -> tuple[int, int]:
    """Rows of the picture that a piece can reach."""
    g = np.linspace(0, 1, 25)
    s, t = (a.ravel() for a in np.meshgrid(g, g))
    pts = np.array(p.origin) + s[:, None] * np.array(p.e1) + t[:, None] * np.array(p.e2)
    px, depth = project(pose, pts)
    if depth.min() < 0.6:
        return 0, HEIGHT_PX
    return int(px[:, 1].min()) - 12, int(px[:, 1].max()) + 13


def _edge_on(p: Piece, pose: Pose) -> bool:
    """Whether the standpoint lies in the plane of the piece, so that nothing of it is seen."""
    normal = np.cross(p.e1, p.e2)
    return bool(
        abs(normal @ (np.array(p.origin) - np.array(pose.position))) < 1e-6 * np.linalg.norm(normal)
    )


def _hit(
    p: Piece, pose: Pose
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Row vectors (in normalised x, y, 1) whose dot products give s, t (numerators) and the shared divisor."""
    r, c = pose.rotation, np.array(pose.position)
    o, e1, e2 = np.array(p.origin), np.array(p.e1, float), np.array(p.e2, float)
    m = np.linalg.inv(np.column_stack([e1, e2, o - c]))  # point = c + k d  ->  k m d = (s, t, 1)
    return tuple((m @ r.T)[i].astype(np.float32) for i in range(3))  # type: ignore[return-value]


def _draw(p: Piece, hit: tuple[F, F, F], x: F, y: F, rgb: F, near: F) -> None:
    ns, nt, nd = hit
    k = nd[0] * x + nd[1] * y + nd[2]  # 1 / depth along the axis, when positive
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (ns[0] * x + ns[1] * y + ns[2]) / k
        t = (nt[0] * x + nt[1] * y + nt[2]) / k
        seen = (k > near) & (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1)
    for a, b, c, d in p.holes:
        seen &= ~((s > a) & (s < c) & (t > b) & (t < d))
    if not seen.any():
        return
    rows, cols = np.where(seen.any(1))[0], np.where(seen.any(0))[0]
    box = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
    s, t, seen = s[box], t[box], seen[box]
    m = p.texel.astype(np.float32)
    got = cv2.remap(
        p.image,
        m[0, 0] * s + m[0, 2],
        m[1, 1] * t + m[1, 2],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    l00, l10, l01, l11 = (np.float32(v / FULL) for v in p.light)
    light = (
        (1 - t) * (l00 + s * (l10 - l00)) + t * (l01 + s * (l11 - l01))
        if len(set(p.light)) > 1
        else l00 * np.ones_like(s)
    )
    target, depth = rgb[box], near[box]
    target[seen] = got[seen] * light[seen][:, None]
    depth[seen] = k[box][seen]


def expose(pose: Pose, pieces: list[Piece], seed: int) -> tuple[NDArray[np.uint8], F]:
    """The photograph (h, w, 3) RGB and the depth of its pixels (m along the axis)."""
    linear = np.zeros((HEIGHT_PX, WIDTH_PX, 3), np.float32)
    inverse_depth = np.zeros((HEIGHT_PX, WIDTH_PX), np.float32)
    plan = [(p, _hit(p, pose), _row_bounds(pose, p)) for p in pieces if not _edge_on(p, pose)]
    for n, offset in enumerate(SUBPIXELS):
        grid = ray_grid(offset)

        def strip(r: int, grid: F = grid, n: int = n) -> None:
            x = np.ascontiguousarray(grid[r : r + STRIP, :, 0])
            y = np.ascontiguousarray(grid[r : r + STRIP, :, 1])
            rgb = np.zeros((*x.shape, 3), np.float32)
            near = np.full(x.shape, 1e-4, np.float32)
            for p, hit, (a, b) in plan:
                if a < r + STRIP and b > r:
                    _draw(p, hit, x, y, rgb, near)
            linear[r : r + STRIP] += rgb / len(SUBPIXELS)
            if n == 0:
                inverse_depth[r : r + STRIP] = near

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(strip, range(0, HEIGHT_PX, STRIP)))
    return _develop(pose, linear, seed), 1 / inverse_depth


def _develop(pose: Pose, linear: F, seed: int) -> NDArray[np.uint8]:
    """Vignetting, uneven light, exposure, white balance, sensor noise, 8 bit."""
    rng = stream(seed, 80, sum(pose.stem.encode()))
    yy, xx = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX].astype(np.float32)
    nx, ny = (xx - CAMERA["cx"]) / CAMERA["fx"], (yy - CAMERA["cy"]) / CAMERA["fy"]
    fall = (1 + nx * nx + ny * ny) ** -1.15
    sx, sy = pose.light_slope
    uneven = 1 + sx * nx / 0.57 + sy * ny / 0.43 + 0.022 * cells(rng, HEIGHT_PX, WIDTH_PX, 1500)
    linear *= (fall * uneven * pose.exposure)[..., None]
    linear *= np.array(pose.white_balance, np.float32)
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    noise = 0.75 * noise + 0.25 * noise.mean(axis=2, keepdims=True) * 1.7
    linear += noise * np.sqrt(np.maximum(linear, 0) * 2.2e-5 + 1.2e-6)
    return np.clip(encode(linear) + 0.5, 0, 255).astype(np.uint8)
