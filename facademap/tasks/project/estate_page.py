"""The estate counted, what to do first for a budget, and both as one page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.whole_files import write_whole
from facademap.report.estate_page import estate_page
from facademap.tasks.project.estate import figures_of_estate
from facademap.tasks.project.estate_maps import make_maps
from facademap.tasks.project.estate_prices import Wishes, rates_in

__all__ = ["make_estate"]


def make_estate(
    projects: Sequence[str],
    *,
    buildings: Sequence[str] = (),
    rates: Path | None = None,
    budget: float | None = None,
    weights: str = "0,1,3,9",
    scaffold: float = 0.0,
    most_stone_m3: float | None = None,
    out: Path | None = None,
    with_maps: bool = False,
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Count an estate, choose what to do first where a budget is given, and write the page where one is wanted.

    Parameters
    ----------
    projects : sequence of str
        Folders and addresses.
    buildings : sequence of str
        Only elevations of these; all when empty.
    rates : Path, optional
        Rates of the office.
    budget, scaffold : float
        Amounts in the currency of the rates; ``scaffold`` is what getting at one elevation costs.
    weights : str
        What urgency classes 0 to 3 count, four numbers.
    most_stone_m3 : float, optional
        No more original stone is taken out.
    out : Path, optional
        Page to write.
    with_maps : bool
        Whether the condition map of every project is made too, in a folder beside the page, from which it is read when one of its
        walls is looked at.
    progress : callable
        Told the fraction that is done.

    Returns
    -------
    dict
        As :func:`~facademap.tasks.project.estate.figures_of_estate`, ``first``: the choice, ``None`` without a budget, and ``missing``:
        what the maps could not show.

    Raises
    ------
    InputError, FileError
        Rates or weights that are none; no money to choose for.
    """
    prices = None if rates is None else rates_in(rates)
    wishes = None
    if budget is not None:
        if prices is None:
            raise InputError("a budget needs prices", "Give the rates of the office too.")
        wishes = Wishes(
            buildings=buildings, weights=_weights(weights), limits_stone=most_stone_m3 is not None
        )
    more: dict[str, Any] = {} if wishes is None else {"also": wishes.gather}
    found = figures_of_estate(
        projects, rates=prices, buildings=buildings, progress=progress, **more
    )
    first = None
    if wishes is not None and budget is not None:
        first = wishes.choose(budget=budget, most_stone_m3=most_stone_m3, scaffold=scaffold)
    missing: list[str] = []
    if out is not None:
        maps: dict[tuple[str, str], str] = {}
        if with_maps:
            maps, missing = make_maps(found["elevations"], beside=out, progress=progress)
        write_whole(out, estate_page(found, choice=first, maps=maps))
    elif with_maps:
        raise InputError("maps lie beside a page", "Say where the page goes, with --out.")
    return {**found, "first": first, "missing": missing}


def _weights(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f"weights: {text[:60]!r} are no numbers", "Give four, as in 0,1,3,9."
        ) from None
