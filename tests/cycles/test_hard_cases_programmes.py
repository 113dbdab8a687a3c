"""Programmes that resemble their own halves, and small loads beside a large one."""

import numpy as np
import pytest

from homeenergy.cycles import find_cycles

from .traces import DAY, HOUR, as_trace, draw, lasts_s, near, runs_s

WEEK = 7 * DAY
LATE_S = np.random.default_rng(3).integers(0, 3000, 7)
# Lock, drain, fill, wash, a valve, wash, heat, wash.
HALF = [(20, 5), (38, 36), (40, 6), (136, 92), (12, 4), (600, 92), (700, 2092), (900, 92)]
SHORT = [*HALF, (60, 30)]
# The second half begins like the first, but for the lock.
LONG = [*HALF, (12, 4), *HALF[1:], (60, 30)]


def edges(uses):
    return [(at, at + lasts_s(pieces)) for at, pieces in sorted(uses)]


@pytest.mark.parametrize("noise_w", [0.5, 2, 8])
@pytest.mark.parametrize("kind", ["batch", None])
def test_a_programme_whose_halves_are_alike_is_one_run(kind, noise_w):
    """Draining and filling for 90 s half way through does not begin another programme."""
    uses = [(d * DAY + 19 * HOUR + int(LATE_S[d]), LONG) for d in range(7)]
    watts = np.round(draw(WEEK, *uses, idle_w=0.6, noise_w=noise_w))
    cycles = find_cycles(as_trace(watts), kind)
    assert near(runs_s(cycles), edges(uses), within_s=90)


@pytest.mark.parametrize("gap_s", [43, 400, 840])
@pytest.mark.parametrize("noise_w", [0.5, 8])
def test_a_short_programme_after_a_long_one_is_a_run_of_its_own(noise_w, gap_s):
    """Loaded again 43 s, 7 or 14 min after it ended, a machine has run twice."""
    uses = [(d * DAY + 9 * HOUR + int(LATE_S[d]), LONG) for d in range(7)]
    uses += [(d * DAY + 19 * HOUR, SHORT) for d in (1, 4)]
    uses.append((uses[2][0] + lasts_s(LONG) + gap_s, SHORT))
    watts = np.round(draw(WEEK, *uses, idle_w=0.6, noise_w=noise_w))
    cycles = find_cycles(as_trace(watts), "batch")
    assert near(runs_s(cycles), edges(uses), within_s=90)


def television(idle_w, noise_w):
    """Two hours and more of 95 W in the evening; 17 W for a quarter, and 9 W for three hours."""
    evenings = [(d * DAY + 19 * HOUR, [(2 * HOUR + 450 * d, 95)]) for d in range(7)]
    others = [
        (d * DAY + h * HOUR, [piece])
        for d in range(7)
        for h, piece in ((3, (900, 17)), (12, (3 * HOUR, 9)))
    ]
    return evenings, np.round(draw(WEEK, *evenings, *others, idle_w=idle_w, noise_w=noise_w))


@pytest.mark.parametrize(
    "idle_w",
    [
        0.3,
        0.5,
        0.8,
        2.0,
    ],
)
@pytest.mark.parametrize("noise_w", [0.5, 2, 8])
@pytest.mark.parametrize("kind", ["manual", None])
def test_what_a_television_draws_unwatched_is_no_use(kind, noise_w, idle_w):
    """An update at 17 W and a network chip at 9 W are no uses of a set of 95 W."""
    evenings, watts = television(idle_w, noise_w)
    cycles = find_cycles(as_trace(watts), kind)
    assert near(runs_s(cycles), edges(evenings), within_s=3)


@pytest.mark.parametrize("idle_w", [0.8, 2.0])
def test_a_network_chip_is_part_of_the_standby(idle_w):
    """Three hours a day at 9 W are a second level of rest and count in its mean."""
    evenings, watts = television(idle_w, 0.5)
    rest = find_cycles(as_trace(watts), "manual").rest
    use_h = sum(pieces[0][0] for _, pieces in evenings) / HOUR / 7
    low_h = 24 - use_h - 3 - 0.25
    assert [level for level, _ in rest.levels] == pytest.approx([idle_w, 9], abs=0.05)
    assert rest.levels[1][1] == pytest.approx(3 / (3 + low_h), abs=0.01)
    mean_w = (idle_w * low_h + 9 * 3) / (3 + low_h)
    assert rest.draw_w.value == pytest.approx(mean_w, abs=0.05)


