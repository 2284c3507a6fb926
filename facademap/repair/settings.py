"""Trade values of a repair: each with unit, source and status, read from a profile.

A profile is a complete, consistent set of values (a metric one and an inch one are packaged). An
office edits a copy; values of two profiles are never mixed. Inside, every value is in SI.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, get_args

from facademap import plain_texts
from facademap.errors import InputError
from facademap.units import (
    KG_PER_LB,
    M_PER_INCH,
    deg_c_from_deg_f,
    kg_per_m3_from_lb_per_ft3,
    kn_per_m2_from_psf,
)

__all__ = ["STATUSES", "Settings", "Status", "TradeValue", "parse_toml", "quantity", "read_profile"]

Status = Literal["confirmed", "derived", "memory", "practice", "project"]
STATUSES: tuple[str, ...] = get_args(Status)

_UNITS: Mapping[str, Mapping[str, Any]] = {
    "length": {"mm": lambda x: x / 1000.0, "m": float, "in": lambda x: x * M_PER_INCH},
    "share": {"%": lambda x: x / 100.0, "1": float},
    "angle": {"deg": float},
    "count": {"1": float},
    "mass": {"kg": float, "lb": lambda x: x * KG_PER_LB},
    "temperature": {"degC": float, "degF": deg_c_from_deg_f},
    "hours": {"h": float, "d": lambda x: x * 24.0},
    "area": {"m2": float, "mm2": lambda x: x / 1e6, "in2": lambda x: x * M_PER_INCH**2},
    "density": {"kg/m3": float, "lb/ft3": kg_per_m3_from_lb_per_ft3},
    "litres_per_m3": {"L/m3": float},
    "load": {"kN/m2": float, "psf": kn_per_m2_from_psf},
    "speed": {"m/s": float},
}
_SUFFIXES = (
    "_kg_per_m3",
    "_l_per_m3",
    "_kn_per_m2",
    "_m_per_s",
    "_deg_c",
    "_deg",
    "_kg",
    "_h",
    "_m2",
    "_m",
)


def quantity(value: float, unit: str, *, kind: str, where: str) -> float:
    """A number with its unit, in SI; an unknown unit is refused with the ones that may be used.

    Raises
    ------
    InputError
        A unit that is none of its kind, or no finite number.
    """
    table = _UNITS[kind]
    if unit not in table:
        raise InputError(
            f"{where}: unit {unit!r} is not a unit of {kind}", f"Use one of {', '.join(table)}."
        )
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise InputError(f"{where}: {value!r} is not a number", "Give a finite number.")
    return float(table[unit](value))


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeValue:
    """One value as it stands in the profile, with where it comes from.

    Parameters
    ----------
    name : str
        Name of the setting.
    value : float
        Number in ``unit``, as typed in the profile.
    unit : str
        Unit that people read.
    source : str
        Publication, or "common practice" where none is known.
    status : str
        ``confirmed`` (read in the source), ``derived``, ``memory`` (recalled, to be verified),
        ``practice`` (no published source) or ``project`` (decided for this job).
    note : str
        What to bear in mind.
    """

    name: str
    value: float
    unit: str
    source: str
    status: Status
    note: str = ""


def _setting(kind: str, low: float, high: float, meaning: str) -> Any:
    return field(metadata={"kind": kind, "low": low, "high": high, "meaning": meaning})


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All trade values of one profile in SI; ``values`` keeps unit, source and status of each."""

    # cut-out
    margin_m: float = _setting(
        "length", 0, 0.2, "Cut back beyond the visible damage into sound stone"
    )
    overdrawn_m: float = _setting(
        "length", 0, 0.05, "Damage reaching less far over a joint was drawn too wide"
    )
    margin_depth_m: float = _setting("length", 0, 0.1, "Depth cut beyond the measured damage")
    depth_minimum_m: float = _setting("length", 0.01, 0.3, "Least depth of a cut-out")
    depth_minimum_exposed_m: float = _setting(
        "length", 0.01, 0.3, "Least depth at ledges, copings, cornices and sills"
    )
    depth_step_m: float = _setting("length", 0, 0.05, "Depths are rounded up to this step")
    set_out_step_m: float = _setting(
        "length", 0, 0.05, "Outlines are rounded outwards to this step"
    )
    size_minimum_m: float = _setting(
        "length", 0.01, 0.3, "Smallest width and height of an inset worth making"
    )
    strip_minimum_m: float = _setting(
        "length", 0.005, 0.3, "Narrowest strip of original stone left standing"
    )
    arm_minimum_m: float = _setting("length", 0.02, 0.5, "Narrowest arm of an L-shaped inset")
    l_shape_waste: float = _setting(
        "share", 0, 1, "Share of sound stone in a rectangle above which an L is tried"
    )
    l_shape_saving_m2: float = _setting(
        "area", 0, 1, "Least area of sound stone that an L must save"
    )
    whole_share: float = _setting(
        "share", 0.1, 1, "Share of the face above which the whole stone is replaced"
    )
    whole_depth_share: float = _setting(
        "share", 0.1, 1, "Share of the bed depth lost above which the stone is replaced"
    )
    whole_depth_face: float = _setting(
        "share", 0, 1, "Share of the face over which that depth must be lost"
    )
    whole_depth_unknown_m: float = _setting(
        "length", 0.05, 1, "Bed depth taken where a stone's is not known"
    )
    insets_a_stone: float = _setting(
        "count", 1, 5, "Most insets in one wall stone; more are merged"
    )
    undercut_deg: float = _setting(
        "angle", 0, 15, "Sides cut back under the face, to key the mortar"
    )
    # joints and bedding
    joint_m: float = _setting(
        "length", 0.0005, 0.02, "Joint round an inset where it is cut within a stone"
    )
    joint_minimum_m: float = _setting("length", 0, 0.01, "Thinnest joint that can be filled")
    joint_existing_m: float = _setting(
        "length", 0.0005, 0.05, "Existing joint where none can be measured"
    )
    joint_search_m: float = _setting(
        "length", 0.005, 0.2, "A neighbouring stone further off is not across a joint"
    )
    bedding_m: float = _setting("length", 0.0005, 0.03, "Bedding behind the piece")
    proud_m: float = _setting(
        "length", 0, 0.02, "Left standing proud of the face, to be worked back in place"
    )
    groove_spacing_m: float = _setting(
        "length", 0.01, 0.5, "Spacing of the keyed grooves on the bond side"
    )
    groove_width_m: float = _setting("length", 0, 0.03, "Width of a groove")
    groove_depth_m: float = _setting("length", 0, 0.02, "Depth of a groove")
    eased_edge_m: float = _setting("length", 0, 0.02, "Back edges of the piece eased by")
    # pins
    rod_m: float = _setting("length", 0.003, 0.03, "Rod of a light piece")
    rod_heavy_m: float = _setting("length", 0.003, 0.03, "Rod of a heavy or projecting piece")
    heavy_kg: float = _setting("mass", 1, 200, "Weight from which the heavier rod is used")
    hole_clearance_m: float = _setting("length", 0, 0.01, "Hole diameter beyond the rod")
    embedment_m: float = _setting("length", 0.01, 0.5, "Least embedment in the wall")
    embedment_rods: float = _setting("count", 0, 20, "Least embedment in the wall in rod diameters")
    into_piece_share: float = _setting(
        "share", 0.1, 0.9, "Greatest reach into the piece as share of its depth"
    )
    into_piece_m: float = _setting(
        "length", 0, 0.2, "Reach into the piece where set; 0 = as deep as the cover allows"
    )
    into_piece_minimum_m: float = _setting(
        "length", 0.005, 0.1, "Least reach into the piece that holds"
    )
    cover_m: float = _setting(
        "length", 0.005, 0.1, "Least stone between pin hole and finished face"
    )
    hole_spare_m: float = _setting("length", 0, 0.02, "Hole drilled deeper than the rod reaches")
    pin_spacing_minimum_m: float = _setting("length", 0.02, 1, "Least distance between pins")
    pin_spacing_maximum_m: float = _setting("length", 0.05, 1, "Greatest distance between pins")
    edge_distance_m: float = _setting(
        "length", 0.005, 0.2, "Least distance of a pin from an edge of the piece"
    )
    edge_distance_rods: float = _setting(
        "count", 0, 20, "The same in rod diameters; the greater counts"
    )
    edge_distance_holes: float = _setting(
        "count", 1, 10, "Never nearer to a joint than this many hole diameters"
    )
    single_pin_m: float = _setting(
        "length", 0, 0.3, "Pieces with no side longer than this take one pin"
    )
    pin_angle_deg: float = _setting(
        "angle",
        0,
        45,
        "Slope of pins drilled through the face after setting; all others lie along the way in",
    )
    engineer_kg: float = _setting(
        "mass", 1, 500, "Weight from which an engineer must look at the fixing"
    )
    # mortar
    trial_beddings: float = _setting("count", 0, 10, "Trial beddings allowed for")
    trial_loss: float = _setting("share", 0, 1, "Share of the bedding lost in each trial")
    waste: float = _setting("share", 0, 2, "Mortar wasted in small hand batches")
    # tools
    blade_diameter_m: float = _setting(
        "length", 0.05, 1, "Diameter of the saw blade for relief cuts"
    )
    blade_reach_m: float = _setting("length", 0.01, 0.5, "Greatest depth that this blade cuts")
    # lifting by hand
    hands_reach_m: float = _setting(
        "length", 0.25, 0.63, "Hands in front of the ankles when a piece is lifted"
    )
    hands_height_m: float = _setting(
        "length", 0, 1.75, "Hands above the floor when the lift begins"
    )
    hands_travel_m: float = _setting("length", 0, 1.75, "Height that a piece is lifted by hand")
    # scaffold
    lift_height_m: float = _setting("length", 1, 4, "Height of a scaffold lift")
    bay_length_m: float = _setting("length", 1, 4, "Length of a scaffold bay")
    bay_width_m: float = _setting("length", 0.3, 3, "Width of the boards of a scaffold bay")
    scaffold_load_kn_per_m2: float = _setting("load", 0.5, 10, "Service load of the scaffold")
    # placing and curing
    temperature_minimum_deg_c: float = _setting(
        "temperature", 0, 20, "No lime work below this temperature"
    )
    temperature_maximum_deg_c: float = _setting(
        "temperature", 15, 45, "No lime work above this temperature"
    )
    frost_free_h: float = _setting("hours", 0, 2000, "No frost forecast or protected for this long")
    protect_h: float = _setting("hours", 0, 2000, "Kept covered and damp for at least this long")
    cure_h: float = _setting("hours", 0, 2000, "Cured before the next work on it")
    wind_maximum_m_per_s: float = _setting(
        "speed", 1, 30, "No lime work in wind stronger than this without screens"
    )

    name: str
    title: str
    values: Mapping[str, TradeValue]
    reads: str = ""

    def __post_init__(self) -> None:
        for f in fields(self):
            if not f.metadata:
                continue
            value, low, high = getattr(self, f.name), f.metadata["low"], f.metadata["high"]
            if not low <= value <= high:
                raise InputError(
                    f"profile {self.name}, {f.name}: {value:g} lies outside {low:g} to {high:g}",
                    f"Correct {_key(f.name)} in the profile; inside it is counted in SI.",
                )
        if self.temperature_minimum_deg_c >= self.temperature_maximum_deg_c:
            raise InputError(
                f"profile {self.name}: least temperature is not below the greatest",
                "Correct temperature_minimum or temperature_maximum.",
            )
        if self.pin_spacing_minimum_m > self.pin_spacing_maximum_m:
            raise InputError(
                f"profile {self.name}: least pin spacing is above the greatest",
                "Correct pin_spacing_minimum or pin_spacing_maximum.",
            )
        if self.size_minimum_m < 2 * self.joint_m:
            raise InputError(
                f"profile {self.name}: the smallest inset is no wider than its joints",
                "Raise size_minimum or lower joint.",
            )

    @property
    def inches(self) -> bool:
        """Whether people read inches: as the project chose, else where the profile gives its lengths in them."""
        if self.reads:
            return self.reads == "inch"
        return any(v.unit == "in" for v in self.values.values())

    def with_values(self, changes: Mapping[str, float], *, source: str) -> Settings:
        """The same profile with some values (SI) decided for this project.

        Parameters
        ----------
        changes : mapping of field name to value in SI
        source : str
            Who or what decided; stored beside the value with status ``project``.

        Raises
        ------
        InputError
            A name that no setting has, or a value that cannot be.
        """
        known = {f.name for f in fields(self) if f.metadata}
        wrong = [k for k in changes if k not in known]
        if wrong:
            raise InputError(
                f"no setting is named {', '.join(wrong)}", f"Use one of {', '.join(sorted(known))}."
            )
        values = dict(self.values)
        for key, value in changes.items():
            values[key] = TradeValue(
                name=key, value=float(value), unit="SI", source=source, status="project"
            )
        numbers: dict[str, Any] = {k: float(v) for k, v in changes.items()}
        return replace(self, **numbers, values=values)

    def says(self, name: str) -> dict[str, Any]:
        """Value, unit, source and status of one setting, as printed beside a figure."""
        v = self.values[name]
        return {
            "name": name,
            "value": v.value,
            "unit": v.unit,
            "source": v.source,
            "status": v.status,
        }


