"""Blocks in a yard, rendered with photographed stone, timber and ground; their true size is known (seeded).

Where ``tests/unit/rendered_block.py`` invents its stone, this one takes pictures: a face, its shaded sides, timber
under it, cast shadow, cluttered ground, chips, rounded corners, a lens, noise and JPEG.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image

from facademap.photo.camera import Camera
from facademap.photo.lab import lab_from_srgb, srgb_from_lab

__all__ = ["YardPicture", "render_yard"]

Floats = NDArray[np.floating[Any]]
Picture = NDArray[np.uint8]
#: Drawn so much finer, then averaged.
_FINER = 2
#: Sides are at least so much darker or lighter than the face (L*): without it nobody sees the arris.
_LEAST_SIDE_STEP = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class YardPicture:
    """A picture and the truth behind it; lengths in millimetres of the face, x along the bed, y up."""

    picture: Picture
    camera: Camera
    control: list[tuple[str, float, float, float, float]]
    outline_mm: Floats
    outline_px: Floats
    width_mm: float
    height_mm: float
    area_mm2: float
    click_px: tuple[float, float]
    tilt_deg: float
    difference: float
    kind: str


class _View:
    """A camera in the frame of the face (x right, y up, z towards the camera)."""

    def __init__(
        self,
        rng: np.random.Generator,
        size_px: tuple[int, int],
        middle: Floats,
        reach: Floats,
        tilt_deg: float,
        lens: bool,
    ) -> None:
        width, height = size_px
        focal = rng.uniform(0.8, 1.3) * width
        k1 = float(rng.uniform(-0.12, 0.08)) if lens else 0.0
        self.camera = Camera(
            width_px=width,
            height_px=height,
            fx_px=focal,
            fy_px=focal,
            cx_px=(width - 1) / 2 + rng.normal(0, 8),
            cy_px=(height - 1) / 2 + rng.normal(0, 8),
            k1=k1,
            k2=-0.15 * k1,
            p1=0.0004 * lens,
            p2=-0.0003 * lens,
        )
        azimuth = rng.uniform(0, 2 * np.pi)
        tilt = cv2.Rodrigues(
            np.array([np.cos(azimuth), np.sin(azimuth), 0.0]) * np.radians(tilt_deg)
        )[0]
        roll = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(rng.uniform(-8, 8))]))[0]
        self.rotation = tilt @ roll @ np.diag([1.0, -1.0, -1.0])
        distance = max(reach[0] / width, reach[1] / height) * focal
        self.translation = (
            np.array([rng.normal(0, 0.02) * distance, rng.normal(0, 0.02) * distance, distance])
            - self.rotation @ middle
        )
        rows, cols = np.mgrid[0 : height + 16 : 16, 0 : width + 16 : 16].astype(float)
        self._rays = self.camera.ray_from_pixel(np.dstack([cols, rows]))
        self.size = (width * _FINER, height * _FINER)

    def pixels(self, points: Floats) -> Floats:
        at = points @ self.rotation.T + self.translation
        return self.camera.pixel_from_ray(at[..., :2] / at[..., 2:])

    def places(self, z: float) -> tuple[Floats, Floats]:
        """x and y where the rays of the fine picture meet a plane of the face's z."""
        eye = -self.rotation.T @ self.translation
        rays = np.dstack([self._rays, np.ones(self._rays.shape[:2])]) @ self.rotation
        reach = (z - eye[2]) / np.where(np.abs(rays[..., 2]) < 1e-6, -1e-6, rays[..., 2])
        grid = np.arange(self.size[0]) / _FINER - 0.25, np.arange(self.size[1]) / _FINER - 0.25
        at = [
            (
                np.repeat((g / 16)[None], len(h), 0)
                if k == 0
                else np.repeat((g / 16)[:, None], len(h), 1)
            ).astype(np.float32)
            for k, (g, h) in enumerate(((grid[0], grid[1]), (grid[1], grid[0])))
        ]
        x, y = ((eye[k] + reach * rays[..., k]).astype(np.float32) for k in range(2))
        return tuple(
            cv2.remap(v, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for v in (x, y)
        )  # type: ignore[return-value]

    def mask(self, points: Floats) -> NDArray[np.float32]:
        px = self.pixels(points)
        result = np.zeros(self.size[::-1], np.uint8)
        cv2.fillPoly(
            result,
            [np.round(((px + 0.5) * _FINER - 0.5) * 16).astype(np.int32)],
            255,
            cv2.LINE_AA,
            4,
        )
        return (result / np.float32(255))[..., None]

    def paint(self, lab: Floats, points: Floats, skin: Any, *, lighter: float = 0.0) -> None:
        """Put a skin (Lab of the whole picture, one colour, or what makes it of a window) into a polygon."""
        px = (self.pixels(points) + 0.5) * _FINER - 0.5
        x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 2, 0)
        x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 3, self.size)
        if x1 <= x0 or y1 <= y0:
            return
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        cv2.fillPoly(mask, [np.round((px - (x0, y0)) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        part = lab[y0:y1, x0:x1]
        window = (slice(y0, y1), slice(x0, x1))
        wanted = (
            skin(window) if callable(skin) else skin[window] if skin.ndim == 3 else skin
        ) + np.array([lighter, 0, 0], np.float32)
        part += (mask / np.float32(255))[..., None] * (wanted - part)


def _skin(lab: Floats, x: Floats, y: Floats, rng: np.random.Generator, texel_mm: float) -> Floats:
    """A texture (Lab) laid out endlessly by mirrors."""
    rows, cols = lab.shape[:2]
    twice = np.hstack([np.vstack([lab, lab[::-1]]), np.vstack([lab, lab[::-1]])[:, ::-1]])
    u = np.mod(x / texel_mm + rng.uniform(0, cols), 2 * cols).astype(np.float32)
    v = np.mod(-y / texel_mm + rng.uniform(0, rows), 2 * rows).astype(np.float32)
    return np.asarray(
        cv2.remap(twice.astype(np.float32), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    )


def _outline(rng: np.random.Generator, width: float, height: float, kind: str) -> Floats:
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=float)
    if kind != "sawn":
        corners += rng.normal(0, 0.008, (4, 2)) * width
    shape = shapely.Polygon(corners)
    if kind in ("rounded", "worn"):
        radius = rng.uniform(6, 30)
        shape = shape.buffer(-radius, quad_segs=24).buffer(radius, quad_segs=24)
    if kind in ("chipped", "worn"):
        for corner in rng.permutation(4)[: rng.integers(1, 4)]:
            size = rng.uniform(0.05, 0.16, 2) * min(width, height)
            turn = rng.uniform(0, np.pi)
            angles = np.linspace(0, 2 * np.pi, 24, endpoint=False)
            bite = np.column_stack([size[0] * np.cos(angles), size[1] * np.sin(angles)]) * (
                1 + 0.12 * rng.standard_normal((24, 1))
            )
            turned = bite @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
            cut = shape.difference(shapely.Polygon(corners[corner] + turned).buffer(0))
            shape = max(shapely.get_parts(cut), key=lambda p: p.area)
    ring = shapely.get_coordinates(shapely.segmentize(shape.exterior, 6.0))[:-1]
    if kind in ("chipped", "worn", "rough"):
        amount = {"chipped": 0.5, "worn": 0.8, "rough": 1.5}[kind]
        wobble = np.convolve(np.tile(rng.standard_normal(len(ring)), 3), np.ones(5) / 5, "same")[
            len(ring) : 2 * len(ring)
        ]
        away = ring - ring.mean(axis=0)
        ring = ring + amount * wobble[:, None] * away / np.linalg.norm(away, axis=1, keepdims=True)
    return np.asarray(
        shapely.get_coordinates(
            max(
                shapely.get_parts(shapely.make_valid(shapely.Polygon(ring))), key=lambda p: p.area
            ).exterior
        )[:-1]
    )


def render_yard(
    seed: int,
    *,
    stones: Sequence[Picture],
    grounds: Sequence[Picture],
    size_px: tuple[int, int] = (1600, 1200),
    most_tilt_deg: float = 30.0,
    kind: str | None = None,
) -> YardPicture:
    """Render one block.

    Parameters
    ----------
    seed : int
    stones, grounds : sequence of ndarray of uint8
        Pictures of stone; pictures of timber, grass, gravel, paving. Now and then the ground is stone too.
    size_px : tuple of int
    most_tilt_deg : float
    kind : {"sawn", "squared", "chipped", "rounded", "worn", "rough"}, optional
    """
    rng = np.random.default_rng(seed)
    kind = kind or str(rng.choice(["sawn", "squared", "chipped", "rounded", "worn", "rough"]))
    width = rng.uniform(250, 700)
    height, depth = width * rng.uniform(0.4, 0.85), rng.uniform(50, 180)
    outline = _outline(rng, width, height, kind)
    tilt = float(rng.uniform(0, most_tilt_deg))
    view = _View(
        rng,
        size_px,
        np.array([width / 2, height / 2, 0.0]),
        np.array([width, height]) * rng.uniform(1.3, 1.9),
        tilt,
        lens=bool(rng.random() < 0.7),
    )
    stone = _toned(stones[int(rng.integers(len(stones)))], rng)
    for _ in range(12):  # not the same stone on the same stone
        from_stones = rng.random() < 0.25
        pictures = stones if from_stones else grounds
        ground = _toned(pictures[int(rng.integers(len(pictures)))], rng)
        apart = np.linalg.norm(
            np.median(stone.reshape(-1, 3), 0) - np.median(ground.reshape(-1, 3), 0)
        )
        if apart > 9.0:
            break
    _aim(view, outline, width, height, size_px)
    lab, difference = _painted(rng, view, outline, depth, stone, ground, stones, grounds)
    light = rng.normal(0, 2.0, 2)
    across = (
        np.linspace(-1, 1, view.size[0], dtype=np.float32),
        np.linspace(-1, 1, view.size[1], dtype=np.float32),
    )
    lab[..., 0] += light[0] * across[0] + light[1] * across[1][:, None]
    named, marked = _control(rng, outline, width, height)
    if marked:
        for x, y in named.values():
            for radius, tone in ((7.0, 92.0), (4.5, 12.0), (1.2, 92.0)):
                turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
                ring = np.column_stack(
                    [x + radius * np.cos(turn), y + radius * np.sin(turn), np.zeros(32)]
                )
                view.paint(lab, ring, np.array([tone, 0, 0], np.float32))
    picture = _photographed(rng, lab, size_px)
    inner = shapely.Polygon(outline).buffer(-0.18 * min(width, height))
    while True:
        at = np.array(inner.bounds[:2]) + rng.random(2) * (
            np.array(inner.bounds[2:]) - inner.bounds[:2]
        )
        if inner.contains(shapely.Point(at)) and all(
            np.hypot(*(at - m)) > 15 for m in named.values()
        ):
            break
    click = view.pixels(np.array([*at, 0.0]))
    control = [
        (
            n,
            *map(float, view.pixels(np.array([x, y, 0.0])) + rng.normal(0, 0.15, 2)),
            float(x),
            float(y),
        )
        for n, (x, y) in named.items()
    ]
    size = np.ptp(outline, axis=0)
    return YardPicture(
        picture=picture,
        camera=view.camera,
        control=control,
        outline_mm=outline,
        outline_px=view.pixels(np.column_stack([outline, np.zeros(len(outline))])),
        width_mm=float(size[0]),
        height_mm=float(size[1]),
        area_mm2=float(shapely.Polygon(outline).area),
        click_px=(float(click[0]), float(click[1])),
        tilt_deg=tilt,
        difference=difference,
        kind=kind,
    )


def _aim(
    view: _View, outline: Floats, width: float, height: float, size_px: tuple[int, int]
) -> None:
    """Step back until face and control lie in the picture."""
    marks = np.array([(-40, -40), (width + 40, -40), (width + 40, height + 40), (-40, height + 40)])
    points = np.column_stack([np.vstack([outline, marks]), np.zeros(len(outline) + 4)])
    for _ in range(30):
        seen = view.pixels(points)
        if (
            np.isfinite(seen).all()
            and seen.min() > 12
            and (seen.max(axis=0) < np.array(size_px) - 12).all()
        ):
            return
        view.translation = view.translation + np.array([0, 0, 0.06 * view.translation[2]])


def _toned(rgb: Picture, rng: np.random.Generator) -> Floats:
    """A texture in Lab, its lightness moved into the range of stone in daylight."""
    lab = lab_from_srgb(rgb).astype(np.float32)
    middle = float(np.median(lab[..., 0]))
    lab[..., 0] += np.clip(middle, 34, 80) - middle + rng.normal(0, 2)
    return lab


def _control(
    rng: np.random.Generator, outline: Floats, width: float, height: float
) -> tuple[dict[str, tuple[float, float]], bool]:
    style = str(rng.choice(["on", "on", "bare", "around"]))
    off = {
        "on": rng.uniform(0.08, 0.2) * min(width, height),
        "bare": 0.15 * min(width, height),
        "around": -35.0,
    }[style]
    places = {
        "a": (off, off),
        "b": (width - off, off),
        "c": (width - off, height - off),
        "d": (off, height - off),
    }
    return places, style != "bare"


def _painted(
    rng: np.random.Generator,
    view: _View,
    outline: Floats,
    depth: float,
    stone: Floats,
    ground: Floats,
    stones: Sequence[Picture],
    grounds: Sequence[Picture],
) -> tuple[Floats, float]:
    front, back = (np.column_stack([outline, np.full(len(outline), z)]) for z in (0.0, -depth))
    x, y = view.places(-depth)
    lab = _skin(ground, x, y, rng, rng.uniform(0.5, 1.6))
    middle, size = outline.mean(axis=0), np.ptp(outline, axis=0)
    if rng.random() < 0.4:  # timber under the block
        timber = _toned(grounds[int(rng.integers(len(grounds)))], rng)
        for share in (0.2, 0.8):
            at, half = share * size[0] + rng.normal(0, 15), rng.uniform(25, 60)
            strip = np.array(
                [
                    (at - half, -600),
                    (at + half, -600),
                    (at + half, size[1] + 600),
                    (at - half, size[1] + 600),
                ]
            )
            view.paint(
                lab,
                np.column_stack([strip, np.full(4, -depth)]),
                lambda w, t=timber: _skin(t, x[w], y[w], rng, 0.8),
            )
    light = rng.normal(0, 1, 2)
    light /= np.linalg.norm(light)
    for _ in range(
        int(rng.integers(0, 7))
    ):  # clutter: offcuts and stones beside the block, below its face
        about = middle + rng.uniform(0.75, 1.1) * size * np.array(
            [np.cos(a := rng.uniform(0, 2 * np.pi)), np.sin(a)]
        )
        angles = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
        ring = about + (rng.uniform(15, 70) * rng.uniform(0.7, 1.2, len(angles)))[
            :, None
        ] * np.column_stack([np.cos(angles), np.sin(angles)])
        pictures = stones if rng.random() < 0.6 else grounds
        piece = _toned(pictures[int(rng.integers(len(pictures)))], rng)
        shade = view.mask(np.column_stack([ring - 9 * light, np.full(len(ring), -depth)]))
        lab[..., 0] -= 12 * cv2.blur(shade[..., 0], (13, 13))
        view.paint(
            lab,
            np.column_stack([ring, np.full(len(ring), -depth)]),
            lambda w, t=piece: _skin(t, x[w], y[w], rng, 0.8),
        )
    thrown = back[:, :2] - light * depth * rng.uniform(0.2, 0.7)
    hull = shapely.get_coordinates(
        shapely.convex_hull(shapely.MultiPoint(np.vstack([back[:, :2], thrown])))
    )
    shadow = view.mask(np.column_stack([hull, np.full(len(hull), -depth)]))[..., 0]
    lab[..., 0] -= rng.uniform(8, 20) * cv2.blur(
        cv2.blur(shadow, (k := int(rng.integers(5, 30)), k)), (k, k)
    )
    around = lab.copy()
    x, y = view.places(0.0)
    texel = rng.uniform(0.4, 1.3)
    skin = _skin(stone, x, y, rng, texel)
    side = _skin(stone, x, y, rng, texel)  # another part of the same stone
    eye = -view.rotation.T @ view.translation
    for i in range(len(outline)):
        j = (i + 1) % len(outline)
        edge = outline[j] - outline[i]
        normal = np.array([edge[1], -edge[0]]) / max(float(np.hypot(*edge)), 1e-9)
        if normal @ (eye[:2] - outline[i]) <= 0:
            continue
        shade = 11.0 * float(normal @ light) - 9.0
        shade = float(np.sign(shade) or -1.0) * max(abs(shade), _LEAST_SIDE_STEP)
        view.paint(lab, np.array([front[i], front[j], back[j], back[i]]), side, lighter=shade)
    face = view.mask(front)
    worn = (
        cv2.GaussianBlur(face[..., 0], (0, 0), 3.0) - face[..., 0]
    )  # an arris catches or loses light
    lab += face * (skin - lab)
    lab[..., 0] += face[..., 0] * worn * rng.uniform(-14, 14)
    rim = (cv2.dilate(face[..., 0], np.ones((41, 41))) > 0.5) & (face[..., 0] < 0.01)
    difference = float(
        np.linalg.norm(np.median(lab[face[..., 0] > 0.99], axis=0) - np.median(around[rim], axis=0))
    )
    return lab, difference


def _photographed(rng: np.random.Generator, lab: Floats, size_px: tuple[int, int]) -> Picture:
    values = cv2.resize(
        srgb_from_lab(lab).astype(np.float32), size_px, interpolation=cv2.INTER_AREA
    )
    values = cv2.GaussianBlur(values, (0, 0), rng.uniform(0.4, 1.1)) + rng.normal(
        0, rng.uniform(0.003, 0.012), values.shape
    )
    stream = io.BytesIO()
    Image.fromarray(np.clip(np.round(values * 255), 0, 255).astype(np.uint8)).save(
        stream, "JPEG", quality=int(rng.integers(85, 96))
    )
    return np.array(Image.open(stream))
