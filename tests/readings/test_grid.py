"""Rows at any instants come to a regular grid with their energy kept."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.readings import Trace
from homeenergy.readings.logs.rows import Grid, make_grid, snap
from homeenergy.readings.store.grid import Column, grid_columns

S = 1_000_000_000
T0 = 1_772_323_200 // 420 * 420 * S  # a whole multiple of every period used here


def series(seconds, watts):
    return pd.Series(
        watts, index=pd.to_datetime(T0 + (np.asarray(seconds) * S).astype("int64"), utc=True)
    )


def one(seconds, values, *, period=1, hold=30, row_period=None, **column):
    grid = Grid(period * S, (row_period or period) * S, hold * S)
    times = T0 + np.round(np.asarray(seconds, dtype=float) * S).astype("int64")
    (out,) = grid_columns(
        times, [Column(logged=np.asarray(values, dtype=float), **column)], grid=grid
    )
    return out


def test_regular_series_keeps_samples_and_instants():
    start = pd.Timestamp("2026-03-01 00:00:07.3", tz="Europe/Berlin")
    given_w = pd.Series([1.0, 2.0, np.nan, 4.0], index=pd.date_range(start, periods=4, freq="10s"))
    trace = Trace.from_series(given_w, label="x")
    assert trace.start == start.tz_convert("UTC")
    assert trace.period_s == 10
    np.testing.assert_array_equal(trace.watts, np.float32([1, 2, np.nan, 4]))


def test_hold_bridges_short_steps_and_leaves_long_ones_missing():
    out = one([0, 3, 40], [5, 7, 9], hold=30)
    assert out.watts.size == 41
    np.testing.assert_array_equal(out.watts[:4], [5, 5, 5, 7])
    assert np.isnan(out.watts[4:40]).all()
    assert out.watts[40] == 9


def test_a_step_of_just_the_hold_is_bridged():
    for seconds in ([0, 30, 35], [0.3, 30.3, 35.8]):
        assert not np.isnan(one(seconds, [5, 7, 9], hold=30).watts).any()
    for seconds in ([0, 31, 35], [0.3, 30.4, 35.8]):
        assert np.count_nonzero(np.isnan(one(seconds, [5, 7, 9], hold=30).watts)) >= 29


def test_missing_row_ends_the_hold():
    out = one([0, 1, 4], [5, np.nan, 6])
    np.testing.assert_array_equal(out.watts, np.float32([5, np.nan, np.nan, np.nan, 6]))


def test_jitter_does_not_smear_a_spike():
    rng = np.random.default_rng(1)
    seconds = np.arange(600) + 0.4 + rng.uniform(-0.1, 0.1, 600)
    watts = np.where(np.arange(600) == 300, 4000.0, 2.0)
    out = one(seconds, watts)
    np.testing.assert_array_equal(out.watts, watts.astype("f4"))


def test_jitter_around_whole_seconds_stays_on_the_nearer_second():
    rng = np.random.default_rng(2)
    seconds = np.arange(1, 600) + rng.uniform(-0.1, 0.1, 599)
    watts = rng.integers(0, 3000, 599).astype(float)
    out = one(seconds, watts)
    assert out.first_slot == T0 // S + 1
    np.testing.assert_array_equal(out.watts, watts.astype("f4"))


def test_drifting_clock_neither_smears_nor_leaves_holes():
    seconds = np.arange(20_000) * 1.0003 + 0.1
    watts = np.where(np.arange(20_000) % 50 < 10, 2000.0, 0.0)
    out = one(seconds, watts)
    assert set(np.unique(out.watts)) <= {0.0, 1000.0, 2000.0}  # 1000: two rows met in one slot
    assert np.mean(out.watts == 1000) < 0.001
    assert not np.isnan(out.watts).any()


def test_power_of_one_instant_is_averaged_over_all_its_rows():
    """Several readings a second: 0, 0, 0 and 1000 W are 250 W, not 500."""
    out = one([0, 1, 1, 1, 2], [1, 5, 5, 8, 2])
    np.testing.assert_array_equal(out.watts, np.float32([1, 6, 2]))
    assert out.repeats == 2


def test_time_weighted_mean_of_irregular_rows():
    out = one([0, 2.5, 7.5], [100, 0, 200], period=10, hold=30)
    # By hand: 2.5 s of 100 W, 5 s of 0 W, 2.5 s of 200 W; and the last 7.5 s of 200 W.
    np.testing.assert_allclose(out.watts, [75.0, 150.0], rtol=1e-6)


def test_energy_rows_keep_their_energy_over_a_missing_row():
    out = one([0, 60, 180], [1, 2, 3], period=60, hold=150, quantity="energy")
    np.testing.assert_allclose(out.watts, [60, 120, np.nan, 180], rtol=1e-6)


@pytest.mark.parametrize(
    ("counter", "rolls", "watts", "resets", "rejected"),
    [
        ([0, 1, 3], None, [3600, 7200, np.nan], 0, 0),
        ([9, 10, 2], None, [3600, 7200, np.nan], 1, 0),  # reset: 2 Wh since it began again at 0
        ([98, 99, 1], 100.0, [3600, 7200, np.nan], 1, 0),
        ([5000, 5001, 0, 5002], None, [3600, 1800, 1800, np.nan], 0, 1),  # 0: no answer
        ([5000, 5001, 0, 0, 5004], None, [3600, 3600, 3600, 3600, np.nan], 0, 2),
        ([5000, 5001, 5000.5, 5002], None, [3600, 0, 3600, np.nan], 0, 1),  # jitter
        ([5000, 5001, 3000, 3001], None, [3600, np.nan, 3600, np.nan], 0, 1),  # 3 kWh in a second
        ([8, 9, 0, 1, 3], None, [3600, 0, 3600, 7200, np.nan], 1, 0),
        ([0, np.nan, 2], None, [3600, 3600, np.nan], 0, 0),
    ],
)
def test_counter(counter, rolls, watts, resets, rejected):
    out = one(range(len(counter)), counter, quantity="energy_counter", rolls_over_at=rolls)
    np.testing.assert_allclose(out.watts, watts, rtol=1e-6)
    assert (out.resets, out.rejected) == (resets, rejected)


def test_what_a_counter_counts_below_its_highest_reading_is_not_known():
    """It falls by 40 Wh five times a day, by less than 1 % of its reading, and goes on."""
    period, n = 60, 2000
    counter = 5000 + 38.7 * period / 3600 * np.arange(n)
    for at in range(200, n, 288):
        counter[at:] -= 40
    out = one(np.arange(n) * period, counter, period=period, hold=150, quantity="energy_counter")
    known = out.watts[np.isfinite(out.watts)]
    assert known.mean() == pytest.approx(38.7, rel=0.002)
    assert 0.05 < np.isfinite(out.watts).mean() < 0.95
    assert out.rejected == 7


@pytest.mark.parametrize("wrong", ["a hair less", "no answer"])
@pytest.mark.parametrize("period", [60, 900])
def test_one_wrong_reading_of_a_counter_adds_no_energy(wrong, period):
    """100 W all the time, and the counter at 5 kWh when the log begins."""
    counter = 5000 + 100 * period / 3600 * np.arange(1000)
    counter[500] = counter[499] - 0.1 if wrong == "a hair less" else 0.0
    out = one(
        np.arange(1000) * period, counter, period=period, hold=5000, quantity="energy_counter"
    )
    watts = out.watts[:999]
    assert watts.sum(dtype=float) * period == pytest.approx(999 * 100 * period, rel=1e-5)
    assert watts.max() <= 201
    assert (out.resets, out.rejected) == (0, 1)


def test_counter_of_the_day_begins_again_at_midnight():
    """0.5 kW by day and 2 kW in the hour after midnight, read every hour for three days."""
    hours = np.where(np.arange(72) % 24 == 0, 2000.0, 500.0)  # Wh in each hour
    counter = [hours[n - n % 24 : n].sum() for n in range(72)]
    out = one(np.arange(72) * 3600, counter, period=3600, hold=9000, quantity="energy_counter")
    expected = hours[:71].copy()
    expected[[23, 47]] = 0.0  # the last hour of a day goes with the reset
    np.testing.assert_allclose(out.watts[:71], expected, rtol=1e-6)
    assert (out.resets, out.rejected) == (2, 0)


def test_counter_with_readings_between_slots_conserves_energy():
    rng = np.random.default_rng(3)
    seconds = np.r_[0, np.sort(rng.uniform(0, 600, 200)), 600]
    counter = np.r_[0, np.cumsum(rng.uniform(0, 0.002, 201))]
    out = one(seconds, counter, period=7, hold=60, row_period=3, quantity="energy_counter")
    # 600 s do not end with a slot of 7 s, so compare up to the last edge before.
    edge = 600 // 7 * 7
    n = edge // 7
    assert float(out.watts[:n].sum(dtype="f8")) * 7 / 3600 == pytest.approx(
        np.interp(edge, seconds, counter), rel=1e-6
    )


irregular = st.lists(
    st.tuples(st.integers(0, 2_000_000), st.one_of(st.floats(-50, 5000), st.just(float("nan")))),
    min_size=1,
    max_size=60,
    unique_by=lambda row: row[0],
)


def durations_s(seconds, watts, *, period, hold):
    """The stated rule, row by row in plain Python."""
    spans = []
    for i, (t, w) in enumerate(zip(seconds, watts, strict=True)):
        following = seconds[i + 1] if i + 1 < len(seconds) else np.inf
        end = following if following - t <= hold else min(t + period, following)
        if not np.isnan(w):
            spans.append([t, end, w])
    return spans


@settings(max_examples=150)
@given(irregular, st.sampled_from([1, 7, 60]), st.sampled_from([5, 30, 200]))
def test_energy_of_the_grid_is_the_sum_over_rows(rows, period, hold):
    rows = sorted(rows)
    ms = np.array([t for t, _ in rows], dtype="int64")
    watts = np.array([w for _, w in rows])
    times = T0 + ms * 1_000_000
    grid = Grid(period * S, period * S, hold * S)
    if not np.array_equal(snap(times, grid.period_ns)[0], times):
        return  # moved rows have other durations; see the tests on jitter
    (out,) = grid_columns(times, [Column(logged=watts)], grid=grid)
    spans = durations_s(ms, watts, period=period * 1000, hold=hold * 1000)
    joules = sum((end - start) / 1000 * w for start, end, w in spans)
    scale = sum((end - start) / 1000 * abs(w) for start, end, w in spans)
    assert np.nansum(out.watts, dtype="f8") * period == pytest.approx(
        joules, abs=1e-6 * scale + 1e-9
    )
    edges = 2 * sum(a[1] < b[0] for a, b in itertools.pairwise(spans)) + 2
    covered = sum(end - start for start, end, _ in spans) / 1000
    there = np.count_nonzero(~np.isnan(out.watts)) * period
    assert there == pytest.approx(covered, abs=edges * period / 2 + 1e-6)


@pytest.mark.parametrize("offset", [0.0, 0.4, 0.69, 0.7, 0.71, 0.99])
@pytest.mark.parametrize("ends", [False, True])
def test_a_constant_phase_with_holes_moves_all_rows_by_the_same(offset, ends):
    """Rows are those of a logger without a phase, to the last bit, on either side of holes."""
    rows = np.r_[0:300, 420:431, 1200:1500, 1503:1510, 2000:2003]
    rng = np.random.default_rng(8)
    watts = rng.integers(0, 3000, rows.size).astype(float)
    grid = Grid(10 * S, 10 * S, 30 * S, ends=ends)
    outs = [
        grid_columns(
            T0 + np.round((rows + at) * 10 * S).astype("int64"), [Column(logged=watts)], grid=grid
        )[0]
        for at in (0.0, offset)
    ]
    shift = outs[1].first_slot - outs[0].first_slot
    assert shift in (0, 1)
    there = [out.watts[~np.isnan(out.watts)] for out in outs]
    # Three rows by themselves, far from all others, show no phase.
    alone = slice(0, -3) if offset else slice(None)
    np.testing.assert_array_equal(there[1][: there[0].size][alone], there[0][alone])


def test_no_row_counts_longer_where_a_logger_begins_anew_with_another_phase():
    rows = np.r_[0:600, 600.4:1200]
    watts = np.ones(rows.size)
    watts[599], watts[600] = 1000.0, 10_000.0
    out = one(rows * 30, watts, period=30, hold=90)
    # By hand: the row before the new beginning lasts 1.4 periods.
    expected = rows.size - 2 + 1400 + 10_000
    assert np.nansum(out.watts, dtype=float) == pytest.approx(expected, rel=1e-6)


@settings(max_examples=60)
@given(
    irregular,
    st.randoms(use_true_random=False),
    st.sampled_from(["power", "energy", "energy_counter"]),
)
def test_reordering_rows_changes_nothing(rows, random, quantity):
    shuffled = list(rows)
    random.shuffle(shuffled)
    outs = [
        one([t / 1000 for t, _ in r], [w for _, w in r], period=5, hold=60, quantity=quantity)
        for r in (sorted(rows), shuffled)
    ]
    np.testing.assert_array_equal(outs[0].watts, outs[1].watts)


def test_columns_in_company_or_alone_give_the_same():
    rng = np.random.default_rng(4)
    times = T0 + np.sort(rng.integers(0, 3000, 500)) * S
    columns = [
        Column(logged=rng.normal(100, 9, 500)),
        Column(logged=np.arange(500.0), quantity="energy_counter"),
        Column(logged=rng.normal(1, 0.1, 500), quantity="energy"),
        Column(logged=np.arange(500.0), quantity="energy_counter"),
    ]
    grid = Grid(S, S, 30 * S)
    together = grid_columns(times, columns, grid=grid)
    for column, out in zip(columns, together, strict=True):
        np.testing.assert_array_equal(out.watts, grid_columns(times, [column], grid=grid)[0].watts)


def test_input_may_be_read_only_and_is_left_alone():
    given_w = series([0, 1, 2, 2, 5], [1.0, 2, 3, 3, 4])
    values = given_w.to_numpy()
    before = values.copy()
    Trace.from_series(given_w, period_s=1)
    np.testing.assert_array_equal(values, before)


def test_coarser_period_averages():
    given_w = series(np.arange(120), np.r_[np.full(60, 10.0), np.full(30, 0.0), np.full(30, 20.0)])
    trace = Trace.from_series(given_w, period_s=60)
    np.testing.assert_allclose(trace.watts, [10, 10])


@pytest.mark.parametrize(
    ("index", "match"),
    [
        (pd.RangeIndex(3), "time-zone-aware"),
        (pd.date_range("2026-03-01", periods=3, freq="1s"), "time-zone-aware"),
        (pd.DatetimeIndex(["2026-03-01"] * 3, tz="UTC"), "give period_s"),
    ],
)
def test_refuses_an_index_it_cannot_use(index, match):
    with pytest.raises(ValueError, match=match):
        Trace.from_series(pd.Series([1.0, 2.0, 3.0], index=index))


def test_rows_stamped_with_their_end_tell_of_the_time_since_the_row_before(tmp_path):
    """By hand: 100 W for 600 s, 2000 W for 60 s, 50 W for 840 s, 2000 W for 300 s."""
    from homeenergy.readings import import_logs, open_house

    (tmp_path / "logs").mkdir()
    begin = T0 // S // 3600 * 3600
    seconds, watts = (0, 600, 660, 1500, 1800), (0, 100, 2000, 50, 2000)
    rows = "".join(f"{begin + t},{w}\n" for t, w in zip(seconds, watts, strict=True))
    (tmp_path / "logs" / "a.csv").write_text("t,load\n" + rows)
    (tmp_path / "house.toml").write_text(
        'name = "End marks"\ntimezone = "UTC"\n[[circuit]]\nname = "load"\n[[log]]\n'
        'files = "logs/*.csv"\ntime_columns = ["t"]\ntime_format = "epoch_s"\n'
        'time_marks = "end"\nperiod_s = 60\nhold_s = 1000\n[log.columns]\nload = "load"\n'
    )
    import_logs(tmp_path)
    trace = open_house(tmp_path).trace("load")
    trace = trace.between(pd.Timestamp(begin, unit="s", tz="UTC"))
    expected_wh = (100 * 600 + 2000 * 60 + 50 * 840 + 2000 * 300) / 3600
    assert trace.energy_wh == pytest.approx(expected_wh, rel=1e-6)
    assert trace.watts[10] == 2000
    assert (trace.watts[11:25] == 50).all()


@pytest.mark.parametrize(
    ("quantity", "logged", "expected_wh"),
    [("energy", [10.0] * 5, 50.0), ("energy_counter", [10.0, 20.0, 30.0, 40.0, 50.0], 20.0)],
)
def test_energies_off_the_grid_and_with_holes_are_not_widened(quantity, logged, expected_wh):
    """Of the counter's four steps two lie beyond the hold, so 20 of 40 Wh are known."""
    times = np.array([30, 90, 330, 390, 690]) * S
    grid = make_grid(60 * S, period_s=60, hold_s=None)
    column = Column(logged=np.array(logged), quantity=quantity)
    (out,) = grid_columns(times, [column], grid=grid)
    assert np.nansum(out.watts, dtype=float) / 60 == pytest.approx(expected_wh, rel=1e-6)


