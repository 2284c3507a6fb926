"""A camera: pinhole and Brown-Conrady lens, in pixels of the upright picture.

Conventions: image axes x right, y down, integer = centre of a pixel; a ray is written as its
undistorted image coordinates ``(x, y)`` on a plane at distance one before the lens.

References
----------
.. [1] D. C. Brown, "Decentering distortion of lenses", Photogrammetric Engineering 32 (1966) 444-462.
.. [2] OpenCV documentation, "Camera calibration and 3D reconstruction": the order and the meaning
   of k1 k2 p1 p2 k3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import InputError

__all__ = ["Camera", "nominal_camera"]

Floats = NDArray[np.floating[Any]]

#: Diagonal of the 36 mm x 24 mm frame: turns a 35 mm equivalent focal length into pixels.
_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Interior orientation and lens distortion.

    Parameters
    ----------
    width_px, height_px : int
        Size of the upright picture (after the turn that its EXIF asks for).
    fx_px, fy_px : float
        Focal length in pixels, > 0.
    cx_px, cy_px : float
        Principal point; (0, 0) is the centre of the top-left pixel.
    k1, k2, k3, p1, p2 : float
        Brown-Conrady coefficients in OpenCV's meaning.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    _fold_radius: float = field(init=False, repr=False, compare=False, default=math.inf)

    def __post_init__(self) -> None:
        if self.width_px < 1 or self.height_px < 1:
            raise InputError(
                f"camera size {self.width_px} x {self.height_px} px is not positive",
                "Give the width and height of the picture in pixels.",
            )
        numbers = {
            "fx": self.fx_px,
            "fy": self.fy_px,
            "cx": self.cx_px,
            "cy": self.cy_px,
            "k1": self.k1,
            "k2": self.k2,
            "k3": self.k3,
            "p1": self.p1,
            "p2": self.p2,
        }
        for name, value in numbers.items():
            if not math.isfinite(value):
                raise InputError(
                    f"camera value {name} = {value} is not a finite number",
                    "Correct the camera file.",
                )
        if self.fx_px <= 0 or self.fy_px <= 0:
            raise InputError(
                f"focal length fx = {self.fx_px}, fy = {self.fy_px} px is not positive",
                "Give the focal length in pixels.",
            )
        object.__setattr__(self, "_fold_radius", _fold_radius(self.k1, self.k2, self.k3))

    @property
    def matrix(self) -> Floats:
        """The 3 x 3 matrix K of pinhole terms."""
        return np.array(
            [[self.fx_px, 0.0, self.cx_px], [0.0, self.fy_px, self.cy_px], [0.0, 0.0, 1.0]]
        )

    @property
    def coefficients(self) -> Floats:
        """k1, k2, p1, p2, k3 in OpenCV's order."""
        return np.array([self.k1, self.k2, self.p1, self.p2, self.k3])

    @property
    def fold_radius(self) -> float:
        """Radius of a ray beyond which the polynomial turns back; infinite when it never does."""
        return self._fold_radius

    def pixel_from_ray(self, ray: ArrayLike) -> Floats:
        """Where rays fall in the picture.

        Parameters
        ----------
        ray : array_like, shape (..., 2)

        Returns
        -------
        ndarray, shape (..., 2)
            Pixels; NaN for rays beyond the radius where the distortion polynomial turns back.
        """
        xy = np.asarray(ray, dtype=float)
        x, y = xy[..., 0], xy[..., 1]
        r2 = x * x + y * y
        if self.coefficients.any():
            radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
            dx = x * radial + 2 * self.p1 * x * y + self.p2 * (r2 + 2 * x * x)
            dy = y * radial + self.p1 * (r2 + 2 * y * y) + 2 * self.p2 * x * y
            if math.isfinite(self._fold_radius):
                beyond = r2 > self._fold_radius**2
                dx = np.where(beyond, np.nan, dx)
                dy = np.where(beyond, np.nan, dy)
        else:
            dx, dy = x, y
        return np.stack([dx * self.fx_px + self.cx_px, dy * self.fy_px + self.cy_px], axis=-1)

    def ray_from_pixel(self, pixel: ArrayLike) -> Floats:
        """Undistorted rays of pixels (Newton's method on the distortion polynomial).

        Parameters
        ----------
        pixel : array_like, shape (..., 2)

        Returns
        -------
        ndarray, shape (..., 2)
            NaN where no ray of the first branch of the polynomial reaches the pixel.
        """
        xy = np.asarray(pixel, dtype=float)
        target = np.stack(
            [(xy[..., 0] - self.cx_px) / self.fx_px, (xy[..., 1] - self.cy_px) / self.fy_px],
            axis=-1,
        )
        if not self.coefficients.any():
            return target
        flat = target.reshape(-1, 2)
        guess = self._radial_guess(flat)
        for _ in range(20):
            value, jacobian = self._distorted_with_jacobian(guess)
            miss = value - flat
            determinant = (
                jacobian[:, 0, 0] * jacobian[:, 1, 1] - jacobian[:, 0, 1] * jacobian[:, 1, 0]
            )
            with np.errstate(divide="ignore", invalid="ignore"):
                step_x = (
                    jacobian[:, 1, 1] * miss[:, 0] - jacobian[:, 0, 1] * miss[:, 1]
                ) / determinant
                step_y = (
                    jacobian[:, 0, 0] * miss[:, 1] - jacobian[:, 1, 0] * miss[:, 0]
                ) / determinant
            step = np.nan_to_num(
                np.stack([step_x, step_y], axis=-1), nan=0.0, posinf=0.0, neginf=0.0
            )
            guess = guess - step
            if not step.size or float(np.max(np.abs(step))) < 1e-14:
                break
        value, _ = self._distorted_with_jacobian(guess)
        wrong = np.hypot(*(value - flat).T) > 1e-7
        wrong |= np.hypot(guess[:, 0], guess[:, 1]) > self._fold_radius
        guess[wrong | ~np.isfinite(flat).all(axis=1)] = np.nan
        return guess.reshape(target.shape)

    def _radial_guess(self, target: Floats) -> Floats:
        """Invert the radial part by a table of its first branch: a safe start for Newton's method."""
        radius = np.hypot(target[:, 0], target[:, 1])
        largest = float(np.nanmax(radius)) if radius.size and np.isfinite(radius).any() else 1.0
        limit = min(self._fold_radius, max(4.0 * largest, 1.0))
        table = np.linspace(0.0, limit, 513)
        t2 = table**2
        distorted = table * (1.0 + t2 * (self.k1 + t2 * (self.k2 + t2 * self.k3)))
        undistorted = np.interp(radius, distorted, table)
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = np.where(radius > 0, undistorted / radius, 1.0)
        return np.asarray(target * factor[:, None])

    def _distorted_with_jacobian(self, ray: Floats) -> tuple[Floats, Floats]:
        x, y = ray[:, 0], ray[:, 1]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        slope = self.k1 + r2 * (2 * self.k2 + r2 * 3 * self.k3)
        value = np.stack(
            [
                x * radial + 2 * self.p1 * x * y + self.p2 * (r2 + 2 * x * x),
                y * radial + self.p1 * (r2 + 2 * y * y) + 2 * self.p2 * x * y,
            ],
            axis=-1,
        )
        jacobian = np.empty((len(x), 2, 2))
        jacobian[:, 0, 0] = radial + 2 * x * x * slope + 2 * self.p1 * y + 6 * self.p2 * x
        jacobian[:, 0, 1] = 2 * x * y * slope + 2 * self.p1 * x + 2 * self.p2 * y
        jacobian[:, 1, 0] = jacobian[:, 0, 1]
        jacobian[:, 1, 1] = radial + 2 * y * y * slope + 6 * self.p1 * y + 2 * self.p2 * x
        return value, jacobian


