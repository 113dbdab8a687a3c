"""What an invented appliance does: the structure of its uses is drawn, not only its numbers.

A catalogue tests what its author thought of. Here each seed invents an appliance of a style: which
phases a programme has and in which order, how far apart pulses come, how many scenes a lamp has.
Nothing is fitted to the detector of runs. Distributions are log-uniform over wide ranges: their
ends follow what plug meters showed on real appliances where a comment says "measured" (the days
kept in `tests/cycles/real_days`, and others of the same data set); all others are own assumptions,
invented and wide on purpose.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from homeenergy.simulate.appliances.circuit import (
    Watts,
    between,
    decay,
    element,
    flat,
    join,
    motor,
    on_off,
    ramp,
    seconds,
    wander,
)
from homeenergy.units import S_PER_DAY, S_PER_H

DAY_S, HOUR_S = int(S_PER_DAY), int(S_PER_H)

Shape = Callable[[], Watts]
"""Draws the power of one use above rest [W], at 1 s."""

# A programme shows that it has a break inside, or that it can stand alone, by being seen so often.
FEWEST_SHOWN = 3
LONG_BREAK_S = 300
ALONE_S = 3600


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def log_seconds(rng: np.random.Generator, low: float, high: float) -> int:
    """Draw a whole number of seconds whose logarithm is uniform."""
    return round(log_uniform(rng, low, high))


def chance(rng: np.random.Generator, share: float) -> bool:
    """True in a share of the cases."""
    return bool(rng.random() < share)


@dataclass(slots=True, kw_only=True)
class Use:
    """One use: [first_s, stop_s), what it was, and whether careful readers could differ on it."""

    first_s: int
    stop_s: int
    name: str = ""
    arguable: bool = False


@dataclass(slots=True, kw_only=True, eq=False)
class Sketch:
    """What an appliance does above rest, second by second.

    Attributes
    ----------
    work_w : numpy.ndarray, shape (n,)
        Power above rest [W].
    uses : list of Use
        In order of time; they do not overlap.
    least_w : float
        Rest is to stay well below this, or nobody could tell use from rest [W].
    by_itself, never_rests : bool
        Goes on and off by itself, so that nobody sees a display; draws power all the time and is
        not used.
    """

    work_w: Watts
    uses: list[Use] = field(default_factory=list)
    least_w: float = np.inf
    by_itself: bool = False
    never_rests: bool = False

    @property
    def free_from_s(self) -> int:
        """End of the last use [s]."""
        return self.uses[-1].stop_s if self.uses else 0

    def use(self, at_s: int, shape: Watts, *, name: str = "", arguable: bool = False) -> None:
        """Put a use; it is left out if it does not lie within the log as a whole."""
        stop_s = at_s + shape.size
        if at_s < self.free_from_s or stop_s > self.work_w.size or not shape.size:
            return
        self.work_w[at_s:stop_s] += shape
        self.uses.append(Use(first_s=at_s, stop_s=stop_s, name=name, arguable=arguable))

    def outside(self, margin_s: int = 0) -> NDArray[np.bool_]:
        """Which seconds are farther than a margin from every use."""
        free = np.ones(self.work_w.size, dtype=bool)
        for use in self.uses:
            free[max(use.first_s - margin_s, 0) : use.stop_s + margin_s] = False
        return free


def moments(rng: np.random.Generator, n_s: int, *, per_day: float) -> list[int]:
    """Moments when somebody begins a use [s]: mostly by day, a few at any hour."""
    found = []
    for day in range(n_s // DAY_S):
        for _ in range(int(rng.poisson(per_day))):
            hour = between(rng, 0, 24) if chance(rng, 0.1) else between(rng, 6, 23)
            found.append(int(day * DAY_S + hour * HOUR_S))
    return sorted(found)


def place(
    sketch: Sketch,
    rng: np.random.Generator,
    shapes: dict[str, Shape],
    *,
    per_day: float,
    apart_s: float,
    least_gap_s: float,
) -> None:
    """Put uses of some shapes where people begin them, some soon after one another.

    Uses that follow within half an hour are drawn on purpose, from `least_gap_s` on. Less than
    `apart_s` between two makes both arguable: one use with a break, or two.
    """
    names = list(shapes)
    soon = between(rng, 0.0, 0.3)
    for moment in moments(rng, sketch.work_w.size, per_day=per_day):
        at_s = moment
        if sketch.uses and at_s < sketch.free_from_s + 1800:
            continue
        while True:
            name = names[int(rng.integers(len(names)))]
            gap_s = at_s - sketch.free_from_s if sketch.uses else np.inf
            if gap_s < apart_s:
                sketch.uses[-1].arguable = True
            sketch.use(at_s, shapes[name](), name=name, arguable=gap_s < apart_s)
            if not chance(rng, soon):
                break
            at_s = sketch.free_from_s + log_seconds(rng, least_gap_s, 1800)


# --- machines with programmes ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A part of a programme: what it does, for how long, and by how much that varies."""

    what: str
    lasts_s: float
    varies: float
    power_w: float = 0.0
    on_s: tuple[float, float] = (1, 1)
    off_s: tuple[float, float] = (1, 1)

    def shape(self, rng: np.random.Generator) -> Watts:
        """Draw its power in one use [W], at 1 s."""
        n_s = max(round(self.lasts_s * np.exp(rng.normal(0.0, self.varies))), 2)
        if self.what == "heat":
            return element(rng, n_s, self.power_w)
        if self.what == "spin":
            return ramp(n_s, 0.3 * self.power_w, self.power_w)
        if self.what in ("turn", "pulse heat", "anti-crease"):
            beats = on_off(rng, n_s, on_s=self.on_s, off_s=self.off_s, on_w=self.power_w)
            return beats[: int(np.flatnonzero(beats)[-1]) + 1]
        if self.what == "wait":
            return flat(n_s, 0.0)
        return motor(n_s, self.power_w, warm=1.1) + wander(
            rng, n_s, sd_w=0.03 * self.power_w, tau_s=20.0
        )


