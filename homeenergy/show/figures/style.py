"""How figures look: colours everybody can distinguish, and never colour alone."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace
from homeenergy.show.figures.alternative import give_words

# Okabe & Ito (2008), "Color universal design". Yellow is left out: too pale for a line on white.
BLACK, BLUE, VERMILION, GREEN = "#000000", "#0072B2", "#D55E00", "#009E73"
PURPLE, ORANGE, SKY = "#CC79A7", "#E69F00", "#56B4E9"
GREY = "#666666"


class Look(NamedTuple):
    """Colour, dash, marker and hatch that belong together."""

    colour: str
    dash: str | tuple[float, tuple[float, ...]]
    marker: str
    hatch: str


LOOKS = (
    Look(BLUE, "solid", "o", "///"),
    Look(VERMILION, (0, (6, 2)), "s", "..."),
    Look(GREEN, (0, (2, 1.2)), "^", "xx"),
    Look(PURPLE, (0, (6, 2, 1.5, 2)), "D", "\\\\\\"),
    Look(ORANGE, (0, (9, 2)), "v", "++"),
    Look(BLACK, (0, (1, 1)), "P", "oo"),
    Look(SKY, (0, (4, 1, 1, 1, 1, 1)), "X", "--"),
)


def axes_for(ax: Axes | None, size_in: tuple[float, float]) -> Axes:
    """Give the axes itself, or new ones on a figure of `size_in` inches."""
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots(figsize=size_in, layout="constrained")
    ax.spines[["top", "right"]].set_visible(False)
    ax.set_axisbelow(True)
    give_words(ax)
    return ax


def write_beside(ax: Axes, at: float, text: str, *, weight: str = "normal") -> None:
    """Write a note at the right of the axes, at the height `at` of the data."""
    ax.annotate(
        text,
        (1.0, at),
        xycoords=("axes fraction", "data"),
        xytext=(8, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
        weight=weight,
        annotation_clip=False,
    )


POINTS = 6000  # four for each pixel of a wide figure


def reduce_steps(
    trace: Trace, *, points: int = POINTS
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Corners of the step curve of a trace, least and greatest kept in every short stretch.

    Parameters
    ----------
    trace : Trace
    points : int
        About how many corners to return. A gap longer than one of `points` equal parts of the
        trace stays a gap; a shorter one could not be seen.

    Returns
    -------
    instants_ns : numpy.ndarray, shape (m,), int64
        UTC, nanoseconds since 1970; each value holds until the next instant.
    watts : numpy.ndarray, shape (m,), float32
        NaN ends each piece.

    Notes
    -----
    O(n). Pieces are cut at the gaps first, because a least-and-greatest search over missing
    samples may pick one. m is at most `points` plus a few for each piece.
    """
    there = np.flatnonzero(~np.isnan(trace.watts))
    if not there.size:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float32)
    shortest_hole = max(1, len(trace) // max(points, 1))
    cuts = np.flatnonzero(np.diff(there) > shortest_hole) + 1
    indices, watts = [], []
    for piece in np.split(there, cuts):
        values = np.ascontiguousarray(trace.watts[piece])
        share = max(4, int(points * piece.size / there.size) // 2 * 2)
        kept = _least_and_greatest(values, share)
        indices += [piece[kept], piece[-1:] + 1]
        watts += [values[kept], np.full(1, np.nan, dtype=np.float32)]
    index = np.concatenate(indices)
    return trace.start.value + index * trace.period_ns, np.concatenate(watts)


def _least_and_greatest(values: NDArray[np.float32], points: int) -> NDArray[np.int64]:
    if values.size <= 2 * points:
        return np.arange(values.size)
    from tsdownsample import MinMaxDownsampler

    # The indices come as uint64; adding a signed integer to those gives floats.
    picked = MinMaxDownsampler().downsample(values, n_out=points).astype(np.int64)
    return np.unique(np.r_[0, picked, values.size - 1])
