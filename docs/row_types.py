"""Write the types of rows for the pages' script: ``python -m docs.row_types > facademap/web/frontend/types/rows.d.ts``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping

from facademap.tables import TABLES
from facademap.tables.contract import Column, Table
from facademap.tables.shapes import (
    Either,
    Floats,
    Listed,
    Maybe,
    Number,
    Record,
    Shape,
    Text,
    YesNo,
)

_OF_KIND = {"text": "string", "date": "string", "time": "string", "int": "number",
            "float": "number", "bool": "boolean"}  # fmt: skip
_OF_GEOMETRY = {"polygon": "Area", "line": "Lines", "point": "PointGeometry", "any": "Geometry"}


def page() -> str:
    """The file as TypeScript."""
    lines = [
        "// Rows of every table as the server sends them, made from the contracts in `facademap/tables`:",
        "// `python -m docs.row_types > facademap/web/frontend/types/rows.d.ts`. Not to be changed by hand.",
        "interface Rows {",
    ]
    for table in TABLES.values():
        lines += [f"  /** {table.title}. */", f"  {table.name}: {{"]
        lines += [f"    {column.name}: {_of_column(column)};" for column in table.columns]
        lines += [*_geometry(table), "  };"]
    return "\n".join([*lines, "}"])


def _geometry(table: Table) -> list[str]:
    if not table.geometry:
        return []
    missing = " | null" if table.geometry_nullable else ""
    return [f"    geometry: {_OF_GEOMETRY[table.geometry]}{missing};"]


def _of_column(column: Column) -> str:
    if column.kind == "json":
        found = _of_shape(column.shape) if column.shape else "unknown"
    else:
        found = _one_of(column.choices) or _OF_KIND[column.kind]
    # a row that gives none has the default
    return f"{found} | null" if column.nullable and column.default is None else found


def _of_shape(shape: Shape) -> str:
    found = "unknown"
    if isinstance(shape, Text):
        found = _one_of(shape.choices) or "string"
    elif isinstance(shape, (Number, YesNo)):
        found = "number" if isinstance(shape, Number) else "boolean"
    elif isinstance(shape, Floats):
        found = "string"
    elif isinstance(shape, Maybe):
        found = f"{_of_shape(shape.shape)} | null"
    elif isinstance(shape, Either):
        found = " | ".join(_of_shape(one) for one in shape.shapes)
    elif isinstance(shape, Listed):
        found = (
            f"({_of_shape(shape.of)})[]"
            if "|" in _of_shape(shape.of)
            else _of_shape(shape.of) + "[]"
        )
    elif isinstance(shape, Record):
        found = _of_record(shape)
    return found


def _of_record(shape: Record) -> str:
    named = _entries(shape.needs, "") + _entries(shape.may, "?")
    if shape.rest:
        # what has a name of its own may be of another kind than the rest
        named.append(f"[name: string]: {'unknown' if named else _of_shape(shape.rest)}")
    return "{ " + "; ".join(named) + " }"


def _entries(shapes: Mapping[str, Shape], mark: str) -> list[str]:
    return [f"{name}{mark}: {_of_shape(shape)}" for name, shape in shapes.items()]


def _one_of(choices: Iterable[str]) -> str:
    return " | ".join(json.dumps(choice) for choice in choices)


if __name__ == "__main__":
    print(page())