def _key(name: str) -> str:
    return next((name.removesuffix(s) for s in _SUFFIXES if name.endswith(s)), name)


def parse_toml(text: str, *, where: str) -> dict[str, Any]:
    """The content of a TOML text; a fault is named with its line."""
    return plain_texts.parse_toml(text, where=where, remedy="Correct that line of the file.")


def read_profile(text: str, *, where: str = "profile") -> Settings:
    """The trade values of a profile.

    Parameters
    ----------
    text : str
        TOML: a table ``[profile]`` with ``name`` and ``title``, and one table ``[values.NAME]`` with
        ``value, unit, source, status`` (and ``note``) for each setting.
    where : str
        Named in errors.

    Raises
    ------
    InputError
        A value is missing, unknown, in a wrong unit, out of bounds, or without source or status.
    """
    content = parse_toml(text, where=where)
    head, given = content.get("profile", {}), content.get("values", {})
    wanted = {_key(f.name): f for f in fields(Settings) if f.metadata}
    missing, unknown = sorted(set(wanted) - set(given)), sorted(set(given) - set(wanted))
    if missing:
        raise InputError(
            f"{where}: no value for {', '.join(missing)}",
            "Add them; a profile must be complete, so that no value of another profile slips in.",
        )
    if unknown:
        raise InputError(
            f"{where}: no setting is named {', '.join(unknown)}",
            "Correct the spelling or remove them.",
        )
    numbers: dict[str, float] = {}
    values: dict[str, TradeValue] = {}
    for key, f in wanted.items():
        entry = given[key]
        place = f"{where}, {key}"
        if not isinstance(entry, dict) or not {"value", "unit", "source", "status"} <= set(entry):
            raise InputError(
                f"{place}: value, unit, source and status are not all given", "Add what is missing."
            )
        if entry["status"] not in STATUSES:
            raise InputError(
                f"{place}: status {entry['status']!r} is unknown",
                f"Use one of {', '.join(STATUSES)}.",
            )
        if not str(entry["source"]).strip():
            raise InputError(
                f"{place}: no source", "Name the publication, or write common practice."
            )
        numbers[f.name] = quantity(
            entry["value"], str(entry["unit"]), kind=f.metadata["kind"], where=place
        )
        values[f.name] = TradeValue(
            name=f.name,
            value=float(entry["value"]),
            unit=str(entry["unit"]),
            source=str(entry["source"]),
            status=entry["status"],
            note=str(entry.get("note", "")),
        )
    return Settings(
        reads="",
        name=str(head.get("name", where)),
        title=str(head.get("title", "")),
        values=values,
        **numbers,
    )