def draw_programme(rng: np.random.Generator, *, heater_w: float, motor_w: float) -> list[Phase]:
    """Draw phases in any order; it begins and ends with work and lasts 8 minutes to 5 hours."""
    while True:
        phases: list[Phase] = []
        for _ in range(int(rng.integers(3, 14))):
            phase = _draw_phase(rng, heater_w=heater_w, motor_w=motor_w)
            if phase.what == "wait":
                # None comes first, two in a row are one, and a break of minutes is rare.
                if not phases or phases[-1].what == "wait":
                    continue
                if _is_long_wait(phase) and any(map(_is_long_wait, phases)):
                    continue
            phases.append(phase)
        if phases and phases[-1].what == "wait":
            phases.pop()
        ending = rng.random()
        if ending < 0.25:  # Measured: half an hour of drying, closed by a drain pulse of a minute.
            phases.append(Phase(what="wait", lasts_s=log_uniform(rng, 120, 2700), varies=0.02))
            phases.append(
                Phase(
                    what="motor",
                    lasts_s=log_uniform(rng, 10, 90),
                    varies=0.05,
                    power_w=log_uniform(rng, 20, 80),
                )
            )
        elif ending < 0.45:  # Measured: turns of 5 to 10 s every two minutes for half an hour.
            every_s = log_uniform(rng, 50, 300)
            phases.append(
                Phase(
                    what="anti-crease",
                    lasts_s=every_s * log_uniform(rng, 4, 20),
                    varies=0.3,
                    power_w=motor_w,
                    on_s=(4, 12),
                    off_s=(0.9 * every_s, 1.1 * every_s),
                )
            )
        works = any(p.what in ("heat", "pulse heat", "motor", "turn") for p in phases)
        if works and 480 <= sum(p.lasts_s for p in phases) <= 5 * HOUR_S:
            return phases


def _is_long_wait(phase: Phase) -> bool:
    return phase.what == "wait" and phase.lasts_s > LONG_BREAK_S


