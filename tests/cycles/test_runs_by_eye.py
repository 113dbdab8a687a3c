"""Where runs begin and end, on traces whose answer is plain to the eye."""

import numpy as np
import pytest

from homeenergy.cycles import find_cycles

from .traces import DAY, HOUR, as_trace, draw, lasts_s, near, runs_s

PUMP_W, HEATER_W, DRAIN_W = 55, 2050, 30
# Sessions of three quarters of an hour, each day at other hours.
TRAINS_AT_H = [(7, 12, 19), (6, 15, 22), (9, 14, 20), (8, 16, 21), (7, 11, 17), (10, 13, 18)]


def wash(*, drying_s=1800, heat_s=700):
    """A dishwasher's programme: wash, heat, rinse, heat, half an hour of nothing, drain."""
    return [
        (240, PUMP_W),
        (heat_s, HEATER_W),
        (1500, PUMP_W),
        (45, 1.0),
        (600, PUMP_W),
        (600, HEATER_W),
        (300, PUMP_W),
        (drying_s, 2.0),
        (60, DRAIN_W),
    ]


def short_wash(heat_s=700):
    return [(240, PUMP_W), (heat_s, HEATER_W), (900, PUMP_W), (300, HEATER_W), (200, PUMP_W)]


def uses(shape, *at_s):
    return [(at, shape) for at in at_s], [(at, at + lasts_s(shape)) for at in at_s]


@pytest.mark.parametrize("kind", ["batch", None])
@pytest.mark.parametrize("at_h", [(9,), (9, 20), (8, 13, 20)])
def test_half_an_hour_of_nothing_and_a_drain_pulse_belong_to_the_programme(at_h, kind):
    drawn, expected = uses(wash(), *[h * HOUR for h in at_h])
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected, within_s=5)


@pytest.mark.parametrize("kind", ["batch", None])
def test_two_programmes_43_s_apart_are_two_runs(kind):
    one = short_wash()
    first = 10 * HOUR
    second = first + lasts_s(one) + 43
    drawn, expected = uses(one, 5 * HOUR, first, second, DAY + 9 * HOUR, DAY + 19 * HOUR)
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected, within_s=5)


def test_trains_of_pulses_at_all_hours_are_no_thermostat():
    session = [(16, 1500), (150, 1.0)] * 17 + [(16, 1500)]
    at = [day * DAY + h * HOUR for day, hours in enumerate(TRAINS_AT_H) for h in hours]
    drawn, expected = uses(session, *at)
    cycles = find_cycles(as_trace(draw(len(TRAINS_AT_H) * DAY, *drawn)))
    assert cycles.kind != "thermostatic"
    assert near(runs_s(cycles), expected, within_s=5)


@pytest.mark.parametrize("kind", ["manual", None])
def test_keep_warm_pulses_belong_to_the_session_and_the_next_use_does_not(kind):
    pulse_every_s = 510
    session = [(90, 1350), (30, 1.0), (25, 1350)]
    for _ in range(12):
        session += [(pulse_every_s - 9, 1.0), (9, 1350)]
    again = 8 * HOUR + lasts_s(session) + 19 * 60
    drawn, expected = uses(session, 7 * HOUR - 5 * HOUR, 8 * HOUR, again, DAY + 8 * HOUR)
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["manual", None])
def test_thermostat_pulses_of_an_iron_are_one_session(kind):
    session = [(75, 2200)]
    for n in range(12):
        session += [(120 + 5 * n, 1.0), (14, 2200)]
    drawn, expected = uses(session, 9 * HOUR, 20 * HOUR)
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["manual", None])
def test_a_false_start_belongs_to_its_boil_and_a_boil_again_is_a_run(kind):
    boil, false_start, again = [(170, 2200)], [(5, 2200), (24, 0), (170, 2200)], [(15, 2200)]
    starts = [7, 10, 13, 16, 19]
    drawn = [(h * HOUR, boil) for h in starts]
    expected = [(h * HOUR, h * HOUR + 170) for h in starts]
    drawn += [(8 * HOUR, false_start), (16 * HOUR + 170 + 240, again)]
    expected += [(8 * HOUR, 8 * HOUR + 199), (16 * HOUR + 410, 16 * HOUR + 425)]
    cycles = find_cycles(as_trace(draw(DAY, *drawn, idle_w=0)), kind)
    assert near(runs_s(cycles), sorted(expected))


