"""The pace of a logger is found, and none is invented where it has none."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError, HouseWarning
from homeenergy.readings import describe, import_logs, open_house
from homeenergy.readings.logs.rows import (
    default_hold_ns,
    find_period_ns,
    has_pace,
    long_steps_recur,
    uneven_pace_ns,
)
from homeenergy.readings.trace import Trace

from .folders import make_house
from .test_grid import T0, pulse_rows

S = 1_000_000_000


def steps_of(kind, rng, number=5000):
    """Steps of a logger [s] and its pace [s]."""
    if kind == "regular":
        return np.full(number, 10.0), 10
    if kind == "jitter":
        stamps = 60 * np.arange(number) + rng.normal(0, 9, number)
        return np.diff(np.sort(stamps)), 60
    if kind == "lost":
        stamps = 60 * np.arange(2 * number) + rng.normal(0, 6, 2 * number)
        return np.diff(stamps[rng.random(2 * number) > 0.3]), 60
    if kind == "often 2, 5, 7":
        return rng.choice([1.0, 2.0, 5.0, 7.0], number, p=[0.4, 0.3, 0.2, 0.1]), 1
    if kind == "often 2, 5, 7 and not quite":
        steps = rng.choice([1.0, 2.0, 5.0, 7.0], number, p=[0.4, 0.3, 0.2, 0.1])
        return steps + rng.normal(0, 0.01, number), 1
    if kind == "changes":
        return np.r_[np.full(number, 1.0), np.full(number // 2, 5.0), np.full(99, 7.0)], 1
    if kind == "nights missing":
        return np.where(np.arange(number) % 1000 == 999, 90_000.0, 60.0), 60
    raise ValueError(kind)


@pytest.mark.parametrize(
    "kind",
    [
        "regular",
        "jitter",
        "lost",
        "often 2, 5, 7",
        "often 2, 5, 7 and not quite",
        "changes",
        "nights missing",
    ],
)
def test_a_pace_is_found(kind):
    steps, pace = steps_of(kind, np.random.default_rng(2))
    times = T0 + np.cumsum(np.round(steps * 1000)).astype("int64") * 1_000_000
    found = find_period_ns(times)
    assert found == pytest.approx(pace * S, rel=0.05)
    assert has_pace(times, found)
    assert not long_steps_recur(times, default_hold_ns(found), share=0.25)


def at_each_change(days=6, seed=1):
    """A refrigerator's stamps [s] and watts, a row where the power changes."""
    rng = np.random.default_rng(seed)
    stamps, watts, now = [], [], 0
    while now < days * 86_400:
        stamps += [now, now + int(rng.integers(600, 900))]
        watts += [90.0, 1.0]
        now = stamps[-1] + int(rng.integers(1500, 2500))
    return np.array(stamps), np.array(watts)


@pytest.mark.parametrize("seed", range(5))
def test_rows_at_each_change_have_no_pace(seed):
    stamps, _ = at_each_change(seed=seed)
    times = T0 + stamps * S
    assert not has_pace(times, find_period_ns(times))


def rows_at_each_change(tmp_path, name, settings=""):
    stamps, watts = at_each_change()
    rows = "".join(f"{T0 // S + t},{w}\n" for t, w in zip(stamps, watts, strict=True))
    log = (
        '[[log]]\nfiles = "logs/*.csv"\ntime_columns = ["t"]\ntime_format = "epoch_s"\n'
        f'{settings}\n[log.columns]\nfridge = "w"\n'
    )
    return make_house(tmp_path / name, {"a.csv": "t,w\n" + rows}, log=log, circuits=["fridge"])


