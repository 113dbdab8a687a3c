"""An invented appliance as a logger wrote it down: rest, off at the wall, and the logger's faults.

`randomised_log(seed=..., style=...)` draws all of it, and gives what was written together with what
was true. Seeds from 1 to 33,000 are for developing and for the tests; those from 33,001 on are for
published tables only, and nobody looks at single logs of theirs.
"""

from __future__ import annotations

from dataclasses import dataclass
from zlib import crc32

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.simulate.appliances.circuit import Watts, between, seconds
from homeenergy.simulate.randomised.uses import (
    DAY_S,
    HOUR_S,
    STYLES,
    Sketch,
    chance,
    log_seconds,
    log_uniform,
)
from homeenergy.units import NS_PER_S

START = pd.Timestamp("2026-03-02", tz="UTC")
# Rest stays below this share of the least working power, or nobody could tell them from each other.
MOST_REST = 0.25
# A sample is held no longer [s]: what a longer hole hides of a run, no log can give back.
HOLD_S = 30
# A hole at an end of a run, or between two, that hides more than this share of it.
HIDDEN_SHARE, HIDDEN_S = 0.2, 60
# In a longer hole inside a use it may have been off and on again.
LONGEST_HIDDEN_S = HOUR_S
# What draws more at rest and is off at the wall now and then may be in use whenever it has power.
MOST_STANDBY_W = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomisedLog:
    """One invented appliance with known truth.

    Attributes
    ----------
    style : str
        A name in `homeenergy.simulate.randomised.uses.STYLES`.
    seed : int
    rows : pandas.Series of float64
        What the logger wrote [W], by its own stamps (UTC), in the order of writing.
    true_w : numpy.ndarray, shape (n,)
        True power at 1 s [W].
    runs : pandas.DataFrame
        One row a run: start, end (UTC, half-open), energy_wh (all that was drawn), name, arguable
        (careful readers could differ, or the log hides its ends: not to be scored), hidden_s (in
        holes; its energy cannot be known).
    standby_w : float
        Mean power at rest while the appliance has power, displays after a use left out [W]; NaN for
        what never rests, and where the logger's dead band or step hides some of it.
    standby_read_w : float
        Mean of what was read then [W]: no reader can know more than this where steps are coarse.
    off_h : float
        Hours off at the wall, in which it would else draw power at rest; NaN where it never does.
    drawn : dict
        What the logger and the rest were like, in words and numbers, for a person who looks.
    """

    style: str
    seed: int
    rows: pd.Series
    true_w: NDArray[np.float32]
    runs: pd.DataFrame
    standby_w: float
    standby_read_w: float
    off_h: float
    drawn: dict[str, float | str]

    @property
    def days(self) -> int:
        """Whole days from the start."""
        return self.true_w.size // DAY_S


def randomised_log(
    *, seed: int, style: str | None = None, days: int | None = None
) -> RandomisedLog:
    """Draw an appliance, what somebody does with it, and what a logger makes of it.

    Parameters
    ----------
    seed : int
        The same seed and style give the same log.
    style : str, optional
        A name in `STYLES`. Default: drawn.
    days : int, optional
        Length of the log. Default: 2 to 10, short ones more often.

    Raises
    ------
    ValueError
        For an unknown style.

    Notes
    -----
    Own method. Time and memory are linear in the number of seconds.
    """
    if style is not None and style not in STYLES:
        raise ValueError(f"no style {style!r}; choose one of {', '.join(STYLES)}")
    first = np.random.default_rng([seed, 0])
    style = style or str(first.choice(list(STYLES)))
    rng = np.random.default_rng([seed, crc32(style.encode())])
    days = days or round(log_uniform(rng, 2, 10))
    sketch = Sketch(work_w=np.zeros(days * DAY_S))
    STYLES[style](sketch, rng)
    rest_w, tails, drawn = _rest(sketch, rng)
    off = _off_at_wall(sketch, rng, drawn) & (rest_w > 0)
    rest_w[off] = 0.0
    switched_on = np.count_nonzero(np.diff(off.astype(np.int8)) == -1)
    ready_or_used = bool(rest_w.max() > MOST_STANDBY_W and switched_on > 1)
    for use in sketch.uses:
        use.arguable |= ready_or_used
    true_w = np.maximum(sketch.work_w, 0.0) + rest_w
    rows, read, unseen = _written(true_w, off, rng, drawn)
    # A lamp in the door, or an update at night, is neither a use nor rest.
    quiet = sketch.outside() & ~tails & ~off & (sketch.work_w == 0)
    standby_w = standby_read_w = float("nan")
    known = quiet.any() and not sketch.never_rests and not ready_or_used
    if known and not _is_hidden(rest_w[quiet], drawn):
        standby_w = float(rest_w[quiet].mean())
        standby_read_w = float(np.nanmean(np.where(quiet, read, np.nan)))
    return RandomisedLog(
        style=style,
        seed=seed,
        rows=rows,
        true_w=true_w.astype(np.float32),
        runs=_run_table(sketch, true_w, unseen),
        standby_w=standby_w,
        standby_read_w=standby_read_w,
        off_h=float(off.sum() / HOUR_S) if rest_w.any() else float("nan"),
        drawn=drawn,
    )


