"""Which switched parts are on when: the least costly course of all of them at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.shared.kernels import best_course
from homeenergy.cycles.shared.steps import Steps
from homeenergy.cycles.shared.switches import Switches

# How levels differ from what is on, as a share of it (voltage, warming up) and at the least [W].
RELATIVE_LEVEL = 0.04
LEAST_SIGMA_W = 3.0


def decode(steps: Steps, switches: Switches, *, wander_w: float) -> NDArray[np.bool_]:
    """State of each switch in each level, shape (levels, k).

    Parameters
    ----------
    steps : Steps
    switches : Switches
        At most seven.
    wander_w : float
        Standard deviation of levels about the sum of what is on [W].

    Notes
    -----
    Viterbi's algorithm over all 2^k states; at each step at most two switches change. A switch
    costs what its length so far makes it (log-normal), known from the best course into each state;
    level and step cost their distance from what the state explains. O(levels 2^k k²).
    """
    k = len(switches)
    masks = np.arange(1 << k)
    bits = (masks[:, None] >> np.arange(k)) & 1
    sums = bits @ switches.watts
    spread = np.sqrt(bits @ (RELATIVE_LEVEL * switches.watts) ** 2 + wander_w**2 + LEAST_SIGMA_W**2)
    flips = np.array(
        [0] + [1 << a for a in range(k)] + [(1 << a) | (1 << b) for a in range(k) for b in range(a)]
    )
    path = np.empty(steps.first.size, np.int64)
    best_course(
        steps.level_w,
        np.nan_to_num(steps.jump_w),
        steps.start_s,
        steps.length_s,
        steps.new,
        switches.watts,
        switches.spread_w,
        switches.on_s,
        switches.off_s,
        sums,
        spread,
        flips,
        float(np.hypot(LEAST_SIGMA_W, 1.5 * steps.noise_w)),
        path,
    )
    return bits[path].astype(bool)