@pytest.mark.parametrize("kind", ["manual", None])
def test_a_second_round_of_toast_10_s_later_is_a_run_of_its_own(kind):
    toast = [(150, 900)]
    at = [7 * HOUR, 7 * HOUR + 160, 9 * HOUR, 9 * HOUR + 160, 18 * HOUR]
    drawn, expected = uses(toast, *at)
    cycles = find_cycles(as_trace(draw(DAY, *drawn, idle_w=0)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["thermostatic", None])
def test_compressor_pauses_from_five_minutes_up_part_runs(kind):
    rng = np.random.default_rng(4)
    at, drawn, expected = 600, [], []
    while at < DAY - 3000:
        on_s, off_s = int(rng.integers(600, 1500)), int(rng.integers(300, 2400))
        drawn.append((at, [(on_s, 95)]))
        expected.append((at, at + on_s))
        at += on_s + off_s
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["thermostatic", None])
def test_on_periods_of_very_different_length_are_all_runs(kind):
    on_s = [1200, 1000, 9 * HOUR, 1100, 480, 1300, 900, 1000, 1500, 1100]
    at, drawn, expected = 1000, [], []
    for n_s in on_s:
        drawn.append((at, [(n_s, 110)]))
        expected.append((at, at + n_s))
        at += n_s + 2500
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["batch", None])
def test_anti_crease_turns_belong_to_the_load(kind):
    load = [(240, 180)]
    for _ in range(8):
        load += [(300, 2400), (90, 180)]
    load += [(300, 180)]
    for _ in range(15):
        load += [(112, 1.0), (8, 180)]
    drawn, expected = uses(load, 9 * HOUR, 14 * HOUR, DAY + 10 * HOUR)
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["batch", None])
@pytest.mark.parametrize("display_w", [3, 9, 15])
def test_a_finished_display_is_neither_run_nor_standby(display_w, kind):
    load = [(600, 150), (900, 2100), (1800, 150), (400, 450)]
    shown = [*load, (2400, display_w)]
    at = [8 * HOUR, 19 * HOUR, DAY + 10 * HOUR]
    drawn, _ = uses(shown, *at)
    expected = [(a, a + lasts_s(load)) for a in at]
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn, idle_w=0.6)), kind)
    assert near(runs_s(cycles), expected)
    assert cycles.standby.value == pytest.approx(0.6, abs=0.05)


@pytest.mark.parametrize("kind", ["batch", None])
def test_seconds_at_zero_do_not_part_a_programme(kind):
    """A drum that turns one way, rests and turns the other, for an hour."""
    turns = [(900, 2100)]
    for n in range(180):
        turns += [(12, 160), (5 + n % 6, 0.0)]
    turns += [(300, 420)]
    drawn, expected = uses(turns, 9 * HOUR, 18 * HOUR)
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["thermostatic", "manual", None])
def test_a_single_sample_spike_is_never_a_run(kind):
    watts = draw(DAY, *[(at, [(900, 120)]) for at in range(1800, DAY - 2000, 4000)])
    before = find_cycles(as_trace(watts), kind)
    spiked = watts.copy()
    for at in (300, 1800 + 400, 1800 + 2500, 50_000, 60_001):
        spiked[at] = 4900
    after = find_cycles(as_trace(spiked), kind)
    assert near(runs_s(after), runs_s(before), within_s=0)
    assert len(after.table) == 21
    assert after.standby.value == pytest.approx(before.standby.value, abs=0.02)


def test_the_inrush_belongs_to_the_run_it_starts():
    at = range(1800, DAY - 2000, 4000)
    watts = draw(DAY, *[(a, [(1, 900), (1200, 95)]) for a in at])
    cycles = find_cycles(as_trace(watts), "thermostatic")
    assert near(runs_s(cycles), [(a, a + 1201) for a in at], within_s=0)
    assert cycles.table["peak_w"].to_numpy() == pytest.approx(900, abs=2)


@pytest.mark.parametrize("kind", ["batch", "manual", "thermostatic", None])
def test_a_hole_inside_a_run_neither_parts_nor_fills_it(kind):
    """An hour at 2 kW, twenty minutes of it missing."""
    drawn, expected = uses([(HOUR, 2000)], 4 * HOUR, 12 * HOUR, 20 * HOUR)
    watts = draw(DAY, *drawn)
    watts[12 * HOUR + 1200 : 12 * HOUR + 2400] = np.nan
    cycles = find_cycles(as_trace(watts), kind)
    assert near(runs_s(cycles), expected)
    assert cycles.table["complete"].tolist() == [True, False, True]
    assert cycles.table["missing_s"].tolist() == [0, 1200, 0]
    assert cycles.table["energy_wh"].tolist() == pytest.approx([2000, 2000 * 2 / 3, 2000], rel=1e-3)
    assert cycles.table["mean_w"].tolist() == pytest.approx([2000, 2000, 2000], rel=1e-3)


