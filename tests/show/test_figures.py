from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb

from homeenergy.cycles import find_cycles
from homeenergy.findings.appliance.record import estimate_text
from homeenergy.show import plot_daily_energy, plot_run_energies, plot_runs, plot_traces
from homeenergy.stats.estimate import Estimate, mean_estimate
from homeenergy.stats.means import mean_of_runs

START = pd.Timestamp("2026-03-02T00:00Z")


@pytest.fixture
def boils(make_trace):
    """Five boils of 10 min at 2 kW, standby 3 W; the last is cut by the end of the data."""
    watts = np.random.default_rng(1).normal(3, 0.5, 600)
    for at in (60, 180, 300, 420):
        watts[at : at + 10] += 2000
    watts[595:] += 2000
    return make_trace(watts)


@pytest.fixture
def cycles(boils):
    found = find_cycles(boils, "manual")
    assert found.table["complete"].tolist() == [True] * 4 + [False]
    return found


def test_one_trace_on_a_scale_in_watts(boils):
    ax = plot_traces(boils, timezone="America/Denver", title="Kitchen")
    assert ax.get_ylabel() == "power (W)"
    assert ax.get_title(loc="left") == "Kitchen"
    assert "America/Denver" in ax.get_xlabel()
    (line,) = ax.lines
    assert np.nanmax(line.get_ydata()) == boils.watts.max()
    assert line.get_xdata()[0] == pytest.approx(START.value / 86400e9, abs=1e-9)
    assert ax.get_xlim() == pytest.approx((line.get_xdata()[0], line.get_xdata()[-1]))


def test_circuits_on_one_scale_differ_in_more_than_colour(make_trace):
    traces = [make_trace(np.arange(10) + i, label=f"circuit {i}") for i in range(7)]
    ax = plot_traces(traces, lanes=False)
    assert len({line.get_linestyle() + str(line._dash_pattern) for line in ax.lines}) == 7
    assert len({to_rgb(line.get_color()) for line in ax.lines}) == 7
    assert [text.get_text() for text in ax.get_legend().get_texts()] == [t.label for t in traces]
    with pytest.raises(ValueError, match=r"8 circuits on one scale .* at most 7"):
        plot_traces([*traces, traces[0]], lanes=False)


def test_lanes_are_named_and_say_their_peak(boils, make_trace):
    ax = plot_traces([boils, make_trace([np.nan, np.nan], label="Idle"), make_trace([40.0])])
    assert [label.get_text() for label in ax.get_yticklabels()] == ["Kettle", "Idle", "Kettle"]
    notes = [text.get_text() for text in ax.texts]
    assert {f"{boils.watts.max():,.0f} W", "no data", "40 W"} <= set(notes)
    heights = [line.get_ydata() for line in ax.lines if line.get_drawstyle() == "steps-post"]
    assert 2 < np.nanmax(heights[0]) < 3
    assert np.nanmax(heights[2]) == pytest.approx(0.82 * 40 / 50)


def test_drawing_on_given_axes_makes_no_figure(boils, cycles):
    _, ax = plt.subplots()
    for drawn in (
        plot_traces(boils, ax=ax),
        plot_runs(boils, cycles, ax=ax),
        plot_run_energies(cycles, ax=ax),
        plot_daily_energy(boils, ax=ax),
    ):
        assert drawn is ax
    assert len(plt.get_fignums()) == 1


def test_nothing_to_draw_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        plot_traces([])


def test_series_are_taken_too(boils):
    ax = plot_traces(boils.to_series())
    assert np.nanmax(ax.lines[0].get_ydata()) == boils.watts.max()


def test_runs_are_shaded_numbered_and_hatched_where_cut(boils, cycles):
    ax = plot_runs(boils, cycles)
    whole, cut = ax.collections
    assert (len(whole.get_paths()), len(cut.get_paths())) == (4, 1)
    assert (bool(whole.get_hatch()), bool(cut.get_hatch())) == (False, True)
    first = whole.get_paths()[0].get_extents().x0
    assert first == pytest.approx((START.value + 60 * 60e9) / 86400e9, abs=1e-9)
    assert [text.get_text() for text in ax.texts] == ["1", "2", "3", "4", "5"]
    legend = [text.get_text() for text in ax.get_legend().get_texts()]
    assert legend[:2] == ["a run", "an incomplete run"]
    assert legend[2] == f"standby {estimate_text(cycles.standby)}"


