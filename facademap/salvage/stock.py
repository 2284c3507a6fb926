"""Rules of the yard: acceptance before matching, usable faces, donors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError
from facademap.salvage.rectangles import sound_part
from facademap.values import frozen_value

__all__ = [
    "ACCEPTANCE_CHECKS",
    "Face",
    "Flaw",
    "donor_face",
    "judge_acceptance",
    "sound_stone",
    "unusable_because",
]

Floats = NDArray[np.floating[Any]]
Bed = Literal["x", "none", "parallel", "unknown"]


#: Checks before a block may be matched, in the order of the yard, with what each protects from.
ACCEPTANCE_CHECKS: Mapping[str, str] = {
    "sounded": "rings clear under the hammer: no hidden cracks or vents",
    "salts": "no efflorescence, salt content within the project's limit",
    "old iron": "no cramps, dowels or rust that would burst the stone",
    "residues": "no cement or coating that cannot be dressed off",
    "absorption": "absorption compatible with the host stone",
}


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """A crack, hole, stain or vein on a face.

    Parameters
    ----------
    kind : str
    ring_m : ndarray, shape (n, 2)
    depth_m : float or None
        How deep it reaches behind the face; None = right through.
    from_m : float
        Where it begins behind the face.
    """

    kind: str
    ring_m: Floats
    depth_m: float | None = None
    from_m: float = 0.0

    def reaches(self, top_m: float, bottom_m: float) -> bool:
        """Whether the flaw lies in the layer between two depths."""
        return (self.depth_m is None or self.depth_m > top_m) and self.from_m < bottom_m


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """A face that may be worked.

    Parameters
    ----------
    outline_m : ndarray, shape (n, 2)
        Sound through the whole usable depth; x along the bed trace where ``bed`` is ``x``.
    usable_depth_m : float
    bed : {"x", "none", "parallel", "unknown"}
    flaws : tuple of Flaw
    weathered : bool
    finish : str
    parent : str
        Block or wall stone that the face comes from.
    """

    outline_m: Floats
    usable_depth_m: float
    bed: Bed = "unknown"
    flaws: tuple[Flaw, ...] = ()
    weathered: bool = False
    finish: str = ""
    parent: str = ""

    def __post_init__(self) -> None:
        if not (np.isfinite(self.usable_depth_m) and 0 < self.usable_depth_m <= 10):
            raise InputError(
                f"usable depth {self.usable_depth_m!r} m is not between 0 and 10 m",
                "Measure how deep the outline stays sound.",
            )
        sound_part(self.outline_m, [f.ring_m for f in self.flaws])

    def sound(self, *, top_m: float = 0.0, bottom_m: float | None = None) -> shapely.Geometry:
        """The outline less the flaws of a layer."""
        bottom = self.usable_depth_m if bottom_m is None else bottom_m
        return sound_part(
            self.outline_m, [f.ring_m for f in self.flaws if f.reaches(top_m, bottom)]
        )


def judge_acceptance(
    checks: Mapping[str, str],
) -> tuple[Literal["accepted", "to test", "rejected"], tuple[str, ...]]:
    """Acceptance of a block from its checks (``pass``, ``fail``, ``not done`` or ``not needed`` each).

    Returns
    -------
    state : {"accepted", "to test", "rejected"}
    reasons : tuple of str
        The checks that failed, or those still to be done.

    Raises
    ------
    InputError
        A check or a result of one that is unknown.
    """
    for name, value in checks.items():
        if name not in ACCEPTANCE_CHECKS or value not in ("pass", "fail", "not done", "not needed"):
            raise InputError(
                f"acceptance check {name!r} = {value!r} is unknown",
                f"Use {', '.join(ACCEPTANCE_CHECKS)} with pass, fail, not done or not needed.",
            )
    failed = tuple(n for n in ACCEPTANCE_CHECKS if checks.get(n) == "fail")
    if failed:
        return "rejected", tuple(f"{n} failed ({ACCEPTANCE_CHECKS[n]})" for n in failed)
    open_ = tuple(n for n in ACCEPTANCE_CHECKS if checks.get(n, "not done") == "not done")
    if open_:
        return "to test", tuple(f"{n} not done" for n in open_)
    return "accepted", ()


#: Kinds that may be matched with their bed unknown: igneous rock has a rift, no bed.
_WITHOUT_BED = ("igneous", "granite", "marble")


def unusable_because(
    *, state: str, acceptance: str, kind: str, faces: Sequence[Face]
) -> str | None:
    """Why a block may not be matched, or None.

    ``kind`` is a kind of the table ``blocks`` or a word for a rock such as ``granite``. A stone whose natural
    bed is unknown stays out until someone settles it; kind and acceptance come before colour.
    """
    if state not in ("available", "future"):
        return f"is {state}"
    if acceptance != "accepted":
        return f"acceptance: {acceptance}"
    if not faces:
        return "has no measured face"
    if kind not in _WITHOUT_BED and all(f.bed == "unknown" for f in faces):
        return "its natural bed is unknown: settle the bed direction first"
    if all(f.sound().area <= 0 for f in faces):
        return "no face has sound stone"
    return None


def sound_stone(
    stone_m: Floats, decayed: Sequence[Floats], *, cut_back_m: float, name: str = ""
) -> shapely.Polygon:
    """Largest sound part of a wall stone, where it stands.

    Parameters
    ----------
    stone_m : ndarray, shape (n, 2)
        Outline of the wall stone in its wall frame.
    decayed : sequence of ndarray
        Rings of its conditions.
    cut_back_m : float
        How far beyond the visible decay stone is not trusted.
    name : str
        What the error calls the stone.

    Raises
    ------
    GeometryError
        Nothing sound is left.
    """
    bad = (
        shapely.union_all([shapely.Polygon(r).buffer(0) for r in decayed])
        if decayed
        else shapely.Polygon()
    )
    sound = (
        shapely.Polygon(stone_m).buffer(0).difference(bad.buffer(cut_back_m, join_style="mitre"))
    )
    parts = sorted(
        (p for p in shapely.get_parts(sound) if p.geom_type == "Polygon"), key=lambda p: -p.area
    )
    if not parts or parts[0].area <= 1e-6:
        raise GeometryError(
            f"wall stone {name or '?'} leaves nothing sound", "Do not list it as a donor."
        )
    return parts[0]


def donor_face(
    stone_m: Floats,
    decayed: Sequence[Floats],
    *,
    depth_m: float,
    cut_back_m: float,
    bed: Bed = "x",
    parent: str = "",
) -> Face:
    """Sound remainder of a wall stone that comes out whole, as the face of a future block.

    Parameters
    ----------
    stone_m, decayed, cut_back_m
        As for :func:`sound_stone`.
    depth_m : float
        Depth of the stone in the wall.

    Raises
    ------
    GeometryError
        Nothing sound is left.
    """
    best = sound_stone(stone_m, decayed, cut_back_m=cut_back_m, name=parent)
    low = np.array(best.bounds[:2])
    flaws = tuple(
        Flaw(kind="decay", ring_m=shapely.get_coordinates(r)[:-1] - low) for r in best.interiors
    )
    return Face(
        outline_m=shapely.get_coordinates(best.exterior)[:-1] - low,
        usable_depth_m=depth_m,
        bed=bed,
        flaws=flaws,
        weathered=True,
        parent=parent,
    )
