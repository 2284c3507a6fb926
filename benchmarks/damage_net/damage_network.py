"""The network that sees damage: a picture, its relief where there is one and clicks, to kinds of damage and the region clicked.

Bands that go in: red, green, blue; relief over its surroundings; whether there is a relief; clicks inside; clicks outside.
Maps that come out, as logits: none and the seven kinds, then the region that the clicks point at.
"""

from __future__ import annotations

import itertools

import torch
from damages import KINDS
from network import Block, conv
from torch import nn
from torch.nn import functional

#: Channels from half size to a 64th, residual blocks going down and coming up, channels of the end at full size.
WIDTHS, DOWN, UP, END = (24, 40, 64, 96, 128, 176), (1, 2, 2, 2, 2, 2), (1, 1, 1, 1, 1), 16
BANDS, MAPS = 7, len(KINDS) + 2


class Network(nn.Module):
    """U-shaped and residual, with a light end at full size."""

    def __init__(self) -> None:
        super().__init__()
        first = WIDTHS[0]
        self.stem = nn.Sequential(
            conv(BANDS, first, side=5, stride=2), *(Block(first) for _ in range(DOWN[0]))
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
        self.fine = conv(END + BANDS, END)
        self.out = nn.Conv2d(END, MAPS, 3, padding=1)

    def forward(self, view: torch.Tensor) -> torch.Tensor:
        """Logits, shape (views, 9, rows, columns); rows and columns are multiples of 64."""
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


class Answer(nn.Module):
    """What the product asks for: shares of none and the kinds, and the likelihood of the region clicked."""

    def __init__(self, network: Network) -> None:
        super().__init__()
        self.network = network

    def forward(self, view: torch.Tensor) -> torch.Tensor:
        """Shape (views, 9, rows, columns), 0 to 1."""
        logits = self.network(view)
        return torch.cat([torch.softmax(logits[:, :-1], 1), torch.sigmoid(logits[:, -1:])], 1)


def losses(logits: torch.Tensor, truth: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """Parts of the loss. ``truth``: kind (0 to 7), judged (0 or 1), target of the clicks, clicked (views)."""
    logits = logits.float()
    kinds, target = logits[:, :-1], logits[:, -1]
    judged = truth["judged"]
    weights = torch.ones(MAPS - 1, device=logits.device)
    weights[1:] = 1.3
    cross = functional.cross_entropy(kinds, truth["kind"], weight=weights, reduction="none")
    shares = torch.softmax(kinds, 1)[:, 1:] * judged[:, None]
    each = functional.one_hot(truth["kind"], MAPS - 1).permute(0, 3, 1, 2)[:, 1:].float()
    each = each * judged[:, None]
    both = (shares * each).sum((0, 2, 3))
    overlap = 1 - (2 * both + 500) / ((shares**2).sum((0, 2, 3)) + each.sum((0, 2, 3)) + 500)
    asked = truth["clicked"]
    p, t = torch.sigmoid(target), truth["target"]
    near = functional.binary_cross_entropy_with_logits(target, t, reduction="none").mean((1, 2))
    share = 1 - (2 * (p * t).sum((1, 2)) + 30) / ((p * p).sum((1, 2)) + t.sum((1, 2)) + 30)
    count = asked.sum().clamp(min=1.0)
    return {
        "kinds": (cross * judged).sum() / judged.sum().clamp(min=1.0),
        "overlap": overlap.mean(),
        "clicked": (near * asked).sum() / count,
        "region": 0.5 * (share * asked).sum() / count,
    }
