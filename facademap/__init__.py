"""facademap: survey, plan, match and record stone repairs on historic facades.

``import facademap as fm`` is quick and loads nothing; ``fm.open(folder)`` opens a project, ``fm.new`` makes one, ``fm.rectify``
rectifies a single photo, and ``fm.demo`` makes the demo. See :mod:`facademap.library`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from facademap.library import Project, demo, demo_data, new, rectify
    from facademap.library import open_project as open  # noqa: A004 (fm.open reads as it should)

__all__ = ["Project", "__version__", "demo", "demo_data", "new", "open", "rectify"]

__version__ = "0.1.0"
_OFFERED = {n: n for n in ("Project", "demo", "demo_data", "new", "rectify")} | {
    "open": "open_project"
}


def __getattr__(name: str) -> Any:
    """What the library offers, loaded when it is first asked for."""
    if name not in _OFFERED:
        raise AttributeError(f"module 'facademap' has no attribute {name!r}")
    found = getattr(importlib.import_module("facademap.library"), _OFFERED[name])
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
