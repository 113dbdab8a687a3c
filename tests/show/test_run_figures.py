"""Runs laid on one another, the map of the week, the load-duration curve, runs by programme."""

import numpy as np
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.show import (
    plot_aligned_runs,
    plot_run_distribution,
    plot_week_map,
)
from homeenergy.show.figures.runs import _aligned
from homeenergy.show.figures.times import week_map_w

DAY = 1440


def daily_use(days, *, hour=6.0, minutes=30, on_w=1000.0, rest_w=2.0):
    watts = np.full(days * DAY, rest_w)
    for day in range(days):
        at = day * DAY + int(hour * 60)
        watts[at : at + minutes] = on_w
    return watts


def texts(ax):
    return [text.get_text() for text in ax.texts]


def test_aligned_runs_have_their_median_over_one_another(make_trace):
    watts = daily_use(5)
    for day, low in enumerate((100, 200, 300, 400, 500)):
        watts[day * DAY + 370 : day * DAY + 390] = low
    trace = make_trace(watts)
    ax = plot_aligned_runs(trace, find_cycles(trace, "batch"))
    runs = [patch for patch in ax.patches if patch.get_linewidth() < 1]
    (median,) = [patch for patch in ax.patches if patch.get_linewidth() > 1]
    assert len(runs) == 5
    values, edges, _ = median.get_data()
    assert values[:10] == pytest.approx(1000)
    assert values[10:30] == pytest.approx(300)
    assert edges[-1] == 30
    assert ax.get_xlabel() == "time since the start of the run (min)"


def test_a_few_long_runs_do_not_squeeze_the_others(make_trace):
    watts = daily_use(20)
    watts[360 : 360 + 900] = 1000.0
    trace = make_trace(watts)
    ax = plot_aligned_runs(trace, find_cycles(trace, "manual"))
    assert ax.get_xlim()[1] < 60
    assert texts(ax) == ["1 of 20 continue →"]


def test_stretches_of_long_runs_are_means_and_holes_stay(make_trace):
    watts = daily_use(2, minutes=1300, hour=0.5)
    watts[30:40:2] = 3000.0
    watts[100:104] = np.nan
    trace = make_trace(watts)
    table = find_cycles(trace, "manual", long_gap_s=3600).table
    width_s, longer, aligned = _aligned(trace, table)
    assert (width_s, longer) == (120.0, 0)
    assert aligned[0, :5] == pytest.approx(2000)
    assert np.isnan(aligned[0, 35:37]).all()
    assert np.isfinite(aligned[0, [34, 37]]).all()


def test_aligned_runs_of_chosen_rows_and_of_none(make_trace):
    trace = make_trace(daily_use(5))
    cycles = find_cycles(trace, "manual")
    chosen = plot_aligned_runs(trace, cycles, runs=[1, 3])
    assert chosen.get_title(loc="left") == "Kettle: 2 runs"
    none = plot_aligned_runs(trace.samples(0, 300), cycles)
    assert texts(none) == ["no complete run"]


def test_the_week_map_is_in_local_time_monday_first(make_trace):
    # 2026-03-02 is a Monday; 06:00 UTC is 07:00 in Amsterdam.
    trace = make_trace(daily_use(14))
    ax = plot_week_map(trace, timezone="Europe/Amsterdam")
    shown = np.asarray(ax.images[0].get_array())
    assert shown[:, 7] == pytest.approx((1000 * 30 + 2 * 30) / 60)
    assert np.delete(shown, 7, axis=1) == pytest.approx(2)
    assert ax.get_yticklabels()[0].get_text() == "Mon"
    assert texts(ax).count("501") == 7


def test_an_hour_that_comes_twice_is_still_a_mean(make_trace):
    from zoneinfo import ZoneInfo

    trace = make_trace(np.full(2 * DAY, 100.0), start="2026-10-24T22:00Z")
    watts = week_map_w(trace, timezone=ZoneInfo("Europe/Amsterdam"))
    assert watts[6] == pytest.approx(100)
    assert np.isnan(watts[2]).all()


def test_fields_that_were_not_measured_are_hatched(make_trace):
    watts = daily_use(7)
    watts[8 * 60 : 9 * 60] = np.nan
    ax = plot_week_map(make_trace(watts))
    (field,) = ax.patches
    assert (field.get_x(), field.get_y()) == (8, 0)
    assert field.get_hatch()
    assert len(ax.texts) == 7 * 24 - 1


def runs_of(make_trace, powers_w):
    watts = np.full((len(powers_w), DAY), 2.0)
    for day, power_w in enumerate(powers_w):
        watts[day, 360:390] = power_w
    return find_cycles(make_trace(watts.ravel()), "manual")


def test_programmes_have_a_row_each_the_most_frequent_first(make_trace):
    cycles = runs_of(make_trace, [1000, 2000, 1010, 1020, 2020])
    labels = ["eco", "hot", "eco", "eco", "hot"]
    ax = plot_run_distribution(cycles, programmes=labels)
    assert [label.get_text() for label in ax.get_yticklabels()] == ["eco", "hot"]
    eco, hot = (line for line in ax.get_lines() if line.get_marker() not in ("None", ""))
    assert sorted(eco.get_xdata()) == pytest.approx([0.5, 0.505, 0.51])
    assert sorted(hot.get_xdata()) == pytest.approx([1.0, 1.01])
    assert eco.get_marker() != hot.get_marker()
    assert "3 runs" in texts(ax)[0]
    assert texts(ax)[0].startswith("0.505")


def test_names_given_by_hand_are_rows_and_the_rarest_are_put_together(make_trace):
    from dataclasses import replace

    cycles = runs_of(make_trace, [1000 + 10 * k for k in range(12)])
    named = replace(cycles, table=cycles.table.assign(label=["eco", "", *["x"] * 10]))
    ax = plot_run_distribution(named)
    assert [label.get_text() for label in ax.get_yticklabels()] == ["x", "eco", "no name"]
    many = plot_run_distribution(cycles, programmes=list("abcdefghijkl"))
    assert [label.get_text() for label in many.get_yticklabels()] == [*"abcdefg", "others"]
    assert "5 runs" in texts(many)[-1]


def test_labels_must_be_as_many_as_runs(make_trace):
    with pytest.raises(ValueError, match="2 labels for 3 runs"):
        plot_run_distribution(runs_of(make_trace, [1000] * 3), programmes=["a", "b"])
    ax = plot_run_distribution(find_cycles(make_trace(np.full(DAY, 2.0)), "manual"))
    assert texts(ax) == ["no complete run"]