def _is_hidden(rest_w: Watts, drawn: dict[str, float | str]) -> bool:
    """Whether a dead band, or the step of the readings, turns some of the rest into 0 W."""
    hides_w = 0.5 * float(drawn["step_w"])
    if drawn["dead_w"]:
        hides_w = max(hides_w, float(drawn["dead_w"]) + 3 * float(drawn["noise_w"]))
    return bool(np.any((rest_w > 0) & (rest_w < hides_w)))


# --- rest ------------------------------------------------------------------------------------


def _rest(
    sketch: Sketch, rng: np.random.Generator
) -> tuple[Watts, NDArray[np.bool_], dict[str, float | str]]:
    """Power at rest at 1 s [W], and which seconds have a display on after a use.

    Measured: 0 to 18 W; levels that change within a day (5, 1, 5 W); a display of 2 to 15 W for
    minutes to hours after a use; less after a use than before it; an update of 17 W for 8 min.
    """
    n_s = sketch.work_w.size
    rest_w, tails = np.zeros(n_s), np.zeros(n_s, dtype=bool)
    if sketch.never_rests:
        return rest_w, tails, {"rest": "never"}
    most_w = MOST_REST * sketch.least_w
    high_w = min(most_w, 18.0)
    how = str(rng.choice(["nothing", "steady", "changes", "after use"], p=[0.2, 0.3, 0.2, 0.3]))
    if (how == "after use" and sketch.by_itself) or (how == "changes" and not sketch.uses):
        # Where nothing is ever used, whoever reads the log may take a higher level for a use.
        how = "steady"
    if how == "steady" and chance(rng, 0.25):
        high_w = min(most_w, 110.0)

    def level() -> float:
        return log_uniform(rng, min(0.3, high_w / 3), high_w)

    base_w = 0.0 if how == "nothing" else level()
    rest_w += base_w
    drawn: dict[str, float | str] = {"rest": how, "base_w": base_w}
    if how == "changes":
        levels_w = [base_w, level(), level()]
        for _ in range(int(rng.integers(1, 7))):
            rest_w[seconds(rng, 0, n_s - 1) :] = levels_w[int(rng.integers(3))]
    if how == "after use":
        base_w = 0.0 if chance(rng, 0.4) else base_w
        rest_w[:] = base_w
        after_w = base_w + level() if chance(rng, 0.75) else 0.3 * base_w
        after_w = min(after_w, most_w)
        shortest_s = log_uniform(rng, 60, 3600)
        for k, use in enumerate(sketch.uses):
            following = sketch.uses[k + 1].first_s if k + 1 < len(sketch.uses) else n_s
            stop_s = min(use.stop_s + log_seconds(rng, shortest_s, 4 * shortest_s), following)
            rest_w[use.stop_s : stop_s] = after_w
            tails[use.stop_s : stop_s] = True
        drawn |= {"base_w": base_w, "after_w": after_w}
    if how != "nothing" and sketch.uses and most_w > 12 and chance(rng, 0.1):
        at_s = seconds(rng, 0, 6 * HOUR_S)
        update_w = between(rng, 0.6, 1.0) * min(most_w, 20)
        free = sketch.outside()
        for midnight_s in range(0, n_s, DAY_S):
            update = np.arange(midnight_s + at_s, midnight_s + at_s + seconds(rng, 120, 600))
            update = update[free[update]]
            rest_w[update] = np.maximum(rest_w[update], update_w)
            tails[update] = True
        drawn["update_w"] = update_w
    return rest_w, tails, drawn


