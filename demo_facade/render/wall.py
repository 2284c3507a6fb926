"""Paints the whole main plane: mortar, stones, weather, conditions, targets, light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from .colour import linear_from_lab, texture
from .decay import MOVED, Condition
from .light import cast_shadow, shade
from .masonry import GREY, HEIGHT_M, STONE_LAB, WIDTH_M, Building, Stone
from .noise import Bank, F, fractal, smooth, stream
from .paint import Window, painter
from .stone import paint_face
from .survey import SMALL_TARGET_M, TARGET_M, SurveyPoint

PX_MM = 1.25
COLS, ROWS = round(WIDTH_M * 1000 / PX_MM), round(HEIGHT_M * 1000 / PX_MM)
_FINE = 16


def pixels(points: NDArray | list, r0: int = 0, c0: int = 0) -> NDArray[np.float64]:
    """(x, y) pixels of wall metres in a window that starts at (r0, c0); integers are pixel centres."""
    uv = np.asarray(points, float) * 1000 / PX_MM
    return np.column_stack([uv[:, 0] - 0.5 - c0, ROWS - uv[:, 1] - 0.5 - r0])


class Wall:
    """Colour (CIELAB) and relief (mm) of the main plane, row 0 at the top."""

    def __init__(self, building: Building, seed: int) -> None:
        self.building, self.seed = building, seed
        self.bank = Bank(seed)
        self.lab = np.empty((ROWS, COLS, 3), np.float32)
        self.height = np.empty((ROWS, COLS), np.float32)
        self.label = np.zeros((ROWS, COLS), np.int16)
        self._lay_mortar()
        for n, s in enumerate(building.stones, 1):
            self._lay(n, s)
        self.clean_lab = self._means(np.ones_like(self.label, bool))
        self._weather()

    def _lay_mortar(self) -> None:
        rng = stream(self.seed, 10)
        step = 800
        for r in range(0, ROWS, step):
            for c in range(0, COLS, step):
                h, w = min(step, ROWS - r), min(step, COLS - c)
                sand, tone = self.bank.cut("coarse", rng, h, w), self.bank.cut("cloud", rng, h, w)
                self.lab[r : r + h, c : c + w] = np.array([66, 2.4, 10.5], np.float32)
                self.lab[r : r + h, c : c + w, 0] += 3.0 * sand + 4.0 * tone
                self.height[r : r + h, c : c + w] = -3.4 + 0.7 * sand + 1.1 * tone

    def window(self, shape: BaseGeometry, pad_m: float) -> tuple[slice, slice, int, int]:
        u0, v0, u1, v1 = shape.bounds
        (x0, y1), (x1, y0) = pixels([(u0 - pad_m, v0 - pad_m), (u1 + pad_m, v1 + pad_m)])
        r0, r1 = max(0, int(y0)), min(ROWS, int(y1) + 2)
        c0, c1 = max(0, int(x0)), min(COLS, int(x1) + 2)
        return slice(r0, r1), slice(c0, c1), r0, c0

    def _lay(self, n: int, s: Stone) -> None:
        rng = stream(self.seed, 20, n)
        rs, cs, r0, c0 = self.window(s.polygon, 0.004)
        mask = np.zeros((rs.stop - rs.start, cs.stop - cs.start), np.uint8)
        pts = np.round(pixels(s.corners, r0, c0) * _FINE).astype(np.int32)
        cv2.fillPoly(mask, [pts], 255, cv2.LINE_AA, 4)
        m = mask.astype(np.float32) / 255
        lab, height = paint_face(
            rng,
            self.bank,
            m,
            stone_type=s.stone_type,
            lab=s.lab,
            bed=s.bed,
            finish=s.finish,
            wear=s.wear,
            px_mm=PX_MM,
        )
        self.lab[rs, cs] += m[..., None] * (lab - self.lab[rs, cs])
        # a stone never sits quite in the plane of its neighbours
        yy, xx = np.mgrid[0 : m.shape[0], 0 : m.shape[1]].astype(np.float32)
        tilt = rng.normal(0, 0.004, 2)
        height += (
            rng.normal(0, 0.5)
            + tilt[0] * PX_MM * (xx - xx.mean())
            + tilt[1] * PX_MM * (yy - yy.mean())
        )
        self.height[rs, cs] += m * (height - self.height[rs, cs])
        self.label[rs, cs][m > 0.5] = n

    def _means(self, take: NDArray[np.bool_]) -> dict[str, list[float]]:
        """Mean CIELAB of each stone over the pixels taken."""
        lab = np.where(take, self.label, 0).ravel()
        n = np.bincount(lab, minlength=len(self.building.stones) + 1)
        sums = [
            np.bincount(lab, weights=self.lab[..., k].ravel(), minlength=len(n)) for k in range(3)
        ]
        return {
            s.id: [round(float(c[i] / max(n[i], 1)), 2) for c in sums]
            for i, s in enumerate(self.building.stones, 1)
        }

    def _weather(self) -> None:
        """Soot under the ledges, streaks below sills, damp at the plinth, uneven tone."""
        rng = stream(self.seed, 30)
        q = 4
        h, w = ROWS // q, COLS // q
        v = (HEIGHT_M - (np.arange(h, dtype=np.float32) + 0.5) * q * PX_MM / 1000)[:, None]
        u = ((np.arange(w, dtype=np.float32) + 0.5) * q * PX_MM / 1000)[None]
        mm = q * PX_MM
        tone = fractal(rng, h, w, 1500 / mm, octaves=4)
        runs = fractal(rng, h, w, (40 / mm, 900 / mm), octaves=5, gain=0.7)
        broad = fractal(rng, h, w, (260 / mm, 500 / mm), octaves=4)
        dark = np.zeros((h, w), np.float32)
        lev = self.building.levels
        for ledge, reach, k in ((lev[19], 0.5, 0.55), (lev[11], 0.34, 0.42), (lev[21], 0.22, 0.45)):
            below = ledge - v
            dark += (
                k
                * (below > 0)
                * np.exp(-np.maximum(below, 0) / (reach * (0.55 + 0.5 * smooth(runs, -1.2, 1.4))))
                * (0.75 + 0.35 * broad)
            )
        wash = np.zeros((h, w), np.float32)
        for o in self.building.openings:
            if not o.sill:
                continue
            below = o.v0 - 0.16 - v
            fall = (below > 0) * np.exp(
                -np.maximum(below, 0) / (0.45 + 0.22 * np.clip(runs, -1.2, 2))
            )
            for end in (o.u0 - 0.11, o.u1 + 0.11):
                dark += (
                    0.55
                    * fall
                    * np.exp(-(((u - end + 0.012 * broad) / 0.055) ** 2))
                    * smooth(runs, -1.4, 0.9)
                )
            wash += (
                0.4
                * fall
                * smooth(u, o.u0 - 0.05, o.u0 + 0.1)
                * (1 - smooth(u, o.u1 - 0.1, o.u1 + 0.05))
                * smooth(runs, -0.8, 1.2)
            )
        damp = 1 - smooth(v + 0.16 * broad + 0.07 * runs, 0.25, 0.95)
        green = (1 - smooth(v + 0.1 * runs, 0.02, 0.3)) * smooth(broad, -0.7, 1.3)
        top = smooth(v + 0.05 * runs, 7.8, 8.02) * smooth(broad, -1.0, 1.0)
        delta = np.zeros((h, w, 3), np.float32)
        delta[..., 0] = (
            1.3 * tone - 19 * np.clip(dark, 0, 1.1) + 3 * wash - 6.5 * damp - 6 * green - 7 * top
        )
        delta[..., 1] = -0.9 * np.clip(dark, 0, 1) + 0.4 * damp - 4.5 * green - 1.5 * top
        delta[..., 2] = 0.5 * tone - 5.5 * np.clip(dark, 0, 1.1) + 1.2 * damp + 6 * green + 2 * top
        for r in range(0, ROWS, 800):  # in strips: the small field is drawn up to full size
            part = delta[max(0, r // q - 2) : (r + 800) // q + 2]
            big = cv2.resize(part, None, fx=q, fy=q, interpolation=cv2.INTER_LINEAR)
            off = r - max(0, r // q - 2) * q
            self.lab[r : r + 800] += big[off : off + min(800, ROWS - r)]

    def damage(self, conditions: list[Condition]) -> None:
        """Paint every condition, then take the means of what is still sound."""
        sound = np.ones((ROWS, COLS), bool)
        for c in conditions:
            self._damage_one(c, sound)
        self.sound_lab = self._means(sound)

    def _damage_one(self, c: Condition, sound: NDArray[np.bool_]) -> None:
        pad = 0.085
        rs, cs, r0, c0 = self.window(c.shape, pad)
        size = (rs.stop - rs.start, cs.stop - cs.start)
        mask = np.zeros(size, np.uint8)
        if isinstance(c.shape, Polygon):
            cv2.fillPoly(
                mask,
                [np.round(pixels(c.shape.exterior.coords, r0, c0) * _FINE).astype(np.int32)],
                255,
                cv2.LINE_8,
                4,
            )
            outside = cv2.distanceTransform(255 - mask, cv2.DIST_L2, 5) * PX_MM
        elif c.shape.geom_type == "LineString":
            up = 4  # distance to a line must be finer than a pixel
            fine = np.full((size[0] * up, size[1] * up), 255, np.uint8)
            pts = (pixels(c.shape.coords, r0, c0) + 0.5) * up - 0.5
            cv2.polylines(
                fine, [np.round(pts * _FINE).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4
            )
            d = cv2.distanceTransform(fine, cv2.DIST_L2, 5) * (PX_MM / up)
            outside = cv2.resize(d, (size[1], size[0]), interpolation=cv2.INTER_AREA)
        else:
            x, y = pixels([(c.shape.x, c.shape.y)], r0, c0)[0]
            yy, xx = np.mgrid[0 : size[0], 0 : size[1]].astype(np.float32)
            outside = np.hypot(xx - np.float32(x), yy - np.float32(y)) * np.float32(PX_MM)
        inside = cv2.distanceTransform(mask, cv2.DIST_L2, 5) * np.float32(PX_MM)
        host = self.building.by_id[c.stones[0]]
        base = (
            np.array(STONE_LAB[host.stone_type]) * 0.35
            + np.array(host.lab) * 0.65
            + np.array([2.0, 0.3, 1.5 if host.stone_type != GREY else 0])
        )
        window = Window(
            lab=self.lab[rs, cs], height=self.height[rs, cs], inside_mm=inside, outside_mm=outside.astype(np.float32),
            depth_mm=(c.depth_m or 0) * 1000, width_mm=(c.width_m or 0) * 1000, px_mm=PX_MM,
            rng=stream(self.seed, 40, c.seed), bank=self.bank, fresh=tuple(float(x) for x in base),
        )  # fmt: skip
        if c.term in MOVED:
            self._move(host, c)
            return
        painter(c.term, c.shape)(window)
        sound[rs, cs] &= outside > 6

    def _move(self, s: Stone, c: Condition) -> None:
        """A loose or displaced stone: stands out or leans, its joints are open."""
        rs, cs, r0, c0 = self.window(s.polygon, 0.012)
        m = np.zeros((rs.stop - rs.start, cs.stop - cs.start), np.uint8)
        cv2.fillPoly(m, [np.round(pixels(s.corners, r0, c0)).astype(np.int32)], 1)
        yy = np.linspace(-1, 1, m.shape[0], dtype=np.float32)[:, None]
        lift = 12.0 if c.term == "displacement" else 5.0 + 4.0 * yy
        self.height[rs, cs] += m * lift
        ring = cv2.dilate(m, np.ones((9, 9), np.uint8)) - m
        self.height[rs, cs] -= 18.0 * ring
        self.lab[rs, cs] += ring[..., None] * np.array([-28, -1, -4], np.float32)

    def stick_targets(self, points: list[SurveyPoint]) -> None:
        """Printed quartered targets, drawn with exact pixel coverage."""
        for p in points:
            if p.mark != "stone corner":
                self._stick(p, TARGET_M if p.mark == "target" else SMALL_TARGET_M)

    def _stick(self, p: SurveyPoint, side_m: float) -> None:
        x, y = pixels([p.uvw[:2]])[0]
        half = side_m * 500 / PX_MM
        r0, r1, c0, c1 = int(y - half) - 2, int(y + half) + 4, int(x - half) - 2, int(x + half) + 4
        up = 16
        ys = (np.arange((r1 - r0) * up) + 0.5) / up - 0.5 + r0 - y
        xs = (np.arange((c1 - c0) * up) + 0.5) / up - 0.5 + c0 - x
        dy, dx = np.meshgrid(ys, xs, indexing="ij")
        paper = (np.abs(dx) <= half) & (np.abs(dy) <= half)
        disc = np.hypot(dx, dy) <= half * 0.86
        black = disc & (dx * dy < 0)

        def area(b: NDArray) -> F:
            return cv2.resize(
                b.astype(np.float32), (c1 - c0, r1 - r0), interpolation=cv2.INTER_AREA
            )

        a, k = area(paper), area(black)
        lin = (a - k)[..., None] * np.array([94, 0.2, 0.8]) + k[..., None] * np.array(
            [20, 0.2, 0.3]
        )
        win = self.lab[r0:r1, c0:c1]
        win *= (1 - a)[..., None]
        win += lin.astype(np.float32)
        h = self.height[r0:r1, c0:c1]
        h += a * (1.2 - h)

    def ledges_shadow(self) -> F:
        """Sun kept off the wall by its own ledges (cornice, string, sills, coping), at a fifth of the size."""
        px = 5.0
        high = np.zeros((int(HEIGHT_M * 1000 / px), int(WIDTH_M * 1000 / px)), np.float32)
        for s in self.building.stones:
            if s.proud_m:
                u0, v0, u1, v1 = s.box
                trim = 0.12 if s.role == "cornice" else 0.0
                high[
                    int((HEIGHT_M - v1) * 1000 / px) : int((HEIGHT_M - v0 - trim) * 1000 / px),
                    int(u0 * 1000 / px) : int(u1 * 1000 / px) + 1,
                ] = s.proud_m * 1000
        lit = cast_shadow(high, px, tuple(range(1, 30)), soft_mm=10.0)
        lit[high > 0] = 1.0
        return cv2.GaussianBlur(lit, (0, 0), 1.2)

    def lit_texture(self) -> NDArray[np.uint16]:
        """The main plane as linear light, in strips."""
        shadow = cv2.resize(self.ledges_shadow(), (COLS, ROWS), interpolation=cv2.INTER_LINEAR)
        out = np.empty((ROWS, COLS, 3), np.uint16)
        step, pad = 800, 120
        for r in range(0, ROWS, step):
            a, b = max(0, r - pad), min(ROWS, r + step + pad)
            light = shade(self.height[a:b], PX_MM, shadow=shadow[a:b])[
                r - a : r - a + min(step, ROWS - r)
            ]
            lin = linear_from_lab(self.lab[r : r + step]) * light[..., None]
            out[r : r + step] = texture(lin)
        return out
