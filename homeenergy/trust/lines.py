"""Straight lines through measured points, with the covariance of what is fitted."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """y = offset + slope x, fitted by weighted least squares.

    `slope_u`, `offset_u` are standard uncertainties, `covariance` is that of offset and slope.
    Through the origin, offset, its uncertainty and the covariance are 0.
    """

    slope: float
    slope_u: float
    offset: float
    offset_u: float
    covariance: float
    residual_sd: float
    degrees_of_freedom: int

    @property
    def correlation(self) -> float:
        """Correlation of offset and slope."""
        product = self.slope_u * self.offset_u
        return self.covariance / product if product else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x, and its standard uncertainty with the covariance in it."""
        variance = self.offset_u**2 + (x * self.slope_u) ** 2 + 2 * x * self.covariance
        return self.offset + self.slope * x, sqrt(max(variance, 0.0))


def line_through_origin(x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None) -> Line:
    """Fit y = slope x.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    weights : array_like, shape (n,), optional
        In proportion to 1 / variance of y; only their ratios count. Default: all equal.

    Raises
    ------
    ValueError
        If there are fewer than two points, or no x differs from 0.

    References
    ----------
    Degrees of freedom are n - 1. Checked against NIST StRD NoInt1 and NoInt2.
    """
    x_, y_, w = _points(x, y, weights, least=2)
    xx = float((w * x_ * x_).sum())
    if xx == 0:
        raise ValueError("all x are 0: no line through the origin can be told")
    slope = float((w * x_ * y_).sum()) / xx
    dof = x_.size - 1
    residual_sd = sqrt(float((w * (y_ - slope * x_) ** 2).sum()) / dof)
    return Line(
        slope=slope,
        slope_u=residual_sd / sqrt(xx),
        offset=0.0,
        offset_u=0.0,
        covariance=0.0,
        residual_sd=residual_sd,
        degrees_of_freedom=dof,
    )


def straight_line(
    x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None, known: bool = False
) -> Line:
    """Fit y = offset + slope x.

    Parameters
    ----------
    x, y, weights
        As in `line_through_origin`.
    known : bool
        Whether weights are 1 / variance of y itself: uncertainties then come from them, and not
        from the scatter.

    Raises
    ------
    ValueError
        If there are fewer than three points, or all x are the same.

    References
    ----------
    JCGM 100:2008, H.3, whose example is a test of this function.
    """
    x_, y_, w = _points(x, y, weights, least=3)
    total = float(w.sum())
    centre = float((w * x_).sum()) / total
    about = x_ - centre
    xx = float((w * about * about).sum())
    if xx == 0:
        raise ValueError("all x are the same: slope and offset cannot be told apart")
    slope = float((w * about * y_).sum()) / xx
    offset = float((w * y_).sum()) / total - slope * centre
    dof = x_.size - 2
    residual_sd = sqrt(float((w * (y_ - offset - slope * x_) ** 2).sum()) / dof)
    spread = 1.0 if known else residual_sd
    slope_u = spread / sqrt(xx)
    return Line(
        slope=slope,
        slope_u=slope_u,
        offset=offset,
        offset_u=spread * sqrt(1 / total + centre**2 / xx),
        covariance=-centre * slope_u**2,
        residual_sd=residual_sd,
        degrees_of_freedom=dof,
    )


def _points(
    x: ArrayLike, y: ArrayLike, weights: ArrayLike | None, *, least: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    x_, y_ = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    w = np.ones(x_.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    if x_.ndim != 1 or x_.shape != y_.shape or w.shape != x_.shape:
        raise ValueError(f"x, y and weights must be as long, got {x_.shape}, {y_.shape}, {w.shape}")
    if x_.size < least:
        raise ValueError(f"a line needs {least} points or more here, got {x_.size}")
    if not (np.isfinite(x_).all() and np.isfinite(y_).all() and (w > 0).all()):
        raise ValueError("x and y must be finite and weights positive")
    return x_, y_, w
