"""facademap: survey, plan, match and record stone repairs on historic facades."""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
