"""The things of the condition map as columns: a page with many outlines is read in a fraction of the time.

What a hundred thousand features repeat (names of values, values that most of them share) is written once, and their corners go as
bytes. ``a_model.js`` makes features of it again.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

__all__ = ["as_columns", "corner_bytes"]

#: Decimals of metres, square and cubic metres that the page needs: what it prints is rounded further.
_DECIMALS = 6
_CORNERS = ("g", "c")


def as_columns(features: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Features by kind, column by column, in their order.

    Parameters
    ----------
    features : sequence of mapping
        ``k`` (kind), ``p`` (what is told of it), ``g`` (rings in millimetres as flat lists), ``c`` (place of its label), and more.

    Returns
    -------
    list of dict
        One for each kind: ``kind``, ``count``, ``columns``, ``told`` (the columns of ``p``) and ``corners`` (see
        :func:`corner_bytes`). A column is a list with null for what is missing, or ``{"all": value}``, or
        ``{"of": [values], "at": [number of the value, 0 for missing]}``.
    """
    kinds: dict[str, list[Mapping[str, Any]]] = {}
    for feature in features:
        kinds.setdefault(feature["k"], []).append(feature)
    return [
        {
            "kind": kind,
            "count": len(rows),
            "columns": dict(_columns(rows, leave=("k", "p", *_CORNERS))),
            "told": dict(_columns([row["p"] for row in rows])),
            "corners": base64.b64encode(corner_bytes(rows)).decode("ascii"),
        }
        for kind, rows in kinds.items()
    ]


def _columns(
    rows: Sequence[Mapping[str, Any]], *, leave: Sequence[str] = ()
) -> Iterator[tuple[str, Any]]:
    names = dict.fromkeys(name for row in rows for name in row if name not in leave)
    for name in names:
        values = [_rounded(row.get(name)) for row in rows]
        written = [None if v is None else json.dumps(v, ensure_ascii=False) for v in values]
        numbers = {None: 0} | {
            w: n for n, w in enumerate(dict.fromkeys(w for w in written if w is not None), 1)
        }
        distinct = [json.loads(w) for w in numbers if w is not None]
        if len(distinct) == 1 and None not in written:
            yield name, {"all": distinct[0]}
        elif 2 * len(distinct) <= len(rows):
            yield name, {"of": distinct, "at": [numbers[w] for w in written]}
        else:
            yield name, values


def _rounded(value: Any) -> Any:
    return round(value, _DECIMALS) if isinstance(value, float) else value


def corner_bytes(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Places of labels and corners in whole millimetres, as steps: a small step is one byte.

    Parameters
    ----------
    rows : sequence of mapping
        ``c`` (u, v) and ``g``, the rings: flat lists u, v, u, v.

    Returns
    -------
    bytes
        For each row u and v of its label and the number of rings; for each ring the number of corners and the steps, the first from
        the label, the others from corner to corner. A number is zigzag coded (0, -1, 1, -2 as 0, 1, 2, 3) in groups of seven bits,
        the lowest first, with the eighth bit set where another group follows.
    """
    parts: list[Any] = []
    for row in rows:
        parts.append([*row["c"], len(row["g"])])
        for ring in row["g"]:
            corners = np.asarray(ring, dtype=np.int64).reshape(-1, 2)
            parts.append([len(corners)])
            parts.append(np.diff(corners, axis=0, prepend=np.array([row["c"]])).ravel())
    numbers = np.concatenate(parts).astype(np.int64) if parts else np.zeros(0, np.int64)
    coded = ((numbers << 1) ^ (numbers >> 63)).astype(np.uint64)
    groups = np.ones(len(coded), dtype=np.int64)
    while (more := coded >> (7 * groups).astype(np.uint64) > 0).any():
        groups += more
    ends = np.cumsum(groups)
    out = np.zeros(int(ends[-1]) if len(ends) else 0, dtype=np.uint8)
    for n in range(int(groups.max(initial=0))):
        has = groups > n
        low = (coded[has] >> np.uint64(7 * n)) & np.uint64(127)
        out[(ends - groups)[has] + n] = low + np.where(groups[has] > n + 1, 128, 0)
    return out.tobytes()
