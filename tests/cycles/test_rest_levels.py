"""Rest is a set of levels: what lasts and is quiet, off at the wall among them."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy import find_cycles
from homeenergy.cycles.segment.kernels import quiet_stretches
from tests.cycles.traces import DAY, HOUR, START, as_trace, draw

MINUTE = 60

NOISE_W = 0.5


def television(*, standby_w, days=7, seed=1):
    """A use of about 105 W each evening, redrawn every 20 s, and what its uses took [Wh]."""
    rng = np.random.default_rng(seed)
    watts = np.full(days * DAY, standby_w)
    used_wh = []
    for day in range(days):
        start = day * DAY + 19 * HOUR + int(rng.uniform(0, HOUR))
        lasts = int(rng.uniform(5_400, 12_000))
        level_w = np.repeat(105 + 10 * rng.standard_normal(lasts // 20 + 1), 20)[:lasts]
        watts[start : start + lasts] = level_w
        used_wh.append(level_w.sum() / HOUR)
    return np.round(watts + NOISE_W * rng.standard_normal(watts.size)), np.array(used_wh)


def without_power(watts, *, start, lasts):
    return np.where((np.arange(watts.size) - start) % watts.size < lasts, 0.0, watts)


@pytest.mark.parametrize("kind", ["manual", None])
@pytest.mark.parametrize("off", [0, 15 * MINUTE, 21 * MINUTE, 30 * MINUTE, 8 * HOUR])
@pytest.mark.parametrize("standby_w", [3.0, 8.0, 15.0])
def test_time_off_at_the_wall_changes_no_run_and_no_standby(standby_w, off, kind):
    watts, used_wh = television(standby_w=standby_w)
    cycles = find_cycles(as_trace(without_power(watts, start=25 * HOUR, lasts=off)), kind)
    assert len(cycles.complete) == 7
    assert cycles.complete["energy_wh"].to_numpy() == pytest.approx(used_wh, rel=0.002)
    assert cycles.standby.value == pytest.approx(standby_w, abs=0.05)
    assert cycles.rest.off_h == pytest.approx(off / HOUR, abs=0.02)


def test_a_strip_that_is_off_every_night_leaves_the_standby_that_of_the_evenings():
    watts, _ = television(standby_w=8.0)
    for day in range(7):
        watts = without_power(watts, start=day * DAY, lasts=8 * HOUR)
    cycles = find_cycles(as_trace(watts))
    assert len(cycles.complete) == 7
    assert cycles.standby.value == pytest.approx(8.0, abs=0.05)
    assert cycles.rest.off_h == pytest.approx(56, abs=0.1)
    # Idle energy is what was drawn, not standby times the hours without power.
    at_rest_wh = watts.sum() / HOUR - cycles.runs_wh
    assert cycles.idle_wh == pytest.approx(at_rest_wh, rel=0.005)


def test_a_meter_that_flickers_by_two_watts_at_rest_shows_no_run_there():
    rng = np.random.default_rng(3)
    watts = 2.0 + 2.0 * (rng.random(3 * DAY) < 0.3)
    jobs = [(d * DAY + 10 * HOUR, 400) for d in range(3)]
    for start, lasts in jobs:
        watts[start : start + lasts] = rng.choice([10.0, 16.0, 22.0, 34.0], lasts)
    table = find_cycles(as_trace(watts)).table
    assert len(table) == 3
    assert table["duration_s"].to_numpy() == pytest.approx([400] * 3, abs=5)


def test_an_opening_and_the_pulses_that_keep_warm_are_one_use():
    rng = np.random.default_rng(4)
    watts = np.zeros(4 * DAY)
    starts = [d * DAY + 8 * HOUR for d in range(4)]
    ends = []
    for start in starts:
        watts[start : start + 90] = 1300
        at = start + 90
        while at < start + 1.5 * HOUR:
            at += int(np.clip(rng.exponential(75), 15, 400))
            watts[at : at + 8] = 350
            at += 8
        ends.append(at)
    table = find_cycles(as_trace(watts)).table
    assert len(table) == 4
    assert table["duration_s"].to_numpy() == pytest.approx(np.subtract(ends, starts), abs=2)


@pytest.mark.xfail(reason="a heater that pulses in each use is taken for a session of pulses")
def test_uses_minutes_apart_that_pulse_inside_are_uses_of_their_own():
    """A heater that goes on and off within each use is no session of pulses."""
    watts = np.zeros(5 * DAY)
    starts = [d * DAY + 12 * HOUR + late for d in range(5) for late in (0, 720, 1500)]
    for start, lasts in zip(starts, [480, 240, 300] * 5, strict=True):
        for at in range(start, start + lasts, 30):
            watts[at : at + 20] = 1000
    table = find_cycles(as_trace(watts)).table
    assert len(table) == 15


@pytest.mark.parametrize("spike_n", [1, 2, 3])
def test_a_spike_between_runs_of_minutes_is_no_run(spike_n):
    watts = np.zeros(2 * DAY)
    starts = np.arange(30) * 90 * MINUTE + 600
    for start in starts:
        watts[start : start + 9 * MINUTE] = 165
    for start in starts[::3]:
        watts[start + 40 * MINUTE : start + 40 * MINUTE + spike_n] = 1200
    table = find_cycles(as_trace(watts)).table
    assert len(table) == 30


def plain_stretches(mean_w, n, hole_follows, tolerance_w, share, least_n, blip_n):
    """The same as the compiled loop, sample runs kept as lists."""
    found, inside = [], []
    for w, count, hole in zip(mean_w, n, hole_follows, strict=True):
        held = sum(c for _, c in inside)
        level = sum(v * c for v, c in inside) / held if inside else w
        if abs(w - level) <= max(tolerance_w, share * abs(level)):
            inside.append((w, count))
        elif not (count <= blip_n and held > 6 * blip_n):
            found.append(inside)
            inside = [(w, count)]
        if hole:
            found.append(inside)
            inside = []
    kept = [one for one in found if sum(c for _, c in one) >= least_n]
    levels = [sum(v * c for v, c in one) / sum(c for _, c in one) for one in kept]
    return levels, [sum(c for _, c in one) for one in kept]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(1, 60), st.booleans()), min_size=1, max_size=25
    )
)
def test_quiet_stretches_are_those_of_a_plain_loop(rows):
    mean_w, n, holes = (np.array(column) for column in zip(*rows, strict=True))
    holes[-1] = True
    args = (mean_w.astype(float), n.astype(np.int64), holes, 3.0, 0.1, 50.0, 2.0)
    levels, held = quiet_stretches(*args)
    plain_levels, plain_held = plain_stretches(*args)
    assert levels.tolist() == pytest.approx(plain_levels)
    assert held.tolist() == plain_held


def test_hours_off_at_the_wall_below_a_high_rest():
    """A compressor of 980 W beside a fan of 61 W, off for three hours of two days: all runs."""
    uses = [(at, [(1200, 1041)]) for at in range(1800, 2 * DAY, 5400)]
    watts = draw(2 * DAY, *uses, idle_w=61, noise_w=1)
    whole = find_cycles(as_trace(watts)).table
    off = slice(uses[8][0] - 2 * HOUR, uses[8][0] - HOUR)
    watts[off] = 0
    gone = [at for at, _ in uses if off.start - 1200 < at < off.stop]
    cycles = find_cycles(as_trace(watts))
    assert len(whole) == len(uses)
    assert len(cycles.table) == len(uses) - len(gone)
    assert cycles.standby.value == pytest.approx(61, abs=0.5)


@pytest.mark.parametrize(("period_s", "held"), [(2, 1), (2, 4), (7, 2), (10, 1)])
def test_spikes_beside_uses_of_minutes_are_no_runs(period_s, held):
    """Ten uses of 15 min at 120 W, and wrong readings an hour off, each held for `held` samples."""
    n = 2 * DAY // period_s
    watts = draw(n, idle_w=3, noise_w=0.3)
    for at in range(10):
        first = (at * 16_000 + 4000) // period_s
        watts[first : first + 900 // period_s] += 120
    rng = np.random.default_rng(4)
    hour_n = HOUR // period_s
    for at in range(hour_n, n, n // 24):
        if watts[at - hour_n : at + hour_n].max() < 50:
            watts[at : at + held] = rng.uniform(50, 4000)
    cycles = find_cycles(as_trace(watts, period_s=period_s))
    assert len(cycles.table) == 10
    assert cycles.table["energy_wh"].to_numpy() == pytest.approx(123 / 4, rel=0.04)


def test_uses_of_one_sample_are_runs_where_there_is_nothing_else():
    """A pump that runs for one reading of 10 s."""
    watts = draw(DAY // 10, *[(at, [(1, 700)]) for at in range(100, DAY // 10, 400)], idle_w=2)
    assert len(find_cycles(as_trace(watts, period_s=10)).table) == 22


def test_a_draw_that_wanders_has_no_runs():
    """Electronics at 30 W that wander by a twentieth within minutes."""
    rng = np.random.default_rng(2)
    wander = np.repeat(rng.normal(0, 1.5, DAY // 40), 40)
    for watts in (30 + wander, 80 + 2 * wander):
        cycles = find_cycles(as_trace(np.round(watts + rng.normal(0, 0.3, wander.size))))
        assert cycles.table.empty


def test_a_thermostat_through_a_hot_day_is_no_long_session():
    """Hundreds of runs of 10 min with pauses of 8 to 15 min, whatever it is called."""
    rng = np.random.default_rng(3)
    at, uses = 600, []
    while at < 5 * DAY - 3600:
        uses.append((at, [(int(rng.normal(620, 40)), 136)]))
        at += uses[-1][1][0][0] + int(rng.uniform(480, 900))
    cycles = find_cycles(as_trace(draw(5 * DAY, *uses, idle_w=4)), kind="manual")
    assert len(cycles.table) == pytest.approx(len(uses), rel=0.01)
    assert cycles.table["duration_s"].max() < 3600


DAY_OF_TENS = 8640


def with_moments(watts, heights_w, rng):
    """A reading of each height, at instants of its own, where nothing else is drawn."""
    free = rng.choice(np.arange(30, watts.size - 30, 60), len(heights_w), replace=False)
    watts[free] = heights_w
    return as_trace(watts, period_s=10)


def test_spikes_of_any_height_are_no_uses_of_what_is_never_off():
    rng = np.random.default_rng(91)
    trace = with_moments(6 + rng.normal(0, 0.2, 4 * DAY_OF_TENS), rng.uniform(40, 900, 60), rng)
    assert not len(find_cycles(trace).table)


def test_a_pump_that_runs_for_a_reading_keeps_its_runs():
    """Of a run of 10 s, two readings show at least half of its power between them."""
    rng = np.random.default_rng(92)
    trace = with_moments(np.zeros(4 * DAY_OF_TENS), rng.uniform(300, 600, 60), rng)
    assert len(find_cycles(trace).table) == 60


def test_spikes_among_few_uses_are_those_at_another_level():
    rng = np.random.default_rng(93)
    watts = np.full(4 * DAY_OF_TENS, 1.0)
    for at in (900, 9_000, 15_000, 26_000):
        watts[at : at + 12] = 60.0
    trace = with_moments(watts, rng.uniform(90, 500, 20), rng)
    found = find_cycles(trace).table
    assert len(found) == 4
    assert (found["duration_s"] == 120).all()


def test_a_spike_on_a_use_shows_no_level_that_makes_others_uses():
    """Eight uses of an hour at 48 W, wrong readings held for 5 s beside them and on two of them."""
    rng = np.random.default_rng(95)
    watts = draw(4 * DAY, *[(at * 12 * HOUR + 6000, [(HOUR, 48)]) for at in range(8)], idle_w=1)
    for at in range(20_000, 4 * DAY, 26_000):
        watts[at : at + 5] = rng.uniform(900, 3500)
    watts[7000:7005] = watts[95_000:95_005] = 3900
    assert len(find_cycles(as_trace(watts)).table) == 8


def test_a_few_spikes_of_any_height_are_no_uses_of_what_is_never_off():
    rng = np.random.default_rng(94)
    watts = 130 + rng.normal(0, 0.3, 4 * DAY_OF_TENS)
    assert not len(find_cycles(with_moments(watts.copy(), [190, 640, 2100, 4800], rng)).table)
    assert len(find_cycles(with_moments(watts, [640, 650, 655, 640], rng)).table) == 4


def test_spikes_minutes_from_uses_are_no_part_of_them():
    """Uses of 3 min, each with a spike 6 min later, and as many an hour where nothing is used."""
    rng = np.random.default_rng(96)
    starts = [d * DAY + h * HOUR for d in range(4) for h in (7, 13, 19)]
    watts = draw(4 * DAY, *[(at, [(180, 1400)]) for at in starts], idle_w=1)
    for at in starts[::4]:
        watts[at + 540 : at + 542] = rng.uniform(50, 900)
    for at in rng.choice(np.arange(HOUR, 4 * DAY, 2 * HOUR), 40, replace=False):
        if min(abs(at - start) for start in starts) > 1800:
            watts[at : at + 2] = rng.uniform(50, 4900)
    lasts_s = find_cycles(as_trace(watts)).table["duration_s"].to_numpy()
    assert lasts_s == pytest.approx([180] * len(starts), abs=2)


def test_pulses_of_a_reading_in_each_use_stay_in_it_among_few_spikes():
    """Pulses of 2 s every four minutes keep a plate warm for a while after 3 min of heating."""
    rng = np.random.default_rng(97)
    session = [(180, 1400), *[piece for _ in range(8) for piece in ((240, 1), (2, 1400))]]
    starts = [d * DAY + h * HOUR for d in range(4) for h in (7, 15)]
    watts = draw(4 * DAY, *[(at, session) for at in starts], idle_w=1)
    for at in (2 * HOUR, 35 * HOUR, 69 * HOUR):
        watts[at : at + 2] = rng.uniform(50, 4900)
    lasts_s = find_cycles(as_trace(watts)).table["duration_s"].to_numpy()
    assert lasts_s == pytest.approx([180 + 8 * 242] * len(starts), abs=2)


def test_a_few_spikes_that_chance_brings_together_are_no_uses():
    rng = np.random.default_rng(98)
    watts = 24 + rng.normal(0, 0.3, 4 * DAY_OF_TENS)
    assert not len(find_cycles(with_moments(watts, [2200, 3400, 850, 2800], rng)).table)


def test_spikes_on_uses_of_a_small_lamp_hide_none_of_them():
    """Three uses a day of 9 W above 1 W, with wrong readings of kilowatts while it is on."""
    rng = np.random.default_rng(95)
    uses = [(d * DAY + h * HOUR, [(HOUR, 10)]) for d in range(3) for h in (7, 13, 19)]
    watts = draw(3 * DAY, *uses, idle_w=1, noise_w=0.3)
    for at, _ in uses:
        for spike in range(at + 200, at + HOUR, 300):
            watts[spike : spike + 2] = rng.uniform(500, 4900)
    lasts_s = find_cycles(as_trace(watts)).table["duration_s"]
    assert lasts_s.to_numpy() == pytest.approx([HOUR] * len(uses), abs=2)


def test_a_display_after_a_use_is_rest_where_nothing_else_is_drawn():
    """A brew of 3 min at 500 W, then a panel of 12 W for three hours; and a lamp of 12 W alone."""
    starts = [d * DAY + h * HOUR for d in range(3) for h in (7, 12, 19)]
    brews = draw(3 * DAY, *[(at, [(180, 500), (3 * HOUR, 12)]) for at in starts], idle_w=0)
    brews[starts[4] + HOUR : starts[4] + 2 * HOUR] = np.nan
    assert find_cycles(as_trace(brews)).table["duration_s"].to_numpy() == pytest.approx(180, abs=2)
    lamp = draw(3 * DAY, *[(at, [(3 * HOUR, 12)]) for at in starts], idle_w=0)
    lasts_s = find_cycles(as_trace(lamp)).table["duration_s"]
    assert lasts_s.to_numpy() == pytest.approx(3 * HOUR, abs=2)


def test_a_strip_switched_on_before_a_short_use_is_no_part_of_it():
    """Off at the wall until two minutes before a boil of 20 s; 3 W of standby from then on."""
    watts = draw(3 * DAY, *[(d * DAY + 8 * HOUR, [(20, 2000)]) for d in range(3)], idle_w=2)
    for d in range(3):
        watts[d * DAY : d * DAY + 8 * HOUR - 120] = 0
        watts[d * DAY + 8 * HOUR - 120 : d * DAY + 8 * HOUR] = 4
    found = find_cycles(as_trace(watts)).table
    assert found["duration_s"].to_numpy() == pytest.approx(20, abs=22)


def test_one_session_of_pulses_in_days_of_rest_is_no_thermostat():
    uses = [
        (30 * HOUR, [(240, 380)]),
        *((30 * HOUR + 480 + 240 * k, [(12, 380)]) for k in range(20)),
    ]
    cycles = find_cycles(as_trace(draw(2 * DAY, *uses, idle_w=14)))
    assert cycles.kind == "manual"
    assert len(cycles.table) == 1


@pytest.mark.parametrize("rest_w", [2.0, 5.0, 10.0, 20.0, 34.0, 60.0, 100.0])
@pytest.mark.parametrize(("period_s", "hours"), [(10, 25 / 60), (60, 3), (10, 12), (60, 72)])
def test_one_event_without_power_changes_nothing(rest_w, period_s, hours):
    """Twenty uses of minutes in ten days, rests from electronics to a server: the same runs."""
    rng = np.random.default_rng([5, int(rest_w)])
    watts = np.full(10 * DAY, rest_w) + (0.5 + 0.01 * rest_w) * rng.standard_normal(10 * DAY)
    starts = [d * DAY + h * HOUR for d in range(10) for h in (9, 20)]
    for start in starts:
        lasts = int(rng.uniform(600, 2400))
        watts[start : start + lasts] += np.repeat(rng.normal(600, 40, lasts // 20 + 1), 20)[:lasts]
    off = (3 * DAY + HOUR, 3 * DAY + round((1 + hours) * HOUR))
    cycles, events = [], watts.copy()
    events[off[0] : off[1]] = 0
    for one in (watts, events):
        read = np.round(one.reshape(-1, period_s).mean(axis=1))
        cycles.append(find_cycles(as_trace(read, period_s=period_s)))
    whole, event = cycles
    number = (whole.table["start"] - pd.Timestamp(START)).dt.total_seconds()
    kept = whole.table[(number < off[0]) | (number >= off[1])]
    assert len(whole.table) == len(starts)
    assert event.table["start"].tolist() == kept["start"].tolist()
    assert event.table["energy_wh"].to_numpy() == pytest.approx(
        kept["energy_wh"].to_numpy(), rel=0.01
    )
    assert event.standby.value == pytest.approx(rest_w, abs=0.1)
    assert event.rest.off_h == pytest.approx(hours, abs=0.1)


@pytest.mark.parametrize("offset_w", [0.4, 1.2, -1.2])
def test_a_clamp_that_is_off_by_a_watt_shows_an_event_all_the_same(offset_w):
    watts = np.full(5 * DAY, 34.0)
    for day in range(5):
        watts[day * DAY + 20 * HOUR : day * DAY + 22 * HOUR] = 150
    watts[2 * DAY : 2 * DAY + 3 * HOUR] = offset_w
    noise = np.random.default_rng(6).normal(0, 0.3, watts.size)
    cycles = find_cycles(as_trace(np.round(watts + noise, 1)[::10], period_s=10), "manual")
    assert len(cycles.complete) == 5
    assert cycles.standby.value == pytest.approx(34, abs=0.1)
    assert cycles.rest.off_h == pytest.approx(3, abs=0.02)


def test_what_rests_at_nothing_between_days_of_use_is_not_off_at_the_wall():
    """A fan that turns for most of the time, now and then faster, and is off each night."""
    watts = np.full(10 * DAY, 34.0)
    for day in range(10):
        watts[day * DAY : day * DAY + 8 * HOUR] = 0
        watts[day * DAY + 15 * HOUR : day * DAY + 18 * HOUR] = 110
    cycles = find_cycles(as_trace(watts[::10], period_s=10))
    assert len(cycles.table) == 10
    assert not cycles.standby.resolved
    assert cycles.rest.off_h == 0


@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.3])
def test_a_load_on_in_single_quarter_hours_is_no_noise(share):
    on = np.random.default_rng(7).random(21 * 96) < share
    cycles = find_cycles(as_trace(np.where(on, 1000.0, 5.0), period_s=900))
    assert len(cycles.table) == np.count_nonzero(np.diff(np.r_[0, on]) > 0)
    assert cycles.standby.value == pytest.approx(5)


@pytest.mark.parametrize("step_w", [2, 5, 10])
@pytest.mark.parametrize("rest_w", [2.0, 3.4, 4.4])
def test_rest_below_a_coarse_step_is_a_bound_that_holds_it(rest_w, step_w):
    """Steps that few readings show, for hardly any differ."""
    rng = np.random.default_rng(8)
    watts = np.full(2 * DAY // 10, rest_w) + 0.3 * rng.standard_normal(2 * DAY // 10)
    for day in range(2):
        at = day * DAY // 10 + 7000
        watts[at : at + 360] += np.repeat(rng.normal(90, 12, 36), 10)
    found = find_cycles(as_trace(np.round(watts / step_w) * step_w, period_s=10))
    assert found.settings["step_w"] == step_w
    assert found.standby.low <= rest_w <= found.standby.high
    assert len(found.table) == 2


def test_a_draw_of_which_no_level_is_held_long_has_some_rest():
    """Another power every four minutes for weeks: no level is held for a thousandth of the time."""
    rng = np.random.default_rng(8)
    watts = np.repeat(rng.uniform(300, 2800, 22 * 360), 4)
    cycles = find_cycles(as_trace(watts, period_s=60))
    assert cycles.total_wh == pytest.approx(watts.sum() / 60, rel=1e-6)