def test_a_few_missing_seconds_are_counted_and_the_run_stays_complete():
    drawn, expected = uses([(HOUR, 2000)], 4 * HOUR, 12 * HOUR, 20 * HOUR)
    watts = draw(DAY, *drawn)
    watts[12 * HOUR + 1200 : 12 * HOUR + 1220] = np.nan
    cycles = find_cycles(as_trace(watts), "manual")
    assert near(runs_s(cycles), expected)
    assert cycles.table["complete"].all()
    assert cycles.table["missing_s"].tolist() == [0, 20, 0]
    assert cycles.table["energy_wh"].iloc[1] == pytest.approx(2000 * 3580 / 3600, rel=1e-3)


def test_a_hole_in_idle_time_ends_nothing():
    drawn, expected = uses([(HOUR, 2000)], 4 * HOUR, 12 * HOUR, 20 * HOUR)
    watts = draw(DAY, *drawn)
    watts[7 * HOUR : 10 * HOUR] = np.nan
    cycles = find_cycles(as_trace(watts), "manual")
    assert near(runs_s(cycles), expected)
    assert cycles.table["complete"].all()


def test_runs_cut_by_the_ends_of_the_data_are_marked_and_kept_in_the_total():
    watts = draw(
        DAY,
        (0, [(600, 2000)]),
        (8 * HOUR, [(1200, 2000)]),
        (16 * HOUR, [(1300, 2000)]),
        (DAY - 500, [(500, 2000)]),
    )
    cycles = find_cycles(as_trace(watts), "manual")
    assert cycles.table["complete"].tolist() == [False, True, True, False]
    assert cycles.runs_wh == pytest.approx((600 + 1200 + 1300 + 500) * 2000 / 3600, rel=1e-3)
    assert len(cycles.complete) == 2


def test_a_run_that_borders_on_a_hole_is_incomplete():
    drawn, _ = uses([(HOUR, 2000)], 4 * HOUR, 12 * HOUR, 20 * HOUR)
    watts = draw(DAY, *drawn)
    watts[13 * HOUR - 600 : 14 * HOUR] = np.nan
    cycles = find_cycles(as_trace(watts), "manual")
    assert cycles.table["complete"].tolist() == [True, False, True]
    assert cycles.table["energy_wh"].iloc[1] == pytest.approx(2000 * 3000 / 3600, rel=1e-3)


@pytest.mark.parametrize("kind", ["batch", "manual"])
def test_a_dropped_heater_does_not_part_a_dryer_but_five_minutes_of_rest_may(kind):
    """The motor goes on while the heater drops out for four minutes: one run."""
    load = [(1200, 2400), (240, 190), (1500, 2400), (240, 190)]
    drawn, expected = uses(load, 8 * HOUR, 18 * HOUR, DAY + 9 * HOUR)
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["thermostatic", None])
def test_door_lamps_are_no_runs(kind):
    at = list(range(1800, DAY - 2000, 4000))
    lamps = [(a + 2000 + 40 * n, [(6 + n % 20, 15)]) for n, a in enumerate(at)]
    drawn, expected = uses([(1200, 95)], *at)
    cycles = find_cycles(as_trace(draw(DAY, *drawn, *lamps)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["manual", None])
def test_a_guide_update_of_a_television_set_is_no_use(kind):
    viewing = [(5, 60), (2 * HOUR, 95)]
    update = (4 * HOUR, [(480, 17)])
    drawn, expected = uses(viewing, 9 * HOUR, 19 * HOUR)
    cycles = find_cycles(as_trace(draw(DAY, update, *drawn)), kind)
    assert near(runs_s(cycles), expected)


def test_phases_of_a_run_are_its_plateaus():
    load = [(600, 150), (900, 2100), (1800, 150), (400, 450)]
    drawn, _ = uses(load, 8 * HOUR, 19 * HOUR)
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), "batch")
    phases = cycles.phases(1)
    assert phases["mean_w"].tolist() == pytest.approx([150, 2100, 150, 450], abs=0.2)
    assert phases["n"].tolist() == [600, 900, 1800, 400]
    assert phases["end"].iloc[-1] == cycles.table["end"].iloc[1]


@pytest.mark.parametrize("period_s", [300, 900])
def test_readings_of_some_minutes_still_show_long_runs(period_s):
    """Six hours of charging, twice, in readings of five or fifteen minutes."""
    drawn, expected = uses([(6 * HOUR, 3600)], 1 * HOUR, DAY + 20 * HOUR - 450)
    watts = draw(3 * DAY, *drawn).reshape(-1, period_s).mean(axis=1)
    cycles = find_cycles(as_trace(watts, period_s=period_s), "batch")
    assert near(runs_s(cycles), expected, within_s=period_s)
    assert cycles.table["above_standby_wh"].tolist() == pytest.approx([21_600] * 2, rel=0.01)


