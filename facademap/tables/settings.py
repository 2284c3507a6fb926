"""Table of the settings of one project, and the contract of those that people change at the desk."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.tables.conditions import CONDITIONS
from facademap.tables.contract import Column, Table, is_missing
from facademap.tables.coursing import COURSING_SETTING, coursing_from
from facademap.tables.setting_shapes import setting_shape
from facademap.tables.shapes import read_json

__all__ = [
    "REQUIRABLE",
    "REQUIRED_DEFAULT",
    "REQUIRED_FIELDS",
    "SECRET_SETTINGS",
    "SETTINGS",
    "TEMPLATE",
    "TEMPLATE_COLUMNS",
    "RequirableField",
    "is_desk_setting",
    "read_desk_setting",
]


def _value_fault(row: Mapping[str, Any]) -> tuple[str, str] | None:
    """A value that is no JSON, or not what the setting of that name takes."""
    if is_missing(row["value"]):
        return None
    try:
        fault = setting_shape(row["id"]).fault(read_json(row["value"]))
    except ValueError as error:
        fault = str(error)
    return ("value", fault) if fault else None


SETTINGS = Table(
    name="settings",
    free_ids=True,
    title="Settings",
    meaning="What holds for the whole project: name, profile, thresholds that differ from the defaults.",
    columns=(
        Column(name="id", kind="text", nullable=False, meaning="Name of the setting."),
        # what planning could not decide is kept here for every condition of a building
        Column(name="value", kind="text", meaning="Its value, as JSON.", longest=4_000_000),
    ),
    whole_row=_value_fault,
)

#: Settings that hold what is kept of secrets: no page, reader or GIS is shown them.
SECRET_SETTINGS = frozenset({"reviewer_links"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RequirableField:
    """A column that a project may require of its conditions, and the conditions it makes sense for.

    Parameters
    ----------
    column : str
    title : str
        In people's words.
    families : str
        Letters of the families it is asked of; all, when empty.
    layers_without : tuple of str
        Layers it is not asked of.
    shapes : tuple of str
        ``area``, ``line`` and ``point``: the outlines it is asked of.
    origin : str
        Only conditions of this origin are asked; all, when empty.
    """

    column: str
    title: str
    families: str = ""
    layers_without: tuple[str, ...] = ()
    shapes: tuple[str, ...] = ("area", "line", "point")
    origin: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain mapping."""
        return {
            "column": self.column,
            "title": self.title,
            "families": self.families,
            "layers_without": list(self.layers_without),
            "shapes": list(self.shapes),
            "origin": self.origin,
        }


#: What a project may ask for. Which families lose depth, and which cracks need a width, is common practice.
REQUIRABLE: tuple[RequirableField, ...] = (
    RequirableField(column="term", title="Term"),
    RequirableField(column="cc", title="Condition class"),
    RequirableField(column="uc", title="Urgency class"),
    RequirableField(column="rc", title="Recommendation class"),
    RequirableField(
        column="wall_stone", title="Wall stone", layers_without=("joint", "structural")
    ),
    RequirableField(column="depth_m", title="Depth", families="ABC", shapes=("area", "point")),
    RequirableField(
        column="width_m", title="Width of the crack or open joint", families="AJ", shapes=("line",)
    ),
    RequirableField(
        column="confirmed_by", title="Confirmation of an assisted outline", origin="assisted"
    ),
    RequirableField(column="activity", title="Activity, known"),
    RequirableField(column="cause", title="Cause"),
    RequirableField(column="note", title="Note"),
    RequirableField(column="photo", title="Photo"),
    RequirableField(column="surveyor", title="Surveyor"),
    RequirableField(column="observed_on", title="Date seen"),
)
#: Required where a project has decided nothing.
REQUIRED_DEFAULT: tuple[str, ...] = (
    "term",
    "cc",
    "uc",
    "rc",
    "wall_stone",
    "depth_m",
    "width_m",
    "confirmed_by",
)
#: Name of the setting; its value is a list of columns.
REQUIRED_FIELDS = "required_fields"