def _draw_phase(rng: np.random.Generator, *, heater_w: float, motor_w: float) -> Phase:
    what = str(
        rng.choice(
            ["heat", "motor", "turn", "spin", "wait", "hum", "pulse heat"],
            p=[0.25, 0.2, 0.15, 0.08, 0.17, 0.05, 0.1],
        )
    )
    if what == "heat":
        return Phase(
            what=what,
            lasts_s=log_uniform(rng, 60, 2400),
            varies=between(rng, 0.0, 0.25),
            power_w=heater_w,
        )
    if what == "wait":  # Measured: seconds to half an hour at 0 to 4 W.
        return Phase(what=what, lasts_s=log_uniform(rng, 3, 1800), varies=between(rng, 0.0, 0.1))
    if what == "hum":  # Electronics and a small fan between other phases.
        return Phase(
            what=what,
            lasts_s=log_uniform(rng, 60, 2400),
            varies=0.05,
            power_w=log_uniform(rng, 25, 60),
        )
    if what == "turn":  # Measured: a drum that turns to and fro, 0 and 150 W for an hour.
        on_s, off_s = log_uniform(rng, 4, 40), log_uniform(rng, 2, 20)
        lasts_s, varies = log_uniform(rng, 120, 3600), between(rng, 0.0, 0.1)
        return _beating(what, lasts_s, varies=varies, power_w=motor_w, on_s=on_s, off_s=off_s)
    if what == "pulse heat":
        on_s, off_s = log_uniform(rng, 10, 180), log_uniform(rng, 10, 180)
        lasts_s, varies = log_uniform(rng, 240, 3600), between(rng, 0.0, 0.15)
        return _beating(what, lasts_s, varies=varies, power_w=heater_w, on_s=on_s, off_s=off_s)
    power_w = motor_w * (between(rng, 1.2, 4.0) if what == "spin" else between(rng, 0.4, 1.5))
    return Phase(
        what=what,
        lasts_s=log_uniform(rng, 30, 1800),
        varies=between(rng, 0.0, 0.1),
        power_w=power_w,
    )


def _beating(
    what: str, lasts_s: float, *, varies: float, power_w: float, on_s: float, off_s: float
) -> Phase:
    """A phase that goes on and off, each time for up to a fifth more or less than usual."""
    return Phase(
        what=what,
        lasts_s=lasts_s,
        varies=varies,
        power_w=power_w,
        on_s=(0.8 * on_s, 1.2 * on_s),
        off_s=(0.8 * off_s, 1.2 * off_s),
    )


def programmes(sketch: Sketch, rng: np.random.Generator) -> None:
    """A machine with one to three programmes, each the same phases in the same order every time."""
    heater_w, motor_w = log_uniform(rng, 350, 3200), log_uniform(rng, 40, 350)
    drawn = {
        f"programme {n + 1}": draw_programme(rng, heater_w=heater_w, motor_w=motor_w)
        for n in range(int(rng.integers(1, 4)))
    }

    def shape_of(phases: list[Phase]) -> Shape:
        return lambda: join(*(phase.shape(rng) for phase in phases))

    place(
        sketch,
        rng,
        {name: shape_of(phases) for name, phases in drawn.items()},
        per_day=log_uniform(rng, 0.6, 3),
        apart_s=0.0,
        least_gap_s=40,  # Measured: two whole programmes 43 s apart.
    )
    sketch.least_w = 25.0
    _mark_unshown(sketch, {name for name, p in drawn.items() if any(map(_is_long_wait, p))})


def _mark_unshown(sketch: Sketch, broken: set[str]) -> None:
    """Make arguable what the log does not show often enough for anybody to tell.

    A programme with a break of many minutes inside has to be seen three times. Two programmes less
    than an hour apart may be one with a break, unless each of them is seen alone elsewhere.
    """
    if not sketch.uses:
        return
    seen = [use.name for use in sketch.uses]
    gaps = [b.first_s - a.stop_s for a, b in zip(sketch.uses, sketch.uses[1:], strict=False)]
    alone = [
        use.name
        for use, before, after in zip(sketch.uses, [np.inf, *gaps], [*gaps, np.inf], strict=True)
        if min(before, after) >= ALONE_S
    ]
    for k, use in enumerate(sketch.uses):
        use.arguable |= use.name in broken and seen.count(use.name) < FEWEST_SHOWN
        if k and gaps[k - 1] < ALONE_S:
            pair = (sketch.uses[k - 1], use)
            if min(alone.count(one.name) for one in pair) < FEWEST_SHOWN - 1:
                for one in pair:
                    one.arguable = True


