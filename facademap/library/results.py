"""What the steps give back: frozen, typed, comparable, with a table, a picture and a map of each."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import pandas as pd

from facademap.library import pictures
from facademap.tasks.project.finding import Finding
from facademap.values import ReadOnly, frozen_value

__all__ = [
    "BlocksAdded",
    "Checked",
    "ControlAdded",
    "ElevationMade",
    "ElevationsMade",
    "Explained",
    "LooksMeasured",
    "MapMade",
    "Matched",
    "NoBlock",
    "OutlinesAdded",
    "PapersMade",
    "PhotosAdded",
    "Programme",
    "Recorded",
    "Rectified",
    "RepairsPlanned",
    "Result",
    "WorkState",
    "told",
]

_One = TypeVar("_One", bound="Result")


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What every step gives back.

    Parameters
    ----------
    folder : path
        Project, or folder of the file that was made.
    frame : DataFrame or GeoDataFrame
        The rows that the step is about, as they were when it ended; units stand in the column names.
    """

    folder: Path
    frame: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """A copy of the rows, to be changed freely.

        Returns
        -------
        DataFrame or GeoDataFrame
        """
        return self.frame.copy()

    def as_json(self) -> dict[str, Any]:
        """The values of the result without its rows, as the command line gives them under ``--json``.

        Returns
        -------
        dict
            Lists, mappings, texts and numbers.
        """
        return {
            f.name: _plain(getattr(self, f.name))
            for f in dataclasses.fields(self)
            if f.name != "frame"
        }

    def plot(self, ax: Any = None) -> Any:
        """Draw the rows on the rectified elevation, in metres of the wall.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Axes to draw on; new ones without it.

        Returns
        -------
        matplotlib.axes.Axes
            With equal scales, u to the right and v up.

        Raises
        ------
        InputError
            matplotlib is not installed, or the rows have no place on the wall.
        """
        return pictures.plot(self.folder, self.frame, ax=ax)

    def explore(self) -> Any:
        """A map of the rows in coordinates of the wall that needs no network.

        Returns
        -------
        folium.Map

        Raises
        ------
        InputError
            The rows have no place on the wall.
        """
        return pictures.explore(self.folder, self.frame)

    def _repr_html_(self) -> str:
        own = [
            (f.name, getattr(self, f.name))
            for f in dataclasses.fields(self)
            if f.name not in ("frame", "folder")
        ]
        return pictures.card(type(self).__name__, own, self.folder, self.frame)


def told(cls: type[_One], values: Mapping[str, Any], **more: Any) -> _One:
    """A result from the mapping that a task gives, everything in it frozen."""
    names = {f.name for f in dataclasses.fields(cls)}
    return cls(**{n: _frozen(v) for n, v in values.items() if n in names}, **more)


def _frozen(held: Any) -> Any:
    if isinstance(held, dict):
        return ReadOnly({k: _frozen(v) for k, v in held.items()})
    if isinstance(held, list):
        return tuple(map(_frozen, held))
    return held


