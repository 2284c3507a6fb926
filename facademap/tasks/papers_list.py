"""The papers of a project: name, what they are made from, and how."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from facademap.tasks.papers_context import Context

__all__ = ["PAPERS", "Paper"]

Files = Mapping[str, bytes]
_PLAN = ("elevations", "surfaces", "wall_stones", "openings", "conditions", "repairs", "pieces", "placements", "blocks", "faces")


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """One paper.

    Parameters
    ----------
    name : str
        Name in the manifest and on the command line.
    title : str
        Shown while it is made.
    tables : tuple of str
        Tables that it is made from.
    make : callable
        Gives file names inside the folder and their bytes.
    pictures : bool
        Whether picture files go into it.
    weight : float
        Rough share of the time.
    """

    name: str
    title: str
    tables: tuple[str, ...]
    make: Callable[[Context], Files]
    pictures: bool = False
    weight: float = 1.0


def _quantities(context: Context) -> Files:
    from facademap.report.costs import read_rates
    from facademap.report.quantities import measure_quantities
    from facademap.report.spreadsheet import write_quantities_csv, write_quantities_xlsx

    rates = read_rates(context.choices.rates, source=context.choices.rates_name) if context.choices.rates else None
    quantities = measure_quantities(context.frames(_PLAN), least_void_m2=context.choices.least_void_m2)
    if rates is not None:
        missing = rates.without_rate(quantities)
        if missing:
            context.warnings.append(f"no rate for {', '.join(missing)}: not in the costs; add rates for them")
    return {"quantities.xlsx": write_quantities_xlsx(quantities, project=context.name, rates=rates),
            "quantities.csv": write_quantities_csv(quantities)}


def _tickets(context: Context) -> Files:
    from facademap.report.tickets import make_tickets, write_cut_tickets

    tickets = make_tickets(context.frames(_PLAN), project=context.name, link=context.link)
    return {"cut-tickets.pdf": write_cut_tickets(tickets, pictures=context.face_pictures, paper=context.choices.paper)}


PAPERS: tuple[Paper, ...] = (
    Paper(name="quantities", title="quantities", tables=_PLAN, make=_quantities, weight=1.0),
    Paper(name="tickets", title="cut tickets", tables=(*_PLAN, "photos"), make=_tickets, pictures=True, weight=3.0),
)