# --- what goes on and off by itself ----------------------------------------------------------


def thermostat(sketch: Sketch, rng: np.random.Generator) -> None:
    """Day and night on and off: every on-period is a run.

    Measured: pauses of compressors from five minutes up, on-periods that differ 4 to 23-fold within
    a day, inrush of 5 to 15 times for a sample, door lamps of 9 to 30 W for seconds.
    """
    power_w = log_uniform(rng, 40, 4000)
    on_s, off_s = log_uniform(rng, 60, 7200), log_uniform(rng, 300, 10_800)
    spread, rare = log_uniform(rng, 0.03, 0.5), between(rng, 0.0, 0.03)
    is_motor = power_w < 700
    inrush = between(rng, 3, 15) if is_motor and chance(rng, 0.6) else 1.0
    warm = between(rng, 1.0, 1.4) if is_motor else 1.0
    by_day = between(rng, 0.0, 0.5)
    at_s = seconds(rng, 0, off_s)
    while at_s < sketch.work_w.size:
        n_s = max(round(on_s * np.exp(rng.normal(0, spread))), 20)
        if chance(rng, rare):
            n_s = round(n_s * between(rng, 3, 20))
        shape = motor(n_s, power_w, inrush=inrush, warm=warm, tau_s=between(rng, 60, 600))
        sketch.use(at_s, shape + wander(rng, n_s, sd_w=0.01 * power_w, tau_s=30.0))
        busy = 1 + by_day * np.sin(2 * np.pi * at_s / DAY_S)
        at_s += n_s + max(round(off_s * busy * np.exp(rng.normal(0, spread))), 240)
    sketch.least_w, sketch.by_itself = power_w, True
    if power_w >= 60 and chance(rng, 0.4):
        lamp_w = between(rng, 8, min(30, 0.3 * power_w))
        for moment in moments(rng, sketch.work_w.size, per_day=log_uniform(rng, 2, 20)):
            stop_s = min(moment + log_seconds(rng, 3, 75), sketch.work_w.size)
            sketch.work_w[moment:stop_s] += lamp_w


# --- what a person switches ------------------------------------------------------------------


def switched(sketch: Sketch, rng: np.random.Generator) -> None:
    """A load with some scenes or speeds, each steady, changed while it is on."""
    scenes_w = [log_uniform(rng, 10, 2500)]
    for _ in range(int(rng.integers(0, 4))):
        scenes_w.append(scenes_w[0] * log_uniform(rng, 0.3, 3))
    shortest_s = log_uniform(rng, 20, 1200)
    longest_s = shortest_s * log_uniform(rng, 3, 60)
    changes = between(rng, 0.0, 0.6)

    def use() -> Watts:
        parts = []
        while True:
            lasts_s = log_seconds(rng, shortest_s, min(longest_s, 8 * HOUR_S))
            parts.append(flat(lasts_s, scenes_w[int(rng.integers(len(scenes_w)))]))
            if not chance(rng, changes):
                return join(*parts)

    # Within three minutes careful readers differ whether it was one use.
    place(sketch, rng, {"on": use}, per_day=log_uniform(rng, 0.5, 8), apart_s=180, least_gap_s=60)
    sketch.least_w = min(scenes_w)