def test_rows_at_each_change_need_a_period_and_a_hold(tmp_path):
    for name, settings in (("n", ""), ("h", "hold_s = 3600"), ("p", "period_s = 10")):
        with pytest.raises(HouseError, match=r"no regular interval(.|\n)*period_s(.|\n)*hold_s"):
            import_logs(rows_at_each_change(tmp_path, name, settings))
    house = rows_at_each_change(tmp_path, "both", "period_s = 10\nhold_s = 3600")
    import_logs(house)
    trace = open_house(house).trace("fridge")
    stamps, watts = at_each_change()
    expected_wh = (watts[:-1] * np.diff(stamps)).sum() / 3600
    assert trace.energy_wh == pytest.approx(expected_wh, rel=2e-4)
    assert trace.covered_s == pytest.approx(stamps[-1] - stamps[0], abs=20)


def test_a_series_at_each_change_needs_a_period(tmp_path):
    stamps, watts = at_each_change()
    series = pd.Series(watts, index=pd.to_datetime(T0 + stamps * S, utc=True))
    with pytest.raises(ValueError, match=r"no regular interval.*period_s.*hold_s"):
        Trace.from_series(series)
    trace = Trace.from_series(series, period_s=10, hold_s=3600)
    expected_wh = (watts[:-1] * np.diff(stamps)).sum() / 3600
    assert trace.energy_wh == pytest.approx(expected_wh, rel=2e-4)
    with pytest.raises(ValueError, match="hold_s must be positive"):
        Trace.from_series(series, period_s=10, hold_s=0)


