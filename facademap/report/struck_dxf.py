"""A drawing file that no longer holds: a layer of its own says so across the sheet and across the wall."""

from __future__ import annotations

import io
import math
from typing import Any

import ezdxf
from ezdxf import bbox
from ezdxf.enums import TextEntityAlignment

from facademap.report.cut_dxf import dxf_bytes
from facademap.report.sheet_dxf import layer_name
from facademap.report.typeface import printable

__all__ = ["STAMP_LAYER", "struck_dxf"]

STAMP_LAYER = layer_name("SUPERS", "T-")
_RED = 1
#: Share of the diagonal that each line of the stamp may take, and its largest letters as a share of the shorter side.
_WIDE, _LARGEST = (0.8, 0.6), 0.16


def struck_dxf(dxf: bytes, words: str) -> bytes:
    """The same drawing with a stamp, in its model and on each of its sheets.

    Parameters
    ----------
    dxf : bytes
        A file that this program wrote.
    words : str
        By what it was superseded.

    Returns
    -------
    bytes
    """
    drawing: Any = ezdxf.read(io.StringIO(dxf.decode("utf-8", "surrogateescape")))
    layer = drawing.layers.add(STAMP_LAYER, color=_RED)
    layer.description = "Stamp: this drawing was superseded"
    for layout in drawing.layouts:
        drawn = [e for e in layout if e.dxftype() != "VIEWPORT"]
        box = bbox.extents(drawn, fast=True)
        if box.has_data:
            _strike(layout, box, ("SUPERSEDED", printable(words)))
    return dxf_bytes(drawing)


def _strike(layout: Any, box: Any, lines: tuple[str, str]) -> None:
    """Both lines from corner to corner, the second below the first."""
    wide, high = max(box.size.x, 1e-3), max(box.size.y, 1e-3)
    reach = math.hypot(wide, high)
    along = (wide / reach, high / reach)
    down, last = 0.0, 0.0
    for line, share in zip(lines, _WIDE, strict=True):
        letters = min(share * reach / len(line), _LARGEST * min(wide, high))
        half = letters * len(line) / 2
        down += 0.5 * last + letters if last else 0.0
        last = letters
        x, y = box.center.x + along[1] * down, box.center.y - along[0] * down
        text = layout.add_text(line, height=letters, dxfattribs={"layer": STAMP_LAYER})
        text.set_placement(
            (x - along[0] * half, y - along[1] * half),
            (x + along[0] * half, y + along[1] * half),
            align=TextEntityAlignment.FIT,
        )
