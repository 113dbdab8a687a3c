"""Straight lines through the origin, fitted to measured points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from homeenergy.stats.coverage import NORMAL, half_width, normal_and_rectangular


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
        raise ValueError("all x are 0: no line through the origin can be fitted")
    slope = float((x_ * y_).sum()) / xx
    dof = x_.size - 1
    residual_sd = sqrt(float(((y_ - slope * x_) ** 2).sum()) / dof)
    return Line(
        slope=slope,
        slope_u=residual_sd / sqrt(xx),
        residual_sd=residual_sd,
        degrees_of_freedom=dof,
    )


Values = NDArray[np.float64]
_SCATTERS = 61  # points of the grid of scatters
_OFFSETS = 41  # and of offsets at each
_REACH = 6.0  # standard deviations of an offset on either side
_NEGLIGIBLE = 1e-6  # of the greatest density


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinePosterior:
    """y = offset + slope x, as known from pairs: a mixture of normal distributions.

    Attributes
    ----------
    share, offset, width, slope, slope_u : ndarray, shape (m,)
        Of each offset at each scatter: its probability, how wide a cell it stands for, and the
        slope's mean and standard deviation there.
    scatter : float
        The likeliest, times the scale of each pair.
    mean : ndarray, shape (2,)
        Of offset and slope, at that scatter.
    covariance : ndarray, shape (2, 2)
        Likewise.
    """

    share: Values
    offset: Values
    width: Values
    slope: Values
    slope_u: Values
    scatter: float
    mean: Values
    covariance: Values

    def half(
        self,
        about: float,
        *,
        offset: float = 0.0,
        slope: float = 0.0,
        rectangular: float = 0.0,
        normal_u: float = 0.0,
    ) -> float:
        """Half-width about a value that holds `offset` x offset + `slope` x slope at 95 %.

        Two more errors may be added: a rectangular one within `rectangular`, and a normal one with
        the standard uncertainty `normal_u`.
        """
        middle = offset * self.offset + slope * self.slope - about
        # A cell of offsets is taken for its standard deviation.
        u = np.hypot(slope * self.slope_u, abs(offset) * self.width / np.sqrt(12))
        u = np.maximum(np.hypot(u, normal_u), 1e-12 * np.abs(middle).max() + 1e-300)

        def inside(half: float) -> float:
            up = normal_and_rectangular(half - middle, u=u, limit=rectangular)
            down = normal_and_rectangular(-half - middle, u=u, limit=rectangular)
            return float(self.share @ (up - down))

        most = rectangular + float(np.abs(middle).max() + NORMAL * 3 * u.max())
        return half_width(inside, most=most)

    def below(self, offset: float) -> float:
        """Probability that the offset is below this."""
        return float(self.share[self.offset < offset].sum())

    def squares(self, *, offset: float, slope: float) -> Values:
        """Mean products of offset and slope about values, at the likeliest scatter."""
        deviation = self.mean - [offset, slope]
        found: Values = self.covariance + np.outer(deviation, deviation)
        return found


def line_posterior(
    x: ArrayLike,
    y: ArrayLike,
    *,
    known_u: ArrayLike,
    scale: ArrayLike,
    low: float = -inf,
    high: float = inf,
) -> LinePosterior:
    """Find what pairs tell of offset and slope.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    known_u : array_like, shape (n,)
        Standard uncertainty of each y that is known, its rounding for one [unit of y].
    scale : array_like, shape (n,)
        Each y scatters beyond that in proportion to it; how much is found from the pairs.
    low, high : float
        Between these the offset is uniform before the pairs are seen; infinite limits leave it to
        the pairs, and 0 for both means that there is none.

    Returns
    -------
    LinePosterior

    Raises
    ------
    ValueError
        If the pairs are too few to estimate their scatter: two are needed, three without limits
        of the offset, and then not all at one x.

    Notes
    -----
    Bayes' rule (JCGM 101:2008, 6.2) with even priors for slope and offset, and Jeffreys' for the
    scatter, the square root of its Fisher information with slope and offset held fixed (Tibshirani
    1989; Bodnar, Link & Elster 2016). Where nothing else than the scatter is known that prior is
    1 / scatter, and slope and offset have Student's t distribution as in regression. Where rounding
    hides the scatter, it does not count as none.
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import logsumexp

    x_, y_ = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    scale_ = np.broadcast_to(np.asarray(scale, dtype=np.float64), x_.shape)
    known = np.maximum(np.broadcast_to(known_u, x_.shape), 1e-9 * scale_)
    free = low == -inf
    if x_.size < 2 + free or (free and np.ptp(x_) == 0):
        raise ValueError(
            f"{x_.size} pairs are too few for a line{' with an offset' if free else ''}"
        )
    cells = partial(_cells, x=x_, y=y_, known=known, scale=scale_, low=low, high=high)
    hidden = known / scale_
    widest = max(float(np.abs(y_).max() / scale_.min()), float(hidden.max()))
    coarse = np.linspace(np.log(1e-3 * hidden.min()), np.log(1e4 * widest), 4 * _SCATTERS)
    density = cells(coarse)[0].max(axis=1)
    near = np.flatnonzero(density > density.max() + np.log(_NEGLIGIBLE))
    step = coarse[1] - coarse[0]
    fine = np.linspace(coarse[near[0]] - step, coarse[near[-1]] + step, _SCATTERS)
    log, offset, slope, slope_u = cells(fine)
    share = np.exp(log - log.max())
    share /= share.sum()
    mode = int(share.sum(axis=1).argmax())
    likeliest = minimize_scalar(
        lambda at: -float(logsumexp(cells(np.array([at]))[0])),
        bounds=(fine[max(mode - 1, 0)], fine[min(mode + 1, fine.size - 1)]),
        method="bounded",
        options={"xatol": 1e-9},
    ).x
    mean, covariance = _moments(*cells(np.array([likeliest])))
    return LinePosterior(
        share=share.ravel(),
        offset=offset.ravel(),
        width=np.repeat(np.ptp(offset, axis=1) / max(offset.shape[1] - 1, 1), offset.shape[1]),
        slope=slope.ravel(),
        slope_u=np.repeat(slope_u, offset.shape[1]),
        scatter=float(np.exp(likeliest)),
        mean=mean,
        covariance=covariance,
    )


