"""Rendered masonry with the number of the stone and of the defect at each pixel, for training.

Everything is drawn from chance: the bond, the stones' shapes, colours and textures, joints light and dark, wide, thin and
fading, relief and the light on it, spalls, stains, missing stone and patches, moss, bloom, cracks and shadows. No
photograph is used.
"""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from scipy.spatial import Voronoi

#: Side of a wall, pixels.
N = 640


def band(rng, n, cell, aniso=1.0, ang=0.0):
    """Smooth noise of one size, drawn out and turned."""
    h = max(2, int(n / max(cell, 1)) + 3)
    w = max(2, int(n / max(cell * aniso, 1)) + 3)
    a = rng.normal(0, 1, (h, w)).astype(np.float32)
    big = cv2.resize(a, (int(n * 1.5), int(n * 1.5)), interpolation=cv2.INTER_CUBIC)
    if ang:
        M = cv2.getRotationMatrix2D((n * 0.75, n * 0.75), ang, 1)
        big = cv2.warpAffine(big, M, big.shape[::-1], borderMode=cv2.BORDER_REFLECT)
    o = int(n * 0.25)
    return big[o : o + n, o : o + n]


def noise(rng, n, cell, octs=4, gain=0.55, aniso=1.0, ang=0.0):
    """Noise of several sizes with a spread of one."""
    out = np.zeros((n, n), np.float32)
    a = 1
    for k in range(octs):
        if cell / 2**k < 1:
            break
        out += a * band(rng, n, cell / 2**k, aniso, ang)
        a *= gain
    return out / out.std()


def layout(rng):
    """Kind of masonry, size of a stone, width of the joints, radius of the corners, outlines, whether stones lie on one another."""
    kind = rng.choice(
        [
            "ashlar",
            "ashlar",
            "ashlar",
            "brick",
            "snecked",
            "rubble",
            "rubble",
            "voronoi",
            "cobble",
            "tiles",
            "gravel",
            "discs",
        ]
    )
    s = rng.uniform(45, 130)
    polys = []
    bg = False
    if kind == "gravel" or kind == "cobble" or kind == "discs":
        s = rng.uniform(28, 90)
    j = s * rng.choice([rng.uniform(0.005, 0.03), rng.uniform(0.02, 0.08), rng.uniform(0.06, 0.18)])
    j = max(j, 0.6)
    if kind in ("ashlar", "brick", "tiles", "snecked"):
        y = -rng.uniform(0, s)
        row = 0
        ratio = rng.uniform(1.2, 3.2)
        wob = rng.uniform(0, 0.35) if kind != "brick" else rng.uniform(0, 0.1)
        if kind == "brick":
            ratio = rng.uniform(2.5, 4)
            s *= 0.55
            j = min(j, s * 0.25)
        if kind == "tiles":
            ratio = rng.choice([1.0, 2.0])
            wob = 0.02
        flemish = rng.random() < 0.4
        while y < N:
            h = s * (1 + rng.uniform(-wob, wob) * (kind != "brick"))
            x = -rng.uniform(0, s * ratio) if kind != "tiles" or ratio > 1 else -s * 0.3
            i = 0
            if kind == "tiles" and ratio > 1:
                x = -s * ratio * (0.5 * (row % 2) + 0.2)
            while x < N:
                w = h * ratio * (1 + rng.uniform(-1, 1) * (0.45 if kind in ("ashlar", "snecked") else wob))
                if kind == "brick":
                    w = s * ratio * (1 + rng.uniform(-0.04, 0.04))
                if kind == "brick" and flemish and (i + row) % 2:
                    w *= 0.48
                if kind == "tiles":
                    w = s * ratio
                if kind == "snecked" and rng.random() < 0.35 and w > h * 0.8:
                    c = rng.uniform(0.35, 0.65) * h
                    polys += [shapely.box(x, y, x + w, y + c), shapely.box(x, y + c, x + w, y + h)]
                else:
                    polys.append(shapely.box(x, y, x + w, y + h))
                x += w
                i += 1
            y += h
            row += 1
        jit = rng.choice([0, 0, s * 0.015, s * 0.04])
        if jit:
            polys = [shapely.Polygon(np.array(p.exterior.coords)[:4] + rng.normal(0, jit, (4, 2))) for p in polys]
        r = s * rng.choice([0, 0.02, 0.06, 0.15])
    elif kind in ("rubble", "voronoi"):
        a = rng.uniform(1.2, 2.4) if kind == "rubble" else rng.uniform(0.9, 1.3)
        n = int((N * 1.6) ** 2 / (s * s * a))
        pts = rng.uniform(-0.3 * N, 1.3 * N, (n, 2)) / [a, 1]
        for _ in range(rng.integers(1, 4)):
            v = Voronoi(pts)
            for k, reg in enumerate(v.point_region):
                q = v.regions[reg]
                if q and -1 not in q:
                    c = v.vertices[q].mean(0)
                    if np.all(np.abs(c) < 3 * N):
                        pts[k] = c
        v = Voronoi(pts)
        for reg in v.point_region:
            q = v.regions[reg]
            if q and -1 not in q:
                P = v.vertices[q] * [a, 1]
                if P.min() > -N and P.max() < 2 * N:
                    polys.append(shapely.Polygon(P))
        r = s * rng.uniform(0.05, 0.3)
    else:
        a = rng.uniform(1, 1.6) if kind != "discs" else 1.0
        dens = {"gravel": 2.6, "cobble": 1.1, "discs": 0.45}[kind]
        n = int(dens * (N * 1.2) ** 2 / (s * s * a))
        c = rng.uniform(-0.1 * N, 1.1 * N, (n, 2))
        keep = []
        if kind != "gravel":
            for p in c:
                if all(np.hypot(*((p - q) / [a, 1])) > s * (1.02 if kind == "discs" else 0.8) for q in keep):
                    keep.append(p)
            c = np.array(keep)
        for p in c:
            k = rng.integers(5, 9)
            t = np.sort(rng.uniform(0, 2 * np.pi, k)) if kind == "gravel" else np.linspace(0, 2 * np.pi, 24)[:-1]
            rr = (
                s
                * 0.5
                * rng.uniform(0.75, 1.15)
                * (
                    1
                    + 0.12 * np.sin(2 * t + rng.uniform(0, 6)) * (kind != "discs")
                    + 0.08 * np.sin(3 * t + rng.uniform(0, 6)) * (kind != "discs")
                )
            )
            q = np.c_[np.cos(t) * rr * a, np.sin(t) * rr]
            an = rng.normal(0, 20) if kind == "cobble" else rng.uniform(0, 180)
            q = q @ np.array(
                [[np.cos(np.radians(an)), np.sin(np.radians(an))], [-np.sin(np.radians(an)), np.cos(np.radians(an))]]
            )
            polys.append(shapely.Polygon(q + p))
        r = s * 0.05
        j = 0.5
        bg = True
    return kind, s, j, r, polys, bg


