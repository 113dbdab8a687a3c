"""Minutes or hours in which the readings of a circuit are in another unit than the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from homeenergy.readings.house import House
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.log_facts import Facts, from_when, instant_of
from homeenergy.words import two_digits

FACTORS = {1000.0: "kW for W", 60.0: "minutes for hours", 3600.0: "seconds for hours"}
# Ten minutes of so many steps, of which there are so many; the step that a share of them have, or
# one to three of it; how far the load's height may be off the factor; different readings an hour.
WINDOW_STEPS, FEW_WINDOWS, DIGIT_SHARE, SAME_STEP, MOST_STEPS = 5, 10, 0.1, 0.02, 3
HIGH_TIMES, DIFFERENT = 16.0, 5


def minutes_in_another_unit(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits that are in another unit for a while, unless what is wrong is known already."""
    out_already = set(held_out(found))
    asked = [one for one in facts if one.circuit.name not in out_already]
    return [one for one in (_in_another_unit(house, facts) for facts in asked) if one is not None]


def _in_another_unit(house: House, facts: Facts) -> Implausible | None:
    """Times whose readings go in steps of 1000, 60 or 3600 times the log's own, and as high.

    A log is printed with so many digits. Where a unit is changed, so is the step of its readings,
    and it is so by that factor to the last digit.
    """
    windows = facts.windows
    asked = (windows.steps >= WINDOW_STEPS) & np.isfinite(windows.high_w)
    if asked.sum() < FEW_WINDOWS:
        return None
    steps_w, high_w = windows.step_w, windows.high_w
    own_w = float(np.quantile(steps_w[asked], DIGIT_SHARE, method="lower"))
    if np.mean(np.abs(steps_w[asked] / own_w - 1) <= SAME_STEP) < DIGIT_SHARE:
        return None  # it is not printed with so many digits
    for factor, words in FACTORS.items():
        for times in (factor, 1 / factor):
            ratio = np.divide(steps_w, own_w * times, out=np.zeros(asked.size), where=asked)
            whole = np.clip(np.round(ratio), 1, MOST_STEPS)
            near = asked & (np.abs(ratio - whole) <= SAME_STEP * whole) & (high_w > 0)
            beside = np.convolve(near, np.ones(3), mode="same") > 0  # it may begin or end in these
            others_w = float(np.nanmax(np.where(beside, np.nan, high_w), initial=0.0))
            far = high_w / max(others_w, own_w)
            near &= far >= factor / HIGH_TIMES if times > 1 else far <= HIGH_TIMES / factor
            if not near.any() or 2 * near.sum() > asked.sum():
                continue
            at = instant_of(int(windows.start_ns[int(np.argmax(near))]))
            some = house.trace(facts.circuit, at, at + pd.Timedelta(hours=1)).watts
            if np.unique(some[np.isfinite(some)]).size < DIFFERENT:
                continue
            return Implausible(
                weight="wrong",
                circuits=(facts.circuit.name,),
                what=f"for {10 * int(near.sum())} min its readings go in steps of "
                f"{two_digits(float(steps_w[near].min()))} W and reach "
                f"{two_digits(float(high_w[near].max()))} W, else in steps of {two_digits(own_w)} "
                f"W up to {two_digits(others_w)} W, as where a unit is changed ({words})",
                where=from_when(house, facts, at),
                too_much=times > 1,
                do="Correct these readings in the log, or give them a [[log]] of their own in "
                "house.toml with their unit.",
            )
    return None
