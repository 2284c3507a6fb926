"""What papers, drawings and maps say of the accuracy of an elevation: what is proved, or that nothing is."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from facademap.report.scales import coarser_scale
from facademap.tables import is_missing
from facademap.units import format_feet_inches

__all__ = [
    "NOT_PROVED",
    "accuracy_words",
    "control_edge_m",
    "disagreement_words",
    "disagrees",
    "in_inches",
    "outside_words",
    "proved_error_m",
]

#: Stamped where nothing proves the accuracy.
NOT_PROVED = "NOT PROVED"
#: Share of a picture outside the control that is worth a word.
LEAST_OUTSIDE = 0.005
#: Pictures of one wall that lie further apart than this many pixels disagree (a setting).
MOST_APART_PX = 2.0


def proved_error_m(surface: Mapping[Any, Any]) -> float | None:
    """Radial RMSE that check points or control left out prove, metres; None where nothing does.

    Parameters
    ----------
    surface : mapping
        Row of the table of surfaces. A report from before proofs were kept counts by its check points.
    """
    report = _report(surface)
    if "proved" in report:
        error = report.get("scale_error_m")
        return float(error) if report["proved"] and error is not None else None
    return None if is_missing(surface["check_rmse_m"]) else float(surface["check_rmse_m"])


def accuracy_words(surface: Mapping[Any, Any]) -> str:
    """The accuracy in one clause, with the scale that it supports or the stamp "NOT PROVED".

    Parameters
    ----------
    surface : mapping
        Row of the table of surfaces, with a picture.
    """
    report = _report(surface)
    if "origin" in report:  # a picture from elsewhere says for itself what it is and how good
        words = f"{report['origin']}; its accuracy is {report.get('accuracy', 'not stated')}"
        return words if report.get("proved", True) else f"{NOT_PROVED}: {words}"
    by = report.get("control_by")
    return _words_of_control(surface, report) + (f"; control by {by} alone" if by else "")


def _words_of_control(surface: Mapping[Any, Any], report: Mapping[str, Any]) -> str:
    checks = 0 if is_missing(surface["check_n"]) else int(surface["check_n"])
    few = " (indicative, fewer than 30)" if 0 < checks < 30 else ""
    if proved_error_m(surface) is None:
        reason = str(report.get("proof") or "no check points").removeprefix("not proved: ")
        return f"{NOT_PROVED}: {reason}; no accuracy is stated"
    if "proved" not in report:
        return f"radial RMSE at {checks} check points {surface['check_rmse_m'] * 1000:.1f} mm{few}"
    words = f"{report['proof']}{few}"
    scale = report.get("supports_scale")
    return f"{words}, good for 1:{scale}" if scale else f"{words}, good for no usual scale"


def outside_words(surface: Mapping[Any, Any]) -> str | None:
    """That a part of the picture lies outside the control, where it does."""
    share = _report(surface).get("outside_share")
    if share is None or share < LEAST_OUTSIDE:
        return None
    where = " (beyond the dashed line)" if control_edge_m(surface) else ""
    return (
        f"{share:.0%} of the picture lies outside the control{where}: places there are extrapolated"
    )


def control_edge_m(surface: Mapping[Any, Any]) -> list[tuple[float, float]]:
    """Corners of the hull of the control, metres of the wall; none where the picture does not reach beyond it.

    Parameters
    ----------
    surface : mapping
        Row of the table of surfaces.
    """
    report = _report(surface)
    share, hull = report.get("outside_share"), report.get("control_hull_m")
    if share is None or share < LEAST_OUTSIDE or not hull or len(hull) < 3:
        return []
    return [(float(u), float(v)) for u, v in hull]


def disagreement_words(surface: Mapping[Any, Any]) -> str | None:
    """How far the picture lies off the one that was there before it, where both show the wall."""
    said = _report(surface).get("disagreement")
    return f"pictures compared {said['text']}" if said else None


def disagrees(surface: Mapping[Any, Any]) -> bool:
    """Whether two pictures of the wall lie further apart than they can be read."""
    said = _report(surface).get("disagreement")
    if not said:
        return False
    apart = math.hypot(float(said["du_m"]), float(said["dv_m"]))
    return apart > MOST_APART_PX * float(surface["gsd_m"])


def in_inches(sentence: str) -> str:
    """A sentence of accuracy with its millimetres as inches, to two digits that count, and its metres as feet and inches.

    The scale that it supports becomes the finest of an office in inches that is no finer.

    Parameters
    ----------
    sentence : str
    """

    def inch(found: re.Match[str]) -> str:
        value = float(found[1]) / 25.4
        digits = 2 if value == 0 else max(2, 1 - math.floor(math.log10(value)))
        return f"{value:.{digits}f} in"

    def feet(found: re.Match[str]) -> str:
        return format_feet_inches(float(found[1]), denominator=1)

    def scale(found: re.Match[str]) -> str:
        return f"1:{coarser_scale(float(found[1]), inches=True):g}"

    said = re.sub(r"\b1:(\d+)\b", scale, sentence)
    said = re.sub(r"(?<![\d.])(\d+(?:\.\d+)?) mm\b", inch, said)
    return re.sub(r"(?<![\d.])(\d+(?:\.\d+)?) m\b", feet, said)


def _report(surface: Mapping[Any, Any]) -> Mapping[str, Any]:
    report: Mapping[str, Any] | None = surface.get("report")
    return {} if report is None or is_missing(report) else report
