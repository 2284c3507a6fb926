"""What every designed treatment says: figures, materials, steps, checks, cautions, and what holds it back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from facademap.repair.settings import TradeValue
from facademap.treatment.values import TreatmentValues

__all__ = [
    "OF_MIX",
    "PROVED",
    "TYPED",
    "Figure",
    "Job",
    "Kind",
    "Place",
    "Product",
    "figure",
    "measured",
    "sentences",
    "told",
    "worked_out",
]

#: How a figure is known that somebody typed: the survey does not say whether it was measured, probed or guessed.
TYPED = "survey"
#: Begins what is said of a depth that was measured from the relief.
PROVED = "measured from the relief"
#: What a figure measures; people read it in the units of the project.
Kind = Literal[
    "length", "depth", "width", "area", "volume", "count", "share", "angle", "hours", "months",
    "temperature", "mass", "litres_per_m2", "colour_difference",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of a design.

    Parameters
    ----------
    name : str
        What it is.
    value : float
        In SI; months, degrees and degrees Celsius as they are.
    kind : str
        What it measures.
    source, status : str
        Where it comes from: measured, worked out, or a trade value with its source.
    note : str
        What to bear in mind.
    """

    name: str
    value: float
    kind: Kind
    source: str
    status: str
    note: str = ""

    @property
    def is_typed(self) -> bool:
        """Whether the survey tells it, without saying how it was found."""
        return self.source == TYPED

    @property
    def is_measured(self) -> bool:
        """Whether it was measured: by a trial panel, or from the relief and confirmed."""
        return self.source == "trial panel" or self.source.startswith(PROVED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """Something to order: what, how much, and what it is for.

    Parameters
    ----------
    name : str
    amount : float
        In SI.
    kind : str
        What the amount measures.
    purpose : str
    """

    name: str
    amount: float
    kind: Kind
    purpose: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place on the wall that a drawing of the treatment shows.

    Parameters
    ----------
    name : str
        What is there, such as a port or a rod.
    u_m, v_m : float
        Where, in the wall frame.
    toward_deg : float, optional
        Direction in the face in which a rod goes in, counterclockwise from u.
    """

    name: str
    u_m: float
    v_m: float
    toward_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One treatment worked out for one repair.

    Parameters
    ----------
    repair, treatment, surface : str
    wall_stone : str
        Empty where it lies on no stone.
    method : str
        What is done, in a few words.
    why : str
        Why this method and not a stronger one.
    removes : str
        What original stone it takes out; says so where it takes none.
    figures : tuple of Figure
    products : tuple of Product
    places : tuple of Place
    tools, steps, criteria, cautions : tuple of str
    never : tuple of str
        What must not be used here.
    holds : tuple of str
        What keeps the work from beginning, each with what to do.
    doubts : tuple of str
        What is not known, so that the figures may be wrong.
    """

    repair: str
    treatment: str
    surface: str
    wall_stone: str = ""
    method: str
    why: str = ""
    removes: str = "Takes out no original stone."
    figures: tuple[Figure, ...] = ()
    products: tuple[Product, ...] = ()
    places: tuple[Place, ...] = ()
    tools: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    criteria: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    holds: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    trial: str = field(default="")

    @property
    def held(self) -> bool:
        """Whether something keeps the work from beginning."""
        return bool(self.holds)

    def figure(self, name: str) -> Figure | None:
        """The figure of that name, if there is one."""
        return next((f for f in self.figures if f.name == name), None)


def figure(values: TreatmentValues, key: str, name: str, kind: Kind) -> Figure:
    """A trade value as a figure of a design, with its source."""
    known: TradeValue = values.values[key]
    return Figure(
        name=name,
        value=values[key],
        kind=kind,
        source=known.source,
        status=known.status,
        note=known.note,
    )


def worked_out(name: str, value: float, kind: Kind, how: str) -> Figure:
    """A figure that follows from others."""
    return Figure(name=name, value=value, kind=kind, source=how, status="derived")


def measured(name: str, value: float, kind: Kind, how: str) -> Figure:
    """A figure that somebody measured, and how."""
    return Figure(name=name, value=value, kind=kind, source=how, status="project")


def told(name: str, value: float, kind: Kind, how: str = TYPED) -> Figure:
    """A figure of the record, and how it is known."""
    return Figure(name=name, value=value, kind=kind, source=how, status="project")


#: Why so much of a part of a mortar.
OF_MIX = "for that mortar, by its mix"


def sentences(*found: str | Sequence[str]) -> tuple[str, ...]:
    """Sentences in order, empty ones and repetitions left out."""
    flat = [s for f in found for s in ([f] if isinstance(f, str) else f)]
    return tuple(dict.fromkeys(s for s in flat if s))
