"""Views of rendered walls with damage, cut on the accelerator, with clicks of chance inside and outside one region."""

from __future__ import annotations

import camera
import torch
from camera import normalised
from damages import HALF_MM, UNJUDGED
from torch.nn import functional

#: Side of a view, and how many of its pixels lie on one of the scene: what the desk and the search look at lies between.
SIDE_PX, SCALES = 320, (0.4, 1.8)
#: Share of the views that are clicked in, of those the share with one click inside, and with none outside.
CLICKED, ONE, NONE = 0.7, 0.5, 0.55
#: Relief goes in over its surroundings, in units of this many millimetres, cut off beyond four of them.
UNIT_MM, MOST_UNITS, AROUND_PX = 8.0, 4.0, 255
#: Clicks are round spots of this width, pixels.
CLICK_PX = 5.0


class Pool:
    """Walls that are kept where the network learns."""

    def __init__(self, capacity: int, side: int, device: torch.device) -> None:
        self.capacity, self.side, self.device = capacity, side, device
        self.filled = self.added = 0
        self.rgb = torch.zeros((capacity, 3, side, side), dtype=torch.uint8, device=device)
        self.region = torch.zeros((capacity, side, side), dtype=torch.int16, device=device)
        self.planes = torch.zeros((capacity, 2, side, side), dtype=torch.uint8, device=device)
        self.size = torch.zeros(capacity, device=device)

    def add(self, rgb, region, planes) -> None:
        """A wall in the place of the oldest: picture, regions, kind and relief."""
        k = self.added % self.capacity
        self.rgb[k] = torch.from_numpy(rgb).to(self.device, non_blocking=True).permute(2, 0, 1)
        self.region[k] = torch.from_numpy(region).to(self.device, non_blocking=True)
        self.planes[k] = torch.from_numpy(planes).to(self.device, non_blocking=True)
        self.added += 1
        self.filled = min(self.added, self.capacity)


