"""What a clamp-on current transformer and its logger make of the true power."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homeenergy.simulate.shapes import Watts


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

    Ratio within about 2 % and offset and noise in proportion to its rating are from memory of
    data sheets of small split-core transformers, no source.
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
