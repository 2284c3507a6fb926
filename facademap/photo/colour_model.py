"""The forward model from a picture's values to CIELAB D50, and its weighted least squares fit.

A reading ``v`` (0 to 1, as stored) is decoded to light by the sRGB curve after a correction of the
tone curve, freed from uneven light and stray light, and turned into XYZ D50 by a linear map of its
root-polynomial terms. Every part can be left out; :mod:`facademap.photo.colour` decides which parts
the patches support.

References
----------
.. [1] G. D. Finlayson, M. Mackiewicz, A. Hurlbert, "Color Correction Using Root-Polynomial
   Regression", IEEE Trans. Image Processing 24 (2015) 1460-1470: terms that keep the hue when the
   exposure changes (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.photo.lab import (
    D50_XYZ,
    difference_ciede2000,
    lab_from_linear_rgb,
    lab_from_xyz,
    linear_rgb_from_srgb,
    xyz_from_lab,
)
from facademap.values import frozen_value

__all__ = ["ColourTerms", "ModelFit", "ModelSpec", "fit_model", "local_metric", "predict_lab"]

Floats = NDArray[np.floating[Any]]
ColourTerms = Literal["balance", "matrix", "root-2", "root-3"]

_TERM_COUNT: dict[str, int] = {"matrix": 3, "root-2": 6, "root-3": 13}
#: Columns: XYZ D50 of linear sRGB red, green and blue.
_SRGB_TO_XYZ = xyz_from_lab(lab_from_linear_rgb(np.eye(3))).T
#: Distance from the plain sRGB reading that costs one unit (CIEDE2000) each: these hold the parts of
#: the model back that a few patches cannot tell apart. Common practice, tried on simulated cameras.
_LOOSENESS = {"tone": 0.4, "light": 0.5, "stray": 0.02}


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelSpec:
    """Which parts the model has.

    Attributes
    ----------
    terms : {"balance", "matrix", "root-2", "root-3"}
        Exposure and white balance only, a 3x3 matrix, or root-polynomial terms of degree 2 or 3.
    tone : int
        Number of terms that bend the tone curve: 0 (sRGB as it is), 1 (a power), 2 and more.
    light : int
        Order of the uneven light over the picture: 0, 1 (plane) or 2 (curved).
    stray : bool
        Whether a constant of stray light is taken off each channel.
    linear : bool
        Whether the values are light already.
    hold : float
        Strength that holds the colour terms near the balanced sRGB matrix.
    """

    terms: ColourTerms = "balance"
    tone: int = 0
    light: int = 0
    stray: bool = False
    linear: bool = False
    hold: float = 1.0

    @property
    def size(self) -> int:
        """Number of free values."""
        colour = 3 if self.terms == "balance" else 3 * _TERM_COUNT[self.terms]
        return self.tone + (0, 2, 5)[self.light] + 3 * self.stray + colour

    @property
    def words(self) -> str:
        """The model in words, for the report."""
        parts = {
            "balance": "exposure and white balance",
            "matrix": "3x3 matrix",
            "root-2": "root polynomial 2",
            "root-3": "root polynomial 3",
        }
        text = parts[self.terms]
        if self.tone:
            text += f", tone curve of {self.tone} terms"
        if self.stray:
            text += ", stray light"
        if self.light:
            text += (", ", ", light falling off in one direction", ", curved uneven light")[
                self.light
            ]
        return text


def _root_terms(light: Floats, terms: ColourTerms) -> Floats:
    """Root-polynomial terms of linear RGB, (n, 3) to (n, terms)."""
    r, g, b = np.maximum(light, 1e-9).T
    columns = list(light.T)
    if terms in ("root-2", "root-3"):
        columns += [np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)]
    if terms == "root-3":
        columns += [
            np.cbrt(r * g * g),
            np.cbrt(g * b * b),
            np.cbrt(r * b * b),
            np.cbrt(g * r * r),
            np.cbrt(b * g * g),
            np.cbrt(b * r * r),
            np.cbrt(r * g * b),
        ]
    return np.stack(columns, axis=1)


def _split(theta: Floats, spec: ModelSpec) -> tuple[Floats, Floats, Floats, Floats]:
    ends = np.cumsum([spec.tone, (0, 2, 5)[spec.light], 3 * spec.stray])
    tone, light, stray, colour = np.split(theta, ends)
    return tone, light, stray, colour


def bent_tone(values: Floats, tone: Floats) -> Floats:
    """The values after the correction of the tone curve: a power and gentle bumps that keep 0 and 1."""
    if not len(tone):
        return values
    base = np.maximum(values, 0.0) ** np.exp(tone[0])
    if len(tone) == 1:
        return np.asarray(base)
    x = 2.0 * base - 1.0
    bump = tone[1] + np.zeros_like(x)
    for order, weight in enumerate(tone[2:], start=1):
        bump = bump + weight * np.cos(order * np.arccos(np.clip(x, -1.0, 1.0)))
    return np.asarray(base + base * (1.0 - base) * bump)


def tone_is_rising(tone: Floats) -> bool:
    """Whether the bent tone curve rises everywhere, so that brighter stays brighter."""
    curve = bent_tone(np.linspace(0.0, 1.0, 101), tone)
    return bool(np.all(np.diff(curve) > 0.0))


def light_field(xy: Floats, light: Floats) -> Floats:
    """Brightness factor of the uneven light at normalised places, (n, 2) to (n,)."""
    if not len(light):
        return np.ones(len(xy))
    x, y = xy.T
    log = light[0] * x + light[1] * y
    if len(light) == 5:
        log = log + light[2] * x * x + light[3] * x * y + light[4] * y * y
    return np.asarray(np.exp(np.clip(log, -4.0, 4.0)))


def _light_of(values: Floats, xy: Floats, theta: Floats, spec: ModelSpec) -> Floats:
    tone, light, stray, _ = _split(theta, spec)
    rgb = values if spec.linear else linear_rgb_from_srgb(bent_tone(values, tone))
    if spec.light:
        rgb = rgb / light_field(xy[:, :2], light)[:, None]
    if xy.shape[1] == 3:
        rgb = rgb * np.exp(-xy[:, 2:])
    if spec.stray:
        rgb = rgb - stray
    return np.asarray(rgb, dtype=float)


def _xyz(values: Floats, xy: Floats, theta: Floats, spec: ModelSpec) -> tuple[Floats, Floats]:
    rgb = _light_of(values, xy, theta, spec)
    colour = _split(theta, spec)[3]
    if spec.terms == "balance":
        return rgb, (rgb * colour) @ _SRGB_TO_XYZ.T
    phi = _root_terms(rgb, spec.terms)
    return phi, phi @ colour.reshape(-1, 3)


def predict_lab(values: Floats, xy: Floats, theta: Floats, spec: ModelSpec) -> Floats:
    """CIELAB D50 of readings.

    Parameters
    ----------
    values : ndarray, shape (n, 3)
        Readings 0 to 1 as stored in the picture.
    xy : ndarray, shape (n, 2) or (n, 3)
        Places, in the normalised coordinates of the fit; a third column is a known brightness (its logarithm).
    theta : ndarray
        The free values of the model.
    spec : ModelSpec
        The parts of the model.

    Returns
    -------
    ndarray, shape (n, 3)
        CIELAB D50.
    """
    return lab_from_xyz(_xyz(values, xy, theta, spec)[1])


def _lab_slope(xyz: Floats) -> Floats:
    """Derivative of CIELAB by XYZ, (n, 3) to (n, 3, 3)."""
    ratio = xyz / D50_XYZ
    epsilon, kappa = 216.0 / 24389.0, 24389.0 / 27.0
    slope = (
        np.where(ratio > epsilon, np.cbrt(np.maximum(ratio, epsilon)) ** -2 / 3.0, kappa / 116.0)
        / D50_XYZ
    )
    out = np.zeros((len(xyz), 3, 3))
    out[:, 0, 1] = 116.0 * slope[:, 1]
    out[:, 1, 0], out[:, 1, 1] = 500.0 * slope[:, 0], -500.0 * slope[:, 1]
    out[:, 2, 1], out[:, 2, 2] = 200.0 * slope[:, 1], -200.0 * slope[:, 2]
    return out


def local_metric(lab: Floats, *, step: float = 0.5) -> Floats:
    """Root ``W`` of the local metric of CIEDE2000: ``|W d|`` is about the difference for a small ``d``.

    Parameters
    ----------
    lab : ndarray, shape (n, 3)
        Where the metric is wanted.
    step : float
        Step of the differences, CIELAB units.

    Returns
    -------
    ndarray, shape (n, 3, 3)
        Upper triangular roots.
    """
    axes = np.eye(3) * step
    square = np.zeros((len(lab), 3, 3))
    for i in range(3):
        for j in range(i, 3):
            both = np.mean(
                [difference_ciede2000(lab, lab + s * (axes[i] + axes[j])) ** 2 for s in (1, -1)],
                axis=0,
            )
            square[:, i, j] = square[:, j, i] = both
    diagonal = np.stack([square[:, i, i] / 4.0 for i in range(3)], axis=1)
    metric = np.zeros_like(square)
    for i in range(3):
        metric[:, i, i] = diagonal[:, i] / step**2
        for j in range(i + 1, 3):
            metric[:, i, j] = metric[:, j, i] = (
                (square[:, i, j] - diagonal[:, i] - diagonal[:, j]) / 2.0 / step**2
            )
    values, vectors = np.linalg.eigh(metric)
    return np.asarray(np.sqrt(np.maximum(values, 1e-3))[:, :, None] * vectors.transpose(0, 2, 1))


def calmed(difference_de00: Floats) -> Floats:
    """Differences with those beyond 8 counted a fifth, so that one bad patch does not choose the model."""
    return np.asarray(
        np.minimum(difference_de00, 8.0) + 0.2 * np.maximum(difference_de00 - 8.0, 0.0)
    )


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ModelFit:
    """A fitted model.

    Attributes
    ----------
    spec : ModelSpec
        Parts of the model.
    theta : ndarray
        Free values.
    residual_de00 : ndarray, shape (n,)
        CIEDE2000 of the patches in the fit.
    left_out_de00 : ndarray, shape (n,)
        CIEDE2000 of each patch predicted by the others (leverage form of leave-one-out).
    weight : ndarray, shape (n,)
        Robust weights 0 to 1.
    """

    spec: ModelSpec
    theta: Floats
    residual_de00: Floats
    left_out_de00: Floats
    weight: Floats

    @property
    def score(self) -> float:
        """Mean left-out difference, in which what goes beyond 8 counts a fifth."""
        return float(np.mean(calmed(self.left_out_de00)))


def _start(values: Floats, xy: Floats, lab: Floats, spec: ModelSpec) -> Floats:
    """Start values: the plain reading and a linear fit of the colour terms in XYZ."""
    theta = np.zeros(spec.size)
    rgb = _light_of(values, xy, theta, spec)
    xyz = xyz_from_lab(lab)
    weight = 1.0 / (xyz[:, 1] + 0.05)
    ideal = np.linalg.solve(_SRGB_TO_XYZ, xyz.T).T
    gain = np.median(ideal.clip(1e-4) / rgb.clip(1e-4), axis=0).clip(1e-4, 1e4)
    if spec.terms == "balance":
        theta[-3:] = gain
        return theta
    start = np.zeros((_TERM_COUNT[spec.terms], 3))
    start[:3] = (_SRGB_TO_XYZ * gain).T
    phi = _root_terms(rgb, spec.terms)[:, :3]
    if len(values) >= 6:
        tie = 0.05 * np.sqrt(len(values))
        A = np.concatenate([phi * weight[:, None], tie * np.eye(3)])
        start[:3] += np.linalg.lstsq(
            A,
            np.concatenate([(xyz - phi @ start[:3]) * weight[:, None], np.zeros((3, 3))]),
            rcond=None,
        )[0]
    theta[-start.size :] = start.ravel()
    return theta


def _prior(theta: Floats, spec: ModelSpec, gain: Floats) -> tuple[Floats, Floats]:
    """Where the free values are held, and how strongly (weight on the deviation)."""
    held, strength = np.zeros_like(theta), np.zeros_like(theta)
    tone, light, stray, _ = np.split(
        np.arange(len(theta)), np.cumsum([spec.tone, (0, 2, 5)[spec.light], 3 * spec.stray])
    )
    strength[tone], strength[light], strength[stray] = (
        1.0 / _LOOSENESS[k] for k in ("tone", "light", "stray")
    )
    if spec.terms == "balance":
        return held, strength
    count = _TERM_COUNT[spec.terms]
    first = len(theta) - 3 * count
    held[first : first + 9] = (_SRGB_TO_XYZ * gain).T.ravel()
    scale = float(np.mean(gain))
    strength[first : first + 9] = 0.5 * spec.hold / scale
    strength[first + 9 :] = 4.0 * spec.hold / scale
    return held, strength


def fit_model(
    values: Floats,
    xy: Floats,
    lab: Floats,
    *,
    spec: ModelSpec,
    metric: Floats | None = None,
    robust: bool = True,
) -> ModelFit:
    """Fit one model to patches by robust least squares in the local metric of CIEDE2000.

    Parameters
    ----------
    values, xy, lab : ndarray, shapes (n, 3), (n, 2), (n, 3)
        Readings 0 to 1, normalised places, reference CIELAB D50.
    spec : ModelSpec
        Parts of the model.
    metric : ndarray, shape (n, 3, 3), optional
        :func:`local_metric` of ``lab`` where it is known already.
    robust : bool
        Whether a patch that the others contradict loses weight.

    Returns
    -------
    ModelFit
        Fit with its residuals and left-out differences.
    """
    W = local_metric(lab) if metric is None else metric
    theta = _start(values, xy, lab, spec)
    rgb = _light_of(values, xy, np.zeros(spec.size), spec)
    xyz = xyz_from_lab(lab)
    ideal = np.linalg.solve(_SRGB_TO_XYZ, xyz.T).T
    gain = np.median(ideal.clip(1e-4) / rgb.clip(1e-4), axis=0).clip(1e-4, 1e4)
    held, strength = _prior(theta, spec, gain)
    weight = np.ones(len(values))
    rounds = 4 if robust and len(values) >= 8 else 1
    for _ in range(rounds):
        theta, jacobian, residual = _levenberg(
            values, xy, lab, theta, spec, W, weight, held, strength
        )
        left_out = _left_out(jacobian, residual, weight, strength)
        if rounds > 1:
            spread = max(1.0, 1.4826 * float(np.median(np.linalg.norm(left_out, axis=1))))
            weight = 1.0 / (1.0 + (np.linalg.norm(left_out, axis=1) / (3.0 * spread)) ** 4)
    fitted = predict_lab(values, xy, theta, spec)
    away = np.einsum("nij,nj->ni", np.linalg.inv(W), left_out)
    limit = 150.0
    return ModelFit(
        spec=spec,
        theta=theta,
        residual_de00=difference_ciede2000(lab, fitted),
        left_out_de00=difference_ciede2000(lab, lab + np.clip(away, -limit, limit)),
        weight=weight,
    )


def _left_out(jacobian: Floats, residual: Floats, weight: Floats, strength: Floats) -> Floats:
    """Residual of every patch when it is left out, by its leverage; shapes (n, 3, p), (n, 3)."""
    root = np.sqrt(weight)[:, None, None]
    stacked = (jacobian * root).reshape(-1, jacobian.shape[2])
    normal = stacked.T @ stacked + np.diag(strength**2 + 1e-9)
    inverse = np.linalg.pinv(normal, hermitian=True)
    leverage = np.einsum("nip,pq,njq->nij", jacobian, inverse, jacobian) * weight[:, None, None]
    keep = np.eye(3) - leverage
    values, vectors = np.linalg.eigh((keep + keep.transpose(0, 2, 1)) / 2.0)
    solved = (
        vectors
        @ (np.einsum("nji,nj->ni", vectors, residual) / np.maximum(values, 1e-3))[:, :, None]
    )
    return np.asarray(solved[:, :, 0])


def _residual_and_slope(
    values: Floats, xy: Floats, lab: Floats, theta: Floats, spec: ModelSpec, W: Floats
) -> tuple[Floats, Callable[[], Floats]]:
    phi, xyz = _xyz(values, xy, theta, spec)
    residual = np.einsum("nij,nj->ni", W, lab_from_xyz(xyz) - lab)

    def slope() -> Floats:
        n, before = len(values), spec.size - (3 if spec.terms == "balance" else 3 * phi.shape[1])
        d_xyz = np.zeros((n, 3, spec.size))
        for k in range(before):
            step = np.zeros(spec.size)
            step[k] = 1e-5
            d_xyz[:, :, k] = (
                _xyz(values, xy, theta + step, spec)[1] - _xyz(values, xy, theta - step, spec)[1]
            ) / 2e-5
        if spec.terms == "balance":
            d_xyz[:, :, before:] = phi[:, None, :] * _SRGB_TO_XYZ[None]
        else:
            for term in range(phi.shape[1]):
                for channel in range(3):
                    d_xyz[:, channel, before + 3 * term + channel] = phi[:, term]
        return np.asarray(W @ _lab_slope(xyz) @ d_xyz)

    return residual, slope


def _levenberg(
    values: Floats,
    xy: Floats,
    lab: Floats,
    theta: Floats,
    spec: ModelSpec,
    W: Floats,
    weight: Floats,
    held: Floats,
    strength: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Damped Gauss-Newton; returns the free values, the slope (n, 3, p) and the residuals (n, 3)."""

    def cost_of(residual: Floats, trial: Floats) -> float:
        return float(
            np.sum(weight[:, None] * residual**2) + np.sum((strength * (trial - held)) ** 2)
        )

    damping = 1e-3
    residual, slope = _residual_and_slope(values, xy, lab, theta, spec, W)
    cost, jacobian = cost_of(residual, theta), slope()
    for _ in range(40):
        stacked = jacobian.reshape(-1, spec.size)
        weighted = stacked * np.repeat(weight, 3)[:, None]
        normal = stacked.T @ weighted + np.diag(strength**2)
        gradient = weighted.T @ residual.ravel() + strength**2 * (theta - held)
        accepted = False
        for _ in range(8):
            damped = normal + damping * np.diag(np.diag(normal) + 1e-9)
            step = np.linalg.lstsq(damped, -gradient, rcond=1e-14)[0]
            trial = theta + step
            trial_residual, trial_slope = _residual_and_slope(values, xy, lab, trial, spec, W)
            trial_cost = cost_of(trial_residual, trial)
            if np.isfinite(trial_cost) and trial_cost < cost:
                accepted = True
                break
            damping *= 6.0
        if not accepted:
            break
        gained = cost - trial_cost
        theta, residual, cost, slope = trial, trial_residual, trial_cost, trial_slope
        jacobian = slope()
        damping = max(damping / 5.0, 1e-9)
        if gained < 1e-5 * cost + 1e-9:
            break
    return theta, jacobian, residual