@pytest.mark.parametrize("quantity", ["energy", "energy_counter"])
def test_edges_of_holes_are_covered_without_bias_where_energies_lie_off_the_grid(quantity):
    """600 W as 10 Wh a minute, stamps 9 s to and fro, 8 % of the rows lost (or half the hours)."""
    rng = np.random.default_rng(5)
    number = 14_400
    seconds = 37 + 60 * np.arange(number) + np.round(rng.normal(0, 9, number))
    kept = rng.random(number) > 0.08
    if quantity == "energy_counter":
        kept = (np.arange(number) % 60 < 53) | (rng.random(number) > 0.5)
    values = np.full(number, 10.0)
    if quantity == "energy_counter":
        values = seconds / 6
    out = one(seconds[kept], values[kept], period=60, hold=150, row_period=60, quantity=quantity)
    there = ~np.isnan(out.watts)
    if quantity == "energy":
        known_wh, share = 10.0 * kept.sum(), kept.mean()
    else:
        steps = np.diff(seconds[kept])
        known_wh = steps[steps <= 150].sum() / 6
        share = known_wh * 6 / (out.watts.size * 60)
    assert np.nansum(out.watts, dtype=float) / 60 == pytest.approx(known_wh, rel=1e-6)
    assert there.mean() == pytest.approx(share, abs=0.004)
    assert out.watts[there].mean(dtype=float) == pytest.approx(600, rel=0.005)


