"""What each repair of a project costs by the rates of an office, and what to do first with the money there is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.report.costs import Rates, read_rates
from facademap.report.quantities import measure_quantities
from facademap.store.project import Project
from facademap.tables import PIECED, UNDECIDED, is_missing
from facademap.tasks.issue.papers import read_rates_file
from facademap.treatment.budget import URGENCY_WEIGHTS, Choice, Need, Priced, choose_repairs

__all__ = ["Price", "Wishes", "prices_of", "rates_in"]

_MEASURED_FROM = ("elevations", "surfaces", "wall_stones", "openings", "conditions", "repairs", "pieces", "placements", "faces")  # fmt: skip
_OF_REPAIRS = ("id", "surface", "treatment", "stage", "conditions", "removed_volume_m3", "held_back")  # fmt: skip
#: Stages in which nothing was begun yet, so that a choice can still be made.
_OPEN = frozenset({"proposed", "approved"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What a repair costs."""

    low: float
    likely: float
    high: float


def rates_in(path: Path) -> Rates:
    """The rates of a file.

    Raises
    ------
    FileError, InputError
        It cannot be read, or is none.
    """
    return read_rates(read_rates_file(path), source=path.name)


def prices_of(project: Project, rates: Rates) -> dict[str, Price]:
    """Prices by repair; a repair whose treatment has no rate has none."""
    frames = {name: project.read(name) for name in _MEASURED_FROM}
    if frames["repairs"].empty:
        return {}
    rows = measure_quantities(frames).repairs
    by_treatment: dict[str, list[Any]] = {}
    for rate in rates.rates:
        by_treatment.setdefault(rate.treatment, []).append(rate)
    prices = {}
    for row in rows.to_dict("records"):
        mine = by_treatment.get(str(row["treatment"]))
        if mine:
            low, likely, high = (
                sum(getattr(r, n) * float(row[r.measure]) for r in mine)
                for n in ("low", "likely", "high")
            )
            prices[str(row["id"])] = Price(low=low, likely=likely, high=high)
    return prices