def test_a_kettle_in_quarter_hours_loses_nothing_of_its_energy():
    """The boils cannot be told in length, but what they used is in the runs."""
    at = [h * HOUR + 400 for h in (7, 10, 15, 19)]
    drawn, _ = uses([(180, 2200)], *at)
    watts = draw(DAY, *drawn, idle_w=0, noise_w=0.05).reshape(-1, 900).mean(axis=1)
    cycles = find_cycles(as_trace(watts, period_s=900), "manual")
    assert len(cycles.table) == 4
    assert cycles.runs_wh == pytest.approx(4 * 2200 * 180 / 3600, rel=0.01)
    assert (cycles.table["duration_s"] == 900).all()


@pytest.mark.parametrize("kind", ["thermostatic", None])
def test_two_compressors_that_overlap_are_on_from_the_first_to_the_last(kind):
    """One of 55 W, another of 45 W on the same line: steps of 55, 100 and 45 W."""
    steps = [(600, 55), (500, 100), (400, 45)]
    drawn, expected = uses(steps, *range(1000, DAY - 3000, 4200))
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["manual", None])
def test_a_load_that_wanders_by_a_third_stays_one_run(kind):
    rng = np.random.default_rng(5)
    watts = draw(DAY)
    expected = []
    for at in (9 * HOUR, 14 * HOUR, 20 * HOUR):
        wander = np.cumsum(rng.normal(0, 1.2, 7200))
        watts[at : at + 7200] = 110 + 30 * np.tanh(wander / 40) + rng.normal(0, 3, 7200)
        expected.append((at, at + 7200))
    cycles = find_cycles(as_trace(watts), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("seconds", [4, 6, 20])
def test_runs_of_a_few_samples_are_runs(seconds):
    at = [h * HOUR for h in (7, 9, 12, 18, 20)]
    drawn, expected = uses([(seconds, 1100)], *at)
    cycles = find_cycles(as_trace(draw(DAY, *drawn)), "manual")
    assert near(runs_s(cycles), expected, within_s=0)


@pytest.mark.parametrize("period_s", [2, 5])
def test_runs_of_a_few_slow_samples_are_runs(period_s):
    """Strokes of 12 s that begin anywhere between the readings."""
    at = [h * HOUR + 7 * h + h % 3 for h in range(1, 24)]
    drawn, expected = uses([(12, 700)], *at)
    n = DAY // period_s * period_s
    watts = draw(DAY, *drawn, idle_w=0)[:n].reshape(-1, period_s).mean(axis=1)
    cycles = find_cycles(as_trace(watts, period_s=period_s), "thermostatic")
    assert near(runs_s(cycles), expected, within_s=period_s)
    assert cycles.runs_wh == pytest.approx(23 * 12 * 700 / 3600, rel=0.01)


@pytest.mark.parametrize("kind", ["thermostatic", None])
def test_a_lamp_and_an_open_door_are_no_runs(kind):
    lamp = (30_000 + 1500, [(600, 22)])
    at = list(range(1800, DAY - 2000, 4000))
    drawn, expected = uses([(1200, 95)], *at)
    cycles = find_cycles(as_trace(draw(DAY, *drawn, lamp)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["batch", None])
def test_a_dryer_opened_for_a_minute_goes_on_as_one_run(kind):
    load = [(1500, 2400), (60, 1.0), (1800, 2400), (300, 190)]
    drawn, expected = uses(load, 8 * HOUR, 20 * HOUR, DAY + 11 * HOUR, DAY + 19 * HOUR)
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected)


@pytest.mark.parametrize("kind", ["batch", None])
def test_washes_four_minutes_apart_are_two_runs(kind):
    wash_load = [(120, 12), (900, 2100), (1800, 150), (300, 25), (600, 450)]
    first = 9 * HOUR
    at = [first, first + lasts_s(wash_load) + 240, DAY + 10 * HOUR, DAY + 17 * HOUR]
    drawn, expected = uses(wash_load, *at)
    cycles = find_cycles(as_trace(draw(2 * DAY, *drawn)), kind)
    assert near(runs_s(cycles), expected, within_s=3)


def test_one_pause_that_is_given_is_the_only_rule():
    drawn, _ = uses([(300, 900)], *range(3600, 20_000, 500))
    watts = as_trace(draw(DAY, *drawn))
    assert len(find_cycles(watts, "manual", pause_s=199).table) == len(drawn)
    assert len(find_cycles(watts, "manual", pause_s=200).table) == 1