def test_a_slot_hardly_covered_gives_its_energy_to_the_next_of_its_stretch():
    """60 Wh an hour, from 50 s to 310 s, and from 590 s to 610 s: a stretch across an edge."""
    seconds, counter = [50, 310, 590, 610], [0, 260 / 60, 260 / 60, 280 / 60]
    out = one(seconds, counter, period=60, hold=265, quantity="energy_counter")
    # By hand: 10 s of slot 0 and 10 s of slot 5 go to their neighbours; of slots 9 and 10, which
    # have 10 s each, the first keeps all 20 s.
    expected = np.array([np.nan, 70, 60, 60, 70, *[np.nan] * 4, 20, np.nan]) * 60 / 60
    np.testing.assert_allclose(out.watts, expected, rtol=1e-6)


def test_months_agree_on_a_slot_at_their_edge():
    rng = np.random.default_rng(8)
    seconds = np.cumsum(rng.uniform(20, 160, 400))
    grid = make_grid(60 * S, period_s=60, hold_s=100)
    times = T0 + (seconds * S).astype("int64")
    column = Column(logged=rng.uniform(0, 9, 400), quantity="energy")
    (whole,) = grid_columns(times, [column], grid=grid)
    first, number = whole.first_slot, whole.watts.size
    for cut in range(200, 230):
        pieces = [
            grid_columns(times, [column], grid=grid, between=edges)[0].watts
            for edges in ((first, first + cut), (first + cut, first + number))
        ]
        np.testing.assert_array_equal(np.concatenate(pieces), whole.watts)


