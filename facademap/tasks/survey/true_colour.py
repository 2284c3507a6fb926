"""The colours of an elevation of many photos made true by a chart in one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.photo.chart import PatchReading
from facademap.photo.colour import ColourCorrection, fit_correction

__all__ = ["TrueColour", "true_colour"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueColour:
    """What makes the colours of a mosaic true; by default nothing does.

    Parameters
    ----------
    state : str
        chart, grey card or uncalibrated.
    report : mapping
        ``colour``: the report of the fit.
    correction : ColourCorrection or None
    level : ndarray, shape (3,)
        By how much the photo with the chart was brightened in the mosaic.
    """

    state: str = "uncalibrated"
    report: Mapping[str, Any] = field(default_factory=dict)
    correction: ColourCorrection | None = None
    level: Any = None

    def apply(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Colours of a window: back to the levels of the photo with the chart, then corrected."""
        if self.correction is None:
            return rgb
        back = np.clip(rgb / self.level + 0.5, 0, 255).astype(np.uint8)
        return self.correction.srgb8(back)


def true_colour(
    readings: Sequence[PatchReading], *, edition: str, level: Sequence[float]
) -> TrueColour:
    """Fit the correction to the patches of a chart.

    Parameters
    ----------
    readings : sequence of PatchReading
    edition : str
        Chart and edition of its values.
    level : sequence of float
        Factors of the photo with the chart.
    """
    correction, report = fit_correction(readings, chart=edition)
    state = {"calibrated": "chart", "grey card": "grey card"}.get(report.state, "uncalibrated")
    return TrueColour(
        state=state,
        report={"colour": asdict(report)},
        correction=correction,
        level=np.asarray(level),
    )
