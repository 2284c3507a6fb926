"""Options that say how pixels of a picture were picked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

__all__ = ["stored_pixels_option"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def stored_pixels_option(function: _Function) -> _Function:
    """Add ``--stored-pixels``, for every command that is given pixels of a picture."""
    option = click.option(
        "--stored-pixels",
        is_flag=True,
        help="Pixels are those of the stored picture, before the turn by EXIF; a column pixels (upright, stored) says it row by row.",
    )
    return option(function)
