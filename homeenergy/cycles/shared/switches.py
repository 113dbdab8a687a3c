"""Switched parts of loads: draws that come and go by about the same watts for about as long."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.shared.kernels import match_steps
from homeenergy.cycles.shared.steps import Steps

MOST_SWITCHES = 7
# How far up and down steps of one draw differ, and draws of one switch from each other [ln].
SAME_STEP, SAME_WATTS, SAME_LENGTH = 0.12, 0.12, 1.2
# A switch bears at least this share of all, in square roots of energy.
LEAST_WORTH = 0.01
LEAST_SPREAD = 0.03  # of the watts of one switch, from one time to another: voltage
LEAST_ON, LEAST_OFF = 0.4, 0.8  # standard deviations of lengths and breaks [ln]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Switches:
    """What each switched part draws [W], how that spreads, and for how long it is on and off.

    `on_s` and `off_s` hold means and standard deviations of the logarithm of seconds, shape (2, k).
    """

    watts: NDArray[np.float64]
    spread_w: NDArray[np.float64]
    on_s: NDArray[np.float64]
    off_s: NDArray[np.float64]

    def __len__(self) -> int:
        return self.watts.size


def lengths_of(
    start_s: NDArray[np.floating], stop_s: NDArray[np.floating]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Mean and standard deviation of the logarithm of lengths, and of breaks."""
    order = np.argsort(start_s)
    length = np.log(np.maximum(stop_s - start_s, 1.0))
    pause = np.log(np.maximum(start_s[order][1:] - stop_s[order][:-1], 10.0))
    on = float(np.median(length)), max(float(length.std()), LEAST_ON)
    if not pause.size:
        return on, (float(np.log(86_400.0)), 2.0)
    return on, (float(np.median(pause)), max(float(pause.std()), LEAST_OFF))


def find_switches(steps: Steps, *, most: int = MOST_SWITCHES) -> Switches:
    """Modes of rectangles in the plane of log watts and log seconds, those that bear most first.

    Own method. O(r log r + r n) for r rectangles of which n are near each.
    """
    watts, start_s, stop_s = rectangles(steps)
    length_s = np.maximum(stop_s - start_s, 1.0)
    at = np.c_[np.log(watts) / SAME_WATTS, np.log(length_s) / SAME_LENGTH]
    worth = np.sqrt(watts * length_s)
    left = np.ones(watts.size, bool)
    rows: list[tuple[float, ...]] = []
    while left.any() and len(rows) < most:
        here = np.flatnonzero(left)
        near = _worth_nearby(at[here], worth[here])
        if near.max() < LEAST_WORTH * worth.sum():
            break
        centre = at[here[near.argmax()]]
        of = left & (np.abs(at - centre) < 1).all(axis=1)
        for _ in range(2):
            centre = np.array([np.median(at[of, 0]), centre[1]])
            of = left & (np.abs(at - centre) < 1).all(axis=1)
        if not of.any():
            break
        middle = float(np.median(watts[of]))
        width = float(np.median(np.abs(watts[of] - middle))) / 0.67
        on, off = lengths_of(start_s[of], stop_s[of])
        rows.append((middle, max(width, LEAST_SPREAD * middle), *on, *off))
        # What is as strong, and not so much longer or shorter, is the same switch.
        left &= ~of & ~(np.abs(at - centre) < (0.5, 2)).all(axis=1)
    table = np.array(rows).reshape(-1, 6)
    return Switches(
        watts=table[:, 0].copy(),
        spread_w=table[:, 1].copy(),
        on_s=table[:, 2:4].T.copy(),
        off_s=table[:, 4:].T.copy(),
    )


def _worth_nearby(at: NDArray[np.float64], worth: NDArray[np.float64]) -> NDArray[np.float64]:
    """What all points within one unit of each are worth together."""
    order = np.argsort(at[:, 0])
    sorted_at = at[order]
    low = np.searchsorted(sorted_at[:, 0], at[:, 0] - 1)
    high = np.searchsorted(sorted_at[:, 0], at[:, 0] + 1)
    return np.array(
        [
            worth[order[a:b]][np.abs(sorted_at[a:b, 1] - at[i, 1]) < 1].sum()
            for i, (a, b) in enumerate(zip(low, high, strict=True))
        ]
    )


def rectangles(
    steps: Steps,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Watts, start and end [s] of draws: a step up, and the first step down that undoes it.

    Between the two the level never falls below what the draw alone would leave, for no load gives
    power back.
    """
    jump = np.nan_to_num(steps.jump_w, nan=0.0)
    used = np.zeros(jump.size, bool)
    found = [np.empty((0, 3))]
    for tolerance, drifts in (
        (SAME_STEP / 2, False),
        (SAME_STEP, False),
        (2 * SAME_STEP, False),
        (SAME_STEP, True),
    ):
        rows = np.empty((jump.size, 3))
        room_w = 2 * steps.noise_w
        made = match_steps(
            steps.level_w, jump, steps.start_s, steps.new, used, tolerance, room_w, drifts, rows
        )
        found.append(rows[:made].copy())
    every = np.concatenate(found)
    return every[:, 0], every[:, 1], every[:, 2]
