"""Colour calibration: from patches of known colour in a picture to CIELAB D50 for every pixel.

The model (exposure and white balance, matrix, root polynomial; tone curve; stray light; uneven
light) is chosen by patches that are left out of its fit, so that it is never richer than the
patches support.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.chart import PatchReading
from facademap.photo.colour_model import (
    ColourTerms,
    ModelFit,
    ModelSpec,
    calmed,
    fit_model,
    local_metric,
    predict_lab,
    tone_is_rising,
)
from facademap.photo.lab import difference_ciede2000, srgb_from_lab
from facademap.values import frozen_value

__all__ = ["ColourCorrection", "ColourReport", "fit_correction", "uncalibrated"]

Floats = NDArray[np.floating[Any]]
ColourState = Literal["calibrated", "grey card", "uncalibrated"]

#: A patch that the others miss by more than this, and by so many times the usual, is named and left
#: out (common practice; CIEDE2000).
OUTLIER_DE00 = 6.0
OUTLIER_TIMES = 5.0
#: A shadow's edge is looked for when the left-out difference or the share of bad patches is larger than this,
#: and believed when it explains so much of the difference (common practice).
SHADOW_DE00 = 2.5
SHADOW_SHARE = 0.15
SHADOW_EXPLAINS = 0.5
#: A richer model must improve the left-out difference by so much of its standard error.
WORTH_OF_STANDARD_ERROR = 0.3
WORTH_DE00 = 0.01
#: How strongly the terms of a richer model are held near the balanced sRGB matrix.
_LEAST_LIGHT = (0, 10, 15)
_HOLDS = {"matrix": (0.2, 5.0), "root-2": (0.2, 1.0, 5.0), "root-3": (0.3, 1.0, 5.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourReport:
    """How well a correction fits and what it rests on.

    Attributes
    ----------
    model : str
        The model in words.
    fit_n, check_n : int
        Patches fitted and held back by the user.
    fit_mean_de00, fit_max_de00 : float
        CIEDE2000 of the fitted patches.
    left_out_mean_de00, left_out_max_de00 : float
        CIEDE2000 of each fitted patch predicted by the others: the figure the model was chosen by.
    check_mean_de00, check_max_de00 : float or None
        CIEDE2000 of the check patches, none when there are none.
    clipped : tuple of str
        Patches over- or underexposed in the picture, not used in the fit.
    left_out : tuple of str
        Patches that the others contradict (in shadow, soiled, misplaced), not used in the fit.
    warnings : tuple of str
        What the user should know before trusting the colours.
    """

    model: str
    state: ColourState
    fit_n: int
    check_n: int
    fit_mean_de00: float | None
    fit_max_de00: float | None
    left_out_mean_de00: float | None
    left_out_max_de00: float | None
    check_mean_de00: float | None
    check_max_de00: float | None
    clipped: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    chart: str = ""


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ColourCorrection:
    """A fitted correction of one picture (or of pictures taken in the same light and exposure).

    Attributes
    ----------
    spec, theta
        The parts and free values of the model.
    centre_px, half_px : tuple of float
        The frame of the uneven light: pixel of its origin, half its width and height.
    state : {"calibrated", "grey card", "uncalibrated"}
        What the colours may be used for; uncalibrated ones only relative to each other.
    """

    spec: ModelSpec
    theta: Floats
    centre_px: tuple[float, float] = (0.0, 0.0)
    half_px: tuple[float, float] = (1.0, 1.0)
    state: ColourState = "calibrated"

    def lab(
        self, values: Floats, *, x_px: Floats | None = None, y_px: Floats | None = None
    ) -> Floats:
        """CIELAB D50 of stored values.

        Parameters
        ----------
        values : ndarray, shape (..., 3)
            Red, green, blue as stored, scaled to 0 to 1.
        x_px, y_px : ndarray, shape (...), optional
            Where they were taken; needed only when the light was uneven, else the middle is assumed.

        Returns
        -------
        ndarray, shape (..., 3)
            CIELAB D50.
        """
        shape = np.shape(values)
        flat = np.asarray(values, dtype=float).reshape(-1, 3)
        xy: Floats = np.zeros((len(flat), 2))
        if x_px is not None and y_px is not None:
            xy = self._normalised(
                np.broadcast_to(x_px, shape[:-1]).ravel(), np.broadcast_to(y_px, shape[:-1]).ravel()
            )
        return predict_lab(flat, xy, self.theta, self.spec).reshape(shape)

    def _normalised(self, x_px: Floats, y_px: Floats) -> Floats:
        x = (np.asarray(x_px, dtype=float) - self.centre_px[0]) / self.half_px[0]
        y = (np.asarray(y_px, dtype=float) - self.centre_px[1]) / self.half_px[1]
        return np.stack([x, y], axis=1)

    def srgb8(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """An 8-bit picture with its colours corrected, as sRGB, by a table of 33 steps a channel.

        The uneven light of the chart's place is not applied: it says nothing about the rest.
        """
        table = self._table()
        return _through_table(rgb, table)

    def _table(self, steps: int = 33) -> Floats:
        axis = np.linspace(0.0, 1.0, steps)
        grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
        return np.asarray(srgb_from_lab(self.lab(grid)) * 255.0)


def _through_table(rgb: NDArray[np.uint8], table: Floats) -> NDArray[np.uint8]:
    """Trilinear look-up of a picture in a colour table, in strips that fit the cache."""
    from scipy.ndimage import map_coordinates

    out = np.empty_like(rgb)
    scale = (table.shape[0] - 1) / 255.0
    rows = max(1, 1_000_000 // max(1, rgb.shape[1]))
    for top in range(0, rgb.shape[0], rows):
        part = rgb[top : top + rows].astype(np.float32) * scale
        places = np.moveaxis(part, -1, 0)
        for band in range(3):
            found = map_coordinates(
                table[..., band].astype(np.float32), places, order=1, mode="nearest"
            )
            out[top : top + rows, :, band] = np.clip(found + 0.5, 0, 255).astype(np.uint8)
    return out


def uncalibrated(*, linear: bool = False) -> ColourCorrection:
    """The plain reading of a picture as sRGB (or linear sRGB), flagged for relative use only."""
    spec = ModelSpec(terms="balance", linear=linear)
    return ColourCorrection(spec=spec, theta=np.ones(3), state="uncalibrated")


def fit_correction(
    readings: Sequence[PatchReading], *, linear: bool = False, chart: str = ""
) -> tuple[ColourCorrection, ColourReport]:
    """Fit the correction of a picture to the readings of its patches.

    Parameters
    ----------
    readings : sequence of PatchReading
        Patches with their reference colours; only those of role ``fit`` are fitted, those of role
        ``check`` are only reported.
    linear : bool
        Whether the stored values are proportional to light.
    chart : str
        Chart and edition of its values, recorded in the report.

    Returns
    -------
    ColourCorrection, ColourReport
        The correction and how good it is.

    Raises
    ------
    InputError
        No usable patch, or a chart that lies half in shadow.

    Notes
    -----
    The model grows step by step (colour terms, tone curve, stray light, uneven light); a step is
    kept only when it lowers the mean left-out CIEDE2000 by more than chance. Check patches never
    take part.
    """
    fit = [r for r in readings if r.role == "fit" and r.lab is not None]
    clipped = tuple(r.name for r in readings if r.clipped and r.role == "fit")
    usable = [r for r in fit if not r.clipped]
    if not fit:
        correction = uncalibrated(linear=linear)
        report = _report(
            readings,
            correction,
            None,
            clipped,
            (),
            chart,
            ("no patch to fit: uncalibrated, for relative use only",),
        )
        return correction, report
    if not usable:
        raise InputError(
            f"every fit patch is clipped ({', '.join(clipped[:6])})",
            "Photograph the chart with less exposure.",
        )
    frame = _frame(readings)
    arrays = _arrays(usable, frame)
    best = _choose(arrays, linear=linear)
    best, kept = _without_outliers(arrays, best, linear=linear)
    left_out = tuple(r.name for r, k in zip(usable, kept, strict=True) if not k)
    _refuse_shadow(usable, arrays, best, kept)
    grey = len(usable) < 3
    correction = ColourCorrection(
        spec=best.spec,
        theta=best.theta,
        centre_px=frame[0],
        half_px=frame[1],
        state="grey card" if grey else "calibrated",
    )
    return correction, _report(
        readings, correction, best, clipped, left_out, chart, _warnings(best, clipped, left_out)
    )


def _warnings(fit: ModelFit, clipped: Sequence[str], left_out: Sequence[str]) -> tuple[str, ...]:
    words: list[str] = []
    if clipped:
        words.append(f"clipped, not used: {', '.join(clipped)}")
    if left_out:
        words.append(
            f"contradicted by the other patches, not used (shadow, dirt, misplaced?): {', '.join(left_out)}"
        )
    if len(fit.residual_de00) < 3:
        words.append("only exposure and white balance could be fitted: hues rest on the camera")
    elif float(np.mean(fit.left_out_de00)) > 3.0:
        words.append(
            "mean left-out difference above 3: check the chart's edition and the positions of the patches"
        )
    return tuple(words)


def _frame(readings: Iterable[PatchReading]) -> tuple[tuple[float, float], tuple[float, float]]:
    xy = np.array([(r.x_px, r.y_px) for r in readings], dtype=float)
    low, high = xy.min(axis=0), xy.max(axis=0)
    half = np.maximum((high - low) / 2.0, 1.0)
    middle = (low + high) / 2.0
    return (float(middle[0]), float(middle[1])), (float(half[0]), float(half[1]))


@dataclass(frozen=True, slots=True, eq=False)
class _Arrays:
    values: Floats
    xy: Floats
    lab: Floats
    metric: Floats

    def part(self, keep: NDArray[np.bool_]) -> _Arrays:
        return _Arrays(self.values[keep], self.xy[keep], self.lab[keep], self.metric[keep])


def _arrays(
    readings: Sequence[PatchReading], frame: tuple[tuple[float, float], tuple[float, float]]
) -> _Arrays:
    values = np.array([r.rgb for r in readings], dtype=float)
    xy = (np.array([(r.x_px, r.y_px) for r in readings]) - frame[0]) / frame[1]
    lab = np.array([r.lab for r in readings], dtype=float)
    return _Arrays(values, xy, lab, local_metric(lab))


def _choose(arrays: _Arrays, *, linear: bool, robust: bool = True) -> ModelFit:
    """Grow the model while left-out patches are better predicted."""
    n = len(arrays.values)
    tried: dict[ModelSpec, ModelFit] = {}

    def attempt(spec: ModelSpec) -> ModelFit | None:
        if spec not in tried:
            tried[spec] = fit_model(
                arrays.values, arrays.xy, arrays.lab, spec=spec, metric=arrays.metric, robust=robust
            )
        fit = tried[spec]
        bent = fit.theta[: spec.tone]
        return fit if np.all(np.isfinite(fit.left_out_de00)) and tone_is_rising(bent) else None

    best = attempt(ModelSpec(linear=linear))
    assert best is not None
    if n < 3:
        return best
    for _ in range(12):
        steps = [fit for spec in _richer(best.spec, n) if (fit := attempt(spec)) is not None]
        better = [fit for fit in steps if _is_worth_it(best, fit)]
        if not better:
            break
        best = min(better, key=lambda fit: fit.score)
    return best


def _richer(spec: ModelSpec, n: int) -> list[ModelSpec]:
    """Neighbours of a model: one part more, or another strength of the hold."""
    steps: list[ModelSpec] = []
    order: tuple[ColourTerms, ...] = ("balance", "matrix", "root-2", "root-3")
    at = order.index(spec.terms)
    for terms in order[max(at, 1) : at + 3]:
        steps += [replace(spec, terms=terms, hold=hold) for hold in _HOLDS[terms]]
    if not spec.linear and spec.tone < 4:
        tones = range(spec.tone + 1, 5)
        steps += [replace(spec, tone=tone) for tone in tones]
        if spec.terms == "balance":
            steps += [replace(spec, tone=tone, terms="matrix", hold=0.2) for tone in tones]
    if spec.light < 2:
        steps += [replace(spec, light=light) for light in range(spec.light + 1, 3)]
    if not spec.stray:
        steps.append(replace(spec, stray=True))
    return [
        s
        for s in steps
        if s != spec and s.size <= 2 * n and n >= max(_LEAST_LIGHT[s.light], 6 * s.stray)
    ]


def _is_worth_it(simple: ModelFit, rich: ModelFit) -> bool:
    gain = calmed(simple.left_out_de00) - calmed(rich.left_out_de00)
    error = float(np.std(gain)) / np.sqrt(len(gain))
    # stray and uneven light are seldom there and do harm beyond the patches: they need better evidence
    doubtful = rich.spec.stray != simple.spec.stray or rich.spec.light != simple.spec.light
    factor = WORTH_OF_STANDARD_ERROR * (5.0 if doubtful else 1.0)
    return bool(float(np.mean(gain)) > max(WORTH_DE00, factor * error))


def _without_outliers(
    arrays: _Arrays, best: ModelFit, *, linear: bool
) -> tuple[ModelFit, NDArray[np.bool_]]:
    """Leave out patches that all others contradict, then choose the model anew."""
    n = len(arrays.values)
    kept = np.ones(n, dtype=bool)
    if n < 6:
        return best, kept
    for _ in range(3):
        predicted = predict_lab(arrays.values, arrays.xy, best.theta, best.spec)
        miss = difference_ciede2000(arrays.lab, predicted)
        miss[kept] = best.left_out_de00
        usual = float(np.median(miss[kept]))
        bad = miss > max(OUTLIER_DE00, OUTLIER_TIMES * usual)
        if np.array_equal(~bad, kept):
            break
        kept = ~bad
        if np.count_nonzero(kept) < max(3, n // 2):
            break
        best = _choose(arrays.part(kept), linear=linear)
    return best, kept


def _refuse_shadow(
    readings: Sequence[PatchReading], arrays: _Arrays, best: ModelFit, kept: NDArray[np.bool_]
) -> None:
    """Refuse a chart that the edge of a shadow crosses: no single light explains its patches."""
    n = len(arrays.values)
    bad_share = 1.0 - np.count_nonzero(kept) / n
    if n < 8 or (float(np.mean(best.left_out_de00)) < SHADOW_DE00 and bad_share < SHADOW_SHARE):
        return
    plain = replace(
        best.spec,
        light=0,
        stray=False,
        terms="matrix",
        hold=0.2,
        tone=0 if best.spec.linear else max(best.spec.tone, 3),
    )

    def score_of(darkness: Floats) -> float:
        xy = np.column_stack([arrays.xy, darkness])
        return fit_model(
            arrays.values, xy, arrays.lab, spec=plain, metric=arrays.metric, robust=False
        ).score

    whole = score_of(np.zeros(n))
    found: tuple[float, NDArray[np.bool_]] = (whole, np.zeros(n, dtype=bool))
    for dark in _splits(arrays.xy):
        for factor in (0.3, 0.45, 0.65):
            score = score_of(np.where(dark, np.log(factor), 0.0))
            if score < found[0]:
                found = (score, dark)
    explained = 1.0 - found[0] / max(whole, 1e-9)
    if (
        explained > SHADOW_EXPLAINS
        and found[0] < float(np.mean(best.left_out_de00)) + bad_share * 8.0
    ):
        names = ", ".join(r.name for r, dark in zip(readings, found[1], strict=True) if dark)
        raise InputError(
            f"the chart lies partly in shadow: the patches {names} are darker than the others allow",
            "Photograph the chart again wholly in the light that falls on the wall.",
        )


def _splits(xy: Floats) -> Iterable[NDArray[np.bool_]]:
    """Ways to part the patches by a straight edge, with at least a sixth of them on the dark side."""
    least = max(2, len(xy) // 6)
    seen: set[bytes] = set()
    for angle in np.arange(16) * np.pi / 8.0:
        along = xy @ np.array([np.cos(angle), np.sin(angle)])
        for share in (0.2, 0.35, 0.5, 0.65):
            dark = along > np.quantile(along, 1.0 - share) - 1e-9
            if least <= np.count_nonzero(dark) <= len(xy) - least and dark.tobytes() not in seen:
                seen.add(dark.tobytes())
                yield dark


def _report(
    readings: Sequence[PatchReading],
    correction: ColourCorrection,
    fit: ModelFit | None,
    clipped: tuple[str, ...],
    left_out: tuple[str, ...],
    chart: str,
    warnings: tuple[str, ...],
) -> ColourReport:
    check = [r for r in readings if r.role == "check" and r.lab is not None]
    check_de = None
    if check:
        found = correction.lab(
            np.array([r.rgb for r in check]),
            x_px=np.array([r.x_px for r in check]),
            y_px=np.array([r.y_px for r in check]),
        )
        check_de = difference_ciede2000(np.array([r.lab for r in check], dtype=float), found)
        clipped_checks = [r.name for r in check if r.clipped]
        if clipped_checks:
            warnings = (
                *warnings,
                f"check patches clipped in the picture: {', '.join(clipped_checks)}",
            )

    def summary(values: Floats | None) -> tuple[float | None, float | None]:
        return (None, None) if values is None else (float(np.mean(values)), float(np.max(values)))

    fit_mean, fit_max = summary(None if fit is None else fit.residual_de00)
    out_mean, out_max = summary(
        None if fit is None or len(fit.residual_de00) < 3 else fit.left_out_de00
    )
    check_mean, check_max = summary(check_de)
    return ColourReport(
        model="none: read as sRGB" if fit is None else fit.spec.words,
        state=correction.state,
        fit_n=0 if fit is None else len(fit.residual_de00),
        check_n=len(check),
        fit_mean_de00=fit_mean,
        fit_max_de00=fit_max,
        left_out_mean_de00=out_mean,
        left_out_max_de00=out_max,
        check_mean_de00=check_mean,
        check_max_de00=check_max,
        clipped=clipped,
        left_out=left_out,
        warnings=warnings,
        chart=chart,
    )