def heat_pump(noise_w):
    """On for half an hour to an hour at 500 to 1100 W; at rest 10.2 W, and 54.8 W from 13:12."""
    rng = np.random.default_rng(5)
    second = np.arange(WEEK)
    watts = np.where(second % DAY >= 13.2 * HOUR, 54.8, 10.2) + rng.normal(0, noise_w, WEEK)
    runs, at_s = [], 1000
    while at_s < WEEK - 9000:
        on_s = int(rng.integers(1800, 3600))
        shape = 800 + 300 * np.sin(np.arange(on_s) / 900) + rng.normal(0, noise_w, on_s)
        watts[at_s : at_s + on_s] = shape
        runs.append((at_s, at_s + on_s))
        at_s += on_s + int(rng.integers(1200, 5000))
    at_work = np.zeros(WEEK, bool)
    for a, b in runs:
        at_work[a:b] = True
    high = float((~at_work & (second % DAY >= 13.2 * HOUR)).sum() / (~at_work).sum())
    return runs, np.round(watts), high


@pytest.mark.parametrize("noise_w", [0.5, 8])
def test_a_crankcase_heater_is_a_second_level_of_rest(noise_w):
    """Rest at 10.2 W and, with a heater on, at 54.8 W has the mean of both by their time."""
    runs, watts, high = heat_pump(noise_w)
    cycles = find_cycles(as_trace(watts), "modulating")
    assert near(runs_s(cycles), runs, within_s=3)
    levels = sorted(cycles.rest.levels)
    assert [level for level, _ in levels] == pytest.approx([10.2, 54.8], abs=0.2)
    assert levels[1][1] == pytest.approx(high, abs=0.02)
    mean_w = 10.2 + high * (54.8 - 10.2)
    assert cycles.standby.low < mean_w < cycles.standby.high


def test_a_crankcase_heater_joins_no_runs_of_an_unknown_kind():
    """Without being told its kind, the same heat pump has the same runs."""
    runs, watts, _ = heat_pump(0.5)
    assert near(runs_s(find_cycles(as_trace(watts))), runs, within_s=3)


@pytest.mark.parametrize("kind", ["modulating", None])
def test_on_periods_a_quarter_of_an_hour_apart_are_runs_of_their_own(kind):
    """Each 40 min of a small heat pump is a run, though only 13 to 18 min lie between them."""
    rng = np.random.default_rng(0)
    watts, runs, at_s = draw(3 * DAY, idle_w=4, noise_w=0.5), [], 1000
    while at_s < 3 * DAY - 5000:
        on_s = int(rng.integers(2000, 2800))
        watts[at_s : at_s + on_s] = 500 + 80 * np.sin(np.arange(on_s) / 500)
        runs.append((at_s, at_s + on_s))
        at_s += on_s + int(rng.integers(780, 1080))
    assert near(runs_s(find_cycles(as_trace(np.round(watts)), kind)), runs, within_s=3)


def test_a_long_programme_of_next_to_no_energy_is_a_run_and_a_lamp_is_none():
    """Rinsing for an hour takes a hundredth of a wash; a lamp in the door lasts for a minute."""
    wash = [(300, 75), (900, 2100), (3600, 90), (120, 350)]
    rinse = [piece for _ in range(14) for piece in ((30, 60), (220, 3))]
    uses = [(d * DAY + 9 * HOUR, wash) for d in range(7)]
    uses += [(d * DAY + 15 * HOUR, rinse) for d in (1, 3, 5)]
    watts = draw(WEEK, *uses, *[(d * DAY + 20 * HOUR, [(60, 40)]) for d in (2, 4)], idle_w=1)
    found = find_cycles(as_trace(watts), "batch").table
    assert len(found) == len(uses)
