"""Breaks that recur: those that a clock makes within a run, and those that a timer makes."""

import numpy as np
import pytest

from homeenergy.cycles import find_cycles

from .traces import DAY, HOUR, as_trace, draw, near, runs_s


def a_week(uses, **options):
    return find_cycles(as_trace(np.round(draw(7 * DAY, *uses, **options))))


def edges(uses):
    return [(at, at + sum(n for n, _ in pieces)) for at, pieces in uses]


@pytest.mark.parametrize("idle_w", [0.0, 3.0])
def test_a_programme_that_waits_for_a_quarter_of_an_hour_is_one_run(idle_w):
    """It heats, waits for 14 min give or take 6 s, and heats again; never one without the other."""
    rng = np.random.default_rng(7)
    uses = [
        (
            d * DAY + int(rng.integers(8 * HOUR, 18 * HOUR)),
            [
                (int(rng.normal(2400, 300)), 900),
                (int(rng.normal(850, 3)), idle_w),
                (int(rng.normal(1200, 60)), 1500),
            ],
        )
        for d in range(7)
    ]
    assert near(runs_s(a_week(uses, idle_w=idle_w)), edges(uses), within_s=3)


def test_a_charge_that_stops_for_the_same_time_is_one_run():
    """Six of nine stop once for 276 s, each at another moment: before and after it are halves."""
    rng, uses = np.random.default_rng(11), []
    for d in range(7):
        for hour in (6, 17) if d in (2, 5) else (17,):
            stops = len(uses) % 3 != 1
            first = int(rng.integers(3000, 6000))
            after = [(276, 0), (int(rng.integers(3000, 6000)), 60)] if stops else []
            uses.append((d * DAY + hour * HOUR + int(rng.integers(0, 3000)), [(first, 60), *after]))
    assert near(runs_s(a_week(uses, idle_w=0, noise_w=0.2)), edges(uses), within_s=3)


def test_a_timer_that_switches_all_day_makes_many_runs():
    """A pump is on for 15 min and off for 45 from 7 to 21 h: breaks of one length, all in a row."""
    hours = [d * 24 + h for d in range(7) for h in range(7, 21)]
    uses = [(h * HOUR, [(900, 180)]) for h in hours]
    assert near(runs_s(a_week(uses, idle_w=0.4)), edges(uses), within_s=3)


@pytest.mark.parametrize("seed", range(4))
def test_toast_made_twice_within_minutes_is_two_runs(seed):
    """Every other morning twice, 4 to 9 min apart, as it happens."""
    rng, uses = np.random.default_rng(seed), []
    for d in range(7):
        at = d * DAY + 7 * HOUR + int(rng.integers(0, 1800))
        for _ in range(2 if d % 2 == 0 else 1):
            uses.append((at, [(int(rng.normal(150, 10)), 900)]))
            at += 150 + int(rng.integers(240, 540))
    assert near(runs_s(a_week(uses, idle_w=0)), edges(uses), within_s=3)
