"""Views of rendered walls as a camera would show them, each with a click and what was clicked."""

from __future__ import annotations

import cv2
import numpy as np

S = 128


def sample(rng, W):
    """Bands of a view, and the masks of the thing clicked and of the joints; None where chance found none."""
    im, lab, dfx = W["im"], W["lab"], W["dfx"]
    N = im.shape[0]
    for _ in range(30):
        if rng.random() < 0.25 and dfx.any():
            i = rng.integers(1, dfx.max() + 1)
            m = dfx == i
            if m.sum() < 120:
                continue
        else:
            y, x = rng.integers(0, N, 2)
            i = lab[y, x]
            if i <= 0:
                continue
            m = lab == i
            if m.sum() < 250:
                continue
        ys, xs = np.nonzero(m)
        if (xs.min() < 2 or ys.min() < 2 or xs.max() > N - 3 or ys.max() > N - 3) and rng.random() < 0.9:
            continue
        # click: prefers the inner part
        d = cv2.distanceTransform(m[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1].astype(np.uint8), cv2.DIST_L2, 3)
        dm = d.max()
        k = rng.integers(len(ys))
        for _ in range(8):
            k = rng.integers(len(ys))
            if d[ys[k] - ys.min(), xs[k] - xs.min()] >= min(2.0, 0.3 * dm) + (0.2 * dm if rng.random() < 0.6 else 0):
                break
        cy, cx = ys[k], xs[k]
        if dfx[cy, cx] and (dfx == dfx[cy, cx]).sum() >= 120:
            m = dfx == dfx[cy, cx]
            ys, xs = np.nonzero(m)
        break
    else:
        return None
    E = max(np.ptp(ys), np.ptp(xs)) + 1
    crop = E / np.exp(rng.uniform(np.log(0.16), np.log(0.9)))
    crop = min(max(crop, 40), N * 1.05)
    if rng.random() < 0.5:
        c = np.array([cx, cy], float)
    else:
        c = np.array([(xs.min() + xs.max()) / 2, (ys.min() + ys.max()) / 2])
    c += rng.normal(0, 0.04, 2) * crop
    half = crop / 2
    off = np.clip([cx, cy] - c, -0.85 * half, 0.85 * half)
    c = np.array([cx, cy]) - off
    a = np.radians(rng.normal(0, 4) if rng.random() < 0.8 else rng.uniform(-45, 45))
    R = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    q = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float) * half
    if rng.random() < 0.5:
        q *= rng.uniform(0.8, 1.25, 2)
    q = q + rng.normal(0, 0.05 if rng.random() < 0.6 else 0.0, (4, 2)) * half * 2
    q = q @ R.T + c
    dst = np.array([[0, 0], [S, 0], [S, S], [0, S]], float)
    if rng.random() < 0.5:
        dst = dst[[1, 0, 3, 2]]
    if rng.random() < 0.2:
        dst = dst[:, ::-1]
    big = 2 if crop > 170 else 1
    H = cv2.getPerspectiveTransform(q.astype(np.float32), (dst * big - 0.5).astype(np.float32))
    n = S * big
    fl = cv2.INTER_LINEAR if rng.random() < 0.6 else cv2.INTER_CUBIC
    o = cv2.warpPerspective(im, H, (n, n), flags=fl, borderMode=cv2.BORDER_REFLECT)
    t = np.dstack([m, lab == 0]).astype(np.float32)
    t = cv2.warpPerspective(t, H, (n, n), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    if big == 2:
        o = cv2.resize(o, (S, S), interpolation=cv2.INTER_AREA)
        t = cv2.resize(t, (S, S), interpolation=cv2.INTER_AREA)
    p = cv2.perspectiveTransform(np.array([[[cx, cy]]], np.float32), H)[0, 0]
    p = (p + 0.5) / big - 0.5
    o = degrade(rng, o)
    return features(o, p[0], p[1]), t


def degrade(rng, o):
    """Blur, noise, tone, loss of colour and compression."""
    if rng.random() < 0.5:
        o = cv2.GaussianBlur(o, (0, 0), rng.uniform(0.3, 1.3))
    if rng.random() < 0.2:
        f = rng.uniform(0.4, 0.9)
        o = cv2.resize(
            cv2.resize(o, None, fx=f, fy=f, interpolation=cv2.INTER_AREA), (S, S), interpolation=cv2.INTER_CUBIC
        )
    o = o.astype(np.float32)
    if rng.random() < 0.5:
        o = 255 * (np.clip(o, 0, 255) / 255) ** rng.uniform(0.5, 1.8)
    o = o * rng.uniform(0.6, 1.25) + rng.normal(0, 8)
    if rng.random() < 0.5:
        o = o * rng.normal(1, 0.06, 3)
    if rng.random() < 0.25:
        o = np.repeat(o.mean(2, keepdims=True), 3, 2)
    if rng.random() < 0.6:
        o = o + rng.normal(0, rng.uniform(1, 9), o.shape[:2]).astype(np.float32)[..., None]
    if rng.random() < 0.2:
        o = 255 - o if rng.random() < 0.2 else o
    if rng.random() < 0.15:  # unsharp
        o = o + rng.uniform(0.5, 1.5) * (o - cv2.GaussianBlur(o, (0, 0), 1.2))
    o = np.clip(o, 0, 255).astype(np.uint8)
    if rng.random() < 0.4:
        o = cv2.imdecode(cv2.imencode(".jpg", o, [1, int(rng.integers(25, 90))])[1], 1)
    return o


YY, XX = np.mgrid[0:S, 0:S].astype(np.float32)


def features(o, x, y):
    """Colours about their mean, and the click narrow and wide; as the package makes them when it asks the network."""
    f = o.astype(np.float32)
    f = f - f.mean((0, 1))
    f /= max(float(f.std()), 4.0)
    d2 = (XX - x) ** 2 + (YY - y) ** 2
    return np.dstack([f, np.exp(-d2 / (2 * 2.5**2)), np.exp(-d2 / (2 * 14.0**2))]).astype(np.float32)
