"""Views of rendered scenes, cut on the accelerator: camera, light and the ways of a camera's file, all from chance."""

from __future__ import annotations

import numpy as np
import torch
from torch.nn import functional

SIDE_PX = 512


class Pool:
    """Scenes that are kept where the network learns."""

    def __init__(self, capacity: int, side: int, device: torch.device) -> None:
        self.capacity, self.side, self.device, self.filled, self.added = (
            capacity,
            side,
            device,
            0,
            0,
        )
        self.rgb = torch.zeros((capacity, 3, side, side), dtype=torch.uint8, device=device)
        self.number = torch.zeros((capacity, side, side), dtype=torch.int16, device=device)
        self.maps = torch.zeros((capacity, 3, side, side), dtype=torch.uint8, device=device)
        self.size = torch.zeros(capacity, device=device)

    def add(self, rgb: np.ndarray, number: np.ndarray, maps: np.ndarray, size: float) -> None:
        """A scene in the place of the oldest: picture, numbers, kind and depth and reach, middle size of its stones."""
        k = self.added % self.capacity
        self.rgb[k] = torch.from_numpy(rgb).to(self.device, non_blocking=True).permute(2, 0, 1)
        self.number[k] = torch.from_numpy(number).to(self.device, non_blocking=True)
        self.maps[k] = torch.from_numpy(maps).to(self.device, non_blocking=True)
        self.size[k] = size
        self.added += 1
        self.filled = min(self.added, self.capacity)


def _rand(n, low, high, device):
    return low + (high - low) * torch.rand(n, device=device)


def grid_of(
    pool: Pool, chosen: torch.Tensor, side: int, zooms: tuple[float, float] = (0.5, 2.0)
) -> tuple[torch.Tensor, torch.Tensor]:
    """Places of the pixels of the views in their scenes, -1 to 1, and the scale of each view: one of ``zooms`` where no size is known."""
    n, device = len(chosen), chosen.device
    want = torch.exp(_rand(n, np.log(14.0), np.log(210.0), device))
    size = pool.size[chosen]
    known = (want / size.clamp(min=4)).clamp(0.5, 3.0)
    zoom = torch.where(size > 0, known, torch.exp(_rand(n, *np.log(zooms), device)))
    turn = torch.randn(n, device=device) * 0.05
    turn = torch.where(torch.rand(n, device=device) < 0.15, _rand(n, -0.5, 0.5, device), turn)
    turn = turn + np.pi / 2 * torch.randint(-1, 2, (n,), device=device) * (
        torch.rand(n, device=device) < 0.28
    )
    stretch = torch.exp(torch.randn(n, device=device) * 0.12)
    mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    half = side / 2 / zoom
    room = (pool.side / 2 - half).clamp(min=24)
    middle = pool.side / 2 + _rand((n, 2), -1, 1, device) * room[:, None]
    axis = (torch.arange(side, device=device) + 0.5) / side * 2 - 1
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    x, y = x[None] * mirror[:, None, None], y[None].expand(n, -1, -1)
    lean = torch.randn((n, 2), device=device) * 0.06
    away = 1 + lean[:, 0, None, None] * x + lean[:, 1, None, None] * y
    x, y = x / away * stretch[:, None, None], y / away / stretch[:, None, None]
    c, s = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
    x, y = c * x - s * y, s * x + c * y
    bend = (
        torch.randn((n, 2, 5, 5), device=device)
        * (torch.rand(n, device=device) * 0.012)[:, None, None, None]
    )
    bend = functional.interpolate(bend, size=(side, side), mode="bicubic", align_corners=True)
    x, y = x + bend[:, 0], y + bend[:, 1]
    grid = torch.stack([x, y], -1) * half[:, None, None, None] + middle[:, None, None]
    return grid / pool.side * 2 - 1, zoom


