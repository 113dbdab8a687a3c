"""Times at which every circuit reads 0, or one number below: no power, or no reading."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.house import House
from homeenergy.trust.concern import Implausible
from homeenergy.trust.log_facts import Facts, aligned_blocks, from_when, instant_of
from homeenergy.units import NS_PER_S, S_PER_H

# All of so many circuits read next to nothing for so long, a few times, and hardly else. Own rules.
NOTHING_OF, NOTHING_W, NOTHING_H, NOTHING_TIMES, NOTHING_SHARE = 3, 0.05, 0.25, 3, 0.01


def all_at_nothing(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Times at which every circuit reads 0, in a house in which something draws nearly always.

    With the mains, or all but them, as where what logs the circuits writes 0 for what it missed.
    """
    del found
    some = [one for one in facts if one.load.start is not None]
    aligned = aligned_blocks(some)
    if aligned is None:
        return []
    blocks_w, low = aligned
    seen, draws = np.isfinite(blocks_w).all(axis=0), np.abs(blocks_w) > NOTHING_W
    # All at -1 to the last digit is a word for no reading.
    draws &= ~((blocks_w == blocks_w[0]).all(axis=0) & (blocks_w[0] < 0))
    mains = np.array([one.circuit.role == "mains" for one in some])
    of_mains, of_loads = draws[mains].any(axis=0), draws[~mains].any(axis=0)
    cut = "If the power was cut, nothing: these hours count in kWh a day. If the logger writes"
    cases = [
        (len(some), of_mains | of_loads, seen, "something draws nearly always", cut),
        (
            int((~mains).sum()),
            of_loads,
            seen & of_mains,
            "one of them draws nearly always, and the mains draw meanwhile",
            "These hours count in kWh a day. If what logs them writes",
        ),
    ]
    out = []
    for count, draw, counts, though, do in cases:
        begin, end = _long_times(counts & ~draw, usual=draw, block_s=some[0].load.block_s)
        if count < NOTHING_OF or not begin.size:
            continue
        hours = (end - begin) * some[0].load.block_s / S_PER_H
        longest = int(np.argmax(hours))
        below = min(float(blocks_w[~mains, int(begin[longest])][0]), 0.0)
        value = f"{round(below, 4) or 0:g}"
        at = instant_of((low + int(begin[longest])) * round(some[0].load.block_s * NS_PER_S))
        often = f", {len(hours)} times, {hours.sum():.3g} h in all" if len(hours) > 1 else ""
        out.append(
            Implausible(
                weight="doubtful",
                circuits=(),
                what=f"all {count} circuits read {value} W for {hours[longest]:.3g} h{often}, "
                f"though {though}",
                where=from_when(house, some[0], at),
                do=f"{do} {value} where it has no reading, take these rows out of the logs.",
            )
        )
    return out


def _long_times(
    nothing: NDArray[np.bool_], *, usual: NDArray[np.bool_], block_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First blocks, and those after the last, of what lasts; none where that is usual."""
    change = np.flatnonzero(np.diff(np.r_[False, nothing, False])).reshape(-1, 2)
    blocks = change[:, 1] - change[:, 0]
    long = blocks * block_s >= NOTHING_H * S_PER_H
    rare = blocks[~long].sum() <= NOTHING_SHARE * np.count_nonzero(usual)
    kept = change[long] if rare and long.sum() <= NOTHING_TIMES else change[:0]
    return kept[:, 0], kept[:, 1]