def colour(rng):
    """Colour of a building stone."""
    base = np.array(
        rng.choice(
            np.array(
                [
                    [176, 160, 130],
                    [150, 140, 120],
                    [120, 118, 115],
                    [160, 120, 95],
                    [150, 80, 60],
                    [200, 190, 170],
                    [90, 80, 70],
                    [110, 105, 100],
                    [190, 160, 110],
                    [70, 70, 75],
                ]
            ),
            axis=0,
        ),
        float,
    )
    return np.clip(base + rng.normal(0, 6, 3) + rng.normal(0, 16), 25, 235)


def wall(rng):
    """One wall: picture, stones, defects and the size of a stone.

    Numbers are 0 in joints and outside defects.
    """
    _, s, j, r, polys, bg = layout(rng)
    lab = np.zeros((N, N), np.int32)
    SH = 3
    for k, p in enumerate(polys):
        if not bg:
            p = p.buffer(-j / 2 * rng.uniform(0.7, 1.3) - r, join_style="mitre").buffer(r)
            if p.is_empty:
                continue
            if p.geom_type != "Polygon":
                p = max(p.geoms, key=lambda g: g.area)
        q = np.round(np.array(p.exterior.coords) * 8).astype(np.int32)
        if bg:
            cv2.fillPoly(lab, [q], 0, shift=SH)
            q = (
                np.round(np.array(p.buffer(-0.8).exterior.coords) * 8).astype(np.int32)
                if p.buffer(-0.8).geom_type == "Polygon" and not p.buffer(-0.8).is_empty
                else q
            )
        cv2.fillPoly(lab, [q], k + 1, shift=SH)
    # irregular borders
    amp = rng.choice([0, 0.4, 1.0, 2.0, s * 0.04], p=[0.2, 0.25, 0.25, 0.2, 0.1])
    if amp:
        yy, xx = np.mgrid[0:N, 0:N].astype(np.float32)
        cell = rng.uniform(6, 30)
        lab = cv2.remap(
            lab.astype(np.float32),
            (xx + amp * noise(rng, N, cell, 3)).astype(np.float32),
            (yy + amp * noise(rng, N, cell, 3)).astype(np.float32),
            cv2.INTER_NEAREST,
            borderMode=cv2.BORDER_REPLICATE,
        ).astype(np.int32)
    stone = lab > 0
    ids = lab.max() + 1
    edge = np.zeros((N, N), bool)
    edge[:, 1:] |= lab[:, 1:] != lab[:, :-1]
    edge[1:] |= lab[1:] != lab[:-1]
    d_in = cv2.distanceTransform((stone & ~edge).astype(np.uint8), cv2.DIST_L2, 3)
    d_out = cv2.distanceTransform((~stone).astype(np.uint8), cv2.DIST_L2, 3)
    # per stone colour
    base = colour(rng)
    spread = rng.choice([3, 7, 14, 25])
    dl = rng.normal(0, spread, ids)
    dc = rng.normal(0, spread * 0.18, (ids, 3))
    if rng.random() < 0.2:  # two stones
        other = colour(rng)
        pick = rng.random(ids) < rng.uniform(0.1, 0.5)
    else:
        other = base
        pick = np.zeros(ids, bool)
    cols = np.where(pick[:, None], other, base) + dl[:, None] + dc
    img = cols[lab].astype(np.float32)
    # texture
    ta = rng.choice([3, 6, 10, 16, 24])
    tex = noise(
        rng,
        N,
        rng.uniform(3, 30),
        5,
        rng.uniform(0.5, 0.8),
        rng.choice([1, 1, 2.5, 5]),
        rng.choice([0, 0, 0, rng.uniform(-20, 20)]),
    )
    tex2 = noise(rng, N, rng.uniform(2, 12), 4, 0.7, rng.choice([1, 1, 4]))
    mix = rng.random(ids)[lab]
    amps = (rng.uniform(0.4, 1.4, ids))[lab]
    img += (ta * amps * (mix * tex + (1 - mix) * tex2))[..., None]
    img += (rng.uniform(0, 8) * noise(rng, N, rng.uniform(30, 150), 3))[..., None] * np.array([1, 0.95, 0.85])
    if rng.random() < 0.5:  # within stone colour drift, patches of tone that end at the joint
        img += (noise(rng, N, s * rng.uniform(0.3, 1), 2) * rng.uniform(2, 14) * rng.uniform(0, 1, ids)[lab])[
            ..., None
        ] * rng.normal(1, 0.25, 3)
    if rng.random() < 0.45:  # speckles, pits
        p = noise(rng, N, rng.uniform(1.5, 5), 2)
        t = rng.uniform(1.6, 2.6)
        m = p > t
        img += (
            np.where(m, rng.choice([-1, 1], p=[0.7, 0.3]) * rng.uniform(15, 60), 0)[..., None]
            * cv2.GaussianBlur(m.astype(np.float32), (0, 0), 0.6)[..., None]
        )
    # height
    round_px = max(1.0, s * rng.choice([0.01, 0.03, 0.08, 0.2]))
    hgt = np.minimum(d_in / round_px, 1)
    hgt = np.sqrt(np.clip(1 - (1 - hgt) ** 2, 0, 1)) * round_px * rng.uniform(0.3, 1.3)
    if bg:
        hgt *= rng.uniform(1, 2)
        hgt += rng.uniform(-0.3, 1, ids)[lab] * s * 0.1 * stone
    rough = rng.choice([0.2, 0.6, 1.2, 2.5])
    hgt = (
        hgt
        + stone
        * rough
        * noise(rng, N, rng.uniform(5, s * 0.5), 5, 0.6, rng.choice([1, 1, 2.5]))
        * rng.uniform(0.5, 1.3, ids)[lab]
    )
    tool = rng.random() < 0.2
    if tool:
        ang = rng.uniform(0, 180)
        yy, xx = np.mgrid[0:N, 0:N]
        ph = rng.uniform(0, 6, ids)[lab]
        a = np.radians(ang + rng.normal(0, rng.choice([3, 30]), ids)[lab])
        hgt += (
            stone
            * rng.uniform(0.2, 1.2)
            * np.sin((xx * np.cos(a) + yy * np.sin(a)) * 2 * np.pi / rng.uniform(4, 10) + ph)
        )
    # mortar
    mc = rng.choice(["light", "dark", "same", "any"], p=[0.35, 0.25, 0.25, 0.15])
    tone = {
        "light": base * 0.35 + np.array([200, 192, 178]) * 0.65 + rng.normal(0, 10),
        "dark": base * rng.uniform(0.35, 0.7),
        "same": base + rng.normal(0, 8, 3),
        "any": colour(rng),
    }[mc]
    mort = (
        tone
        + (rng.uniform(2, 12) * noise(rng, N, rng.uniform(3, 10), 4))[..., None]
        + (rng.uniform(0, 14) * noise(rng, N, rng.uniform(40, 120), 2))[..., None]
    )
    if bg:
        mort = base * rng.uniform(0.15, 0.6) + (rng.uniform(2, 10) * noise(rng, N, rng.uniform(3, 10), 3))[..., None]
    if bg and rng.random() < 0.4:
        mort = tone + (rng.uniform(2, 10) * noise(rng, N, rng.uniform(3, 30), 3))[..., None]
    if not bg and j > 5 and rng.random() < 0.25:  # ribbon in the middle of the joint
        rb = d_out > j * rng.uniform(0.2, 0.35)
        mort = np.where(rb[..., None], mort * 0.3 + 0.7 * np.array([205, 200, 190]), mort)
    img = np.where(stone[..., None], img, mort)
    # mortar smeared over arrises, fading joints
    if rng.random() < 0.35:
        sm = (noise(rng, N, s * rng.uniform(0.2, 0.8), 3) > rng.uniform(0.6, 1.6)) & (d_in < max(2, j * 0.7))
        sm = cv2.GaussianBlur(sm.astype(np.float32), (0, 0), 0.8)
        img = img * (1 - sm[..., None]) + mort * sm[..., None]
    if rng.random() < 0.35 and not bg:
        fade = np.clip(noise(rng, N, s * rng.uniform(0.3, 1.2), 2) * 0.5 + rng.uniform(-0.3, 0.4), 0, 0.95) * (~stone)
        near = cv2.blur(img, (15, 15))
        img = img * (1 - fade[..., None]) + near * fade[..., None]
    hgt = np.where(stone, hgt, hgt * 0 - (rng.choice([-0.5, 0, 1, 3])) + 0.6 * noise(rng, N, 4, 3)).astype(np.float32)
    hs = cv2.GaussianBlur(hgt, (0, 0), 0.7)
    gy, gx = np.gradient(hs)
    la = rng.uniform(0, 2 * np.pi) if rng.random() < 0.3 else rng.uniform(np.pi * 1.15, np.pi * 1.85)
    sh = -(gx * np.cos(la) + gy * np.sin(la))
    k = rng.choice([0, 0.15, 0.35, 0.7])
    img *= np.clip(1 + k * sh, 0.25, 1.8)[..., None]
    # cast shadow of stones standing proud, at lower side
    if rng.random() < 0.4:
        dx, dy = int(rng.integers(-2, 3)), int(rng.integers(1, max(2, int(s * 0.06) + 1)))
        m = np.float32([[1, 0, dx], [0, 1, dy]])
        sl = cv2.warpAffine(hgt, m, (N, N))
        c = cv2.GaussianBlur(((sl - hgt) > rng.uniform(0.5, 2)).astype(np.float32), (0, 0), 0.8)
        img *= (1 - rng.uniform(0.2, 0.7) * c)[..., None]
    # dark rim of a recess
    if rng.random() < 0.25 and not bg:
        img *= (1 - rng.uniform(0.1, 0.5) * np.exp(-d_out / 1.2) * (~stone))[..., None]
    dfx = np.zeros((N, N), np.uint8)
    nd = 0
    if rng.random() < 0.55 and not bg:
        idl = np.unique(lab)
        idl = idl[idl > 0]
        for i in rng.permutation(idl)[: rng.integers(3, 25)]:
            ys, xs = np.nonzero(lab == i)
            if len(ys) < 300:
                continue
            k = rng.integers(len(ys))
            cy, cx = ys[k], xs[k]
            R = np.sqrt(len(ys)) * rng.uniform(0.12, 0.4)
            yy, xx = np.mgrid[0:N, 0:N]
            d = np.hypot((xx - cx) / rng.uniform(0.7, 1.6), yy - cy) / R
            blob = d + 0.22 * noise(rng, N, max(3, R * 0.7), 3) < 1
            typ = rng.choice(["spall", "stain", "missing", "patch"])
            if typ != "stain" or rng.random() < 0.6:
                blob &= lab == i
            if typ == "patch":
                w, h = R * rng.uniform(0.7, 1.4), R * rng.uniform(0.5, 1.2)
                blob = (abs(xx - cx) < w) & (abs(yy - cy) < h) & (lab == i)
            if blob.sum() < 120 or nd >= 250:
                continue
            b = cv2.GaussianBlur(blob.astype(np.float32), (0, 0), rng.choice([0.6, 1.2]))
            if typ == "stain":
                b = cv2.GaussianBlur(b, (0, 0), rng.choice([0.7, 2, 3]))
                new = (
                    img * rng.uniform(0.35, 0.75) if rng.random() < 0.7 else img * 0.5 + 0.5 * np.array([215, 212, 205])
                )
            elif typ == "spall":
                f = noise(rng, N, rng.uniform(3, 12), 4, 0.7)
                g = np.gradient(cv2.GaussianBlur(-blob.astype(np.float32) * rng.uniform(2, 6), (0, 0), 1.2) + 0.8 * f)
                new = (img * 0.2 + 0.8 * (cols[i] * rng.uniform(0.75, 1.3) + rng.normal(0, 8, 3))) + (
                    rng.uniform(4, 16) * f
                )[..., None]
                new = new * np.clip(1 - 0.5 * (g[1] * np.cos(la) + g[0] * np.sin(la)), 0.3, 1.7)[..., None]
                rim = np.clip(1 - 0.5 * (g[1] * np.cos(la) + g[0] * np.sin(la)), 0.4, 1.6)
                ring = (cv2.dilate(blob.astype(np.uint8), np.ones((3, 3))) > 0) & ~blob
                img = np.where(ring[..., None], img * rim[..., None], img)
            elif typ == "missing":
                new = img * rng.uniform(0.08, 0.35) + rng.uniform(0, 15)
            else:
                new = colour(rng) + (rng.uniform(2, 10) * noise(rng, N, rng.uniform(2, 8), 3))[..., None]
            img = img * (1 - b[..., None]) + new * b[..., None]
            nd += 1
            dfx[blob] = nd
    # overlays: streaks, moss, bloom, cracks, shadow
    if rng.random() < 0.3:
        img *= np.clip(
            1 - np.maximum(noise(rng, N, rng.uniform(10, 40), 3, aniso=0.2), 0) * rng.uniform(0.05, 0.3), 0.2, 1
        )[..., None]
    if rng.random() < 0.25:
        m = np.clip(noise(rng, N, rng.uniform(8, 80), 5, 0.7) - rng.uniform(0.3, 1.3), 0, 1) * rng.uniform(0.4, 1)
        img = img * (1 - m[..., None]) + m[..., None] * (
            np.array([110, 105, 50]) + rng.normal(0, 15, 3) + 20 * noise(rng, N, 3, 2)[..., None]
        )
    if rng.random() < 0.2:
        m = np.clip(noise(rng, N, rng.uniform(8, 50), 5, 0.7) - rng.uniform(0.5, 1.5), 0, 1) * rng.uniform(0.3, 0.9)
        img = img * (1 - m[..., None]) + m[..., None] * np.array([225, 222, 215])
    if rng.random() < 0.3:
        for _ in range(rng.integers(1, 5)):
            p = rng.uniform(0, N, 2)
            a = rng.uniform(0, 6.28)
            pts = []
            for _ in range(rng.integers(20, 120)):
                pts.append(p.copy())
                a += rng.normal(0, 0.35)
                p += 5 * np.array([np.cos(a), np.sin(a)])
            c = np.zeros((N, N), np.uint8)
            cv2.polylines(
                c, [np.round(np.array(pts) * 8).astype(np.int32)], False, 255, int(rng.integers(1, 3)), cv2.LINE_AA, 3
            )
            img *= (1 - rng.uniform(0.3, 0.8) * c / 255.0)[..., None]
    if rng.random() < 0.25:
        q = rng.uniform(-0.3 * N, 1.3 * N, (4, 2))
        c = np.zeros((N, N), np.uint8)
        cv2.fillConvexPoly(c, cv2.convexHull(q.astype(np.int32)), 255)
        c = cv2.GaussianBlur(c, (0, 0), rng.uniform(0.8, 8))
        img *= (1 - rng.uniform(0.2, 0.6) * c / 255.0)[..., None]
    return np.clip(img, 0, 255).astype(np.uint8), lab.astype(np.int16), dfx, s
