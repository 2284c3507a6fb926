"""What is kept in a folder to save time later: written whole or not at all, and never where the folder has gone."""

from __future__ import annotations

import contextlib
import os
import threading
from pathlib import Path

__all__ = ["keep_file"]


def keep_file(root: Path, inside: Path | str, data: bytes) -> bool:
    """Write a file inside a folder that must exist; a full, read-only or vanished disk costs time, nothing else.

    Parameters
    ----------
    root : Path
        The folder; it is never made, so that one which was moved or deleted does not come back empty.
    inside : Path or str
        Place of the file below it; folders between the two are made.
    data : bytes

    Returns
    -------
    bool
        Whether the file was written.
    """
    target = root / inside
    unfinished = target.with_name(f".{target.name}.{os.getpid()}.{threading.get_ident()}")
    try:
        for folder in reversed(target.relative_to(root).parents[:-1]):
            (root / folder).mkdir(exist_ok=True)
        unfinished.write_bytes(data)
        unfinished.replace(target)
    except OSError:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
        return False
    return True
