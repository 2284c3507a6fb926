"""The network: a picture of any size to four maps of the same size.

``stone`` (the face of a stone), ``edge`` (its border), ``depth`` (distance to the border over the largest in that stone) and
``other`` (what is no masonry), all as logits.
"""

from __future__ import annotations

import itertools

import torch
from torch import nn
from torch.nn import functional

#: Channels from half size to a 64th, residual blocks going down and coming up, channels of the end at full size.
WIDTHS, DOWN, UP, END = (32, 64, 96, 128, 192, 256), (1, 2, 2, 2, 2, 2), (1, 1, 1, 1, 1), 16
MAPS = ("stone", "edge", "depth", "other")


def conv(
    channels: int, out: int, *, side: int = 3, stride: int = 1, cut: bool = True
) -> nn.Sequential:
    """Convolution, normalisation and, where asked for, no value under nought."""
    layers: list[nn.Module] = [
        nn.Conv2d(channels, out, side, stride, side // 2, bias=False),
        nn.BatchNorm2d(out),
    ]
    return nn.Sequential(*layers, nn.ReLU(inplace=True)) if cut else nn.Sequential(*layers)


class Block(nn.Module):
    """Two convolutions whose result is added to what went in."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.inner = nn.Sequential(conv(channels, channels), conv(channels, channels, cut=False))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """The same shape."""
        return functional.relu(x + self.inner(x))


class Network(nn.Module):
    """U-shaped and residual, with a light end at full size."""

    def __init__(self) -> None:
        super().__init__()
        first = WIDTHS[0]
        self.stem = nn.Sequential(
            conv(3, first, side=5, stride=2), *(Block(first) for _ in range(DOWN[0]))
        )
        self.down = nn.ModuleList(
            nn.Sequential(conv(a, b, stride=2), *(Block(b) for _ in range(n)))
            for (a, b), n in zip(itertools.pairwise(WIDTHS), DOWN[1:], strict=True)
        )
        self.narrow = nn.ModuleList(
            conv(b, a, side=1, cut=False) for b, a in itertools.pairwise(WIDTHS[::-1])
        )
        self.up = nn.ModuleList(
            nn.Sequential(*(Block(a) for _ in range(n)))
            for a, n in zip(WIDTHS[-2::-1], UP, strict=True)
        )
        self.last = conv(first, END, cut=False)
        self.fine = conv(END + 3, END)
        self.out = nn.Conv2d(END, len(MAPS), 3, padding=1)

    def forward(self, view: torch.Tensor) -> torch.Tensor:
        """Logits, shape (views, 4, rows, columns); rows and columns are multiples of 64."""
        x, skips = self.stem(view), []
        for layer in self.down:
            skips.append(x)
            x = layer(x)
        for narrow, up, skip in zip(self.narrow, self.up, skips[::-1], strict=True):
            x = up(
                functional.relu(
                    functional.interpolate(narrow(x), scale_factor=2.0, mode="nearest") + skip
                )
            )
        x = functional.relu(functional.interpolate(self.last(x), scale_factor=2.0, mode="nearest"))
        return self.out(self.fine(torch.cat([x, view], 1)))


def losses(logits: torch.Tensor, truth: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """Parts of the loss. ``truth``: stone, edge, depth, other, and weights ``seen`` (judged at all) and ``deep`` (depth known)."""
    stone, edge, depth, other = logits.float().unbind(1)
    seen, deep, heavy = truth["seen"], truth["deep"], truth["heavy"]
    cross = functional.binary_cross_entropy_with_logits

    def mean(value: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
        return (value * weight).sum() / weight.sum().clamp(min=1.0)

    p = torch.sigmoid(edge) * seen
    t = truth["edge"] * seen
    overlap = 1 - (2 * (p * t).sum((1, 2)) + 50) / ((p * p).sum((1, 2)) + (t * t).sum((1, 2)) + 50)
    return {
        "stone": mean(cross(stone, truth["stone"], reduction="none"), seen * heavy),
        "edge": 1.5
        * mean(
            cross(edge, truth["edge"], reduction="none"), seen * (1 + 3 * truth["edge"]) * heavy
        ),
        "edges": 0.5 * overlap.mean(),
        "depth": 4.0 * mean((torch.sigmoid(depth) - truth["depth"]).abs(), deep * heavy),
        "other": 0.7 * mean(cross(other, truth["other"], reduction="none"), seen),
    }
