"""Figures of weather, of a change and of a heat pump's load: what their artists hold."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import before_after, heat_pump_use, weather_dependence
from homeenergy.findings.appliance.record import estimate_text
from homeenergy.show import plot_before_after, plot_load, plot_weather

DAYS = pd.date_range("2026-01-01", periods=120, tz="UTC")


@pytest.fixture(scope="module")
def winter():
    rng = np.random.default_rng(1)
    celsius = pd.Series(np.linspace(-4, 24, 120) + rng.normal(0, 3, 120), index=DAYS)
    kwh = 6 + 0.8 * np.maximum(13 - celsius, 0) + rng.normal(0, 1, 120)
    return kwh, celsius


def test_days_model_interval_and_balance_point(winter):
    fit = weather_dependence(*winter)
    ax = plot_weather(fit)
    lines = {line.get_label(): line for line in ax.lines}
    np.testing.assert_array_equal(lines["a day"].get_ydata(), fit.days["kwh"])
    model = lines["model"]
    assert model.get_ydata() == pytest.approx(fit.expected_kwh(model.get_xdata()))
    balance = estimate_text(fit.heating_balance_c).replace("deg C", "°C")
    (mark,) = [line for label, line in lines.items() if label == f"heating below {balance}"]
    assert mark.get_xdata()[0] == fit.heating_balance_c.value
    (band,) = ax.collections
    low, high = band.get_datalim(ax.transData).get_points()[:, 1]
    assert low < fit.expected_kwh(25.0)[0] < high
    assert ax.get_title(loc="left") == "Heating below a balance point"
    assert "(°C)" in ax.get_xlabel()
    assert "(kWh)" in ax.get_ylabel()


def test_no_balance_point_no_mark(winter):
    kwh, celsius = winter
    ax = plot_weather(weather_dependence(kwh, celsius, shape="flat"), title="Lights")
    assert ax.get_title(loc="left") == "Lights"
    assert {line.get_label() for line in ax.lines} == {"a day", "model"}


def test_days_before_and_after(winter):
    kwh, celsius = winter
    changed = kwh - 2.0 * (np.arange(120) >= 70)
    change = before_after(changed, at=DAYS[70], outdoor=celsius)
    ax = plot_before_after(change)
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    same = ", same weather and weekday"
    assert labels == ["as measured", f"before{same}", f"after{same}"]
    before = next(line for line in ax.lines if line.get_label() == labels[1])
    after = next(line for line in ax.lines if line.get_label() == labels[2])
    assert (len(before.get_xdata()), len(after.get_xdata())) == (70, 50)
    assert before.get_marker() != after.get_marker()
    assert np.mean(before.get_ydata()) == pytest.approx(change.before_kwh.value, abs=0.3)
    assert ax.get_title(loc="left").startswith("From 12 March 2026: -")
    assert len(ax.collections) == 2  # both bands; a day that is given has no strip
    assert len(ax.patches) == 0


def test_a_day_that_was_found_shows_where_it_may_lie(winter):
    kwh, celsius = winter
    change = before_after(kwh - 4.0 * (np.arange(120) >= 70), outdoor=celsius)
    ax = plot_before_after(change)
    (strip,) = ax.patches
    left, right = strip.get_x(), strip.get_x() + strip.get_width()
    assert right - left == (change.latest - change.earliest).days
    nothing = before_after(kwh, outdoor=celsius)
    assert plot_before_after(nothing).get_title(loc="left") == "No significant change"


def test_load_of_a_heat_pump(make_trace):
    from homeenergy.cycles import find_cycles

    watts = np.full(2880, 5.0)
    watts[300:900], watts[1500:1900] = 400.0, 1000.0
    trace = make_trace(watts, start="2026-01-01T00:00Z")
    use = heat_pump_use(trace, find_cycles(trace, "modulating"), full_w=1000.0)
    ax = plot_load(use)
    time, energy = ax.containers
    assert sum(bar.get_height() for bar in time) == pytest.approx(100)
    assert [bar.get_height() for bar in energy] == pytest.approx(100 * use.load["energy_share"])
    assert energy[0].get_hatch()
    assert not time[0].get_hatch()
    assert "up to full power" in ax.get_xlabel()