def wandering(sketch: Sketch, rng: np.random.Generator) -> None:
    """Electronics in use: power that wanders by up to a third, after some seconds of starting."""
    power_w, share = log_uniform(rng, 20, 500), between(rng, 0.03, 0.3)
    tau_s, boot_s = log_uniform(rng, 3, 900), seconds(rng, 0, 30)
    shortest_s = log_uniform(rng, 120, 1800)
    longest_s = shortest_s * log_uniform(rng, 3, 20)

    def use() -> Watts:
        n_s = log_seconds(rng, shortest_s, min(longest_s, 8 * HOUR_S))
        level = power_w + wander(rng, n_s, sd_w=share * power_w, tau_s=tau_s)
        return join(flat(boot_s, 0.6 * power_w), np.clip(level, 0.45 * power_w, 2.2 * power_w))

    place(sketch, rng, {"on": use}, per_day=log_uniform(rng, 0.5, 5), apart_s=180, least_gap_s=120)
    sketch.least_w = 0.45 * power_w


def short(sketch: Sketch, rng: np.random.Generator) -> None:
    """A heater for a minute or so; false starts belong to the use that follows.

    Measured: a false start of 5 s, 24 s before the boil; boiled again for 11 to 19 s minutes later;
    pairs of toast 10 s apart, which are arguable.
    """
    power_w, usual_s = log_uniform(rng, 500, 3000), log_uniform(rng, 15, 400)
    spread, false_starts = between(rng, 0.05, 0.6), between(rng, 0.0, 0.15)
    again = between(rng, 0.0, 0.2)

    def use() -> Watts:
        heat = element(rng, max(round(usual_s * np.exp(rng.normal(0, spread))), 8), power_w)
        if not chance(rng, false_starts):
            return heat
        tried = flat(seconds(rng, 1, 6), power_w)
        return join(tried, flat(seconds(rng, 5, 30), 0.0), heat)

    def once_more() -> Watts:
        return flat(seconds(rng, 8, 25), power_w)

    shapes = {"use": use}
    if chance(rng, again):
        shapes["again"] = once_more
    place(sketch, rng, shapes, per_day=log_uniform(rng, 1, 12), apart_s=180, least_gap_s=10)
    sketch.least_w = power_w


def pulsed(sketch: Sketch, rng: np.random.Generator) -> None:
    """A heater that a thermostat or a power setting pulses while somebody uses it: one use.

    Measured: pulses every 30 s above a fan of 40 W (a microwave), pauses of two to three minutes
    (an iron).
    """
    power_w = log_uniform(rng, 400, 3200)
    on_s, off_s = log_uniform(rng, 3, 60), log_uniform(rng, 3, 180)
    fan_w = log_uniform(rng, 20, 60) if chance(rng, 0.4) else 0.0
    first = between(rng, 1, 8)
    shortest_s = max(log_uniform(rng, 90, 900), 3 * (on_s + off_s))
    longest_s = shortest_s * log_uniform(rng, 2, 10)

    def use() -> Watts:
        n_s = log_seconds(rng, shortest_s, longest_s)
        pulses = on_off(
            rng,
            n_s,
            on_s=(0.8 * on_s, 1.3 * on_s),
            off_s=(0.7 * off_s, 1.3 * off_s),
            on_w=power_w,
            off_w=fan_w,
        )
        pulses = pulses[: int(np.flatnonzero(pulses > fan_w)[-1]) + 1]
        return join(element(rng, round(first * on_s), power_w), pulses)

    least_s = max(300.0, 3 * off_s)
    place(
        sketch,
        rng,
        {"session": use},
        per_day=log_uniform(rng, 0.5, 4),
        apart_s=least_s,
        least_gap_s=least_s / 2,
    )
    sketch.least_w = fan_w or power_w