def test_part_of_a_trace_keeps_the_numbers_of_its_runs(boils, cycles):
    part = boils.samples(150, 350)
    ax = plot_runs(part, cycles, standby=False)
    assert [text.get_text() for text in ax.texts] == ["2", "3"]


def test_run_energies_tell_complete_from_cut(cycles):
    ax = plot_run_energies(cycles)
    whole, cut, mean = ax.lines
    assert len(whole.get_xdata()) == 4
    assert len(cut.get_xdata()) == 1
    assert whole.get_marker() != cut.get_marker()
    assert mean.get_ydata()[0] == pytest.approx(2 / 6, rel=0.01)
    assert "(kWh)" in ax.get_ylabel()


def test_legends_give_the_same_figures_as_the_table(cycles):
    ax = plot_run_energies(cycles)
    kwh = cycles.complete["energy_wh"] / 1000
    mean = mean_estimate(kwh, unit="kWh", basis="")
    label = ax.get_legend().get_texts()[-1].get_text()
    assert label == f"mean of complete: {estimate_text(mean)}"


def test_a_mean_that_is_given_is_the_one_that_is_drawn(cycles):
    given = Estimate(value=0.4, low=0.0, high=1.1, unit="kWh", n=3, basis="")
    ax = plot_run_energies(cycles, mean_kwh=given)
    assert ax.lines[-1].get_ydata()[0] == 0.4
    label = ax.get_legend().get_texts()[-1].get_text()
    assert label == f"mean of complete: {estimate_text(given, of='runs')}"


def test_the_interval_of_runs_allows_for_days_of_the_house(cycles):
    starts = pd.date_range("2026-03-02T23:30Z", periods=20, freq="12h")
    kwh = np.repeat(np.arange(11.0), 2)[1:-1] + 1.0
    table = pd.DataFrame(
        {"start": starts, "energy_wh": 1000 * kwh, "complete": True, "end": starts}
    )
    found = replace(cycles, table=table)
    # In Berlin the first run is after midnight: runs that are alike share a day only in UTC.
    for zone, day in (("UTC", (np.arange(20) + 1) // 2), ("Europe/Berlin", np.arange(20) // 2)):
        label = plot_run_energies(found, timezone=zone).get_legend().get_texts()[-1].get_text()
        expected = estimate_text(mean_of_runs(kwh, day), of="runs")
        assert label == f"mean of complete: {expected}"


def test_runs_that_return_energy_are_seen(cycles):
    table = cycles.table.assign(energy_wh=-cycles.table["energy_wh"])
    low, high = plot_run_energies(replace(cycles, table=table)).get_ylim()
    assert low < table["energy_wh"].min() / 1000 < 0 <= high


def test_no_runs_at_all(make_trace):
    quiet = make_trace(np.random.default_rng(1).normal(2, 0.5, 100))
    found = find_cycles(quiet, "manual")
    assert not len(found.table)
    plot_runs(quiet, found)
    ax = plot_run_energies(found)
    assert "no complete run" in [text.get_text() for text in ax.texts]


def test_daily_energy_of_days_with_a_clock_change_and_a_hole(make_trace):
    # 1 kW all through 31 October to 2 November, local; the clocks go back on 1 November.
    watts = np.full(73 * 60, 1000.0)
    watts[-120:-60] = np.nan
    trace = make_trace(watts, start="2026-10-31T06:00Z")
    ax = plot_daily_energy(trace, timezone="America/Denver")
    bars = sorted(ax.patches, key=lambda bar: bar.get_x())
    assert [bar.get_height() for bar in bars] == pytest.approx([24, 25, 23])
    assert [bar.get_width() * 24 / 0.84 for bar in bars] == pytest.approx([24, 25, 24])
    assert [bool(bar.get_hatch()) for bar in bars] == [False, False, True]
