"""Clamps that read nothing, and the steps of the mains that no circuit shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from homeenergy.house.clamp_errors import clamp_errors
from homeenergy.house.schedule import Circuit, Supply
from homeenergy.readings.trace import Trace
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import (
    CARRIES,
    ENOUGH,
    REST_W,
    CircuitBalance,
    Steps,
    coinciding,
    find_steps,
    step_lag,
)
from homeenergy.trust.panel.explain import Explanation
from homeenergy.trust.panel.matched import GatheredLog
from homeenergy.trust.panel.told import offset_concern, silent_concern

SILENT_W = 3.0  # a clamp that never reads more reads nothing
STEP_OF_NOISE = 2.5  # times `rounding_noise`: one step of its readings
EQUAL = 0.15  # steps of two legs that differ by less are equal


def silent_concerns(
    loads: Sequence[Circuit],
    log: GatheredLog,
    missed: Sequence[Steps],
    judged: Sequence[CircuitBalance],
    legs: Sequence[str],
    supply: Supply,
) -> list[Concern]:
    """Clamps that read nothing, miss what is on two legs, or read less than nothing at rest."""
    concerns = []
    for circuit, one in zip(loads, judged, strict=True):
        name = circuit.name
        least_w = max(SILENT_W, clamp_errors(circuit, supply).resolution_w / 2)
        rest_w, turned = log.rest_w[name], one.ratio.high < 0  # what is called rest may be use then
        if rest_w < -least_w and not turned and _rises_from(rest_w, log.blocks[name]):
            concerns.append(offset_concern(circuit, rest_w))
        one_step_w = STEP_OF_NOISE * log.rounding_w[name]
        silent = log.most_w[name] <= max(SILENT_W, one_step_w)
        partly = len(circuit.legs) == 2 == len(legs) and len(one.legs_found) == 1
        if not (silent or partly):
            continue
        own = [missed[i] for i, leg in enumerate(legs) if leg in circuit.legs] or missed
        heights = own[0].watts
        on_all = np.ones(heights.size, dtype=bool)
        for other in own[1:]:
            on_all &= np.abs(coinciding(own[0], other) / heights - 1) < EQUAL
        heights = np.abs(heights[on_all])
        heights = heights[heights > REST_W]
        if partly and heights.size < ENOUGH:
            continue
        middle = float(np.median(heights)) * len(own) if heights.size else 0.0
        concerns.append(
            silent_concern(
                circuit,
                steps=heights.size,
                height_w=middle,
                partly=not silent,
                both=len(own) == 2,
                varies=log.varies[name],
            )
        )
    return concerns


def _rises_from(rest_w: float, blocks_w: NDArray[np.float64]) -> bool:
    """Whether readings go up from rest: a clamp that is backwards goes down when it is in use."""
    return bool(np.nanmax(blocks_w) - rest_w > rest_w - np.nanmin(blocks_w))


def missed_steps(
    own_steps: Mapping[str, Steps], mains: Sequence[Trace], found: Explanation
) -> list[Steps]:
    """Steps of each leg that no circuit makes, with what is wrong with the mains corrected."""
    lag = step_lag(mains[0].period_s)
    left = []
    for row, trace in zip(found.inverse, mains, strict=True):
        watts = trace.watts
        if found.mains:
            watts = np.sum(
                [np.float32(by) * t.watts for by, t in zip(row, mains, strict=True)], axis=0
            )
        steps = find_steps(watts, lag=lag)
        made = np.zeros(steps.sample.size, dtype=bool)
        for own in own_steps.values():
            made |= np.abs(coinciding(steps, own)) > CARRIES * np.abs(steps.watts)
        left.append(Steps(sample=steps.sample[~made], watts=steps.watts[~made], lag=steps.lag))
    return left
