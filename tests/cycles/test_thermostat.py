"""Statistics of what cycles by itself, on traces whose answer can be counted."""

import numpy as np
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.cycles.thermostat import thermostat_statistics

from .traces import DAY, as_trace, draw


def regular(days=3, *, on_s=900, off_s=1500, on_w=95.0, defrost_every=None):
    """A compressor like clockwork; after every so many on-periods it defrosts for ten minutes."""
    watts, at, n = [], 600, 0
    while at < days * DAY - on_s - off_s:
        n += 1
        shape = [(on_s, on_w)]
        if defrost_every and n % defrost_every == 0:
            shape = [(on_s - 600, on_w), (600, 400.0)]
        watts.append((at, shape))
        at += on_s + off_s
    return as_trace(draw(days * DAY, *watts, idle_w=2.0)), n


def test_clockwork_is_counted_exactly():
    trace, n = regular()
    stats = thermostat_statistics(find_cycles(trace, "thermostatic"))
    assert stats.on_time_s.value == pytest.approx(900, abs=1)
    assert stats.off_time_s.value == pytest.approx(1500, abs=1)
    assert stats.off_time_s.n == n - 1
    assert stats.cycles_per_day.value == pytest.approx(36, abs=0.5)
    assert stats.duty_cycle.value == pytest.approx(900 / 2400, abs=0.005)
    assert stats.on_power_w.value == pytest.approx(95, abs=0.1)
    assert stats.defrosts_per_day.value == 0


def test_the_spread_of_single_runs_is_kept_beside_the_interval_of_the_mean():
    rng = np.random.default_rng(2)
    at, uses, lasts = 600, [], []
    while at < 4 * DAY - 9000:
        on_s = int(rng.choice([500, 900, 4000], p=[0.4, 0.4, 0.2]))
        uses.append((at, [(on_s, 95.0)]))
        lasts.append(on_s)
        at += on_s + int(rng.integers(900, 3000))
    trace = as_trace(draw(4 * DAY, *uses, idle_w=2.0))
    stats = thermostat_statistics(find_cycles(trace, "thermostatic"))
    assert stats.on_time_s.n == len(lasts)
    assert stats.on_time_s.value == pytest.approx(np.mean(lasts), rel=1e-3)
    assert stats.on_time_s.low < np.mean(lasts) < stats.on_time_s.high
    p10, p50, p90 = stats.spread.loc["on_time_s"]
    assert (p10, p50, p90) == pytest.approx(tuple(np.quantile(lasts, [0.1, 0.5, 0.9])), abs=1)


def test_defrosts_are_told_apart_and_left_out_of_the_on_power():
    trace, n = regular(defrost_every=12)
    stats = thermostat_statistics(find_cycles(trace, "thermostatic"))
    assert stats.defrosts_per_day.value == pytest.approx(n // 12 / 3, abs=0.35)
    assert stats.defrost_kwh.value == pytest.approx(400 * 600 / 3.6e6, rel=0.02)
    assert stats.on_power_w.value == pytest.approx(95, abs=0.2)
    assert stats.on_time_s.value == pytest.approx(900, abs=1)


def test_a_hole_makes_no_off_time():
    trace, _ = regular()
    watts = trace.watts.copy()
    watts[40_000:50_000] = np.nan
    stats = thermostat_statistics(find_cycles(as_trace(watts), "thermostatic"))
    assert stats.spread.loc["off_time_s", "p90"] == pytest.approx(1500, abs=2)
    assert stats.off_time_s.value == pytest.approx(1500, abs=5)


def test_an_inrush_is_no_defrost():
    uses = [(at, [(1, 900), (900, 95)]) for at in range(600, 3 * DAY - 1000, 2400)]
    trace = as_trace(draw(3 * DAY, *uses, idle_w=2.0))
    stats = thermostat_statistics(find_cycles(trace, "thermostatic"))
    assert stats.defrosts_per_day.value == 0


def test_too_few_runs_are_refused_with_advice():
    trace = as_trace(draw(DAY, (5000, [(900, 95)]), (20_000, [(900, 95)])))
    with pytest.raises(ValueError, match="need 3"):
        thermostat_statistics(find_cycles(trace, "thermostatic"))


def test_the_table_has_a_row_a_quantity():
    frame = thermostat_statistics(find_cycles(regular()[0], "thermostatic")).to_frame()
    assert list(frame.columns) == ["value", "low", "high", "unit", "n", "p10", "p50", "p90"]
    assert frame.loc["on_time_s", "unit"] == "s"
