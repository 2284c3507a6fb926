"""Pictures of invented blocks whose true size is known, for tests and benchmarks (seeded)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.photo.camera import Camera
from facademap.photo.homography import apply_homography
from facademap.photo.lab import srgb_from_lab

__all__ = ["RenderedBlock", "render_block"]

Floats = NDArray[np.floating[Any]]

#: Colours of stones and grounds, CIELAB D50 (invented).
STONES = {
    "buff": (72, 4, 20),
    "grey": (60, 0, 3),
    "red": (48, 17, 15),
    "pale": (82, 1, 9),
    "dark": (38, 1, 2),
}
GROUNDS = {
    "boards": (52, 9, 24),
    "soil": (34, 6, 13),
    "grass": (45, -14, 28),
    "concrete": (66, 0, 5),
    "gravel": (57, 1, 8),
    "sheet": (40, -5, -26),
}

#: A side of the block is at least this much darker than its face (L*).
LEAST_SIDE_CONTRAST = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedBlock:
    """A picture and the truth behind it; lengths in millimetres of the face, x right, y up."""

    picture: NDArray[np.uint8]
    camera: Camera
    control: list[tuple[str, float, float, float, float]]
    outline_mm: Floats
    outline_px: Floats
    width_mm: float
    height_mm: float
    area_mm2: float
    click_px: tuple[float, float]
    mm_per_px: float


def _noise(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> Floats:
    small = (max(3, int(shape[0] / size_px) + 3), max(3, int(shape[1] / size_px) + 3))
    grid = rng.standard_normal(small).astype(np.float32)
    big = cv2.resize(
        grid,
        (int(small[1] * size_px) + 1, int(small[0] * size_px) + 1),
        interpolation=cv2.INTER_CUBIC,
    )
    row, col = (int(rng.integers(0, max(1, b - s))) for b, s in zip(big.shape, shape, strict=True))
    return np.asarray(big[row : row + shape[0], col : col + shape[1]])


def _stone(
    rng: np.random.Generator, lab: tuple[float, ...], shape: tuple[int, int], px_per_mm: float
) -> Floats:
    """Lab picture of a stone: clouds, beds, grain and a few darker grains."""
    base = np.array(lab, dtype=np.float32)
    light = 1.8 * _noise(rng, shape, 90 * px_per_mm) + 1.2 * _noise(rng, shape, 18 * px_per_mm)
    light += rng.uniform(0.5, 2.2) * rng.standard_normal(shape).astype(np.float32)
    light += rng.uniform(0.3, 2.0) * _noise(rng, shape, 3.0 * px_per_mm)
    beds = np.interp(
        np.arange(shape[0]),
        np.arange(0, shape[0] + 40, 12 * px_per_mm + 3),
        rng.standard_normal(len(np.arange(0, shape[0] + 40, 12 * px_per_mm + 3))),
    )
    light += rng.uniform(0, 1.5) * beds[:, None].astype(np.float32)
    grains = _noise(rng, shape, 2.0 * px_per_mm) > rng.uniform(1.9, 2.6)
    light -= 9 * grains
    hue = _noise(rng, shape, 60 * px_per_mm)
    return np.stack([base[0] + light, base[1] + 0.5 * hue, base[2] + 1.2 * hue], axis=-1)


def _ground(
    rng: np.random.Generator, kind: str, shape: tuple[int, int], px_per_mm: float
) -> Floats:
    base = np.array(GROUNDS[kind], dtype=np.float32) + rng.normal(0, [3, 1, 1]).astype(np.float32)
    light = 3 * _noise(rng, shape, 200 * px_per_mm) + rng.standard_normal(shape).astype(np.float32)
    if kind == "boards":
        grain = cv2.resize(rng.standard_normal((shape[0], 8)).astype(np.float32), shape[::-1])
        light += 3 * grain
        light[(np.arange(shape[0]) % int(110 * px_per_mm)) < max(1, 4 * px_per_mm)] -= 22
    elif kind == "grass":
        light += 9 * _noise(rng, shape, 6 * px_per_mm) + 5 * _noise(rng, shape, 2.5 * px_per_mm)
    elif kind == "gravel":
        light += (
            12 * np.abs(_noise(rng, shape, 14 * px_per_mm))
            - 9
            + 4 * _noise(rng, shape, 4 * px_per_mm)
        )
    elif kind == "soil":
        light += 5 * _noise(rng, shape, 9 * px_per_mm) + 3 * _noise(rng, shape, 25 * px_per_mm)
    elif kind == "concrete":
        light += 1.5 * _noise(rng, shape, 3 * px_per_mm) + 2 * _noise(rng, shape, 60 * px_per_mm)
    return np.stack([base[0] + light, np.full(shape, base[1]), np.full(shape, base[2])], axis=-1)


def _outline(rng: np.random.Generator, width: float, height: float, rough: float) -> Floats:
    """A sawn or roughly squared face with a corner or two knocked off; x right, y up, mm."""
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=float)
    corners[1:] += rng.normal(0, 0.004 * width * (rough > 0), (3, 2))
    chipped = rng.random(4) < 0.35 * (rough > 0)
    points: list[Floats] = []
    for i in range(4):
        here, before, after = corners[i], corners[i - 1], corners[(i + 1) % 4]
        if chipped[i]:
            cut = rng.uniform(0.05, 0.16, 2)
            points += [here + cut[0] * (before - here), here + cut[1] * (after - here)]
        else:
            points.append(here)
    dense = []
    for a, b in zip(points, [*points[1:], points[0]], strict=True):
        n = max(2, int(np.hypot(*(b - a)) / 8))
        dense.append(a + np.linspace(0, 1, n, endpoint=False)[:, None] * (b - a))
    ring = np.concatenate(dense)
    wobble = np.convolve(np.tile(rng.standard_normal(len(ring)), 3), np.ones(5) / 5, "same")[
        len(ring) : 2 * len(ring)
    ]
    centre = ring.mean(axis=0)
    away = (ring - centre) / np.linalg.norm(ring - centre, axis=1, keepdims=True)
    return np.asarray(ring + rough * wobble[:, None] * away)


def _camera_view(
    rng: np.random.Generator,
    size_px: tuple[int, int],
    extent_mm: Floats,
    tilt_deg: float,
    lens: bool,
) -> tuple[Camera, Floats, Floats]:
    """Camera, and rotation and translation from millimetres of the face (x right, y up, z out) to the camera."""
    width, height = size_px
    focal = rng.uniform(0.85, 1.1) * width
    k1 = float(rng.uniform(-0.12, 0.08)) if lens else 0.0
    camera = Camera(
        width_px=width,
        height_px=height,
        fx_px=focal,
        fy_px=focal,
        cx_px=(width - 1) / 2 + 4,
        cy_px=(height - 1) / 2 - 6,
        k1=k1,
        k2=-0.15 * k1,
        p1=0.0004 * lens,
        p2=-0.0003 * lens,
    )
    azimuth = rng.uniform(0, 2 * np.pi)
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0]) * np.radians(tilt_deg)
    turn = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(rng.uniform(-6, 6))]))[0]
    rotation = cv2.Rodrigues(axis)[0] @ turn @ np.diag([1.0, -1.0, -1.0])
    middle = np.array([*extent_mm / 2, 0.0])
    distance = (
        1.05 * max(extent_mm[0] / width, extent_mm[1] / height) * focal / rng.uniform(0.75, 0.95)
    )
    translation = np.array([0.0, 0.0, distance]) - rotation @ middle
    return camera, rotation, translation


def _project(points_mm: Floats, camera: Camera, rotation: Floats, translation: Floats) -> Floats:
    at = points_mm @ rotation.T + translation
    return camera.pixel_from_ray(at[..., :2] / at[..., 2:])


def render_block(
    seed: int,
    *,
    size_px: tuple[int, int] = (1600, 1200),
    tilt_deg: float = 12.0,
    lens: bool = True,
    stone: str | None = None,
    ground: str | None = None,
    rough_mm: float | None = None,
    marks: str = "around",
) -> RenderedBlock:
    """Render one block lying on the ground, seen a little obliquely.

    Parameters
    ----------
    seed : int
    size_px : tuple of int
    tilt_deg : float
        Angle between the line of sight and the normal of the face.
    lens : bool
        Whether the lens distorts.
    stone, ground : str, optional
        Keys of `STONES` and `GROUNDS`; drawn when left out, never two of nearly one lightness and hue.
    rough_mm : float, optional
        Roughness of the arrises, 0 for sawn.
    marks : {"around", "on", "none"}
        Where the control marks lie: in the face's plane around it, on the face, or unmarked (its bare corners).
    """
    rng = np.random.default_rng(seed)
    width, height = rng.uniform(280, 620), rng.uniform(180, 380)
    depth = rng.uniform(60, 160)
    rough = float(rng.choice([0.0, 0.8, 1.6])) if rough_mm is None else rough_mm
    stone = stone or str(rng.choice(list(STONES)))
    if ground is None:
        far = [g for g in GROUNDS if np.linalg.norm(np.subtract(GROUNDS[g], STONES[stone])) > 16]
        ground = str(rng.choice(far))
    outline = _outline(rng, width, height, rough)
    margin = 90.0
    extent = np.array([width + 2 * margin, height + 2 * margin])
    camera, rotation, translation = _camera_view(rng, size_px, extent, tilt_deg, lens)
    translation = translation + rotation @ np.array(
        [margin, margin, 0.0]
    )  # face frame starts at the block
    px_per_mm = camera.fx_px / float(translation[2])
    picture = _paint(
        rng,
        size_px,
        camera,
        rotation,
        translation,
        outline,
        depth,
        stone,
        ground,
        px_per_mm,
        marks,
        (width, height),
    )
    ring = np.column_stack([outline, np.zeros(len(outline))])
    named = _mark_places(width, height, marks)
    control = [
        (name, *map(float, _project(np.array([x, y, 0.0]), camera, rotation, translation)), x, y)
        for name, (x, y) in named.items()
    ]
    shifted = np.roll(outline, -1, axis=0)
    area = 0.5 * abs(float(np.sum(outline[:, 0] * shifted[:, 1] - outline[:, 1] * shifted[:, 0])))
    click = _project(np.array([*outline.mean(axis=0), 0.0]), camera, rotation, translation)
    return RenderedBlock(
        picture=picture,
        camera=camera,
        control=control,
        outline_mm=outline,
        outline_px=_project(ring, camera, rotation, translation),
        width_mm=float(np.ptp(outline[:, 0])),
        height_mm=float(np.ptp(outline[:, 1])),
        area_mm2=area,
        click_px=(float(click[0] + rng.normal(0, 15)), float(click[1] + rng.normal(0, 15))),
        mm_per_px=1 / px_per_mm,
    )


def _mark_places(width: float, height: float, marks: str) -> dict[str, tuple[float, float]]:
    off = {"around": -45.0, "on": 40.0, "none": 0.0}[marks]
    places = {
        "a": (off, off),
        "b": (width - off, off),
        "c": (width - off, height - off),
        "d": (off, height - off),
    }
    if marks == "around":
        places |= {"e": (width / 2, off), "f": (width / 2, height - off)}
    return places


def _paint(
    rng: np.random.Generator,
    size_px: tuple[int, int],
    camera: Camera,
    rotation: Floats,
    translation: Floats,
    outline: Floats,
    depth: float,
    stone: str,
    ground: str,
    px_per_mm: float,
    marks: str,
    face_mm: tuple[float, float],
) -> NDArray[np.uint8]:
    twice = (
        2  # drawn at twice the size and averaged, so that edges fall between pixels as in a camera
    )
    width, height = size_px[0] * twice, size_px[1] * twice
    scale = px_per_mm * twice
    lab = _ground(rng, ground, (height, width), scale)
    front = np.column_stack([outline, np.zeros(len(outline))])
    back = np.column_stack([outline, np.full(len(outline), -depth)])

    def in_picture(points: Floats) -> NDArray[np.int32]:
        px = _project(points, camera, rotation, translation)
        return np.round(((px + 0.5) * twice - 0.5) * 16).astype(np.int32)

    light = rng.normal(0, 1, 2)
    light /= np.linalg.norm(light)
    shadow = np.zeros((height, width), np.uint8)
    thrown = back + np.array([*(-light * depth * 0.35), 0.0])
    hull = cv2.convexHull(np.concatenate([in_picture(back), in_picture(thrown)]).reshape(-1, 1, 2))
    cv2.fillPoly(shadow, [hull.reshape(-1, 2)], 255, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(shadow, (0, 0), 5 * scale)[..., None] / 255.0
    lab = lab - soft * np.array([16.0, 0.0, 3.0], np.float32)
    base = tuple(
        np.array(STONES[stone]) + rng.normal(0, [3, 1, 2])
    )  # the sides are of the same stone as the face
    skin = _stone(rng, base, (height, width), scale)
    for i in range(len(outline)):
        j = (i + 1) % len(outline)
        edge = outline[j] - outline[i]
        normal = np.array([edge[1], -edge[0]]) / max(np.hypot(*edge), 1e-9)
        quad = in_picture(np.array([front[i], front[j], back[j], back[i]]))
        # a side in exactly the light of the face would have no visible arris at all
        shade = min(10.0 * float(normal @ light) - 9.0, -LEAST_SIDE_CONTRAST)
        side = np.zeros((height, width), np.uint8)
        x, y, w, h = cv2.boundingRect(quad.reshape(-1, 1, 2) // 16)
        x0, y0, x1, y1 = max(0, x - 2), max(0, y - 2), min(width, x + w + 3), min(height, y + h + 3)
        if x1 <= x0 or y1 <= y0 or not _faces_camera(normal, outline[i], rotation, translation):
            continue
        cv2.fillPoly(side, [quad], 255, cv2.LINE_8, 4)
        inside = side[y0:y1, x0:x1] > 0
        lab[y0:y1, x0:x1][inside] = (skin[y0:y1, x0:x1] + np.array([shade, 0, 0], np.float32))[
            inside
        ]
    face = np.zeros((height, width), np.uint8)
    cv2.fillPoly(face, [in_picture(front)], 255, cv2.LINE_8, 4)
    texture = _warped_stone(
        rng, base, camera, rotation, translation, face_mm, (width, height), twice
    )
    lab[face > 0] = texture[face > 0]
    if marks != "none":
        _draw_marks(lab, _mark_places(*face_mm, marks), in_picture)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    lab[..., 0] += 3.0 * ((x / width - 0.5) * light[0] - (y / height - 0.5) * light[1])
    small = cv2.resize(srgb_from_lab(lab).astype(np.float32), size_px, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.6) + rng.normal(0, 0.008, small.shape)
    return np.clip(np.round(small * 255), 0, 255).astype(np.uint8)


def _faces_camera(normal: Floats, at: Floats, rotation: Floats, translation: Floats) -> bool:
    eye = -rotation.T @ translation
    return float(normal @ (eye[:2] - at)) > 0


def _warped_stone(
    rng: np.random.Generator,
    base: tuple[float, ...],
    camera: Camera,
    rotation: Floats,
    translation: Floats,
    face_mm: tuple[float, float],
    size: tuple[int, int],
    twice: int,
) -> Floats:
    """The face's own texture seen through the camera (lens left out: it only bends the grain)."""
    per_mm = 2.0
    texture = _stone(
        rng, base, (int((face_mm[1] + 120) * per_mm), int((face_mm[0] + 120) * per_mm)), per_mm
    )
    plane = np.column_stack([rotation[:, :2], translation])
    to_px = camera.matrix @ plane
    from_texture = np.array([[1 / per_mm, 0, -60], [0, 1 / per_mm, -60], [0, 0, 1.0]])
    zoom = np.array([[twice, 0, 0.5 * twice - 0.5], [0, twice, 0.5 * twice - 0.5], [0, 0, 1.0]])
    return np.asarray(
        cv2.warpPerspective(
            texture,
            zoom @ to_px @ from_texture,
            size,
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
    )


def _draw_marks(lab: Floats, places: dict[str, tuple[float, float]], in_picture: Any) -> None:
    for x, y in places.values():
        turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        for radius, tone in ((9.0, 92.0), (6.0, 12.0), (1.2, 92.0)):
            ring = np.column_stack(
                [x + radius * np.cos(turn), y + radius * np.sin(turn), np.zeros(48)]
            )
            disk = np.zeros(lab.shape[:2], np.uint8)
            cv2.fillPoly(disk, [in_picture(ring)], 255, cv2.LINE_8, 4)
            lab[disk > 0] = (tone, 0, 0)


def true_homography(block: RenderedBlock) -> Floats:
    """Homography of the control, millimetres to undistorted pixels (for checks of the renderer itself)."""
    named = np.array([c[1:] for c in block.control])
    ray = block.camera.ray_from_pixel(named[:, :2])
    matrix, _ = cv2.findHomography(named[:, 2:], ray)
    assert np.allclose(apply_homography(matrix, named[:, 2:]), ray, atol=1e-6)
    return np.asarray(matrix)