#: Templates of conditions are settings whose names begin so; the name of the template follows.
TEMPLATE = "template:"
TEMPLATE_COLUMNS: tuple[str, ...] = (
    "term",
    "cc",
    "uc",
    "rc",
    "depth_m",
    "width_m",
    "activity",
    "cause",
    "cause_settled",
    "note",
)
_TEMPLATE_KEY = re.compile(r"[1-9]\Z")
MOST_NAME = 60


def is_desk_setting(name: str) -> bool:
    """Whether a setting may be changed at the desk."""
    return name in (REQUIRED_FIELDS, COURSING_SETTING) or (
        name.startswith(TEMPLATE) and 0 < len(name[len(TEMPLATE) :].strip()) <= MOST_NAME
    )


def read_desk_setting(name: str, text: Any) -> Any:
    """The value of a setting of the desk, checked.

    Parameters
    ----------
    name : str
        ``required_fields``, ``coursing``, or ``template:`` and a name.
    text : str
        JSON: a list of columns, values of the coursing by name, or ``{"key": "3" or null, "values": {column: value}}``.

    Raises
    ------
    InputError
        Another setting, no JSON, or a value that its contract does not allow.
    """
    if not is_desk_setting(name):
        raise InputError(
            f"setting {name[:60]!r} is not changed here",
            f"Change {REQUIRED_FIELDS}, {COURSING_SETTING} or {TEMPLATE}NAME.",
        )
    try:
        value = json.loads(text)
    except (TypeError, ValueError):
        raise InputError(
            f"setting {name}: a value that is not JSON", "Send its value as JSON."
        ) from None
    if name == COURSING_SETTING:
        coursing_from(value)
        return value
    return _read_required(value) if name == REQUIRED_FIELDS else _read_template(name, value)


def _read_required(value: Any) -> list[str]:
    known = [f.column for f in REQUIRABLE]
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise InputError(
            f"{REQUIRED_FIELDS} is not a list of columns", f"Use some of {', '.join(known)}."
        )
    strange = [v for v in value if v not in known]
    if strange:
        raise InputError(
            f"{strange[0][:60]!r} cannot be required", f"Use some of {', '.join(known)}."
        )
    return [c for c in known if c in value]


def _read_template(name: str, value: Any) -> dict[str, Any]:
    if not isinstance(value, Mapping) or not isinstance(value.get("values"), Mapping):
        raise InputError(f"{name}: is not a template", 'Send {"key": .., "values": {..}}.')
    key, values = value.get("key"), dict(value["values"])
    if key is not None and not (isinstance(key, str) and _TEMPLATE_KEY.match(key)):
        raise InputError(f"{name}: key {str(key)[:20]!r}", "Use one digit from 1 to 9, or none.")
    for column, found in values.items():
        if column not in TEMPLATE_COLUMNS:
            raise InputError(
                f"{name}: {str(column)[:60]!r} is not kept in a template",
                f"Use {', '.join(TEMPLATE_COLUMNS)}.",
            )
        _check_value(name, CONDITIONS.column(column), found)
    if not values:
        raise InputError(
            f"{name}: holds no value", "Class a condition first, then keep it as a template."
        )
    return {"key": key, "values": values}


def _check_value(name: str, column: Column, value: Any) -> None:
    right: dict[str, Any] = {"text": str, "int": int, "float": (int, float), "bool": bool}
    fault = not isinstance(value, right[column.kind]) or (
        isinstance(value, bool) and column.kind != "bool"
    )
    fault = fault or (bool(column.choices) and value not in column.choices)
    fault = (
        fault
        or (column.minimum is not None and value < column.minimum)
        or (column.maximum is not None and value > column.maximum)
    )
    if fault:
        raise InputError(
            f"{name}: {column.name} {str(value)[:60]!r}",
            f"Give {column.kind} as the table of conditions asks for it.",
        )