def _fold_radius(k1: float, k2: float, k3: float) -> float:
    """Smallest positive radius where the derivative of r (1 + k1 r2 + k2 r4 + k3 r6) is zero."""
    # a term that moves nothing even at the tenfold radius counts as none, since dividing by it overflows
    terms = [
        k if abs(k) * 10.0**power > 1e-12 else 0.0
        for k, power in ((7 * k3, 6), (5 * k2, 4), (3 * k1, 2))
    ]
    roots = np.roots([*terms, 1.0]) if any(terms) else np.array([])
    real = [float(r.real) for r in roots if abs(r.imag) < 1e-9 * max(1.0, abs(r)) and r.real > 0]
    return math.sqrt(min(real)) if real else math.inf


def nominal_camera(width_px: int, height_px: int, *, focal_35mm_mm: float | None = None) -> Camera:
    """A camera without distortion when nothing better is known.

    Parameters
    ----------
    width_px, height_px : int
    focal_35mm_mm : float, optional
        35 mm equivalent focal length of the EXIF (ratio of the diagonals); without it the focal
        length is taken as the longer side of the picture (a field of view near 53 degrees, common
        practice as a starting value).
    """
    focal = float(max(width_px, height_px))
    if focal_35mm_mm is not None and math.isfinite(focal_35mm_mm) and focal_35mm_mm > 0:
        focal = focal_35mm_mm / _FRAME_DIAGONAL_MM * math.hypot(width_px, height_px)
    return Camera(
        width_px=width_px,
        height_px=height_px,
        fx_px=focal,
        fy_px=focal,
        cx_px=(width_px - 1) / 2,
        cy_px=(height_px - 1) / 2,
    )
