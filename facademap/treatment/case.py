"""What a treatment is designed from: the repair, its conditions, its stone, the trials that were made for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from facademap.condition.measured_depth import depth_is_proved
from facademap.repair.mixes import MIXES, Mix, strength_faults, strength_floor
from facademap.repair.settings import Settings
from facademap.tables import is_missing, text_of
from facademap.treatment.job import PROVED, TYPED, Figure, Kind, told
from facademap.treatment.values import TreatmentValues
from facademap.treatment.words import say

__all__ = ["Case", "chosen_mix"]

Row = Mapping[str, Any]
#: Parts of a building that weather hard: they stand out, lie flat or stand in the splash.
_EXPOSED = frozenset({"cornice", "coping", "string course", "sill", "plinth", "parapet", "chimney"})
_WEAK_FIRST = ("NHL 2 1:2.5", "NHL 3.5 1:2.5")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One repair with what it is designed from.

    Parameters
    ----------
    repair : mapping
        Row of the repairs table.
    conditions : sequence of mapping
        Rows of the conditions that it answers.
    stone : mapping, optional
        Row of the wall stone that it lies in.
    near : sequence of Polygon
        Outlines of the stones near it.
    settings : Settings
        Trade values of the profile.
    values : TreatmentValues
        Trade values of treatments.
    trials : sequence of mapping
        Rows of the trials of this treatment on this stone.
    parts : sequence of (Polygon, part)
        Stones near it with the parts of the building that they are.
    """

    repair: Row
    conditions: Sequence[Row]
    settings: Settings
    values: TreatmentValues
    stone: Row | None = None
    near: Sequence[Any] = ()
    trials: Sequence[Row] = ()
    parts: Sequence[tuple[Any, str]] = ()

    @property
    def name(self) -> str:
        """Id of the repair."""
        return str(self.repair["id"])

    @property
    def inches(self) -> bool:
        """Whether the profile is in inches, so that people read nothing else."""
        return self.settings.inches

    def say(self, value: float, kind: Kind) -> str:
        """A figure in the units of the profile."""
        return say(value, kind, inches=self.inches)

    @property
    def shape(self) -> Any:
        """Outline treated, in the wall frame; ``None`` where there is none."""
        shape = self.repair["geometry"]
        return None if shape is None or shape.is_empty else shape

    @property
    def part(self) -> str:
        """Part of the building, in lower case."""
        return "" if self.stone is None else text_of(self.stone.get("part")).lower()

    @property
    def rock(self) -> str:
        """Local name of the stone, in lower case."""
        return "" if self.stone is None else text_of(self.stone.get("stone_type")).lower()

    @property
    def exposed(self) -> bool:
        """Whether it lies where weather is hard."""
        return self.part in _EXPOSED

    @property
    def terms(self) -> tuple[str, ...]:
        """Terms of its conditions, each once."""
        return tuple(dict.fromkeys(text_of(c["term"]).lower() for c in self.conditions))

    @property
    def wall_stone(self) -> str:
        """Id of the wall stone; empty where it lies on none."""
        return text_of(self.repair.get("wall_stone"))

    def greatest(self, column: str) -> float | None:
        """The greatest value of a column of its conditions, ``None`` where none has one."""
        known = [float(c[column]) for c in self.conditions if not is_missing(c.get(column))]
        known = [v for v in known if np.isfinite(v)]
        return max(known) if known else None

    def told(self, column: str, name: str, kind: Kind) -> Figure:
        """The greatest value of a column of its conditions as a figure that says how it is known."""
        value = self.greatest(column)
        assert value is not None, "asked for where none is known"
        rows = [c for c in self.conditions if not is_missing(c.get(column))]
        row = next(c for c in rows if float(c[column]) == value)
        proved = column == "depth_m" and _is_measured(row)
        how = f"{PROVED}, confirmed by {row['depth_confirmed_by']}" if proved else TYPED
        return told(name, value, kind, how)

    @property
    def depth_is_typed(self) -> bool:
        """Whether its depth is one that nobody measured with the tool."""
        deepest = self.greatest("depth_m")
        return deepest is not None and not any(
            _is_measured(c) for c in self.conditions if c.get("depth_m") == deepest
        )

    def area_m2(self) -> float:
        """Area treated, each place once: that of its conditions net of openings where it was measured."""
        areas = [c.get("area_m2") for c in self.conditions]
        if areas and not any(is_missing(a) for a in areas):
            return float(sum(float(a) for a in areas if a is not None))
        return 0.0 if self.shape is None else float(self.shape.area)

    def lines(self) -> list[Any]:
        """The lines among its conditions."""
        shapes = [c["geometry"] for c in self.conditions if c.get("geometry") is not None]
        parts = [p for s in shapes for p in shapely.get_parts(s)]
        return [p for p in parts if p.geom_type == "LineString" and p.length > 0]

    def zones(self) -> list[Any]:
        """The areas among its conditions."""
        shapes = [c["geometry"] for c in self.conditions if c.get("geometry") is not None]
        parts = [p for s in shapes for p in shapely.get_parts(s)]
        return [p for p in parts if p.geom_type == "Polygon" and p.area > 0]


def chosen_mix(case: Case) -> tuple[Mix, tuple[str, ...], str]:
    """The weakest mix that lasts where it stands, what speaks against it, and why it was taken.

    Sheltered places take the weaker binder, exposed ones the next (common practice); no mix may be stronger than the stone.
    """
    wanted = _WEAK_FIRST[1] if case.exposed else _WEAK_FIRST[0]
    mix = MIXES[wanted]
    faults = strength_faults(mix, case.rock)
    if faults and case.exposed:
        weaker = MIXES[_WEAK_FIRST[0]]
        if not strength_faults(weaker, case.rock):
            return weaker, (), "exposed, but the next stronger mix may outdo the stone"
    why = "exposed part of the wall" if case.exposed else "plain walling: the weaker of the two"
    return mix, faults, f"{why} (common practice)"


def strength_doubt(case: Case) -> str:
    """What is not known of the strength of a stone, which a mix must not outdo."""
    known = strength_floor(case.rock)
    if known is None:
        return (
            "The kind of stone is not known, so that no mix can be held against its strength."
            if not case.rock
            else f"Nothing is known of the strength of {case.rock}, so that no mix can be held against it: have it tested."
        )
    return (
        f"The strength of this stone was not tested: the mix is held against the {known[0]:g} N/mm² that {known[1]} asks of new stone "
        "of its kind; old or weathered stone can be weaker."
    )


def _is_measured(condition: Row) -> bool:
    """Whether its depth was measured and confirmed, from a relief that was itself measured."""
    kept = condition.get("measured_depth")
    return depth_is_proved(condition) and not (isinstance(kept, Mapping) and kept.get("note"))