def _plain(held: Any) -> Any:
    if isinstance(held, Result):
        return held.as_json()
    if dataclasses.is_dataclass(held) and not isinstance(held, type):
        return {f.name: _plain(getattr(held, f.name)) for f in dataclasses.fields(held)}
    if isinstance(held, Mapping):
        return {str(k): _plain(v) for k, v in held.items()}
    if isinstance(held, tuple | list):
        return [_plain(x) for x in held]
    return str(held) if isinstance(held, Path) else held


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PhotosAdded(Result):
    """Photos of a project.

    Parameters
    ----------
    photos : int
        How many there are now.
    added : tuple of str
        Ids of the new ones.
    """

    photos: int
    added: tuple[str, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ControlAdded(Result):
    """Control and check points that were read.

    Parameters
    ----------
    control, check, observations : int
        Points of each role, and how often photos show them.
    world : mapping or None
        How the wall was placed in the world (``rmse_m``, ``largest_out_of_plane_m``, ``facing_deg``, ``lean_deg``).
    notes : tuple of str
    """

    control: int
    check: int
    observations: int
    world: Mapping[str, Any] | None
    notes: tuple[str, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ElevationMade(Result):
    """One rectified elevation and what proves it.

    Parameters
    ----------
    surface : str
    path : path
        The GeoTIFF.
    gsd_m : float
    control_n, check_n : int
    control_rmse_m, check_rmse_m : float or None
        Root mean square distance, radial; ``None`` where nothing tells.
    proved : bool
        Whether points that had no part in the fit prove it.
    proof : str
        The sentence that stands on papers.
    warnings : tuple of str
    report : mapping
        The whole report, as it is stored with the surface.
    """

    surface: str
    path: Path
    gsd_m: float
    control_n: int
    check_n: int
    control_rmse_m: float | None
    check_rmse_m: float | None
    proved: bool
    proof: str
    warnings: tuple[str, ...]
    report: Mapping[str, Any]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ElevationsMade(Result):
    """The elevations of a project.

    Parameters
    ----------
    surfaces : tuple of ElevationMade
    photos : int
        Photos they were made from.
    control_rmse_m, check_rmse_m : float or None
        Over all surfaces.
    check_n : int
    warnings : tuple of str
    """

    surfaces: tuple[ElevationMade, ...]
    photos: int
    control_rmse_m: float | None
    check_rmse_m: float | None
    check_n: int
    warnings: tuple[str, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Rectified(Result):
    """One photo rectified on its own; ``frame`` holds its points with their residuals in metres.

    Parameters
    ----------
    path : path
        The GeoTIFF.
    gsd_m : float
    lens : str
        What is known of the lens.
    control_n, check_n : int
    control_rmse_m, check_rmse_m : float or None
    proved : bool
    proof : str
    scale_text : str or None
        The largest drawing scale that the accuracy supports.
    warnings : tuple of str
    report : mapping
        The whole report.
    """

    path: Path
    gsd_m: float
    lens: str
    control_n: int
    check_n: int
    control_rmse_m: float | None
    check_rmse_m: float | None
    proved: bool
    proof: str
    scale_text: str | None
    warnings: tuple[str, ...]
    report: Mapping[str, Any]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class OutlinesAdded(Result):
    """Conditions, wall stones or openings that were read.

    Parameters
    ----------
    added : int
    understood : str
        What the file says, in one line.
    notes : tuple of str
        What was converted, mended or left out.
    stored : bool
    area_m2 : float or None
        Of conditions.
    """

    added: int
    understood: str
    notes: tuple[str, ...]
    stored: bool
    area_m2: float | None = None


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class BlocksAdded(Result):
    """Salvaged blocks that were read.

    Parameters
    ----------
    added, faces, measured : int
        Blocks, their faces, and faces with a measured colour.
    understood : str
    notes : tuple of str
    """

    added: int
    faces: int
    measured: int
    understood: str
    notes: tuple[str, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class RepairsPlanned(Result):
    """Treatments, cut-outs and pieces; ``frame`` holds the repairs.

    Parameters
    ----------
    conditions, repairs, pieces : int
    treatments : mapping of treatment to int
    held_back : int
        Repairs that wait for their cause to be settled.
    removed_area_m2, removed_volume_m3, removed_share : float
        Original stone that would go, and its share of the stone faces.
    untouched, kept, new : int
        Repairs left as approved, planned again, and new.
    dropped : tuple
        Repairs that are no longer needed.
    bays_overloaded : tuple of mapping
        Scaffold bays that the pieces would overload if stacked at once.
    profile, rules : str
    inches : bool
        Whether lengths of the plan's texts are told in inches first.
    gaps : tuple of mapping
        What could not be planned: ``about``, ``problem``, ``remedy``.
    unconfirmed : int
        Conditions that were proposed and not confirmed: nothing is planned for them.
    """

    conditions: int
    repairs: int
    pieces: int
    treatments: Mapping[str, int]
    held_back: int
    removed_area_m2: float
    removed_volume_m3: float
    removed_share: float
    untouched: int
    kept: int
    new: int
    dropped: Any
    bays_overloaded: tuple[Mapping[str, Any], ...]
    profile: str
    inches: bool
    rules: str
    gaps: tuple[Mapping[str, Any], ...]
    unconfirmed: int


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class LooksMeasured(Result):
    """The colour round each cut-out; ``frame`` holds the pieces.

    Parameters
    ----------
    measured : int
    notes : tuple of str
    """

    measured: int
    notes: tuple[str, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class NoBlock:
    """A repair without a block, and the stone to look for.

    Parameters
    ----------
    repair, reason : str
    source_mm : (length, height, depth)
        Smallest stone that would do.
    """

    repair: str
    reason: str
    source_mm: tuple[float, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Matched(Result):
    """A block for every piece; ``frame`` holds the placements with the cut-outs they are for.

    Parameters
    ----------
    plan : str
    matched : int
    mean_de00 : float
        Mean CIEDE2000 difference of the matched pieces.
    objective : float
    bound, gap : float or None
        Proof: no plan is better than the bound; ``None`` where it is not known.
    status : str
        ``optimal`` when the plan is proved best.
    unmatched : tuple of NoBlock
    seconds : float
    left_out : mapping of repair or block to reason
    donors, unused, waits, order, let_go, wall_faults
        What comes out of the wall, why not, and in which order.
    kept : int or None
        Repairs that stayed as they were, when matched again.
    changed : tuple of str
    """

    plan: str
    matched: int
    mean_de00: float
    objective: float
    bound: float | None
    gap: float | None
    status: str
    unmatched: tuple[NoBlock, ...]
    seconds: float
    left_out: Mapping[str, str]
    donors: Any = ()
    unused: Mapping[str, str] = field(default_factory=ReadOnly)
    waits: Mapping[str, str] = field(default_factory=ReadOnly)
    order: tuple[str, ...] = ()
    let_go: tuple[Mapping[str, Any], ...] = ()
    wall_faults: tuple[Any, ...] = ()
    kept: int | None = None
    changed: tuple[str, ...] = ()


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Explained(Result):
    """Why a repair has its block; ``frame`` ranks the blocks that would do.

    Parameters
    ----------
    repair : str
    block : str or None
    reason : str or None
        Why it has none.
    ruled_out : mapping of reason to tuple of str
        Blocks that cannot be used.
    left_out : str or mapping or None
    insist : mapping or None
        What the whole plan becomes with another block.
    """

    repair: str
    block: str | None
    reason: str | None
    ruled_out: Mapping[str, tuple[str, ...]]
    left_out: Any = None
    insist: Mapping[str, Any] | None = None


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PapersMade(Result):
    """Papers; ``frame`` has one row a file.

    Parameters
    ----------
    made, unchanged : tuple of str
    failed : mapping of paper to (problem, remedy)
    warnings : tuple of str
    """

    made: tuple[str, ...]
    unchanged: tuple[str, ...]
    failed: Mapping[str, tuple[str, str]]
    warnings: tuple[str, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class MapMade(Result):
    """The condition map, one page that opens offline; ``frame`` holds the conditions.

    Parameters
    ----------
    path : path
    bytes, features, tiles : int
    missing : tuple of str
        Surfaces without a picture.
    """

    path: Path
    bytes: int
    features: int
    tiles: int
    missing: Any


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Checked(Result):
    """What an audit of the project found; ``frame`` has one row a finding.

    Parameters
    ----------
    project : str
    findings : tuple of Finding
    faults, warnings : int
    """

    project: str
    findings: tuple[Finding, ...]
    faults: int
    warnings: int


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class WorkState(Result):
    """Where a repair stands; ``frame`` holds its checks.

    Parameters
    ----------
    repair, stage, treatment : str
    held_back : str or None
    next : tuple of str
        Stages that may follow.
    asks : str
        What is to be looked at.
    steps, entries : tuple of mapping
        Steps of setting an inset, and what was recorded.
    consents : tuple
        Conditions of consents that its work waits for.
    """

    repair: str
    stage: str
    treatment: str
    held_back: str | None
    next: tuple[str, ...]
    asks: str
    steps: tuple[Mapping[str, Any], ...]
    entries: tuple[Mapping[str, Any], ...]
    consents: tuple[Any, ...]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded(Result):
    """An entry of the work record; ``frame`` holds it as a row.

    Parameters
    ----------
    entry : str
        Id of the entry.
    repair : str
    """

    entry: str
    repair: str


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Programme(Result):
    """When each repair is worked on; ``frame`` has one row a bar.

    Parameters
    ----------
    length_days, bound_days : float
        Of the programme, and the least that any could take.
    gap : float or None
    status, method : str
    jobs, repairs, crews, apart, donors : int
        How many there are; ``apart`` counts neighbours that may not be out at once.
    start : str
    days : tuple of mapping
        What is done on each day.
    left_out : tuple of mapping
    hours : mapping
        ``low``, ``likely``, ``high``.
    cold : tuple
        Lime work that falls into cold months.
    faults : tuple
        Of the independent check; empty.
    """

    length_days: float
    bound_days: float
    gap: float | None
    status: str
    method: str
    jobs: int
    repairs: int
    crews: int
    apart: int
    donors: int
    start: str
    days: tuple[Mapping[str, Any], ...]
    left_out: tuple[Any, ...]
    hours: Mapping[str, float]
    cold: tuple[Any, ...]
    faults: tuple[Any, ...]


def as_rows(rows: Any) -> pd.DataFrame:
    """Rows of plain values as a table."""
    return pd.DataFrame.from_records([dict(r) for r in rows])


def on_the_wall(rows: pd.DataFrame, shapes: gpd.GeoDataFrame, *, by: str) -> gpd.GeoDataFrame:
    """Rows with the outlines of what their column names."""
    found = shapes.set_index("id").geometry.reindex(rows[by])
    return gpd.GeoDataFrame(rows, geometry=found.to_numpy(), crs=shapes.crs)