def changing(kind, rows=4000, seed=2):
    """Stamps [s] and watts of a logger whose pace changes, and is never slower than 16 s."""
    rng = np.random.default_rng(seed)
    steps = {
        "blocks": np.repeat(rng.choice([2, 7, 16], rows // 8), 8),
        "each": rng.choice([2, 5, 7], rows, p=[0.4, 0.3, 0.3]),
        "irregular": rng.integers(1, 17, rows),
    }[kind]
    stamps = np.cumsum(steps)
    return stamps, np.where(stamps % 3600 < 1200, 110.0, 2.0)


@pytest.mark.parametrize("kind", ["blocks", "each", "irregular"])
def test_a_pace_that_changes_is_taken_and_said(tmp_path, kind):
    stamps, watts = changing(kind)
    true_wh = (watts[:-1] * np.diff(stamps)).sum() / 3600
    series = pd.Series(watts, index=pd.to_datetime(T0 + stamps * S, utc=True))
    with pytest.warns(HouseWarning, match="no regular interval: kept as means of 2 s"):
        trace = Trace.from_series(series)
    rows = "".join(f"{T0 // S + t},{w}\n" for t, w in zip(stamps, watts, strict=True))
    log = (
        '[[log]]\nfiles = "logs/*.csv"\ntime_columns = ["t"]\ntime_format = "epoch_s"\n'
        '[log.columns]\nfridge = "w"\n'
    )
    house = make_house(tmp_path, {"a.csv": "t,w\n" + rows}, log=log, circuits=["fridge"])
    assert "no regular interval, kept as means: logs/a.csv (2 s)" in str(import_logs(house))
    for found in (trace, open_house(house).trace("fridge")):
        assert found.period_s == 2
        assert found.energy_wh == pytest.approx(true_wh, rel=2e-4)
        assert found.covered_s == pytest.approx(stamps[-1] - stamps[0], abs=40)
    found = describe(house / "logs" / "a.csv")
    assert (found.layout.period_s, found.layout.hold_s) == (2, 30)
    assert "the pace changes" in " ".join(found.remarks)


def test_bursts_of_rows_between_silent_hours_are_no_changing_pace():
    bursts = np.r_[np.tile(np.r_[np.tile([1, 4, 9], 40), 7200], 30)]
    times = T0 + np.cumsum(bursts) * S
    assert uneven_pace_ns(times) is None


def test_describe_says_that_there_is_no_pace(tmp_path):
    house = rows_at_each_change(tmp_path, "d")
    remarks = " ".join(describe(house / "logs" / "a.csv").remarks)
    assert "no regular interval" in remarks
    assert "hold_s" in remarks
    assert "a row every" not in remarks


def test_a_row_for_each_watt_hour_needs_a_hold(tmp_path):
    """4.12 kWh a day; without a hold the nine tenths between rare rows would count as missing."""
    stamps = pulse_rows()
    rows = "".join(f"{T0 // S + t},1\n" for t in stamps)

    def pulses(name, settings):
        log = (
            '[[log]]\nfiles = "logs/*.csv"\ntime_columns = ["t"]\ntime_format = "epoch_s"\n'
            f'quantity = "energy"\ntime_marks = "end"\n{settings}\n[log.columns]\noven = "wh"\n'
        )
        return make_house(tmp_path / name, {"a.csv": "t,wh\n" + rows}, log=log, circuits=["oven"])

    with pytest.raises(HouseError, match=r"watt-hour(.|\n)*hold_s"):
        import_logs(pulses("n", ""))
    house = pulses("h", "hold_s = 1000\nperiod_s = 60")
    import_logs(house)
    trace = open_house(house).trace("oven")
    assert trace.energy_wh == pytest.approx(stamps.size, rel=1e-4)
    assert trace.covered_s / 86_400 == pytest.approx(6, rel=0.01)


def slower_at_rest(quick, slow, days=4):
    """Stamps [s] and watts: 1000 W for 4 h a day at the quick pace, else 50 W at the slow one."""
    stamps, watts = [], []
    for day in range(days):
        at = day * 86_400
        for begin, end, pace, level in (
            (0, 36_000, slow, 50.0),
            (36_000, 50_400, quick, 1000.0),
            (50_400, 86_400, slow, 50.0),
        ):
            stamps.append(at + np.arange(begin, end, pace))
            watts.append(np.full(stamps[-1].size, level))
    return np.concatenate(stamps), np.concatenate(watts)


@pytest.mark.parametrize(("quick", "slow"), [(1, 60), (10, 300)])
def test_a_logger_slower_at_rest_needs_a_hold(tmp_path, quick, slow):
    """4 h of 1000 W and 20 h of 50 W are 5 kWh a day."""
    stamps, watts = slower_at_rest(quick, slow)
    rows = "".join(f"{T0 // S + t},{w}\n" for t, w in zip(stamps, watts, strict=True))

    def house(name, settings):
        log = (
            '[[log]]\nfiles = "logs/*.csv"\ntime_columns = ["t"]\ntime_format = "epoch_s"\n'
            f'{settings}\n[log.columns]\noven = "w"\n'
        )
        return make_house(tmp_path / name, {"a.csv": "t,w\n" + rows}, log=log, circuits=["oven"])

    with pytest.raises(HouseError, match=r"25% of its time .* 30 s apart(.|\n)*hold_s"):
        import_logs(house("n", ""))
    stated = house("h", f"hold_s = {slow}")
    import_logs(stated)
    trace = open_house(stated).trace("oven")
    assert trace.energy_wh == pytest.approx(4 * 5000, rel=1e-3)
    series = pd.Series(watts, index=pd.to_datetime(T0 + stamps * S, utc=True))
    with pytest.raises(ValueError, match="give hold_s"):
        Trace.from_series(series)
    assert Trace.from_series(series, hold_s=slow).energy_wh == pytest.approx(20_000, rel=1e-3)


def test_a_file_at_a_slower_pace_than_the_first_needs_a_hold(tmp_path):
    rows = [
        "t,w\n" + "".join(f"{T0 // S + t},5\n" for t in stamps)
        for stamps in (np.arange(0, 5000), np.arange(5000, 50_000, 60))
    ]
    logs = {"a.csv": rows[0], "b.csv": rows[1]}
    log = (
        '[[log]]\nfiles = "logs/*.csv"\ntime_columns = ["t"]\ntime_format = "epoch_s"\n'
        '[log.columns]\noven = "w"\n'
    )
    with pytest.raises(HouseError, match=r"b.csv: more than 25%"):
        import_logs(make_house(tmp_path, logs, log=log, circuits=["oven"]))