def _off_at_wall(
    sketch: Sketch, rng: np.random.Generator, drawn: dict[str, float | str]
) -> NDArray[np.bool_]:
    """Which seconds the appliance has no power: once, at some times, or each night."""
    n_s = sketch.work_w.size
    off = np.zeros(n_s, dtype=bool)
    how = str(rng.choice(["never", "once", "at times", "nightly"], p=[0.5, 0.25, 0.1, 0.15]))
    drawn["off"] = how
    if not sketch.uses or how == "never":
        return off
    spans: list[tuple[int, int]] = []
    if how == "nightly":
        first_s, lasts_s = seconds(rng, -2 * HOUR_S, 2 * HOUR_S), 6 * HOUR_S
        spans = [
            (midnight + first_s, midnight + first_s + lasts_s)
            for midnight in range(0, n_s + 1, DAY_S)
        ]
    for _ in range({"once": 1, "at times": int(rng.integers(2, 8))}.get(how, 0)):
        at_s = seconds(rng, 0, n_s - 1)
        spans.append((at_s, at_s + log_seconds(rng, 600, 10 * HOUR_S)))
    for first_s, stop_s in spans:
        off[max(first_s, 0) : max(stop_s, 0)] = True
    return off & sketch.outside(120)


# --- the logger ------------------------------------------------------------------------------


