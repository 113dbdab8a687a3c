"""What rounding hides in the mean of many readings of a steady draw."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from homeenergy.cycles.rest import Rest
from homeenergy.readings.trace import Trace

MOST_READINGS = 200_000
# Readings of one draw follow each other: more of them are counted as so many.
INDEPENDENT = 300
_CELLS = np.arange(-3, 4)
# No noise at all is as likely beforehand as some, of which all powers of ten up to a step are
# alike; and the draw may stand anywhere.
NO_NOISE = 0.5
_NOISE = np.r_[0.001, np.geomspace(0.02, 1.0, 30)]
_PLACES = np.linspace(-1.0, 1.0, 161)


def rounding_limit_w(pieces: list[Trace], rest: Rest, *, step_w: float) -> float:
    """Limit of an even error as large as that which rounding leaves in the mean at rest [W].

    Parameters
    ----------
    pieces : list of Trace
    rest : Rest
        Where in them the appliance is at rest.
    step_w : float
        Step of the readings [W]; 0 where there is none.

    Notes
    -----
    Without noise, a draw may lie anywhere within half a step of its reading (JCGM 100:2008,
    F.2.2.1); noise makes readings change between neighbours, and their mean then tells the draw
    (Widrow & Kollar 2008, Quantization Noise, from memory). How large the noise is shows in how
    often readings leave the most frequent value, and by how far. So every place of the draw between
    two steps, and every noise up to a step or none, is weighed by how well it fits the readings
    (multinomial likelihood); the error of their mean has a mean square over all of them, and the
    limit is sqrt(3) times its root (4.3.7), half a step at most. O(readings looked at).
    """
    if not step_w:
        return 0.0
    counts = _counts(pieces, rest, step_w)
    if not counts.any():
        return step_w / 2
    chances, errors, prior = _model()
    fit = (counts * min(1.0, INDEPENDENT / counts.sum())) @ np.log(chances) + np.log(prior)
    weight = np.exp(fit - fit.max())
    mean_square = float((weight * errors**2).sum() / weight.sum())
    return step_w * min(0.5, float(np.sqrt(3 * mean_square)))


@cache
def _model() -> tuple[NDArray[np.float64], ...]:
    """Chance of each reading, shape (cells, pairs of place and noise), mean error, and prior."""
    place, noise = (x.ravel() for x in np.meshgrid(_PLACES, _NOISE))
    edges = np.r_[-np.inf, _CELLS[1:] - 0.5, np.inf]
    chances = np.diff(ndtr((edges[:, None] - place) / noise), axis=0)
    prior = np.where(noise == _NOISE[0], NO_NOISE, (1 - NO_NOISE) / (_NOISE.size - 1))
    return np.maximum(chances, 1e-12), _CELLS @ chances - place, prior


def _counts(pieces: list[Trace], rest: Rest, step_w: float) -> NDArray[np.float64]:
    """How many of the readings at rest lie so many steps from the most frequent one.

    Stretches that stand at another level are left out, as are readings further off than noise.
    """
    every = max(1, int((rest.stop - rest.first).sum()) // MOST_READINGS)
    found, origin = [], 0
    for piece in pieces:
        at = np.arange(-origin % every, len(piece), every)
        stretch = np.searchsorted(rest.first, at + origin, side="right") - 1
        inside = (stretch >= 0) & (at + origin < rest.stop[np.maximum(stretch, 0)])
        steps = piece.watts[at[inside]].astype(np.float64) / step_w
        found.append(pd.DataFrame({"stretch": stretch[inside], "steps": steps}))
        origin += len(piece)
    table = pd.concat(found).dropna()
    if not len(table):
        return np.zeros(_CELLS.size)
    usual = table["steps"].round(2).mode().iloc[0]
    level = table.groupby("stretch")["steps"].transform("median")
    off = np.round(table["steps"] - usual)[np.abs(level - usual) < 1.5]
    near = off[np.abs(off) <= _CELLS[-1]].astype(np.int64) - _CELLS[0]
    return np.bincount(near, minlength=_CELLS.size).astype(np.float64)
