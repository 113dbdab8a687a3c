"""What a logger does to a stream of rows: gaps, repeats, rows out of order, lone spikes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.simulate.appliances.circuit import Watts


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampFaults:
    """How one clamp reads wrongly.

    Attributes
    ----------
    ratio : float
        Reading over truth; 1.02 reads 2 % high.
    offset_w, noise_w : float
        Constant and random error of a logged sample [W].
    step_w : float
        Step of the logged numbers [W].
    clip_w : float
        Largest power that can be read [W].
    backwards : bool
        Whether the clamp sits on its conductor the wrong way round.
    """

    ratio: float = 1.0
    offset_w: float = 0.0
    noise_w: float = 0.0
    step_w: float = 1.0
    clip_w: float = float("inf")
    backwards: bool = False


def read_clamp(true_w: Watts, faults: ClampFaults, *, rng: np.random.Generator) -> Watts:
    """Give what a clamp reads [W], in whole steps, for the power through it."""
    reading = true_w * faults.ratio + faults.offset_w
    if faults.noise_w > 0:
        reading = reading + rng.normal(0.0, faults.noise_w, true_w.size)
    if faults.backwards:
        reading = -reading
    reading = np.clip(reading, -faults.clip_w, faults.clip_w)
    # Adding 0 turns a negative zero into zero.
    return np.asarray(np.round(reading / faults.step_w) * faults.step_w + 0.0)


def draw_faults(
    rng: np.random.Generator,
    *,
    rating_a: float,
    volts_v: float,
    step_w: float = 1.0,
    backwards: bool = False,
) -> ClampFaults:
    """Draw an ordinary clamp.

    Ratio within about 2 % and offset and noise in proportion to its rating are own assumptions for
    small split-core transformers.
    """
    full_w = rating_a * volts_v
    return ClampFaults(
        ratio=round(float(rng.normal(1.0, 0.009)), 4),
        offset_w=round(float(rng.normal(0.0, 4e-5 * full_w)), 2),
        noise_w=round(float(rng.uniform(1.5e-5, 4e-5) * full_w), 2),
        step_w=step_w,
        clip_w=full_w * 1.2,
        backwards=backwards,
    )


def written_rows(
    n: int,
    gaps: Sequence[tuple[int, int]],
    *,
    dropped: int,
    repeated: int,
    late: int,
    keep_order: tuple[int, int],
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Which sample each row of the log holds, in the order in which the rows were written.

    Parameters
    ----------
    n : int
        Number of samples.
    gaps : sequence of (int, int)
        Samples [first, stop) that were never written.
    dropped, repeated, late : int
        How many single rows are missing, written twice, or written after their successor.
    keep_order : (int, int)
        Samples [first, stop) among which no row is late or repeated.
    rng : numpy.random.Generator
        Source of the accidents.
    """
    keep = np.ones(n, dtype=bool)
    for first, stop in gaps:
        keep[first:stop] = False
    keep[rng.choice(n, dropped, replace=False)] = False
    rows = np.flatnonzero(keep).astype(np.int64)

    def strict(sample: int) -> bool:
        return keep_order[0] - 5 <= sample < keep_order[1] + 5

    for at in rng.choice(rows.size - 1, late, replace=False):
        if not strict(rows[at]):
            rows[at : at + 2] = rows[at : at + 2][::-1].copy()
    twice = [at for at in rng.choice(rows.size, repeated, replace=False) if not strict(rows[at])]
    twice_at = np.sort(np.array(twice, dtype=np.int64))
    return np.insert(rows, twice_at + 1, rows[twice_at])


def add_spikes(
    reading_w: Watts, *, count: int, largest_w: float, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Put lone wrong samples into readings, in place; returns which."""
    where = np.sort(rng.choice(reading_w.size, count, replace=False))
    reading_w[where] = np.round(rng.uniform(0.3, 1.0, count) * largest_w)
    return np.asarray(where, dtype=np.int64)
