"""What a face of a block, or the wall around a cut-out, looks like: colour, its scatter, grain."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.lab import difference_ciede2000, lab_from_srgb
from facademap.salvage.pattern import PATTERN_SIZE, Pattern, describe_pattern
from facademap.values import frozen_value

__all__ = ["Appearance", "describe_neighbourhood", "measure_appearance"]

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]
Wetness = Literal["dry", "damp", "wet"]

#: Shares at which the colour distribution is kept, each of L*, a* and b*.
SHARES = np.linspace(0.025, 0.975, 20)
#: Grain is compared at this ground sample distance where the scale is known (metres a pixel; practice).
GRAIN_GSD_M = 0.001
#: Pictures with larger pixels, or with fewer pixels a grain, say little about grain (common practice).
COARSE_GSD_M = 0.003
PIXELS_A_GRAIN = 3.0
#: Spread is measured on at most this many samples.
_SPREAD_SAMPLES = 20_000
#: Moments and quantiles are taken on a regular part of the pixels of about this size.
_MOST_SAMPLES = 150_000
_VERSION = 1


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Appearance:
    """Measured appearance of a stone surface.

    Parameters
    ----------
    lab : ndarray, shape (3,)
        Mean CIELAB (D50, 2 degree).
    covariance : ndarray, shape (3, 3)
    n : int
        Number of samples (pixels of stone).
    spread : float
        Mean CIEDE2000 of the samples to their mean.
    quantiles : ndarray, shape (20, 3)
        L*, a* and b* at even shares of the samples, about their medians.
    pattern : Pattern
        Grain, blind to exposure and white balance.
    grain_scale_m : float or None
        Typical grain; None where the scale of the picture is unknown.
    wetness : {"dry", "damp", "wet"}
    weathered : bool or None
    finish : str
    calibrated : bool
        Whether the colour was made true by a chart. Uncalibrated colour ranks and never excludes.
    source_gsd_m : float or None
        Ground sample distance of the picture before it was laid flat, where it is known.
    """

    lab: Floats
    covariance: Floats
    n: int
    spread: float
    quantiles: Floats
    pattern: Pattern
    grain_scale_m: float | None = None
    wetness: Wetness = "dry"
    weathered: bool | None = None
    finish: str = ""
    calibrated: bool = False
    source_gsd_m: float | None = None

    def __post_init__(self) -> None:
        if (
            self.lab.shape != (3,)
            or self.covariance.shape != (3, 3)
            or self.quantiles.shape != (len(SHARES), 3)
        ):
            raise InputError(
                "an appearance has a mean of 3, a covariance of 3 x 3 and 20 x 3 quantiles",
                "Measure the appearance again.",
            )
        if self.wetness not in ("dry", "damp", "wet"):
            raise InputError(
                f"wetness {self.wetness!r} is not dry, damp or wet", "Say how wet the stone was."
            )

    @property
    def is_coarse(self) -> bool:
        """Whether the picture is too coarse for its grain to be trusted: pixels above 3 mm, or under 3 of them a grain."""
        if self.source_gsd_m is None:
            return False
        if self.source_gsd_m > COARSE_GSD_M * (1 + 1e-6):
            return True
        return (
            self.grain_scale_m is not None
            and self.grain_scale_m < PIXELS_A_GRAIN * self.source_gsd_m
        )

    def as_record(self) -> dict[str, Any]:
        """Plain values for the ``appearance`` column of a table."""
        return {
            "version": _VERSION,
            "lab": [round(float(v), 4) for v in self.lab],
            "covariance": [[round(float(v), 5) for v in row] for row in self.covariance],
            "n": self.n,
            "spread": round(self.spread, 4),
            "quantiles": [[round(float(v), 3) for v in row] for row in self.quantiles],
            "pattern": base64.b64encode(self.pattern.values.astype("<f4").tobytes()).decode(),
            "direction_deg": round(self.pattern.direction_deg, 2),
            "anisotropy": round(self.pattern.anisotropy, 4),
            "scale_px": round(self.pattern.scale_px, 3),
            "pattern_n": self.pattern.n,
            "grain_scale_m": self.grain_scale_m,
            "wetness": self.wetness,
            "weathered": self.weathered,
            "finish": self.finish,
            "calibrated": self.calibrated,
            "source_gsd_m": self.source_gsd_m,
        }

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> Appearance:
        """The appearance that `as_record` wrote.

        Raises
        ------
        InputError
            Another version, or a record that is damaged.
        """
        if record.get("version") != _VERSION:
            raise InputError(
                f"appearance of version {record.get('version')!r} cannot be read",
                "Measure the appearance again from the photo.",
            )
        values = np.frombuffer(base64.b64decode(record["pattern"]), "<f4").astype(np.float32)
        if values.shape != (PATTERN_SIZE,):
            raise InputError(
                "the grain of an appearance is damaged",
                "Measure the appearance again from the photo.",
            )
        pattern = Pattern(
            values=values,
            direction_deg=record["direction_deg"],
            anisotropy=record["anisotropy"],
            scale_px=record["scale_px"],
            n=record["pattern_n"],
        )
        return cls(
            lab=np.array(record["lab"]),
            covariance=np.array(record["covariance"]),
            n=record["n"],
            spread=record["spread"],
            quantiles=np.array(record["quantiles"]),
            pattern=pattern,
            grain_scale_m=record["grain_scale_m"],
            wetness=record["wetness"],
            weathered=record["weathered"],
            finish=record["finish"],
            calibrated=record["calibrated"],
            source_gsd_m=record.get("source_gsd_m"),
        )


def measure_appearance(
    rgb: NDArray[Any],
    mask: Mask | None = None,
    *,
    gsd_m: float | None = None,
    wetness: Wetness = "dry",
    weathered: bool | None = None,
    finish: str = "",
    calibrated: bool = False,
    source_gsd_m: float | None = None,
) -> Appearance:
    """Measure the appearance of the stone in a picture.

    Parameters
    ----------
    rgb : ndarray of uint8 or float, shape (rows, cols, 3)
        sRGB picture, corrected by a chart where ``calibrated``.
    mask : ndarray of bool, shape (rows, cols), optional
        True where the stone is.
    gsd_m : float, optional
        Ground sample distance of a rectified picture; the grain is then described at 1 mm a pixel.
    wetness, weathered, finish, calibrated
        State of the surface and of the picture.
    source_gsd_m : float, optional
        Ground sample distance of the picture before it was laid flat.

    Raises
    ------
    InputError
        Too few pixels of stone.

    References
    ----------
    IEC 61966-2-1 (sRGB) and CIE 15 (CIELAB); medians and their scatter are common practice.
    """
    used = np.ones(rgb.shape[:2], bool) if mask is None else np.asarray(mask, bool)
    factor = 1.0
    if gsd_m is not None:
        if not (np.isfinite(gsd_m) and gsd_m > 0):
            raise InputError(
                f"ground sample distance {gsd_m!r} m is not positive", "Give it in metres a pixel."
            )
        factor = min(1.0, gsd_m / GRAIN_GSD_M)
    small, small_used = _reduced(rgb, used, factor)
    pattern = describe_pattern(small, small_used)
    stride = max(1, int(np.sqrt(np.count_nonzero(used) / _MOST_SAMPLES)))
    lab = lab_from_srgb(rgb[::stride, ::stride][used[::stride, ::stride]])
    if len(lab) < 4:
        lab = lab_from_srgb(rgb[used])
    mean = lab.mean(axis=0)
    sample = lab[:: max(1, len(lab) // _SPREAD_SAMPLES)]
    quantiles = np.quantile(lab, SHARES, axis=0) - np.median(lab, axis=0)
    return Appearance(
        lab=mean,
        covariance=np.cov(lab.T),
        n=int(np.count_nonzero(used)),
        spread=float(difference_ciede2000(sample, mean).mean()),
        quantiles=quantiles,
        pattern=pattern,
        grain_scale_m=None if gsd_m is None else pattern.scale_px * gsd_m / factor,
        wetness=wetness,
        weathered=weathered,
        finish=finish,
        calibrated=calibrated,
        source_gsd_m=source_gsd_m,
    )


def _reduced(rgb: NDArray[Any], used: Mask, factor: float) -> tuple[NDArray[Any], Mask]:
    if factor > 0.99:
        return rgb, used
    size = (max(1, round(rgb.shape[1] * factor)), max(1, round(rgb.shape[0] * factor)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    return small, cv2.resize(used.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0


def describe_neighbourhood(
    rgb: NDArray[Any],
    cut_out: Mask,
    *,
    gsd_m: float,
    left_out: Mask | None = None,
    ring_m: float = 0.15,
    gap_m: float = 0.01,
    **state: Any,
) -> Appearance:
    """Appearance of the sound stone in a ring around a cut-out.

    Parameters
    ----------
    rgb : ndarray, shape (rows, cols, 3)
        Part of a rectified elevation around the cut-out.
    cut_out : ndarray of bool, shape (rows, cols)
        The hole to be cut.
    gsd_m : float
    left_out : ndarray of bool, optional
        Joints, other conditions, openings and whatever else is no sound stone of this kind.
    ring_m, gap_m : float
        Width of the ring, and its distance from the cut-out (its edge is where decay stains).
    **state
        As for `measure_appearance`.

    Raises
    ------
    InputError
        No sound stone is left in the ring.

    Notes
    -----
    Black pixels without picture, shadow and sky are left out as well: lightness more than 3.5 robust
    standard deviations (and at least 20 L*) from the median of the ring.
    """
    hole = np.asarray(cut_out, bool)
    away = cv2.distanceTransform((~hole).astype(np.uint8), cv2.DIST_L2, 5) * gsd_m
    ring = ~hole & (away >= gap_m) & (away <= gap_m + ring_m)
    if left_out is not None:
        ring &= ~np.asarray(left_out, bool)
    ring &= np.asarray(rgb).max(axis=2) > 0
    if np.count_nonzero(ring) >= 256:
        light = lab_from_srgb(rgb[ring])[:, 0]
        middle = float(np.median(light))
        scatter = 1.4826 * float(np.median(np.abs(light - middle)))
        ring[ring] = np.abs(light - middle) <= max(20.0, 3.5 * scatter)
    if np.count_nonzero(ring) < 256:
        raise InputError(
            f"only {np.count_nonzero(ring)} pixels of sound stone lie around the cut-out",
            "Widen the ring, or name a cleaned neighbour or a trial panel as the target.",
        )
    return measure_appearance(rgb, ring, gsd_m=gsd_m, **state)