def surroundings(values: torch.Tensor) -> torch.Tensor:
    """Means over windows that end at the frame."""
    small = functional.avg_pool2d(values, 8)
    window = AROUND_PX // 8
    mean = functional.avg_pool2d(small, window, 1, window // 2, count_include_pad=False)
    return functional.interpolate(mean, size=values.shape[2:], mode="bilinear")


def spots(rows: torch.Tensor, columns: torch.Tensor, on: torch.Tensor, side: int) -> torch.Tensor:
    """Clicks (views, n) as one band of round spots (views, 1, side, side); ``on`` says which are made."""
    axis = torch.arange(side, device=rows.device, dtype=torch.float32)
    down = torch.exp(-((axis[None, None] - rows[..., None]) ** 2) / (2 * CLICK_PX**2))
    along = torch.exp(-((axis[None, None] - columns[..., None]) ** 2) / (2 * CLICK_PX**2))
    each = down[..., :, None] * along[..., None, :] * on[..., None, None]
    return each.amax(1, keepdim=True)


def _evened(region: torch.Tensor) -> torch.Tensor:
    """Weight of each pixel such that a region is picked as the root of its area says."""
    number = region.long().clamp(min=0).flatten(1)
    most = int(number.max()) + 1
    area = torch.zeros(len(number), most, device=region.device)
    area.scatter_add_(1, number, torch.ones_like(number, dtype=area.dtype))
    return area.clamp(min=1).rsqrt().gather(1, number).view_as(region)


def _well_inside(target: torch.Tensor) -> torch.Tensor:
    """Weight of each pixel of a region: more the farther its border is."""
    depth = torch.ones_like(target)
    for reach, weight in ((5, 4.0), (13, 12.0), (29, 40.0)):
        deep = -functional.max_pool2d(-target[:, None], reach, 1, reach // 2)[:, 0]
        depth = depth + weight * deep
    return depth


def _counts(n: int, least_share: float, least: int, device) -> torch.Tensor:
    """How many clicks are made: the least number in a share of the views, up to four in the others."""
    more = torch.randint(least + 1, 5, (n, 1), device=device)
    few = torch.rand(n, 1, device=device) < least_share
    return torch.where(few, torch.full_like(more, least), more)


def _picked(mask: torch.Tensor, count: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """``count`` places of each mask or weight (views, side, side) by chance: rows, columns, and whether there is any."""
    flat = mask.flatten(1).float()
    there = flat.sum(1) > 0
    flat = flat + (~there)[:, None].float()
    at = torch.multinomial(flat, count, replacement=True)
    side = mask.shape[-1]
    return at // side, at % side, there


def sample(pool: Pool, views: int, harm) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
    """Views (views, 7, side, side) as the network takes them, and their truth."""
    n, device = views, pool.device
    chosen = torch.randint(0, pool.filled, (n,), device=device)
    # two places a pixel of the view, so that a zoom of two is the scene as it lies
    fine, _ = camera.grid_of(pool, chosen, 2 * SIDE_PX, (2 * SCALES[0], 2 * SCALES[1]))
    rgb = functional.grid_sample(
        pool.rgb[chosen].float(), fine, mode="bilinear", padding_mode="zeros", align_corners=False
    )
    rgb = functional.avg_pool2d(rgb, 2)
    grid = functional.avg_pool2d(fine.permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
    planes = torch.cat([pool.region[chosen][:, None].float(), pool.planes[chosen].float()], 1)
    ones = torch.ones_like(planes[:, :1])
    seen = functional.grid_sample(
        torch.cat([planes, ones], 1),
        grid,
        mode="nearest",
        padding_mode="zeros",
        align_corners=False,
    )
    region, kind, relief, inside = seen.unbind(1)
    outside = inside < 0.5
    rgb = torch.where(outside[:, None], torch.zeros_like(rgb), camera.photographed(rgb, harm))
    judged = ((kind != UNJUDGED) & ~outside).float()
    kind = torch.where(judged > 0, kind, torch.zeros_like(kind)).long()

    mm = (torch.where(outside, torch.full_like(relief, 128.0), relief) - 128.0) / HALF_MM
    mm = mm[:, None] * torch.exp(0.4 * torch.randn(n, 1, 1, 1, device=device))
    mm = ((mm - surroundings(mm)) / UNIT_MM).clamp(-MOST_UNITS, MOST_UNITS)
    has = (torch.rand(n, 1, 1, 1, device=device) < 0.4).float()
    mm = mm * has

    # clicks: a region by chance, small ones oftener than their area; the first mostly well inside, further ones
    # anywhere in it, none to four off it, most of them near
    row, column, there = _picked(((region > 0) & (judged > 0)) * _evened(region), 1)
    mine = region[torch.arange(n, device=device), row[:, 0], column[:, 0]]
    target = ((region == mine[:, None, None]) & there[:, None, None]).float()
    clicked = (there & (torch.rand(n, device=device) < CLICKED)).float()
    rows, columns, _ = _picked(target, 4)
    row, column, _ = _picked(target * _well_inside(target), 1)
    rows[:, 0], columns[:, 0] = row[:, 0], column[:, 0]
    made = torch.arange(4, device=device)[None] < _counts(n, ONE, 1, device)
    inner = spots(rows.float(), columns.float(), made.float() * clicked[:, None], SIDE_PX)
    near = (
        functional.max_pool2d(target[:, None], 41, 1, 20)[:, 0]
        - functional.max_pool2d(target[:, None], 5, 1, 2)[:, 0]
    )
    off = torch.where((torch.rand(n, device=device) < 0.7)[:, None, None], near, 1 - target)
    rows, columns, free = _picked(off > 0.5, 4)
    made = torch.arange(4, device=device)[None] < _counts(n, NONE, 0, device)
    made = made & free[:, None]
    outer = spots(rows.float(), columns.float(), made.float() * clicked[:, None], SIDE_PX)
    x = torch.cat([normalised(rgb), mm, has.expand_as(mm), inner, outer], 1)
    return x, {"kind": kind, "judged": judged, "target": target, "clicked": clicked}