@dataclass(slots=True, kw_only=True)
class Wishes:
    """Everything that could be done in an estate, gathered project by project, and what could not and why.

    Parameters
    ----------
    buildings : sequence of str
        Only elevations of these; all when empty.
    weights : sequence of float
        What a condition of urgency class 0 to 3 counts.
    limits_stone : bool
        Whether the stone that is taken out has a limit, so that it has to be known.
    """

    buildings: Sequence[str] = ()
    weights: Sequence[float] = URGENCY_WEIGHTS
    limits_stone: bool = False
    repairs: list[Priced] = field(default_factory=list)
    needs: list[Need] = field(default_factory=list)
    told: dict[str, dict[str, Any]] = field(default_factory=dict)
    cannot: list[dict[str, Any]] = field(default_factory=list)
    without_urgency: int = 0

    def __post_init__(self) -> None:
        if len(self.weights) != 4 or any(not 0 <= w <= 1e6 for w in self.weights):
            raise InputError(
                "the weights are not four numbers from 0 to 1000000",
                "Give what urgency classes 0, 1, 2 and 3 count, as in 0,1,3,9.",
            )

    def gather(self, place: str, project: Project, prices: Mapping[str, Price]) -> None:
        """Take in what a project wants."""
        name = str(project.setting("name", project.folder.name))
        elevations = {str(e["id"]): e for e in project.read("elevations").to_dict("records")}
        surfaces = project.read("surfaces", columns=("id", "elevation")).to_dict("records")
        walls = {str(s["id"]): str(s["elevation"]) for s in surfaces}
        repairs = {str(r["id"]): r for r in project.read("repairs", columns=_OF_REPAIRS).to_dict("records")}  # fmt: skip
        answering: dict[str, list[str]] = {}
        for id, row in repairs.items():
            for condition in row["conditions"] or ():
                answering.setdefault(str(condition), []).append(id)
        offered: set[str] = set()
        for row in project.read("conditions", columns=("id", "surface", "uc", "term")).to_dict(
            "records"
        ):
            wall = walls.get(str(row["surface"]), "")
            entry = elevations.get(wall, {})
            building = name if is_missing(entry.get("building")) else str(entry["building"])
            if self.buildings and building not in self.buildings:
                continue
            if is_missing(row["uc"]):
                self.without_urgency += 1
                continue
            weight = float(self.weights[int(row["uc"])])
            mine = [repairs[r] for r in answering.get(str(row["id"]), ())]
            begun = [r for r in mine if r["stage"] not in (*_OPEN, "on hold")]
            open_work = [r for r in mine if r not in begun]
            if weight == 0 or (mine and not open_work):
                continue  # nothing to win, or under way already
            about = {
                "project": name,
                "building": building,
                "elevation": str(entry.get("name") or wall or "no elevation"),
                "condition": str(row["id"]),
                "term": str(row["term"]),
                "urgency": int(row["uc"]),
                "repairs": [str(r["id"]) for r in open_work],
            }
            why = self._why_it_cannot(open_work, prices)
            if why:
                self.cannot.append({**about, "why": why})
                continue
            key = f"{place} {row['id']}"
            self.told[key] = about
            names = tuple(f"{place} {r['id']}" for r in open_work)
            self.needs.append(Need(id=key, weight=weight, repairs=names))
            for repair, named in zip(open_work, names, strict=True):
                if named not in offered:
                    offered.add(named)
                    self._offer(place, repair, named, walls, prices)

    def _offer(
        self,
        place: str,
        repair: Mapping[str, Any],
        named: str,
        walls: Mapping[str, str],
        prices: Mapping[str, Price],
    ) -> None:
        stone = repair["removed_volume_m3"]
        self.repairs.append(
            Priced(
                id=named,
                place=f"{place} {walls.get(str(repair['surface']), '')}",
                cost=prices[str(repair["id"])].likely,
                stone_m3=0.0 if is_missing(stone) else float(stone),
            )
        )

    def _why_it_cannot(
        self, repairs: Sequence[Mapping[str, Any]], prices: Mapping[str, Price]
    ) -> str:
        if not repairs:
            return "no repair is decided"
        for row in repairs:
            id, treatment = row["id"], row["treatment"]
            if treatment == UNDECIDED:
                return f"repair {id} is undecided"
            if treatment == "leave":
                return "it is to be left as it is"
            if row["stage"] == "on hold":
                return f"repair {id} is on hold"
            if not is_missing(row["held_back"]):
                return f"repair {id} waits: {row['held_back']}"
            if str(id) not in prices:
                return f"repair {id} has no price: {treatment} has no rate"
            if self.limits_stone and treatment in PIECED and is_missing(row["removed_volume_m3"]):  # fmt: skip
                return f"repair {id} says nothing of the stone it takes out"
        return ""

    def choose(
        self, *, budget: float, most_stone_m3: float | None = None, scaffold: float = 0.0
    ) -> dict[str, Any]:
        """The choice in words of the projects.

        Parameters
        ----------
        budget : float
            In the currency of the rates.
        most_stone_m3 : float, optional
            No more original stone is taken out.
        scaffold : float
            What it costs to get at one elevation.

        Returns
        -------
        dict
            ``do`` (conditions answered, with their repairs), ``left`` (others that could be, each with ``why``, ``costs``, ``less``,
            ``instead``), ``cannot`` (those that no money answers now, and why), ``weight``, ``bound``, ``proved``, ``cost``,
            ``scaffolds``, ``stone_m3``, ``without_urgency``.
        """
        if scaffold < 0:
            raise InputError(f"scaffold: {scaffold:g} is no price", "Give 0 or more.")
        found: Choice = choose_repairs(
            self.repairs,
            self.needs,
            budget=budget,
            most_stone_m3=most_stone_m3,
            scaffolds=dict.fromkeys({r.place for r in self.repairs}, scaffold),
        )
        left = [
            {
                **self.told[w.id], "why": w.why, "costs": w.costs, "less": w.less,
                "instead": [f"{self.told[i]['project']} {self.told[i]['condition']}" for i in w.instead],
            }
            for w in found.left
        ]  # fmt: skip
        return {
            "do": [self.told[i] for i in found.answered],
            "left": left,
            "cannot": self.cannot,
            "weight": found.weight,
            "bound": found.bound,
            "proved": found.is_proved,
            "budget": budget,
            "cost": found.cost,
            "scaffolds": len(found.places),
            "repairs": len(found.repairs),
            "stone_m3": found.stone_m3,
            "without_urgency": self.without_urgency,
            "weights": list(self.weights),
        }
