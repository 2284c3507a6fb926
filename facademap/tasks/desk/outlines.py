"""Outlines of a file brought to the desk: understood and shown on the wall first, stored when a person says so."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast, get_args

from facademap.errors import InputError
from facademap.io.csv_tables import TableWords
from facademap.io.whole_files import temporary_folder, write_whole
from facademap.tables.names import file_name
from facademap.tasks.survey.add_features import FeatureKind, add_features

__all__ = ["file_content", "read_outlines"]

_UNITS = ("m", "cm", "mm", "in", "ft", "ftus", "px")
_ENDINGS = [
    ".gpkg",
    ".geojson",
    ".json",
    ".dxf",
    ".kml",
    ".fgb",
    ".csv",
    ".txt",
    ".tsv",
    ".xlsx",
    ".ods",
]
_MOST_TEXT = 200


def read_outlines(folder: str | Path, options: Mapping[str, Any], *, who: str) -> dict[str, Any]:
    """Say what a file holds, or store it.

    Parameters
    ----------
    folder : path
        Project.
    options : mapping
        ``table`` (wall_stones, openings, conditions), ``name`` and ``content`` (base64) of the file, ``surface``, and perhaps
        ``layer``, ``unit``, ``store`` (else nothing is stored) and ``accept`` (store in spite of doubts).
    who : str

    Returns
    -------
    dict
        That of `facademap.tasks.survey.add_features.add_features`; without ``store`` with ``shapes`` and ``doubts``.
    """
    table = options.get("table")
    if table not in get_args(FeatureKind):
        raise InputError(
            f"there are no outlines {str(table)[:40]!r}", "Use wall_stones, openings or conditions."
        )
    name, surface, layer, unit = (_text(options, n) for n in ("name", "surface", "layer", "unit"))
    ending = Path(name).suffix.lower()
    if ending not in _ENDINGS:
        raise InputError(
            f"{name or 'a file without a name'} is no file of outlines",
            f"Choose one of {', '.join(_ENDINGS)}.",
        )
    if unit and unit not in _UNITS:
        raise InputError(f"unit {unit!r}", f"Use one of {', '.join(_UNITS)}.")
    data = file_content(options)
    store = options.get("store") is True
    with temporary_folder() as scratch:
        path = scratch / (file_name(Path(name).stem) + ending)
        write_whole(path, data)
        return add_features(
            folder,
            cast("FeatureKind", table),
            path,
            surface=surface or None,
            layer=layer or None,
            words=TableWords(unit=unit or None),
            accept_doubts=options.get("accept") is True,
            dry_run=not store,
            show=not store,
            who=who,
        )


def file_content(options: Mapping[str, Any]) -> bytes:
    """Bytes of the file that was sent in ``content``."""
    try:
        return base64.b64decode(str(options.get("content") or ""), validate=True)
    except (binascii.Error, ValueError):
        raise InputError("content is no base64", "Send the file as base64.") from None


def _text(options: Mapping[str, Any], name: str) -> str:
    value = options.get(name) or ""
    if not isinstance(value, str) or len(value) > _MOST_TEXT:
        raise InputError(f"{name} is no text", f"Send at most {_MOST_TEXT} letters.")
    return value
