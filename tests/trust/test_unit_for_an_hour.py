"""One circuit whose readings are in another unit for an hour, without mains to deny it."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import Trace, import_logs, open_house
from homeenergy.trust.log_facts import WINDOW_NS, _Tally
from homeenergy.trust.plausible import implausible_readings

A_DAY = 86_400


def television(period_s, days=2, seed=0):
    """Watts of a set that is on for some hours a day, to whole watts."""
    rng = np.random.default_rng(seed)
    number = days * A_DAY // period_s
    at = np.arange(number) * period_s % A_DAY
    on = (at > 18 * 3600) & (at < 22 * 3600)
    return np.round(np.where(on, 90 + rng.normal(0, 6, number), 2 + rng.normal(0, 0.4, number)))


def looked_at(folder, watts, period_s):
    start = pd.Timestamp("2026-09-01", tz="UTC")
    stamps = pd.date_range(start, periods=watts.size, freq=f"{period_s}s")
    (folder / "logs").mkdir(parents=True)
    table = pd.DataFrame({"tv": watts, "lamp": np.where(watts > 50, 9.0, 0.0)}, index=stamps)
    table.to_csv(folder / "logs" / "a.csv", index_label="time", date_format="%Y-%m-%dT%H:%M:%SZ")
    (folder / "house.toml").write_text(
        'timezone = "UTC"\n[[circuit]]\nname = "tv"\n[[circuit]]\nname = "lamp"\n'
        '[[log]]\nfiles = "logs/*.csv"\n[log.columns]\ntv = "tv"\nlamp = "lamp"\n'
    )
    import_logs(folder)
    return implausible_readings(open_house(folder))


@pytest.mark.parametrize("period_s", [1, 60])
@pytest.mark.parametrize("factor", [1000.0, 60.0, 1 / 1000])
def test_it_is_said_with_its_line(tmp_path, period_s, factor):
    watts = television(period_s)
    begin = (A_DAY + 19 * 3600 + 1234) // period_s
    watts[begin : begin + 3600 // period_s] *= factor
    all_found = looked_at(tmp_path, watts, period_s)
    (found,) = (one for one in all_found if "unit is changed" in one.what)
    assert found.circuits == ("tv",)
    assert found.weight == "wrong"
    word = "minutes for hours" if factor == 60 else "kW for W"
    assert word in found.what
    line = int(found.where.rsplit("line ", 1)[1])
    assert begin <= line <= begin + 1800 // period_s


def nothing(watts, period_s):
    pass


def kettle_once(watts, period_s):
    """A hundred times what the circuit draws elsewhere, yet with readings between."""
    rng = np.random.default_rng(3)
    at = A_DAY // period_s + np.arange(3600 // period_s)
    watts[at] = np.round(2000 * (at // 60 % 4 == 0) + rng.normal(6, 3, at.size))


def toggled(watts, period_s):
    """Switched on and off by hand, sixty whole watts each time."""
    watts[:] = 1 + (np.arange(watts.size) % 7 == 0)
    at = A_DAY // period_s + np.arange(3600 // period_s)
    watts[at] = 1 + 60 * (at % 2)


@pytest.mark.parametrize("period_s", [1, 60])
@pytest.mark.parametrize("odd", [nothing, kettle_once, toggled])
def test_nothing_is_said_of_what_may_be(tmp_path, odd, period_s):
    watts = television(period_s)
    odd(watts, period_s)
    assert not [one for one in looked_at(tmp_path, watts, period_s) if "unit" in one.what]


def test_readings_of_any_digits_have_no_step_of_their_own(tmp_path):
    rng = np.random.default_rng(5)
    watts = television(1) + rng.normal(0, 0.01, 2 * A_DAY)
    begin = A_DAY + 3600
    watts[begin : begin + 3600] = 3000 + rng.normal(0, 30, 3600)
    assert not looked_at(tmp_path, watts, 1)


@pytest.mark.parametrize("seed", range(40))
def test_steps_are_counted_in_one_pass_as_one_by_one(seed):
    rng = np.random.default_rng(seed)
    period_s = float(rng.choice([0.5, 1, 7, 60, 900, 3600]))
    watts = rng.integers(0, 4, int(rng.integers(1, 3000))).astype("f4")
    watts[rng.random(watts.size) < rng.choice([0, 0.1])] = np.nan
    start = pd.Timestamp("2026-09-01", tz="UTC") + int(rng.integers(0, 5000)) * pd.Timedelta(
        seconds=period_s
    )
    tally = _Tally(0)
    cut = int(rng.integers(0, watts.size))
    for part, at in ((watts[: cut + 1], 0), (watts[cut:], cut)):  # months share no step
        tally.take(
            Trace(
                label="x",
                start=start + at * pd.Timedelta(seconds=period_s),
                period_s=period_s,
                watts=part,
            )
        )
    steps = np.diff(watts)
    window = (start.value + np.arange(steps.size) * round(period_s * 1e9)) // WINDOW_NS
    assert tally.samples == np.isfinite(watts).sum() + np.isfinite(watts[cut])
    assert (tally.rises, tally.falls) == ((steps > 0).sum(), (steps < 0).sum())
    differ = np.abs(steps) > 0
    there = np.unique(window[differ])
    np.testing.assert_array_equal(tally.windows, there)
    mine = [np.abs(steps[differ & (window == one)]) for one in there]
    for step_w, number in (tally.of(there), (tally.step_w, tally.steps)):
        assert step_w.tolist() == [one.min() for one in mine]
        assert number.tolist() == [one.size for one in mine]
    step_w, number = tally.of(np.array([there.max(initial=0) + 1]))
    assert (step_w.tolist(), number.tolist()) == ([np.inf], [0])