def keep_warm(sketch: Sketch, rng: np.random.Generator) -> None:
    """A long opening, then a train of short pulses: one session.

    Measured: keep-warm pulses up to 8.5 minutes apart for two hours, exactly standby between, and
    the next use 19 minutes after the last; a fuser's pulses every 10 to 76 s for some minutes.
    """
    power_w = log_uniform(rng, 250, 2200)
    opening_s, every_s = log_uniform(rng, 30, 400), log_uniform(rng, 12, 500)
    pulse_s = min(log_uniform(rng, 2, 40), 0.4 * every_s)
    jitter, again = between(rng, 0.05, 0.25), between(rng, 0.0, 0.15)
    fewest, most = 3, log_uniform(rng, 6, max(7, min(40, 9000 / every_s)))

    def opening() -> Watts:
        heat = element(rng, log_seconds(rng, 0.7 * opening_s, 1.4 * opening_s), power_w)
        if chance(rng, 0.5):
            return heat
        rest = flat(seconds(rng, 5, 60), 0.0)
        return join(heat, rest, element(rng, max(round(0.4 * opening_s), 5), power_w))

    def use() -> Watts:
        parts = [opening()]
        for _ in range(int(rng.integers(fewest, round(most) + 1))):
            pause_s = every_s * (1 + rng.uniform(-jitter, jitter)) - pulse_s
            parts.append(flat(max(round(pause_s), 3), 0.0))
            n_s = max(round(pulse_s * between(rng, 0.7, 1.3)), 1)
            parts.append(opening() if chance(rng, again) else flat(n_s, power_w))
        return join(*parts)

    least_s = max(600.0, 2.3 * every_s)
    place(
        sketch,
        rng,
        {"session": use},
        per_day=log_uniform(rng, 0.7, 4),
        apart_s=least_s,
        least_gap_s=least_s / 2,
    )
    sketch.least_w = power_w


def charging(sketch: Sketch, rng: np.random.Generator) -> None:
    """Constant power for long, then less and less; some pause for minutes to balance cells."""
    power_w = log_uniform(rng, 20, 7400)
    taper, tail = between(rng, 0.1, 0.5), between(rng, 0.15, 0.4)
    shortest_s = log_uniform(rng, 1200, 7200)
    longest_s = shortest_s * log_uniform(rng, 1.5, 5)
    balances = between(rng, 0.3, 1.0) if chance(rng, 0.3) else 0.0
    balance_s = log_uniform(rng, 60, 900)
    paused = 0

    def use() -> Watts:
        nonlocal paused
        n_s = log_seconds(rng, shortest_s, min(longest_s, 9 * HOUR_S))
        full_s = round((1 - taper) * n_s)
        end = decay(n_s - full_s, power_w, tail * power_w, tau_s=0.3 * (n_s - full_s))
        full = flat(full_s, power_w)
        if chance(rng, balances):
            paused += 1
            at_s = round(between(rng, 0.4, 0.9) * full_s)
            full = join(full[:at_s], flat(round(balance_s), 0.0), full[at_s:])
        return join(full, end)

    place(
        sketch,
        rng,
        {"charge": use},
        per_day=log_uniform(rng, 0.5, 2),
        apart_s=3600,
        least_gap_s=900,
    )
    if balance_s > LONG_BREAK_S and 0 < paused < FEWEST_SHOWN:
        for use_ in sketch.uses:
            use_.arguable = True
    sketch.least_w = tail * power_w


def never_off(sketch: Sketch, rng: np.random.Generator) -> None:
    """Electronics that are never used and never rest: nothing here is a run.

    Measured: 81 W and 104 W all day.
    """
    power_w = log_uniform(rng, 3, 150)
    n_s = sketch.work_w.size
    sketch.work_w += power_w + wander(
        rng, n_s, sd_w=between(rng, 0, 0.08) * power_w, tau_s=log_uniform(rng, 1, 3600)
    )
    for _ in range(int(rng.integers(0, 4))):
        at_s = seconds(rng, 0, n_s - 1)
        sketch.work_w[at_s:] += power_w * between(rng, -0.1, 0.1)
    np.maximum(sketch.work_w, 0.2 * power_w, out=sketch.work_w)
    sketch.least_w = power_w
    sketch.never_rests = True


STYLES: dict[str, Callable[[Sketch, np.random.Generator], None]] = {
    "programmes": programmes,
    "thermostat": thermostat,
    "switched": switched,
    "wandering": wandering,
    "short": short,
    "pulsed": pulsed,
    "keep_warm": keep_warm,
    "charging": charging,
    "never_off": never_off,
}
"""What draws each style, by name."""
