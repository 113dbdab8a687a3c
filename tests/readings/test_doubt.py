"""Samples in doubt: what is one, and that no figure rests on one."""

import numpy as np
import pandas as pd
import pytest

from homeenergy import Trace, find_cycles
from homeenergy.findings.days import daily_energy
from homeenergy.house.carrying import IN_HOURS, most_w
from homeenergy.house.schedule import Circuit, Supply
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.doubt import (
    CLIPPED,
    CODE,
    HELD,
    LONE,
    STUCK,
    Nature,
    find_doubts,
)

from ..findings.small_house import made_house
from ..samples import SAMPLES
from .folders import frame, iso_csv, make_house

MAINS = 'role = "mains"\nlegs = ["L1"]'


def doubts(watts, mains=None, **nature):
    nature = {"period_s": 1.0} | nature
    mains = None if mains is None else mains.astype("f4")
    return find_doubts([(1000, watts.astype("f4"), mains)], nature=Nature(**nature))


def places(found, reason):
    return [int(a) - 1000 for a in found.first[found.reason == reason]]


def idle(number, seed=0):
    return np.round(5 + np.random.default_rng(seed).normal(0, 0.6, number)).astype("f4")


def uses(number, *, every, lasts, level_w, seed=0):
    """A load that is on for `lasts` samples each `every`, with partial first and last samples."""
    rng = np.random.default_rng(seed)
    watts = np.round(2 + rng.normal(0, 0.5, number))
    for at in range(every // 2, number - lasts - 2, every):
        at += int(rng.integers(0, every // 4))
        watts[at : at + lasts] = level_w + np.round(rng.normal(0, 3, lasts))
        watts[at - 1], watts[at + lasts] = level_w * rng.uniform(0.1, 0.9, 2)
    return watts


def test_an_error_code_of_a_month_that_seemed_to_bear_more_out():
    first, second = np.zeros(2000, dtype="f4"), np.zeros(2000, dtype="f4")
    first[[500, 501, 900]] = 1000, 1001, 999.99
    second[300:400:2], second[301:400:2] = 101, 102
    months = [(1000, first, None), (3000, second, None)]
    found = find_doubts(months, nature=Nature(period_s=1.0))
    assert places(found, CODE) == [900]


def test_lone_samples_are_in_doubt_at_rest_and_in_a_run():
    watts = idle(5000)
    watts[2000:2600] += 700
    spikes = {100: 150, 900: 2500, 2300: 1800, 4000: 4900}
    watts[list(spikes)] = list(spikes.values())
    found = doubts(watts)
    assert places(found, LONE) == sorted(spikes)
    assert found.counts() == {"lone spike": 4}


def test_inrush_short_runs_and_the_edge_of_a_gap_are_not():
    watts = idle(5000)
    watts[100:700] += 120
    watts[100] = 1300  # inrush, then the compressor runs on
    watts[2000:2004] = 2000  # four samples are a use
    watts[3000], watts[3001] = 900, np.nan
    assert len(doubts(watts)) == 0


def test_what_a_load_does_often_is_its_habit():
    """Pulses of one second, as of a relay; and a use of one minute, in minutes."""
    watts = idle(20_000)
    watts[50::400] = 1100
    assert len(doubts(watts)) == 0
    watts[7777] = 9000
    assert places(doubts(watts), LONE) == [7777]
    boils = uses(10_000, every=200, lasts=1, level_w=2000.0)
    assert len(doubts(boils, period_s=60.0)) == 0


@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 30.0, 60.0])
def test_the_mains_deny_what_the_circuit_alone_cannot(period_s):
    rng = np.random.default_rng(5)
    load = uses(20_000, every=250, lasts=3, level_w=1900.0)
    other = uses(20_000, every=90, lasts=20, level_w=600.0, seed=8)
    mains = load + other + np.round(rng.normal(150, 1, load.size))
    at = np.sort(rng.choice(np.flatnonzero(load < 10)[5:-5], 12, replace=False))
    wrong = load.copy()
    wrong[at] = np.round(rng.uniform(400, 1900, at.size))  # no more than the load itself
    found = doubts(wrong, mains, period_s=period_s)
    assert places(found, LONE) == at.tolist()
    # The same pulses, seen by the mains, are uses.
    assert len(doubts(wrong, mains + wrong - load, period_s=period_s)) == 0


@pytest.mark.parametrize("period_s", [2.0, 10.0, 60.0])
@pytest.mark.parametrize("second", [0, 12])
def test_the_mains_deny_spikes_of_two_samples(period_s, second):
    rng = np.random.default_rng(6)
    load = uses(20_000, every=250, lasts=3, level_w=1900.0)
    other = uses(20_000, every=90, lasts=20, level_w=600.0, seed=8)
    mains = load + other + np.round(rng.normal(150, 1, load.size))
    at = np.sort(rng.choice(np.flatnonzero(load < 10)[10:-10:9], 12, replace=False))
    at = at[(load[at - 1] < 10) & (load[at + 1] < 10) & (load[at + 2] < 10)]
    wrong = load.copy()
    wrong[at] = np.round(rng.uniform(400, 1900, at.size))
    wrong[at + 1] = wrong[at] - second
    found = doubts(wrong, mains, period_s=period_s)
    assert places(found, HELD) == at.tolist()
    assert len(doubts(wrong, mains + wrong - load, period_s=period_s)) == 0
    # By themselves, two that differ may be a use.
    assert second == 0 or len(doubts(wrong, period_s=period_s)) == 0


def test_mains_that_do_not_feed_a_circuit_are_no_witness():
    load = uses(20_000, every=250, lasts=3, level_w=1900.0)
    load[60::500] = 1500  # lone, and often
    strangers = uses(20_000, every=90, lasts=20, level_w=600.0, seed=8)
    assert len(doubts(load, strangers, period_s=10.0)) == 0


def test_a_spike_of_the_mains_that_circuits_make_together_is_none(tmp_path):
    """Readings of five minutes: twice an oven, a kettle and a dryer are on in one of them."""
    rng = np.random.default_rng(1)
    loads = {"oven": (2300, 12), "kettle": (2000, 40), "dryer": (2600, 8)}
    table = pd.DataFrame(0.0, index=pd.RangeIndex(14 * 288), columns=[*loads])
    for name, (watts, often) in loads.items():
        for at in rng.integers(0, len(table) - 4, often):
            table.loc[at : at + rng.integers(0, 3), name] = watts
    for at in (700, 2500):
        table.loc[at - 1 : at + 1] = 0.0
        table.loc[at] = [2300, 2000, 2600]
    table["mains"] = table.sum(axis=1) + 200
    table.loc[2000, "mains"] = 15000  # of no circuit
    watts = {name: table[name].to_numpy() for name in table}
    house = made_house(tmp_path / "house", watts, period_s=300, circuits={"mains": MAINS})
    assert house.trace("mains").doubted().tolist() == [15000]


def test_a_spike_held_across_missing_rows_is_in_doubt():
    watts = uses(5000, every=500, lasts=60, level_w=700.0)
    mains = watts + 200
    watts[3020:3040] = 1321.0
    assert places(doubts(watts, mains), HELD) == [3020]
    assert len(doubts(watts)) == 0  # by itself it may be a use


@pytest.mark.parametrize("code", [65535.0, -32768.0, 6553.5, 2.0**31 - 1])
def test_error_codes_are_in_doubt_however_long(code):
    watts = uses(5000, every=500, lasts=60, level_w=1500.0)
    watts[[700, 2100]] = code
    watts[3000:3200] = code
    found = doubts(watts)
    assert places(found, CODE) == [700, 2100, 3000]
    assert sum(found.counts().values()) == 202
    doubled = doubts(2 * watts, multipliers=(2.0,))
    assert doubled.counts() == found.counts()


def test_a_negative_spike_is_in_doubt_and_solar_is_not():
    watts = idle(5000)
    watts[1234] = -3000
    assert places(doubts(watts), LONE) == [1234]
    sun = -np.round(np.clip(3000 * np.sin(np.arange(5000) / 800), 0, None))
    assert len(doubts(sun)) == 0


def test_a_value_frozen_on_a_live_circuit_is_stuck():
    watts = (300 + np.random.default_rng(1).normal(0, 40, 20_000)).astype("f4")
    watts[7000:7400] = watts[7000]
    found = doubts(watts)
    assert (places(found, STUCK), found.longest(STUCK)) == ([7000], 400)
    watts[8000:15_000] = watts[8000]  # a third of the log
    assert places(doubts(watts), STUCK) == [7000, 8000]


@pytest.mark.parametrize("level", [0, 3, 60])
def test_a_steady_load_in_whole_watts_is_not_stuck(level):
    watts = np.round(level + np.random.default_rng(2).normal(0, 0.2, 20_000)).astype("f4")
    watts[watts < 0] = 0
    assert len(doubts(watts)) == 0


def test_a_load_used_once_and_constant_else_is_not_stuck():
    watts = np.full(20_000, 25.0)
    watts[1000:1600] = 900 + np.round(np.random.default_rng(3).normal(0, 3, 600))
    assert len(doubts(watts)) == 0


def test_readings_at_the_end_of_the_clamp_are_clipped():
    rng = np.random.default_rng(6)
    watts = np.clip(uses(20_000, every=900, lasts=300, level_w=2400.0), None, 2400)
    watts[watts > 2000] += np.round(rng.normal(0, 200, int((watts > 2000).sum())))
    cut = np.minimum(watts, 2300)
    found = doubts(cut, ends_w=(2300.0,))
    assert found.counts() == {"clipped": int((cut >= 0.995 * 2300).sum())}
    assert CLIPPED in found.reason
    assert len(doubts(watts, ends_w=(2300.0,))) == 0


def test_no_figure_rests_on_a_sample_in_doubt():
    watts = idle(86_400 * 2)
    watts[3600:7200] += 1000
    plain = Trace(label="Pump", start=pd.Timestamp(0, tz="UTC"), period_s=1.0, watts=watts.copy())
    watts[[5000, 20_000]] = 30_000
    flags = np.zeros(watts.size, dtype=np.uint8)
    flags[[5000, 20_000]] = LONE
    trace = Trace(
        label="Pump", start=pd.Timestamp(0, tz="UTC"), period_s=1.0, watts=watts, doubt=flags
    )
    assert trace.watts.max() == 30_000  # kept
    assert trace.doubted().tolist() == [30_000, 30_000]
    assert trace.samples(4000, 6000).doubted().size == 1
    assert np.isnan(trace.sure().watts[5000])
    runs, clean = find_cycles(trace), find_cycles(plain)
    assert len(runs.table) == len(clean.table)
    assert runs.table["peak_w"].max() == clean.table["peak_w"].max()
    kwh = daily_energy(trace)["kwh"].to_numpy()
    np.testing.assert_allclose(kwh, daily_energy(plain)["kwh"], atol=1e-3)


def test_a_house_keeps_its_doubts_until_its_log_or_schedule_changes(tmp_path, monkeypatch):
    monkeypatch.setattr("homeenergy.readings.quality.KEPT_FROM", 20_000)
    table = frame("2026-03-01", 20_000)
    table.iloc[700, 1] = 65535
    folder = make_house(tmp_path, {"a.csv": iso_csv(table)})
    import_logs(folder)
    house = open_house(folder)
    assert house.doubts("oven").counts() == {"error code": 1}
    assert house.trace("oven").doubted().tolist() == [65535.0]
    assert house.quality().loc["oven", "doubt"] == "1 error code"
    kept = next(folder.rglob("doubts.kept"))
    before = kept.stat().st_mtime_ns
    assert open_house(folder).doubts("oven").counts() == {"error code": 1}
    assert kept.stat().st_mtime_ns == before
    table.iloc[800, 1] = 32767
    (folder / "logs" / "a.csv").write_text(iso_csv(table))
    import_logs(folder)
    assert open_house(folder).doubts("oven").counts() == {"error code": 2}


def test_what_a_breaker_carries():
    """IEC 60898-1: 1.45 times its rating within an hour; 230 V + 10 %."""
    supply = Supply(system="single-phase", volts_v=230)
    one = Circuit(name="a", appliance="A", breaker_a=16)
    assert most_w(one, supply, times=IN_HOURS) == pytest.approx(1.45 * 16 * 253)
    unstated = Circuit(name="b", appliance="B")
    assert most_w(unstated, supply) == pytest.approx(400 * 253)
    assert most_w(one, Supply(system="split-phase", volts_v=120)) == pytest.approx(
        20 * 16 * 2 * 132
    )


@pytest.mark.parametrize(
    "name", ["canal_flat", pytest.param("orchard_house", marks=pytest.mark.study)]
)
def test_the_spikes_of_a_sample_house_are_found_and_hardly_anything_else(name):
    """All that its logger put in, with the mains as a witness; one good sample in 100,000."""
    house = open_house(SAMPLES / name)
    truth = pd.read_csv(house.path / "truth" / "logging.csv")
    missed, false, good = [], 0, 0
    for circuit in house.circuits:
        trace, found = house.trace(circuit), house.doubts(circuit)
        own = truth[(truth["what"] == "spike") & (truth["circuit"] == circuit.name)]
        instants = pd.to_datetime(own["start"], utc=True)
        at = ((instants - trace.start) / pd.Timedelta(seconds=trace.period_s)).astype(int)
        at = at[np.isfinite(trace.watts[at])].to_numpy()  # some lie in a gap
        flags = np.zeros(len(trace), np.uint8) if trace.doubt is None else trace.doubt
        missed += [f"{circuit.name} {trace.instant(one)}" for one in at if not flags[one]]
        false += int(np.count_nonzero(flags)) - int(np.count_nonzero(flags[at]))
        good += int(np.count_nonzero(np.isfinite(trace.watts))) - at.size
        assert len(found) <= at.size + 2
    assert not missed
    assert false <= good / 100_000


@pytest.mark.study
def test_real_appliances_have_few_readings_in_doubt():
    """Days of real appliances at a second, without mains: only single readings, and few."""
    rows = pd.read_parquet(SAMPLES.parent / "tests" / "cycles" / "real_days" / "rows.parquet")
    doubted, good, days = 0, 0, 0
    for _, day in rows.groupby(["appliance", "day"], observed=True):
        index = pd.to_datetime(day["step_s"].cumsum(), unit="s", utc=True)
        series = pd.Series(day["watts"].to_numpy(np.float64), index=pd.DatetimeIndex(index))
        trace = Trace.from_series(series, label="one", period_s=1.0, hold_s=30.0)
        found = doubts(trace.watts, limit_w=96_000.0)
        assert set(found.counts()) <= {"lone spike"}
        doubted += sum(found.counts().values())
        good += int(np.count_nonzero(np.isfinite(trace.watts)))
        days += 1
    assert days == 35
    assert doubted <= good / 100_000


@pytest.mark.parametrize("spike", [(9000.0, 9000.0), (9000.0, 8600.0), (-7000.0, -7000.0)])
@pytest.mark.parametrize(("period_s", "found"), [(1.0, [7000]), (10.0, [])])
def test_two_samples_without_mains_beyond_all_that_is_borne_out(spike, period_s, found):
    rng = np.random.default_rng(4)
    watts = (np.arange(20_000) // 300 % 3 * 900 + rng.normal(0, 2, 20_000)).astype("f4")
    watts[7000:7002] = spike
    doubts = find_doubts([(1000, watts, None)], nature=Nature(period_s=period_s))
    assert places(doubts, HELD) == found
    assert doubts.longest(HELD) == 2 * len(found)


def test_two_samples_of_a_power_that_others_reach_are_a_short_use():
    watts = np.full(20_000, 3, dtype="f4")
    watts[5000:5300] = 1800
    watts[7000:7002] = 1810, 1800
    assert len(find_doubts([(0, watts, None)], nature=Nature(period_s=1.0))) == 0
