"""Why a piece has no block, in the words of somebody who looks for stone."""

from __future__ import annotations

__all__ = ["reason_said"]

#: What the reasons of the matching say to somebody who looks for stone.
_REASONS = {
    "stone_type": "no block of this stone",
    "bed": "no block with its bed that way",
    "depth": "no block is deep enough",
    "weathered": "no block with a weathered face",
    "colour": "no block near enough in colour",
    "size": "no block is large enough",
    "capacity": "the blocks that would do serve others",
    "locked_out": "the blocks that would do are kept back",
}


def reason_said(reason: str) -> str:
    """Why a piece has no block, as somebody reads it who looks for stone."""
    return _REASONS.get(reason, reason)