def pulse_rows():
    """Stamps [s] of each watt-hour of 5 W with 2000 W for two hours of each of six days."""
    watts = np.full(6 * 86_400, 5.0)
    for day in range(6):
        watts[day * 86_400 + 36_000 : day * 86_400 + 43_200] += 2000
    counted_wh = np.cumsum(watts) / 3600
    return np.searchsorted(counted_wh, np.arange(1, int(counted_wh[-1]) + 1)) + 1


@pytest.mark.parametrize("period", [1, 60])
def test_a_row_for_each_watt_hour_tells_of_all_the_time_since_the_row_before(period):
    """The longest step is the 720 s in which 5 W make a watt-hour."""
    stamps = pulse_rows()
    grid = make_grid(period * S, period_s=period, hold_s=1000, ends=True)
    times = T0 + stamps * S - grid.row_period_ns
    column = Column(logged=np.full(stamps.size, 1.0), quantity="energy")
    (out,) = grid_columns(times, [column], grid=grid)
    there = ~np.isnan(out.watts)
    assert np.nansum(out.watts, dtype=float) * period / 3600 == pytest.approx(stamps.size, rel=1e-5)
    # The first row has none before it, so its 719 s are not known.
    assert there.sum() * period == pytest.approx(stamps[-1] - stamps[0], abs=3 * period)
    night = out.watts[40_000 // period * -1 :][there[40_000 // period * -1 :]]
    assert np.median(night) == pytest.approx(5, rel=0.01)


def test_energy_stamped_at_its_end_stays_in_its_own_period_beside_a_lost_row():
    """Rows of 60 s that end at 60, 120, 240 (180 is lost) and 300 s."""
    grid = make_grid(60 * S, period_s=60, hold_s=None, ends=True)
    times = T0 + np.array([60, 120, 240, 300]) * S - 60 * S
    energy = Column(logged=np.array([1.0, 2.0, 4.0, 5.0]), quantity="energy")
    power = Column(logged=np.array([60.0, 120.0, 240.0, 300.0]))
    outs = grid_columns(times, [energy, power], grid=grid)
    np.testing.assert_allclose(outs[0].watts[:5], [60, 120, np.nan, 240, 300])
    np.testing.assert_allclose(outs[1].watts[:5], [60, 120, 240, 240, 300])