def _moments(log: Values, offset: Values, slope: Values, slope_u: Values) -> tuple[Values, Values]:
    """Mean and covariance of offset and slope at one scatter."""
    share = np.exp(log[0] - log.max())
    share /= share.sum()
    both = np.array([offset[0], slope[0]])
    mean = both @ share
    deviation = both - mean[:, None]
    covariance = (share * deviation) @ deviation.T
    covariance[1, 1] += slope_u[0] ** 2
    return mean, covariance


def _cells(
    log_scatter: Values,
    *,
    x: Values,
    y: Values,
    known: Values,
    scale: Values,
    low: float,
    high: float,
) -> tuple[Values, Values, Values, Values]:
    """Logarithm of each cell's probability, its offset and slope, by scatter and offset.

    The slope's standard deviation is by scatter alone.
    """
    scattered = (np.exp(log_scatter)[:, None] * scale) ** 2
    w = 1 / (known**2 + scattered)
    xx = (w * x * x).sum(axis=1)
    slope_0 = (w * x * y).sum(axis=1) / xx
    lean = (w * x).sum(axis=1) / xx  # of the slope per unit of offset
    aside = 1 - lean[:, None] * x
    precision = (w * aside**2).sum(axis=1)
    residual = y - slope_0[:, None] * x
    tells = precision > 1e-12 * w.sum(axis=1)
    u = np.where(tells, precision, 1.0) ** -0.5
    best = np.where(tells, (w * residual).sum(axis=1) * u**2, 0.0)
    u = np.where(tells, u, 1e9 * np.abs(y).max())
    ends = np.clip([best - _REACH * u, best + _REACH * u], low, high)
    away = ends[0] == ends[1]
    ends[:, away] = [[low], [high]]
    offset = (
        ends[0][:, None]
        + np.linspace(0, 1, _OFFSETS if low < high else 1) * np.ptp(ends, axis=0)[:, None]
    )
    least = (w * (residual - best[:, None] * aside) ** 2).sum(axis=1)
    prior = 0.5 * np.log(((scattered * w) ** 2).sum(axis=1))
    log = (prior + 0.5 * np.log(w).sum(axis=1) - 0.5 * np.log(xx) - 0.5 * least)[:, None]
    log = log - 0.5 * ((offset - best[:, None]) / u[:, None]) ** 2
    if low < high:
        log = log + np.log(np.ptp(ends, axis=0))[:, None]
        log[:, [0, -1]] -= np.log(2)
    slope = slope_0[:, None] - lean[:, None] * offset
    return log, offset, slope, xx**-0.5
