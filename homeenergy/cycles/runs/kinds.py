"""Kinds: how an appliance behaves, inferred from its plateaus and runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.runs.bridging import SHORT_S, Fragments, groups
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.units import S_PER_DAY

# A machine with a heater and a motor has working levels this far apart; an element, a lamp or a
# compressor has not.
MIXED_RATIO = 4.0
# Compressors driven by an inverter draw at least this; what wanders below it is electronics.
LEAST_INVERTER_W = 200.0
LEAST_HEATER_W = 400.0
# Nothing at rest draws more than this; what does, and rises by no more than a motor does from half
# speed (a fan takes an eighth there, and its losses) for long and steadily, runs at two speeds.
MOST_STANDBY_W, MOST_RISE, MOST_SPREAD_OF_SPEED = 18.0, 3.5, 1.5
# A drum that turns to and fro goes on and off so often within minutes.
MANY_BEATS = 20


def _working_levels(
    plateaus: Plateaus, fragments: Fragments, *, idle_w: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Levels above idle [W], and samples, of all plateaus inside fragments."""
    inside = np.zeros(len(plateaus) + 1, np.int64)
    inside[fragments.first_plateau] += 1
    inside[fragments.stop_plateau] -= 1
    working = np.cumsum(inside)[:-1] > 0
    return plateaus.mean_w[working] - idle_w, plateaus.n[working]


def infer_kind(plateaus: Plateaus, fragments: Fragments, *, idle_w: float) -> tuple[str, float]:
    """Kind of an appliance and a score of how plain that is (0 to 1, no probability).

    Never at rest, or nothing that stands out, or one steady speed above another: continuous.
    Working levels far apart that change often within a long run: batch. Levels that wander over
    long runs: modulating. Many alike runs through day and night: thermostatic. Else a person
    switches it. Own rules.
    """
    if not len(plateaus):
        return "continuous", 0.0
    covered_s = float(plateaus.n.sum()) * plateaus.period_s
    pieces = groups(fragments.pause_s <= SHORT_S)
    if not len(fragments) or not fragments.works.any():
        return "continuous", 0.9
    begin, end = pieces.T
    first = fragments.first[begin]
    lasts_s = (fragments.stop[end - 1] - first) * plateaus.period_s
    share = float(lasts_s.sum()) / covered_s
    excess, n = _working_levels(plateaus, fragments, idle_w=idle_w)
    low, middle, high = (weighted_quantile(excess, n, q * n.sum()) for q in (0.1, 0.5, 0.92))
    spread = float(high / low)
    large = _bearing(np.add.reduceat(fragments.excess_wh, begin))
    steps = fragments.stop_plateau[end - 1] - fragments.first_plateau[begin]
    long_s = float(np.median(lasts_s[large]))
    longest = int(np.argmax(lasts_s))
    beats = end[longest] - begin[longest]
    if lasts_s[longest] >= 600 and beats >= MANY_BEATS:
        return "batch", 0.7
    if middle >= LEAST_INVERTER_W and long_s > 1800 and not _few_levels(excess, n):
        return "modulating", float(np.clip(0.3 + 0.15 * spread, 0.5, 0.9))
    heats = spread >= MIXED_RATIO and high >= LEAST_HEATER_W
    if long_s >= 600 and (
        (spread >= MIXED_RATIO and np.median(steps[large]) >= 6) or (heats and long_s > 1800)
    ):
        return "batch", float(np.clip(0.4 + 0.05 * spread, 0.5, 0.95))
    if share > 0.98:
        return "continuous", 0.6
    by_itself = _by_itself(first * plateaus.period_s, lasts_s, covered_s=covered_s)
    if by_itself > 0.6 and spread < 3:
        return "thermostatic", by_itself
    steady = spread < MOST_SPREAD_OF_SPEED and _few_levels(excess, n)
    if idle_w > MOST_STANDBY_W and high <= MOST_RISE * idle_w and steady and long_s >= 600:
        return "continuous", 0.5
    return "manual", float(np.clip(1 - by_itself, 0.4, 0.9))


def _by_itself(
    first_s: NDArray[np.floating], lasts_s: NDArray[np.floating], *, covered_s: float
) -> float:
    """How much the runs look as if nobody started them, 0 to 1.

    They come at even distances, or alike in length at nearly every hour of the day.
    """
    if first_s.size * S_PER_DAY < 4 * covered_s or first_s.size < 4:
        return 0.0
    every_s = np.diff(first_s)
    even = 1.1 - 0.8 * float(np.std(every_s) / np.mean(every_s))
    hours = np.unique((first_s % S_PER_DAY) // 3600).size / 24
    alike = 1 - float(np.std(lasts_s) / np.mean(lasts_s))
    return float(np.clip(max(even, min(hours, alike + 0.2)), 0.0, 0.99))


def _bearing(worth: NDArray[np.float64]) -> NDArray[np.bool_]:
    """The largest pieces, which together bear most of the energy."""
    order = np.argsort(-worth)
    needed = int(np.searchsorted(np.cumsum(worth[order]), 0.8 * worth.sum())) + 1
    bearing = np.zeros(worth.size, bool)
    bearing[order[:needed]] = True
    return bearing


def _few_levels(excess: NDArray[np.float64], n: NDArray[np.int64]) -> bool:
    """Whether most of the working time is spent near few levels (bins of 7 %)."""
    bins = np.round(np.log(np.maximum(excess, 1e-9)) / 0.07).astype(np.int64)
    held = np.bincount(bins - bins.min(), weights=n)
    return bool(np.sort(held)[-4:].sum() > 0.75 * held.sum())
