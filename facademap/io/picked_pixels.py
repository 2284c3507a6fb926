"""Pixels as people bring them: of the upright picture, or said to be of the stored one."""

from __future__ import annotations

from facademap.errors import InputError
from facademap.io.csv_tables import CsvRow
from facademap.photo.orientation import UPRIGHT, Turn

__all__ = ["PIXELS_COLUMN", "in_stored_pixels", "picked_pixel", "upright_place"]

#: Column that says of a row whether its pixels are those of the ``upright`` or of the ``stored`` picture.
PIXELS_COLUMN = "pixels"


def in_stored_pixels(row: CsvRow, *, otherwise: bool) -> bool:
    """Whether a row's pixels are those of the stored picture.

    Parameters
    ----------
    row : CsvRow
    otherwise : bool
        Answer for a row that does not say.
    """
    word = row.cells.get(PIXELS_COLUMN, "").strip().lower()
    if word not in ("", "upright", "stored"):
        raise InputError(
            f"{row.where}: pixels is {word!r}",
            "Give upright (as every program shows the picture) or stored (before the turn by EXIF).",
        )
    return word == "stored" if word else otherwise


def picked_pixel(row: CsvRow, turn: Turn | None, *, stored: bool) -> tuple[float, float]:
    """Columns ``x_px`` and ``y_px`` of a row, in the upright picture.

    Parameters
    ----------
    row : CsvRow
    turn : Turn or None
        Of the photo; None where only its size is known.
    stored : bool
        What holds where the row has no word of its own.
    """
    x_px, y_px = row.number("x_px"), row.number("y_px")
    if not in_stored_pixels(row, otherwise=stored):
        return x_px, y_px
    if turn is None:
        raise InputError(
            f"{row.where}: a pixel of the stored picture, whose turn is not known",
            "Give the photo.",
        )
    return upright_place((x_px, y_px), turn, stored=True)


def upright_place(
    place_px: tuple[float, float], turn: Turn, *, stored: bool
) -> tuple[float, float]:
    """A place in the upright picture, from one that may be of the stored picture."""
    if not stored or turn.orientation == UPRIGHT:
        return place_px
    x_px, y_px = turn.upright_pixels(place_px).tolist()
    return x_px, y_px