def _written(
    true_w: Watts, off: NDArray[np.bool_], rng: np.random.Generator, drawn: dict[str, float | str]
) -> tuple[pd.Series, Watts, NDArray[np.bool_]]:
    """Rows as a logger writes them; its readings at 1 s, without spikes; seconds lost in holes.

    A hole is longer than `HOLD_S`, and what is lost begins when the last reading is held no more.

    Measured: paces of 1, 2, 5 and 7 s that change within a file, single steps up to 16 s; steps of
    1 and 2 W; up to 45 % of rows in a second that another row has; rows out of order; lone samples
    up to 4.9 kW; holes of seconds to hours.
    """
    n_s = true_w.size
    stamps = _pace(n_s, rng, drawn)
    if chance(rng, 0.5):
        used = np.r_[0.0, np.cumsum(true_w)]
        edges = np.r_[stamps, n_s]
        reading = np.diff(used[edges]) / np.diff(edges)
        drawn["reads"] = "mean"
    else:
        reading = true_w[stamps].copy()
        drawn["reads"] = "instant"
    noise_w = log_uniform(rng, 0.02, 1.5)
    quiet = off[stamps] if chance(rng, 0.5) else np.zeros(stamps.size, dtype=bool)
    reading += np.where(quiet, 0.0, rng.normal(0.0, noise_w, stamps.size))
    reading *= 1 + rng.normal(0.0, log_uniform(rng, 0.0005, 0.01), stamps.size)
    step_w = float(rng.choice([0.1, 1.0, 2.0], p=[0.25, 0.4, 0.35]))
    reading = np.round(reading / step_w) * step_w
    dead_w = log_uniform(rng, 2, 10) if chance(rng, 0.15) else 0.0
    reading[reading < dead_w] = 0.0
    if chance(rng, 0.6):
        np.maximum(reading, 0.0, out=reading)
    read = np.repeat(reading, np.diff(np.r_[stamps, n_s]))
    spikes = log_uniform(rng, 0.2, 15) if chance(rng, 0.4) else 0.0
    at = rng.choice(stamps.size, rng.poisson(spikes * n_s / DAY_S), replace=False)
    reading[at] = np.round(rng.uniform(20, 4900, at.size) / step_w) * step_w
    drawn |= {"noise_w": noise_w, "step_w": step_w, "dead_w": dead_w, "spikes_a_day": spikes}
    keep = _kept(stamps, n_s, rng, drawn)
    stamps, reading = stamps[keep], reading[keep]
    unseen = np.zeros(n_s, dtype=bool)
    for k in np.flatnonzero(np.diff(np.r_[stamps, n_s]) > HOLD_S):
        unseen[stamps[k] + HOLD_S : (np.r_[stamps, n_s])[k + 1]] = True
    unseen[: stamps[0]] = True
    order = np.arange(stamps.size)
    if chance(rng, 0.3):  # repeated: the same second again, with the next reading or the same
        share = log_uniform(rng, 0.001, 0.45)
        order = np.sort(np.r_[order, np.flatnonzero(rng.random(order.size) < share)])
        drawn["repeated"] = share
    if chance(rng, 0.3):
        late = rng.choice(order.size - 1, min(order.size // 5000 + 1, 50), replace=False)
        order[late], order[late + 1] = order[late + 1], order[late].copy()
        drawn["late"] = float(late.size)
    ns = START.value + stamps[order] * NS_PER_S
    index = pd.DatetimeIndex(ns.view("M8[ns]")).tz_localize("UTC")
    return pd.Series(reading[order], index=index, name="watts"), read, unseen


def _pace(n_s: int, rng: np.random.Generator, drawn: dict[str, float | str]) -> NDArray[np.int64]:
    """Seconds at which the logger reads.

    Measured: each second; 1 and 2 s in turns; 3 to 7 s with a second or two of jitter.
    """
    names = ["each second", "each few", "jitter", "changing", "irregular"]
    how = str(rng.choice(names, p=[0.3, 0.15, 0.25, 0.15, 0.15]))
    drawn["pace"] = how
    if how == "each second":
        return np.arange(n_s)
    if how == "each few":
        every_s = int(rng.choice([2, 5, 10]))
        drawn["pace"] = f"every {every_s} s"
        return np.arange(0, n_s, every_s)
    if how == "changing":
        parts, at_s = [], 0
        while at_s < n_s:
            stop_s = min(at_s + log_seconds(rng, 600, 12 * HOUR_S), n_s)
            parts.append(np.arange(at_s, stop_s, int(rng.choice([1, 2, 5, 7]))))
            at_s = stop_s
        return np.concatenate(parts)
    if how == "jitter":
        usual_s = log_uniform(rng, 1.3, 7)
        steps_s = np.maximum(rng.normal(usual_s, 0.15 * usual_s, n_s), 1.0)
        stamps = np.unique(np.floor(np.r_[0.0, np.cumsum(steps_s)]).astype(np.int64))
    else:
        steps = 1 + np.minimum(rng.geometric(between(rng, 0.3, 0.9), n_s) - 1, 15)
        stamps = np.r_[0, np.cumsum(steps)]
    return np.asarray(stamps[stamps < n_s], dtype=np.int64)


def _kept(
    stamps: NDArray[np.int64], n_s: int, rng: np.random.Generator, drawn: dict[str, float | str]
) -> NDArray[np.bool_]:
    """Which rows were written: holes of seconds to hours, a tenth of the time at most."""
    lost = np.zeros(n_s, dtype=bool)
    if chance(rng, 0.5):
        for _ in range(rng.poisson(log_uniform(rng, 0.3, 30) * n_s / DAY_S)):
            at_s, lasts_s = seconds(rng, 0, n_s - 1), log_seconds(rng, 5, 6 * HOUR_S)
            if lost.sum() + lasts_s <= 0.1 * n_s:
                lost[at_s : at_s + lasts_s] = True
    drawn["lost"] = float(lost.mean())
    return np.asarray(~lost[stamps])


# --- truth -----------------------------------------------------------------------------------


def _run_table(sketch: Sketch, true_w: Watts, unseen: NDArray[np.bool_]) -> pd.DataFrame:
    """All uses; those whose ends, or whose break to the next one, lie in a hole are arguable."""
    used = np.r_[0.0, np.cumsum(true_w)] / HOUR_S
    missed = np.r_[0, np.cumsum(unseen)]
    first = np.array([use.first_s for use in sketch.uses], dtype=np.int64)
    stop = np.array([use.stop_s for use in sketch.uses], dtype=np.int64)
    arguable = np.array([use.arguable for use in sketch.uses], dtype=bool)
    hidden_s = missed[stop] - missed[first]
    for k in range(first.size):
        lo, hi = first[k], stop[k]
        seen = np.flatnonzero(~unseen[lo:hi])
        if not seen.size:
            arguable[k] = True
            continue
        at_ends_s = seen[0] + (hi - lo - 1 - seen[-1])
        arguable[k] |= at_ends_s > max(HIDDEN_SHARE * (hi - lo), min(HIDDEN_S, 0.5 * (hi - lo)))
        arguable[k] |= hidden_s[k] > 0.5 * (hi - lo)
        arguable[k] |= np.diff(seen).max(initial=0) > LONGEST_HIDDEN_S
        if k and lo > stop[k - 1] and unseen[stop[k - 1] : lo].all():
            arguable[k - 1 : k + 1] = True
    start_ns = START.value
    return pd.DataFrame(
        {
            "start": _instants(start_ns, first),
            "end": _instants(start_ns, stop),
            "energy_wh": used[stop] - used[first],
            "name": [use.name for use in sketch.uses],
            "arguable": arguable,
            "hidden_s": hidden_s,
        }
    )


def _instants(start_ns: int, offsets_s: NDArray[np.int64]) -> pd.DatetimeIndex:
    return pd.DatetimeIndex((start_ns + offsets_s * NS_PER_S).view("M8[ns]")).tz_localize("UTC")
