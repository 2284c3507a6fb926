"""Forty blocks in the salvage yard: what they are, and the picture of each face."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon

from .colour import encode, linear_from_lab
from .decay import blob
from .light import shade
from .masonry import BUFF, GREY, RED, STONE_LAB, STONE_SPREAD, Building
from .noise import Bank, F, fractal, smooth, stream
from .stone import paint_face

WIDTH_PX, HEIGHT_PX = 1200, 900
DENSITY = {
    BUFF: 2240,
    GREY: 2560,
    RED: 2260,
}  # kg/m3, typical handbook weights of sandstone and limestone
_PAINT_MM = 1.25


@dataclass(frozen=True)
class Flaw:
    """A flaw in the face frame (mm); ``depth_mm`` None goes right through."""

    kind: str
    shape: Polygon
    depth_mm: float | None


@dataclass(frozen=True)
class Block:
    """One block. Face frame: x right (along the bed trace where there is one), y up, mm from the
    lower left of the sound outline's bounding box."""

    id: str
    stone_type: str
    provenance: str
    location: str
    depth_mm: float
    usable_mm: float
    bed: str
    finish: str
    weathered: bool
    lab: tuple[float, float, float]
    visible: Polygon
    sound: Polygon
    flaws: tuple[Flaw, ...]
    acceptance: str
    notes: str
    scale_mm_px: float
    turn_deg: float
    bar_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        x0, y0, x1, y1 = self.sound.bounds
        return x1 - x0, y1 - y0

    @property
    def weight_kg(self) -> float:
        return self.visible.area * self.depth_mm * 1e-9 * DENSITY[self.stone_type]

    def to_px(self, points: NDArray | list) -> NDArray[np.float64]:
        """Picture pixels of face-frame millimetres."""
        p = np.asarray(points, float)
        w, h = self.size_mm
        a = np.deg2rad(self.turn_deg)
        d = (p - [w / 2, h / 2]) / self.scale_mm_px
        x = d[:, 0] * np.cos(a) - d[:, 1] * np.sin(a)
        y = d[:, 0] * np.sin(a) + d[:, 1] * np.cos(a)
        return np.column_stack([WIDTH_PX / 2 + x, HEIGHT_PX * 0.445 - y])

    def bar_px(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Ends of the scale bar, on its middle line."""
        n = self.bar_mm / self.scale_mm_px / 2
        cx, cy = WIDTH_PX * 0.44, HEIGHT_PX * 0.925
        return (cx - n, cy + 2.0), (cx + n, cy - 2.0)


#: stone type, number of blocks, range of length and height (mm)
_STOCK = (
    (BUFF, 22, (360, 780), (230, 400)),
    (GREY, 9, (360, 760), (240, 400)),
    (RED, 9, (320, 680), (220, 380)),
)


def plan_blocks(building: Building, seed: int) -> list[Block]:
    """The stock: most of it useful, some too small, face-bedded, off colour, doubtful."""
    rng = stream(seed, 100)
    out: list[Block] = []
    for stone_type, count, lengths, heights in _STOCK:
        hosts = [
            s.lab for s in building.stones if s.stone_type == stone_type and s.role != "coping"
        ]
        for i in range(count):
            out.append(_block(rng, len(out) + 1, stone_type, i, lengths, heights, hosts))
    return out


def _block(
    rng: np.random.Generator,
    n: int,
    stone_type: str,
    i: int,
    lengths: tuple[int, int],
    heights: tuple[int, int],
    hosts: list,
) -> Block:
    w, h = rng.uniform(*lengths), rng.uniform(*heights)
    small = i in (3, 9) if stone_type == BUFF else i == 3
    if small:
        w, h = rng.uniform(170, 230), rng.uniform(110, 150)
    elif i in (0, 1):
        w, h = lengths[1] + rng.uniform(0, 90), heights[1] + rng.uniform(0, 35)
    lab = np.array(hosts[int(rng.integers(len(hosts)))]) + rng.normal(0, 0.6, 3) * np.array(
        STONE_SPREAD[stone_type]
    )
    notes, acceptance = [], "accepted"
    if i == 5 or (stone_type == BUFF and i == 14):  # another quarry
        lab = np.array(STONE_LAB[stone_type]) + rng.choice((-1, 1)) * np.array([9.5, 2.0, 4.5])
        notes.append("colour of another quarry")
    bed = "x"
    if i == 6 or (stone_type == BUFF and i == 17):
        bed = "parallel"
    elif i == 7 and stone_type != GREY:
        bed = "unknown"
        notes.append("bed to be settled on a fresh break")
    elif stone_type == GREY and i in (2, 8):
        bed = "none"
        notes.append("massive, no bed to be seen")
    weathered = bool(rng.random() < 0.4)
    if weathered:
        lab = lab + np.array([-2.5, 0.2, 0.6])
    finish = str(
        rng.choice(
            {
                BUFF: ("droved", "droved", "sawn", "rubbed"),
                GREY: ("rubbed", "rubbed", "droved"),
                RED: ("broached", "droved", "sawn"),
            }[stone_type]
        )
    )
    if stone_type == BUFF and i == 19:
        acceptance, why = "rejected", "cement residue on three faces"
        notes.append(why)
    elif stone_type == BUFF and i == 11:
        acceptance = "to test"
        notes.append("salts suspected, conductivity to be measured")
    elif stone_type == RED and i == 8:
        acceptance = "to test"
        notes.append("absorption against the host stone to be measured")
    elif stone_type == GREY and i == 7:
        acceptance = "rejected"
        notes.append("old iron inside, rings dull")
    visible, sound = _outlines(rng, w, h)
    depth = rng.uniform(120, 300)
    flaws = _flaws(rng, sound, depth)
    notes += [f.kind for f in flaws]
    x0, y0, x1, y1 = visible.bounds
    scale = float(np.clip(max((x1 - x0) / 830, (y1 - y0) / 600), 0.42, 1.25))
    place = (
        "parapet return, taken down 1968",
        "north boundary wall",
        "chimney stack of the rope walk",
        "demolished boat store",
        "stairs to the slip",
    )
    return Block(
        id=f"B-{n:02d}", stone_type=stone_type, provenance=str(rng.choice(place)), location=f"yard row {'ABCD'[n % 4]}, pallet {1 + n // 4}",
        depth_mm=round(depth), usable_mm=round(depth - rng.uniform(12, 35)), bed=bed, finish=finish, weathered=weathered,
        lab=tuple(round(float(v), 2) for v in lab), visible=visible, sound=sound, flaws=tuple(flaws), acceptance=acceptance,
        notes="; ".join(dict.fromkeys(notes)), scale_mm_px=scale, turn_deg=float(rng.normal(0, 1.3)), bar_mm=500.0 if scale > 0.62 else 300.0,
    )  # fmt: skip


def _outlines(rng: np.random.Generator, w: float, h: float) -> tuple[Polygon, Polygon]:
    """The face as it is seen, and the outline that is sound through the whole usable depth."""
    corners = np.array([(0, 0), (w, 0), (w, h), (0, h)]) + rng.normal(0, 6, (4, 2))
    pts = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        n = max(6, int(np.hypot(*(b - a)) / 14))
        t = np.linspace(0, 1, n, endpoint=False)[:, None]
        normal = np.array([b[1] - a[1], a[0] - b[0]]) / np.hypot(*(b - a))
        wave = np.convolve(rng.normal(0, 4.5, n + 4), np.ones(5) / 5 * 1.6, "valid")[:n]
        pts.append(a + t * (b - a) + wave[:, None] * normal)
    face = Polygon(np.concatenate(pts)).buffer(0)
    for _ in range(int(rng.integers(1, 4))):  # broken corners
        c = corners[int(rng.integers(4))]
        face = face.difference(
            translate(blob(rng, rng.uniform(40, 130), rng.uniform(40, 110), rough=0.2), *c)
        )
    face = max(getattr(face, "geoms", [face]), key=lambda g: g.area)
    face = Polygon(face.exterior)
    sound = face.buffer(-rng.uniform(8, 18), join_style="mitre").simplify(7.0)
    sound = max(getattr(sound, "geoms", [sound]), key=lambda g: g.area)
    while not face.buffer(-3).covers(sound):
        sound = sound.buffer(-2, join_style="mitre").simplify(3.0)
    x0, y0, *_ = sound.bounds
    sound = Polygon(np.round(np.array(translate(sound, -x0, -y0).exterior.coords)))
    return translate(face, -x0, -y0), sound.buffer(0)


def _flaws(rng: np.random.Generator, sound: Polygon, depth: float) -> list[Flaw]:
    x0, y0, x1, y1 = sound.bounds
    out: list[Flaw] = []
    if x1 - x0 < 260:
        return out

    def keep(kind: str, shape: Polygon, deep: float | None) -> None:
        shape = shape.intersection(sound)
        if (
            shape.geom_type == "Polygon"
            and shape.area > 60
            and not any(f.shape.intersects(shape) for f in out)
        ):
            out.append(
                Flaw(kind, Polygon(np.round(np.array(shape.exterior.coords), 0)).buffer(0), deep)
            )

    if rng.random() < 0.28:  # a crack from an edge
        x = rng.uniform(x0 + 0.62 * (x1 - x0), x0 + 0.9 * (x1 - x0))
        steps = np.cumsum(rng.normal(0, 9, 12) + rng.normal(0, 2.5))
        line = LineString([(x + steps[k], y0 - 20 + (y1 - y0 + 40) * k / 11) for k in range(12)])
        keep("crack", line.buffer(5, cap_style="flat").simplify(2), None)
    if rng.random() < 0.26:
        at = Point(rng.uniform(x0 + 40, x1 - 40), rng.uniform(y0 + 35, y1 - 35))
        keep("dowel hole", at.buffer(rng.uniform(13, 18), 4), round(rng.uniform(50, 100)))
    if rng.random() < 0.24:
        keep(
            "iron stain",
            translate(
                blob(rng, rng.uniform(60, 140), rng.uniform(40, 90)),
                rng.uniform(x0 + 60, x1 - 60),
                rng.uniform(y0, y1),
            ).simplify(5),
            round(rng.uniform(6, 18)),
        )
    if rng.random() < 0.16:
        y = rng.uniform(y0 + 0.2 * (y1 - y0), y1 - 0.2 * (y1 - y0))
        keep(
            "clay seam",
            LineString([(x0 - 5, y), (x1 + 5, y + rng.normal(0, 6))]).buffer(5, cap_style="flat"),
            None,
        )
    return out


def _mask(block: Block, shape: Polygon) -> F:
    m = np.zeros((HEIGHT_PX, WIDTH_PX), np.uint8)
    cv2.fillPoly(
        m, [np.round(block.to_px(shape.exterior.coords) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4
    )
    return m.astype(np.float32) / 255


def photograph_block(block: Block, bank: Bank, seed: int) -> tuple[NDArray[np.uint8], list[float]]:
    """The picture (RGB) of the face and the true mean CIELAB of its sound, unflawed part."""
    rng = stream(seed, 110, int(block.id[2:]))
    s = block.scale_mm_px
    lab, height = _yard(rng, s)
    face = _mask(block, block.visible)
    stone_lab, relief = _face(rng, bank, block, face)
    _paint_flaws(rng, block, stone_lab, relief)
    side = cv2.GaussianBlur(np.roll(face, (int(26 / s), int(26 / s)), (0, 1)), (0, 0), 13 / s)
    lab[..., 0] -= 26 * np.clip(side, 0, 1) * (lab[..., 0] / 60)
    contact = cv2.GaussianBlur(face, (0, 0), 6 / s)
    lab[..., 0] -= 10 * contact
    lab += face[..., None] * (stone_lab - lab)
    height += face * (relief - height)
    light = shade(height, s)
    clean = _mask(block, block.sound) > 0.99
    for f in block.flaws:
        clean &= _mask(block, f.shape.buffer(4)) < 0.01
    true_lab = [round(float(v), 2) for v in stone_lab[clean].mean(axis=0)]
    _lay_bar(block, lab, light)
    _lay_card(block, lab, light)
    lin = linear_from_lab(lab) * light[..., None]
    return _develop(rng, _label(block, lin)), true_lab


def _yard(rng: np.random.Generator, s: float) -> tuple[F, F]:
    """Gravel with two timber bearers."""
    h, w = HEIGHT_PX, WIDTH_PX
    lab = np.empty((h, w, 3), np.float32)
    lab[:] = (38, 1.5, 6)
    height = np.full((h, w), -4.0, np.float32)
    count = int(h * w * s * s / 150)
    for _ in range(count):
        x, y = rng.uniform(-5, w + 5), rng.uniform(-5, h + 5)
        a = rng.gamma(5, 1.5) / s
        axes = (max(1, int(a)), max(1, int(a * rng.uniform(0.55, 0.95))))
        c = np.array([50, 1.2, 6.5]) + rng.normal(0, 1, 3) * [9, 1.6, 3.2]
        turn = rng.uniform(0, 180)
        up = float(rng.uniform(-2, 3))
        for k, lift in ((1.0, 0.0), (0.72, 1.3), (0.42, 2.0)):
            ax = (max(1, int(axes[0] * k)), max(1, int(axes[1] * k)))
            cv2.ellipse(height, (int(x), int(y)), ax, turn, 0, 360, up + lift, -1)
        cv2.ellipse(
            lab, (int(x), int(y)), axes, turn, 0, 360, tuple(float(v) for v in c), -1, cv2.LINE_AA
        )
    height = cv2.GaussianBlur(height, (0, 0), 0.9)
    lab[..., 0] += 2.2 * fractal(rng, h, w, 5, octaves=2) + 2 * fractal(rng, h, w, 200)
    for cx in (w * 0.30, w * 0.70):
        half = 48 / s
        x0, x1 = int(cx - half + rng.normal(0, 6)), int(cx + half + rng.normal(0, 6))
        n = x1 - x0
        figure = fractal(rng, h, n, (6 / s, 160 / s), octaves=4)
        lab[:, x0:x1] = np.array([54, 4.5, 15], np.float32) + figure[..., None] * np.array(
            [4.0, 0.5, 1.2], np.float32
        )
        edge = np.minimum(np.arange(n), np.arange(n)[::-1]).astype(np.float32)[None] * s
        height[:, x0:x1] = 7 + 0.5 * figure - 6 * (1 - smooth(edge, 0, 6))
        right = lab[:, x1 : x1 + int(26 / s)]
        right[..., 0] -= 15 * np.linspace(1, 0, right.shape[1], dtype=np.float32)[None]
    return lab, height


def _face(rng: np.random.Generator, bank: Bank, block: Block, face: F) -> tuple[F, F]:
    """The stone, painted at the wall's own scale so that its grain is that of the wall."""
    zoom = block.scale_mm_px / _PAINT_MM
    small = (int(np.ceil(WIDTH_PX * zoom)), int(np.ceil(HEIGHT_PX * zoom)))
    mask = cv2.resize(face, small, interpolation=cv2.INTER_AREA)
    lab, relief = paint_face(
        rng, bank, mask, stone_type=block.stone_type, lab=block.lab, bed="horizontal" if block.bed == "x" else "parallel",
        finish=block.finish, wear=0.8 if block.weathered else 0.25, px_mm=_PAINT_MM,
    )  # fmt: skip
    m = np.array([[1 / zoom, 0, 0], [0, 1 / zoom, 0]])
    turn = cv2.getRotationMatrix2D((WIDTH_PX / 2, HEIGHT_PX * 0.445), block.turn_deg, 1.0)
    both = (np.vstack([turn, [0, 0, 1]]) @ np.vstack([m, [0, 0, 1]]))[:2]
    lab = cv2.warpAffine(
        lab, both, (WIDTH_PX, HEIGHT_PX), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    relief = cv2.warpAffine(
        relief, both, (WIDTH_PX, HEIGHT_PX), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    grain = bank.cut("grain", rng, HEIGHT_PX, WIDTH_PX)
    lab[..., 0] += 0.9 * grain
    relief += 0.05 * grain
    inside = cv2.distanceTransform((face > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * np.float32(
        block.scale_mm_px
    )
    broken = bank.cut("rough", rng, HEIGHT_PX, WIDTH_PX)
    edge = 1 - smooth(inside + 2.2 * broken, 1.0, 9.0)
    relief += 14.0 - 9.0 * edge * (1 + 0.3 * broken)
    lab[..., 0] += 2.0 * edge * broken
    if block.weathered:
        dirt = smooth(
            fractal(rng, HEIGHT_PX, WIDTH_PX, 120 / block.scale_mm_px, octaves=5), 0.4, 2.0
        )
        lab[..., 0] -= 5 * dirt
    if "cement" in block.notes:
        patch = smooth(
            fractal(rng, HEIGHT_PX, WIDTH_PX, 90 / block.scale_mm_px, octaves=4), 0.7, 0.9
        )
        lab += (0.9 * patch)[..., None] * (np.array([62, -0.5, 3], np.float32) - lab)
        relief += 3 * patch
    return lab, relief


def _paint_flaws(rng: np.random.Generator, block: Block, lab: F, relief: F) -> None:
    s = block.scale_mm_px
    for f in block.flaws:
        m = _mask(block, f.shape)
        d_in = cv2.distanceTransform((m > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * np.float32(s)
        if f.kind == "crack":
            core = smooth(d_in + 0.7 * fractal(rng, HEIGHT_PX, WIDTH_PX, 20 / s), 3.4, 4.6)
            lab += core[..., None] * np.array([-30, 0, -6], np.float32)
            relief -= 6 * core
        elif f.kind == "dowel hole":
            hole = smooth(d_in, 0.5, 3)
            lab += (0.92 * hole)[..., None] * (np.array([14, 3, 5], np.float32) - lab)
            relief -= 18 * hole
            halo = cv2.GaussianBlur(m, (0, 0), 12 / s)
            lab += (halo * (1 - hole))[..., None] * np.array([-6, 6, 10], np.float32)
        elif f.kind == "iron stain":
            k = smooth(d_in + 5 * fractal(rng, HEIGHT_PX, WIDTH_PX, 24 / s) * (d_in > 0), 0, 14)
            lab += k[..., None] * np.array([-15, 10, 18], np.float32)
        else:
            k = smooth(d_in, 0.5, 3.5)
            lab += k[..., None] * np.array([-13, -2, -5], np.float32)
            relief -= 2.2 * k


def _quad(points: list[tuple[float, float]]) -> F:
    m = np.zeros((HEIGHT_PX, WIDTH_PX), np.uint8)
    cv2.fillPoly(m, [np.round(np.array(points) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return m.astype(np.float32)[..., None] / 255


def _lay_bar(block: Block, lab: F, light: F) -> None:
    (x0, y0), (x1, y1) = (np.array(p) for p in block.bar_px())
    along = np.array([x1 - x0, y1 - y0])
    across = np.array([-along[1], along[0]]) / np.hypot(*along) * 17 / block.scale_mm_px
    n = int(block.bar_mm / 50)
    p0, p1 = np.array([x0, y0]), np.array([x1, y1])
    body = _quad([p0 - across, p1 - across, p1 + across, p0 + across])
    lab += body * (np.array([93, 0, 1], np.float32) - lab)
    for k in range(n):
        a, b = p0 + along * k / n, p0 + along * (k + 1) / n
        off = -across if k % 2 else across
        cell = _quad([a, b, b + off, a + off])
        lab += cell * (np.array([17, 0, 0], np.float32) - lab)
    light += body[..., 0] * (1 - light)


#: Middle of the grey card in every picture, and its colour (CIELAB D50).
CARD_PX = (WIDTH_PX * 0.895, HEIGHT_PX * 0.905)
CARD_LAB = (50.76, -0.13, 0.14)


def _lay_card(block: Block, lab: F, light: F) -> None:
    (x, y), a = CARD_PX, 55
    rim = _quad(
        [(x - a - 6, y - a), (x + a + 2, y - a - 4), (x + a + 6, y + a), (x - a - 2, y + a + 4)]
    )
    card = _quad(
        [(x - a, y - a + 6), (x + a - 3, y - a + 3), (x + a, y + a - 6), (x - a + 3, y + a - 3)]
    )
    lab += rim * (np.array([92, 0, 1], np.float32) - lab)
    lab += card * (np.array(CARD_LAB, np.float32) - lab)
    light += rim[..., 0] * (1 - light)


def _label(block: Block, linear: F) -> F:
    """A luggage label with the block's number."""
    ink = np.zeros((HEIGHT_PX, WIDTH_PX), np.uint8)
    cv2.putText(ink, block.id, (32, 862), cv2.FONT_HERSHEY_SIMPLEX, 0.85, 255, 2, cv2.LINE_AA)
    linear[826:876, 26:120] = (0.72, 0.66, 0.47)
    return linear * (1 - 0.95 * (ink.astype(np.float32) / 255)[..., None])


def _develop(rng: np.random.Generator, linear: F) -> NDArray[np.uint8]:
    yy, xx = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX].astype(np.float32)
    r2 = ((xx - WIDTH_PX / 2) ** 2 + (yy - HEIGHT_PX / 2) ** 2) / 750**2
    gain = rng.uniform(0.9, 1.06) * np.array([rng.normal(1, 0.02), 1.0, rng.normal(1, 0.025)])
    slope = (
        1
        + rng.normal(0, 0.03) * (xx / WIDTH_PX - 0.5)
        + rng.normal(0, 0.03) * (yy / HEIGHT_PX - 0.5)
    )
    linear = linear * ((1 - 0.09 * r2) * slope)[..., None] * gain.astype(np.float32)
    linear += rng.standard_normal(linear.shape, dtype=np.float32) * np.sqrt(
        np.maximum(linear, 0) * 2.5e-5 + 1e-6
    )
    return np.clip(encode(linear) + 0.5, 0, 255).astype(np.uint8)


def rows(blocks: list[Block]) -> list[dict[str, object]]:
    """Lines of ``blocks.csv``."""

    def ring(p: Polygon) -> str:
        return ", ".join(f"{x:.0f} {y:.0f}" for x, y in list(p.exterior.coords)[:-1])

    out = []
    for b in blocks:
        (x0, y0), (x1, y1) = b.bar_px()
        w, h = b.size_mm
        flaws = "; ".join(
            f"{'null' if f.depth_mm is None else format(f.depth_mm, '.0f')}: {ring(f.shape)}"
            for f in b.flaws
        )
        out.append({
            "id": b.id, "stone_type": b.stone_type, "kind": "sedimentary", "provenance": b.provenance, "location": b.location,
            "length_mm": round(w), "height_mm": round(h), "depth_mm": round(b.depth_mm), "usable_depth_mm": round(b.usable_mm),
            "bed": b.bed, "finish": b.finish, "weathered": str(b.weathered).lower(), "weight_kg": round(b.weight_kg, 1),
            "face_photo": f"{b.id}.jpg", "photo_x0_px": round(x0, 2), "photo_y0_px": round(y0, 2), "photo_x1_px": round(x1, 2),
            "photo_y1_px": round(y1, 2), "scale_length_mm": round(b.bar_mm), "outline_mm": ring(b.sound), "flaws_mm": flaws,
            "acceptance": b.acceptance, "notes": b.notes,
            "face_corners_px": ", ".join(f"{x:.1f} {y:.1f}" for x, y in frame_quad_px(b)), "card_x_px": round(CARD_PX[0], 1),
            "card_y_px": round(CARD_PX[1], 1), "card_half_px": 35, "card_lab": " ".join(f"{v:.2f}" for v in CARD_LAB),
        })  # fmt: skip
    return out


def frame_quad_px(b: Block) -> list[list[float]]:
    """Pixels of the face frame's corners (0,0), (length,0), (length,height), (0,height)."""
    w, h = b.size_mm
    return np.round(b.to_px([(0, 0), (w, 0), (w, h), (0, h)]), 2).tolist()
