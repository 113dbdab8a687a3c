"""Standby, idle levels and steps of the readings where they are hard to tell."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.cycles.segment.levels import smallest_step_w
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.stats.estimate import mean_estimate

from .traces import DAY, HOUR, as_trace, draw

WEEK = 7 * DAY


def averaged(watts, period_s):
    return watts.reshape(-1, period_s).mean(axis=1)


def boils(days, *, watts_w=2000, seed=2):
    """Three boils of 150 s a day, each at any second of its hour."""
    late_s = np.random.default_rng(seed).integers(0, HOUR, (days, 3))
    return [
        (d * DAY + h * HOUR + int(late_s[d, k]), [(150, watts_w)])
        for d in range(days)
        for k, h in enumerate((7, 12, 18))
    ]


@pytest.mark.parametrize("kind", ["manual", None])
def test_readings_of_exactly_nothing_are_below_a_watt_and_not_nothing(kind):
    """A lamp of 8 W that reads 0.0 W between uses has a standby below 1 W, not below 0 W."""
    uses = [(d * DAY + 19 * HOUR + 7 * d, [(2 * HOUR, 8)]) for d in range(7)]
    watts = averaged(draw(WEEK, *uses, idle_w=0, noise_w=0), 60)
    cycles = find_cycles(as_trace(watts, period_s=60), kind)
    assert len(cycles.table) == 7
    assert not cycles.standby.resolved
    assert str(cycles.standby) == "below 1 W"


def test_many_digits_do_not_make_a_clamp_better():
    """A charger of unrounded watts that reads 0.0 W at rest is not known to within 0.002 W."""
    seconds = np.arange(HOUR)
    tail = [(1, 40 * np.exp(-s / 1000)) for s in seconds]
    uses = [(d * DAY + 9 * HOUR, [(HOUR, 40), *tail]) for d in range(3)]
    rest = find_cycles(as_trace(draw(3 * DAY, *uses, idle_w=0, noise_w=0)), kind="manual").rest
    assert not rest.draw_w.resolved
    assert rest.draw_w.high >= 1


@pytest.mark.parametrize("step_w", [0.01, 0.1])
def test_a_fine_step_of_the_readings_is_no_bound(step_w):
    """Readings in hundredths or tenths of a watt that stand at 0 tell only: below 1 W."""
    watts = draw(2 * DAY, *boils(2), idle_w=0, noise_w=0.5 * step_w)
    ramp = np.where(watts > 100, np.arange(watts.size) % 60 * step_w, 0)
    rest = find_cycles(as_trace(np.round((watts + ramp) / step_w) * step_w), kind="manual").rest
    assert rest.draw_w.high >= 1


def test_averages_of_a_steady_load_are_no_step_of_the_readings():
    """2000 W averaged over 5 s reads 0, 400, ... 2000 W: a step of 400 W it is not."""
    uses = boils(7)
    watts = averaged(draw(WEEK, *uses, idle_w=0, noise_w=0), 5)
    assert set(np.unique(watts)) <= {0, 400, 800, 1200, 1600, 2000}
    cycles = find_cycles(as_trace(watts, period_s=5), "manual")
    assert len(cycles.table) == 21
    assert cycles.rest.step_w <= 1
    assert cycles.standby.high == 1
    # Part-samples below `low_w` may be lost: one of 5 s at each end at most.
    assert cycles.runs_wh == pytest.approx(21 * 150 * 2000 / 3600, rel=0.02)


def test_pulses_of_an_iron_averaged_over_a_minute_are_no_step_of_the_readings():
    """Sessions of 2200 W in pulses of 20 s keep their energy where samples last a minute."""
    session = [(150, 2200)] + 12 * [(150, 0), (20, 2200)]
    uses = [(d * DAY + 15 * HOUR, session) for d in (1, 4, 6)]
    watts = averaged(draw(WEEK, *uses, idle_w=0, noise_w=0), 60)
    cycles = find_cycles(as_trace(watts, period_s=60), "manual")
    session_wh = (150 + 12 * 20) * 2200 / 3600
    assert cycles.table["energy_wh"].tolist() == pytest.approx(3 * [session_wh], rel=0.001)
    assert str(cycles.standby) == "below 1 W"


def test_many_averages_of_a_steady_load_are_no_step_of_the_readings():
    """2000 W for 150 s at any second, averaged over a minute, does not read in steps of 33 W."""
    watts = averaged(draw(WEEK, *boils(7), idle_w=0, noise_w=0), 60)
    assert np.unique(watts).size >= 12
    rest = find_cycles(as_trace(watts, period_s=60), kind="manual").rest
    assert rest.draw_w.high <= 2


def test_readings_without_a_step_have_none():
    """Normal readings of all digits have no step, and not one of 0.002 W."""
    watts = np.random.default_rng(1).normal(50, 1, 100_000)
    assert find_cycles(as_trace(watts), kind="continuous").rest.step_w == 0


@pytest.mark.parametrize("kind", ["thermostatic", None])
def test_minutes_that_a_run_shares_are_not_at_rest(kind):
    """A freezer that rests at 0 W for five to eight minutes draws nothing at rest."""
    rng = np.random.default_rng(8)
    uses, at_s = [], 100
    while at_s < 4 * DAY - 3000:
        uses.append((at_s, [(int(rng.integers(900, 1500)), 80)]))
        at_s += uses[-1][1][0][0] + int(rng.integers(300, 500))
    exact = draw(4 * DAY, *uses, idle_w=0, noise_w=0)
    watts = np.round(averaged(exact + rng.normal(0, 0.5, exact.size), 60))
    cycles = find_cycles(as_trace(watts, period_s=60), kind)
    assert len(cycles.table) == len(uses)
    assert str(cycles.standby) == "below 1 W"
    assert [round(level) for level, _ in cycles.rest.levels] == [0]
    assert cycles.idle_wh == pytest.approx(0, abs=3)


@pytest.mark.parametrize("period_s", [60, 300])
def test_rest_and_its_levels_leave_out_slots_that_a_run_shares(period_s):
    """A compressor of 85 W on 60 W has 60.0 W at rest, and one level there, at any period."""
    rng = np.random.default_rng(9)
    uses, at_s = [], 900
    while at_s < 3 * DAY - 4000:
        uses.append((at_s, [(int(rng.integers(780, 1380)), 145)]))
        at_s += uses[-1][1][0][0] + int(rng.integers(1800, 3000))
    exact = draw(3 * DAY, *uses, idle_w=60, noise_w=0.5)
    watts = np.round(averaged(exact, period_s), 1)
    rest = find_cycles(as_trace(watts, period_s=period_s), "thermostatic").rest
    assert rest.draw_w.value == pytest.approx(60, abs=0.03)
    assert [level for level, _ in rest.levels] == pytest.approx([60], abs=0.03)


def test_a_thermostat_that_never_rests_for_a_sample_is_not_said_to_rest():
    """In quarter hours a compressor shares every sample: its 60 W at rest are not known."""
    rng = np.random.default_rng(9)
    watts = draw(7 * DAY, idle_w=60, noise_w=0.5)
    at_s = 900
    while at_s < 7 * DAY - 4000:
        on_s = int(rng.integers(780, 1380))
        watts[at_s : at_s + on_s] += 90
        at_s += on_s + int(rng.integers(1000, 1400))
    rest = find_cycles(as_trace(averaged(watts, 900), period_s=900), kind="thermostatic").rest
    assert np.isnan(rest.draw_w.value)


def test_the_interval_is_that_of_the_readings_of_each_hour():
    """Hours that differ by less than a plateau shows still widen the interval of their mean."""
    rng = np.random.default_rng(3)
    by_hour = rng.normal(0, 0.05, 48)
    watts = 40 + np.repeat(by_hour, 60) + rng.normal(0, 1, 48 * 60)
    hours = mean_estimate(watts.reshape(48, 60).mean(axis=1), unit="W", basis="")
    rest = find_cycles(as_trace(watts, period_s=60), kind="continuous").rest
    assert rest.draw_w.value == pytest.approx(hours.value, abs=1e-4)
    assert rest.draw_w.high - rest.draw_w.low == pytest.approx(hours.high - hours.low, rel=1e-3)


@pytest.mark.parametrize("kind", ["manual", None])
@pytest.mark.parametrize("period_s", [1, 5, 60])
def test_two_levels_of_rest_are_told_apart_beside_a_noisy_load(period_s, kind):
    """A television of 70 W +- 6 W that rests at 5 W by night and 1 W by day has both levels."""
    rng = np.random.default_rng(4)
    watts = np.where(np.arange(WEEK) % DAY < 6 * HOUR, 5.0, 1.0)
    for d in range(7):
        at_s, n_s = d * DAY + 19 * HOUR, 9000
        watts[at_s : at_s + n_s] = 70 + 15 * np.sin(np.arange(n_s) / 200) + rng.normal(0, 6, n_s)
        watts[at_s + n_s : at_s + n_s + 600] = 0
        watts[d * DAY + 3 * HOUR : d * DAY + 3 * HOUR + 480] = 17
    watts = np.round(averaged(watts + rng.normal(0, 0.5, WEEK), period_s))
    cycles = find_cycles(as_trace(watts, period_s=period_s), kind)
    assert len(cycles.table) == 7
    # 6 h less 8 min at 5 W; 24 h less 6 h, 2.5 h of use and 10 min after it at 1 W.
    night_h, day_h = 6 - 8 / 60, 24 - 6 - 2.5 - 1 / 6
    levels = sorted(cycles.rest.levels)
    assert [level for level, _ in levels] == pytest.approx([1, 5], abs=0.06)
    assert levels[1][1] == pytest.approx(night_h / (night_h + day_h), abs=0.01)
    mean_w = (5 * night_h + day_h) / (night_h + day_h)
    assert cycles.standby.value == pytest.approx(mean_w, abs=0.06)


def test_a_level_from_which_runs_begin_is_rest():
    """1, 5, 1, 1, 5, 1, 5 W on seven days with a boil on each is 19 / 7 W of standby."""
    days_w = [1, 5, 1, 1, 5, 1, 5]
    watts = np.repeat(np.array(days_w, float), DAY)
    for d in range(7):
        watts[d * DAY + 7 * HOUR : d * DAY + 7 * HOUR + 150] += 2000
    watts = np.round(watts + np.random.default_rng(6).normal(0, 0.3, WEEK))
    rest = find_cycles(as_trace(watts), kind="manual").rest
    assert rest.measured_w == pytest.approx(19 / 7, abs=0.01)
    # Of seven days, no more is known of the mean than an upper bound.
    assert 19 / 7 < rest.draw_w.high < 6
    assert [level for level, _ in rest.levels] == pytest.approx([1, 5], abs=0.01)
    assert [share for _, share in rest.levels] == pytest.approx([4 / 7, 3 / 7], abs=0.002)


@pytest.mark.parametrize("kind", ["manual", None])
def test_power_fed_back_by_day_is_no_rest(kind):
    """A sun roof and an evening load on one circuit rest by night, at 3 W."""
    second = np.arange(WEEK) % DAY
    day = np.sin((second - 6 * HOUR) / (12 * HOUR) * np.pi)
    clouds = np.clip(1 + 0.3 * np.sin(np.arange(WEEK) / 700), 0, 1)
    watts = 3 - 2500 * clouds * np.clip(day, 0, None)
    watts[(second >= 19 * HOUR) & (second < 22 * HOUR)] += 2000
    watts += np.random.default_rng(5).normal(0, 1, WEEK)
    cycles = find_cycles(as_trace(np.round(averaged(watts, 60)), period_s=60), kind)
    assert cycles.standby.value == pytest.approx(3, abs=0.3)
    assert cycles.standby.low < 3 < cycles.standby.high
    assert all(level == pytest.approx(3, abs=0.3) for level, _ in cycles.rest.levels)
    assert len(cycles.table) == 7
    assert cycles.runs_wh == pytest.approx(7 * 3 * 2003, rel=0.001)


@pytest.mark.parametrize(
    ("watts_w", "lasts_s", "offset_w"),
    [
        *[(8, 2 * HOUR, offset_w) for offset_w in (-1, -3, -5, -10, 5)],
        *[(2000, 150, offset_w) for offset_w in (-1, -5, -10, -50, 5)],
    ],
)
def test_an_offset_moves_the_standby_and_nothing_else(watts_w, lasts_s, offset_w):
    """A clamp that reads some watts too few shows the same runs, and so much less at rest."""
    uses = [(d * DAY + h * HOUR, [(lasts_s, watts_w)]) for d in range(4) for h in (6, 18)]
    watts = np.round(draw(4 * DAY, *uses, idle_w=0, noise_w=0.5) + offset_w)
    cycles = find_cycles(as_trace(watts), "manual")
    assert len(cycles.table) == 8
    above_wh = 8 * lasts_s * watts_w / 3600
    assert cycles.table["above_standby_wh"].sum() == pytest.approx(above_wh, rel=0.005)
    assert cycles.standby.value == pytest.approx(offset_w, abs=0.02)
    assert cycles.settings["backwards"] is False


@pytest.mark.parametrize("off_s", [0, 30, 180, 600, 3600])
def test_what_is_off_for_a_moment_is_not_seen_at_rest(off_s):
    """A server of 150 W that is off for up to an hour in a week has no standby of 150 W."""
    watts = draw(WEEK, idle_w=150, noise_w=2)
    watts[3 * DAY : 3 * DAY + off_s] = 0
    cycles = find_cycles(as_trace(np.round(watts)))
    assert cycles.kind == "continuous"
    assert len(cycles.table) == 0
    assert str(cycles.standby) == "not known"
    assert cycles.idle_wh == 0


def test_a_load_switched_off_at_last_was_not_at_rest_at_its_power():
    """1000 W for eleven hours and nothing for 200 s is no standby of 1000 W."""
    cycles = find_cycles(as_trace(np.r_[np.full(40_000, 1000.0), np.zeros(200)]))
    assert not cycles.standby.value > 10
    assert cycles.idle_wh <= 10


def test_a_server_off_for_four_hours_has_two_uses_and_draws_nothing_between():
    """Each part of the week is a use of 150 W; between them nothing is drawn."""
    watts = draw(WEEK, idle_w=150, noise_w=2)
    watts[3 * DAY : 3 * DAY + 4 * HOUR] = 0
    cycles = find_cycles(as_trace(np.round(watts)))
    assert len(cycles.table) == 2
    assert cycles.runs_wh == pytest.approx((7 * 24 - 4) * 150, rel=1e-3)
    assert str(cycles.standby) == "below 1 W"
    assert cycles.table["start"].tolist()[1] - cycles.table["end"].tolist()[0] == pd.Timedelta("4h")


@pytest.mark.parametrize("kind", ["modulating", "manual"])
def test_power_of_work_is_no_level_of_rest(kind):
    """On for 22 h a day, once for 50 min at 400 W, and 4 W else: 4 W is what it draws at rest."""
    uses = [(d * DAY + 2 * HOUR, [(22 * HOUR, 900 if d % 2 else 800)]) for d in range(7)]
    watts = draw(WEEK, *uses, idle_w=4, noise_w=0.5)
    on = watts > 100
    watts[on] += 100 * np.sin(np.arange(WEEK)[on] / 900)
    watts[3 * DAY + HOUR : 3 * DAY + HOUR + 3000] = 400
    rest = find_cycles(as_trace(np.round(watts)), kind=kind).rest
    assert [level for level, _ in rest.levels] == pytest.approx([4], abs=0.05)
    assert rest.draw_w.value == pytest.approx(4, abs=0.05)


def test_a_step_is_the_same_in_pieces():
    watts = np.round(draw(WEEK, *boils(7), idle_w=3, noise_w=12) / 2) * 2
    whole = smallest_step_w([watts.astype(np.float32)])
    for cut in (1, 12_345, watts.size - 1):
        parts = [watts[:cut].astype(np.float32), watts[cut:].astype(np.float32)]
        assert smallest_step_w(parts) == whole == 2


@pytest.mark.parametrize("multiplier", [1.0, -2.0, 0.9763, 1.0137, 2.034, 0.5])
@pytest.mark.parametrize("offset_w", [0.0, 0.37, -4.0])
def test_a_step_survives_a_correction(multiplier, offset_w):
    """Whole watts, many of them and a few, times a multiplier of four digits and with an offset."""
    rng = np.random.default_rng(60)
    many = rng.integers(0, 2500, 50_000)
    few = np.repeat([2, 3, 1900, 1901], 200)
    for logged in (many, few):
        read = (logged * multiplier + offset_w).astype(np.float32)
        found = smallest_step_w([read], corrections=[(multiplier, offset_w)])
        assert found == pytest.approx(abs(multiplier), rel=1e-5)
    assert smallest_step_w([(many * multiplier + offset_w).astype(np.float32)]) == pytest.approx(
        abs(multiplier), rel=1e-4
    )
    noise = (many + rng.uniform(0, 1, many.size)).astype(np.float32)
    assert smallest_step_w([noise], corrections=[(multiplier, offset_w)]) == 0


def test_a_correction_leaves_the_rounding_in_a_standby():
    """A clamp that reads 2.4 % high, in whole watts: its standby is as uncertain as before."""
    watts = np.round(draw(WEEK, *boils(7), idle_w=3.3, noise_w=0.05))
    plain = find_cycles(as_trace(watts), "manual").rest
    corrected = as_trace((watts * np.float32(0.9763)).astype(np.float32))
    rest = find_cycles(corrected, "manual", floor=ClampErrors(corrections=((0.9763, 0.0),))).rest
    assert (plain.step_w, rest.step_w) == (1.0, pytest.approx(0.9763))
    width_w = plain.draw_w.high - plain.draw_w.low
    assert width_w > 0.8
    assert rest.draw_w.high - rest.draw_w.low == pytest.approx(0.9763 * width_w, rel=1e-3)
