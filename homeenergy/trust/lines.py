"""Straight lines through the origin, fitted to measured points."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """y = slope x, fitted by least squares; `slope_u` is the standard uncertainty."""

    slope: float
    slope_u: float
    residual_sd: float
    degrees_of_freedom: int


def line_through_origin(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit y = slope x.

    Parameters
    ----------
    x, y : array_like, shape (n,)

    Raises
    ------
    ValueError
        If there are fewer than two points, or no x differs from 0.

    References
    ----------
    Degrees of freedom are n - 1. Checked against NIST StRD NoInt1 and NoInt2.
    """
    x_, y_ = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x_.ndim != 1 or x_.shape != y_.shape:
        raise ValueError(f"x and y must be as long, got {x_.shape}, {y_.shape}")
    if x_.size < 2:
        raise ValueError(f"a line needs 2 points or more here, got {x_.size}")
    if not (np.isfinite(x_).all() and np.isfinite(y_).all()):
        raise ValueError("x and y must be finite")
    xx = float((x_ * x_).sum())
    if xx == 0:
        raise ValueError("all x are 0: no line through the origin can be told")
    slope = float((x_ * y_).sum()) / xx
    dof = x_.size - 1
    residual_sd = sqrt(float(((y_ - slope * x_) ** 2).sum()) / dof)
    return Line(
        slope=slope,
        slope_u=residual_sd / sqrt(xx),
        residual_sd=residual_sd,
        degrees_of_freedom=dof,
    )