def sample(pool: Pool, views: int, harm: float) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
    """Views (views, 3, side, side) as the network takes them, and their truth. ``harm``: 0 mild to 1 in full."""
    chosen = torch.randint(0, pool.filled, (views,), device=pool.device)
    fine, zoom = grid_of(pool, chosen, 2 * SIDE_PX)
    rgb = functional.grid_sample(
        pool.rgb[chosen].float(), fine, mode="bilinear", padding_mode="zeros", align_corners=False
    )
    rgb = functional.avg_pool2d(rgb, 2)
    grid = functional.avg_pool2d(fine.permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
    planes = torch.cat([pool.number[chosen][:, None].float() + 1, pool.maps[chosen].float()], 1)
    seen = functional.grid_sample(
        planes, grid, mode="nearest", padding_mode="zeros", align_corners=False
    )
    outside = seen[:, 0] < 0.5
    number, kind, depth, reach = seen[:, 0] - 1, seen[:, 1], seen[:, 2], seen[:, 3]
    number = torch.where(outside, torch.full_like(number, -1), number)
    reach = reach * zoom[:, None, None]
    around = number[:, None]
    edge = functional.max_pool2d(around, 3, 1, 1) != -functional.max_pool2d(-around, 3, 1, 1)
    judged = (kind < 2.5).float()
    stone = ((number > 0) & (kind < 1.5)).float()
    truth = {
        "stone": stone,
        "edge": edge[:, 0].float(),
        "depth": torch.where(depth < 254, depth / 250, torch.zeros_like(depth)) * stone,
        "other": (outside | ((kind > 1.5) & (kind < 2.5))).float(),
        "seen": judged * torch.where((stone > 0) & (reach < 3.0), 0.1, 1.0),
        "deep": judged
        * (depth < 254).float()
        * torch.where((stone > 0) & (reach < 3.0), 0.0, 1.0)
        * torch.where(stone > 0, 1.0, 0.25),
        "heavy": torch.where(stone > 0, (30 / reach.clamp(min=3)).sqrt().clamp(1.0, 2.5), 1.0),
    }
    blank = torch.where(torch.rand(views, device=rgb.device) < 0.7, 0.0, 1.0)[:, None, None, None]
    rgb = photographed(rgb, harm)
    rgb = torch.where(
        outside[:, None], blank * 255 * torch.rand(views, 3, 1, 1, device=rgb.device), rgb
    )
    return normalised(rgb), truth


def normalised(rgb: torch.Tensor) -> torch.Tensor:
    """A view about its own mean, over its own spread."""
    mean = rgb.mean((1, 2, 3), keepdim=True)
    spread = (rgb - mean).pow(2).mean((1, 2, 3), keepdim=True).sqrt().clamp(min=6.0)
    return (rgb - mean) / spread


def photographed(rgb: torch.Tensor, harm: float) -> torch.Tensor:
    """Light, haze, blur, noise, sharpening and the blocks of a JPEG file."""
    n, device = len(rgb), rgb.device

    def some(share: float) -> torch.Tensor:
        return (torch.rand(n, device=device) < share).float()[:, None, None, None]

    def each(low: float, high: float, *shape: int) -> torch.Tensor:
        return _rand((n, *(shape or (1, 1, 1))), low, high, device)

    x = (rgb / 255).clamp(1e-4, 1)
    x = x ** torch.exp(0.35 * torch.randn(n, 1, 1, 1, device=device))
    x = (
        x
        * torch.exp(0.2 * torch.randn(n, 1, 1, 1, device=device))
        * torch.exp(0.07 * torch.randn(n, 3, 1, 1, device=device))
    )
    shade = functional.interpolate(
        torch.randn(n, 1, 4, 4, device=device), size=x.shape[2:], mode="bicubic", align_corners=True
    )
    x = x * (1 + 0.25 * some(0.5) * shade).clamp(0.25, 2)
    dark = functional.interpolate(
        torch.randn(n, 1, 7, 7, device=device), size=x.shape[2:], mode="bicubic", align_corners=True
    )
    dark = torch.sigmoid((dark - each(0.2, 1.2)) * each(4, 60))
    x = x * (1 - some(0.2) * each(0.2, 0.65) * dark)
    haze = some(0.3) * each(0, 0.25 + 0.3 * harm)
    x = x * (1 - haze) + haze * each(0.2, 0.8)
    grey = x.mean(1, keepdim=True)
    x = x + some(0.35) * each(-1.0, 0.3) * (x - grey)
    plain = some(0.1)
    x = x * (1 - plain) + plain * grey
    level = (each(0, 1) ** 2 * (1.0 + 1.2 * harm) * some(0.75)).clamp(min=0.05)
    x = _blurred(x, level)
    sharp = some(0.3) * each(0.2, 1.2)
    x = x + sharp * (x - functional.avg_pool2d(x, 3, 1, 1, count_include_pad=False))
    fine = torch.randn_like(x) * each(0, 0.012 + 0.03 * harm) * some(0.6)
    coarse = functional.interpolate(
        torch.randn(n, 3, x.shape[2] // 2, x.shape[3] // 2, device=device),
        scale_factor=2.0,
        mode="bilinear",
    )
    x = x + fine + coarse * each(0, 0.01 + 0.02 * harm) * some(0.4)
    x = x.clamp(0, 1) * 255
    packed = some(0.6)
    return x * (1 - packed) + packed * _blocks(x, each(0, 1) ** 2 * (0.4 + 0.6 * harm))


def _blurred(x: torch.Tensor, sigma: torch.Tensor) -> torch.Tensor:
    """Each view blurred by a width of its own, pixels, shape (views, 1, 1, 1)."""
    n, c, h, w = x.shape
    reach = 6
    at = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    weights = torch.exp(-(at[None] ** 2) / (2 * sigma.view(n, 1) ** 2))
    weights = (weights / weights.sum(1, keepdim=True)).repeat_interleave(c, 0)
    x = functional.pad(x, (reach,) * 4, mode="replicate").view(
        1, n * c, h + 2 * reach, w + 2 * reach
    )
    x = functional.conv2d(x, weights.view(n * c, 1, 1, -1), groups=n * c)
    return functional.conv2d(x, weights.view(n * c, 1, -1, 1), groups=n * c).view(n, c, h, w)


def _blocks(x: torch.Tensor, rough: torch.Tensor) -> torch.Tensor:
    """Blocks of 8 x 8 whose waves are rounded, the quick ones most."""
    n, c, h, w = x.shape
    k = torch.arange(8, device=x.device, dtype=x.dtype)
    wave = torch.cos((2 * k[None] + 1) * k[:, None] * np.pi / 16) * 0.5
    wave[0] = wave[0] / np.sqrt(2)
    both = torch.kron(wave, wave)
    parts = x.reshape(n, c, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5).reshape(n, -1, 64) - 128
    step = (3 + 2.2 * (k[:, None] + k[None]) ** 1.25).reshape(1, 1, 64)
    step = step * (0.3 + 4.5 * rough.view(n, 1, 1))
    waves = torch.round((parts @ both.T) / step) * step
    back = (waves @ both + 128).reshape(n, c, h // 8, w // 8, 8, 8)
    return back.permute(0, 1, 2, 4, 3, 5).reshape(n, c, h, w).clamp(0, 255)
