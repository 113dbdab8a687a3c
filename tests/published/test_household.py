"""The whole path on a real household: describe, new, import, cycles, findings.

The data set and where its figures come from: see `household.py`. Checks against "plain sums" are
against pandas on the file itself, without any code of this project.
"""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import house_findings
from homeenergy.findings.days import daily_energy
from homeenergy.readings import describe
from homeenergy.readings.quality import stored_doubts

from .household import HOUSE_ZONE, LOG_ZONE, ROWS, SUB_METERS

CIRCUITS = ("supply", *SUB_METERS)
# Runs that are filled with the rows of the day before; found by comparing each row with the row
# 24 h earlier. UCI names "April 28, 2007" as an example of a gap.
FILLED_MINUTES = {
    "2007-04-28 00:21": 3723,
    "2009-06-13 00:30": 3305,
    "2009-08-13 05:00": 891,
    "2010-01-12 14:53": 3129,
    "2010-03-20 03:52": 2027,
    "2010-08-17 21:02": 7226,
    "2010-09-25 03:56": 5237,
}


def plain_wh(plain, circuit):
    """Wh of every minute, straight from the file."""
    if circuit == "supply":
        return plain["Global_active_power"] * 1000 / 60
    return plain[SUB_METERS[circuit]]


def test_description_of_the_file(csv_path):
    found = describe(csv_path, timezone=LOG_ZONE)
    assert found.layout.time_columns == ("date_time",)
    assert found.layout.time_format == "iso"
    assert found.layout.time_zone == LOG_ZONE
    assert (found.layout.layout, found.layout.delimiter, found.layout.decimal) == ("wide", ",", ".")
    remarks = " ".join(found.remarks)
    assert "a row every 60 s" in remarks
    assert "16 December 2006 16:24:00 UTC" in remarks
    assert "'Voltage' is left out" in remarks


@pytest.mark.parametrize("circuit", CIRCUITS)
def test_energy_of_every_day_equals_a_plain_sum(house, plain, circuit):
    daily = daily_energy(house.trace(circuit), timezone=HOUSE_ZONE).set_index("day")["kwh"]
    wanted = plain_wh(plain, circuit).groupby(plain.index.normalize()).sum() / 1000
    assert len(daily) == len(wanted) == 1442
    assert (daily.index.tz_localize(None) == wanted.index).all()
    np.testing.assert_allclose(daily.to_numpy(), wanted.to_numpy(), rtol=1e-4, atol=1e-9)


# Totals and shares of the file as it is shipped, from a plain sum in another program.
@pytest.mark.parametrize(
    ("circuit", "kwh"),
    [
        ("supply", 37_680.399),
        ("kitchen", 2_321.124),
        ("laundry", 2_679.431),
        ("water_heater", 13_382.588),
    ],
)
def test_total_energy(house, circuit, kwh):
    trace = house.trace(circuit)
    assert len(trace) == ROWS
    assert trace.energy_wh / 1000 == pytest.approx(kwh, abs=1e-3)


@pytest.mark.parametrize(("year", "kwh"), [(2007, 9_759.073), (2008, 9_418.450), (2009, 9_423.730)])
def test_energy_of_a_year(house, year, kwh):
    trace = house.trace("supply", f"{year}-01-01", f"{year + 1}-01-01")
    assert trace.energy_wh / 1000 == pytest.approx(kwh, abs=1e-3)


@pytest.mark.parametrize(
    ("circuit", "kwh"),
    [("supply", 30.41267), ("kitchen", 1.170), ("laundry", 0.386), ("water_heater", 13.145)],
)
def test_energy_of_the_first_of_february_2007(house, circuit, kwh):
    trace = house.trace(circuit, "2007-02-01", "2007-02-02")
    assert trace.energy_wh / 1000 == pytest.approx(kwh, abs=1e-5)


def test_unmetered_remainder(house, plain):
    """UCI gives the formula: P*1000/60 - s1 - s2 - s3 Wh a minute is not sub-metered."""
    minute_h = 1 / 60
    supply_w = house.trace("supply").watts.astype(np.float64)
    rest_wh = (
        supply_w - sum(house.trace(c).watts.astype(np.float64) for c in SUB_METERS)
    ) * minute_h
    wanted_wh = plain_wh(plain, "supply") - sum(plain[name] for name in SUB_METERS.values())
    np.testing.assert_allclose(rest_wh, wanted_wh.to_numpy(), atol=2e-5)
    assert rest_wh.sum() / 1000 == pytest.approx(19_297.256, abs=2e-3)
    # Counters of whole Wh run ahead of the power now and then. P comes in steps of 2 W: what is
    # not zero is at least 1/30 Wh.
    assert np.count_nonzero(rest_wh < -0.01) == 1059
    assert np.count_nonzero(rest_wh < -1.001) == 42
    assert rest_wh.min() == pytest.approx(-2.4, abs=1e-4)


@pytest.mark.study
def test_findings_account_for_the_supply(house, plain):
    found = house_findings(house)
    by_day = pd.DataFrame({c: plain_wh(plain, c) for c in CIRCUITS}).resample("D").sum() / 1000
    # The first day begins at 17:24 and the last ends at 21:03: less than nine tenths of a day.
    whole = by_day.iloc[1:-1]
    assert found.mains_kwh_per_day.n == len(whole) == 1440
    assert found.mains_kwh_per_day.value == pytest.approx(whole["supply"].mean(), rel=1e-4)
    rest = whole["supply"] - whole[list(SUB_METERS)].sum(axis=1)
    assert found.unmeasured_kwh_per_day.value == pytest.approx(rest.mean(), rel=1e-4)
    assert [a.circuit for a in found.appliances] == ["water_heater", "laundry", "kitchen"]
    for a in found.appliances:
        assert a.kwh_per_day.value == pytest.approx(whole[a.circuit].mean(), rel=1e-4)
        cost = whole[a.circuit].mean() * 365 * 0.25
        assert a.cost_per_year.value == pytest.approx(cost, rel=1e-4)
        assert any("shorter than 120 s" in remark for remark in a.remarks)


def test_apparent_power_from_volts_and_amps(apparent_house, plain):
    """V times I against sqrt(P^2 + Q^2), minute by minute.

    Amps come in steps of 0.2 A, so the ratio is wide at small loads. Its median over all rows,
    0.9937, was found with another program; the spreads are those of the file.
    """
    apparent_va = apparent_house.trace("supply").watts.astype(np.float64)
    wanted_va = 1000 * np.hypot(
        plain["Global_active_power"].to_numpy(), plain["Global_reactive_power"].to_numpy()
    )
    ratio = apparent_va / wanted_va
    assert np.median(ratio) == pytest.approx(0.9937, abs=5e-5)
    low, high = np.quantile(ratio, [0.05, 0.95])
    assert (low, high) == (pytest.approx(0.912, abs=1e-3), pytest.approx(1.104, abs=1e-3))
    low, high = np.quantile(ratio[wanted_va > 1000], [0.025, 0.975])
    assert (low, high) == (pytest.approx(0.972, abs=1e-3), pytest.approx(1.058, abs=1e-3))
    assert apparent_va.sum() / wanted_va.sum() == pytest.approx(0.9992, abs=1e-4)


def test_statistics_without_the_filled_gaps(house, plain):
    """Published: 1.25 % of the rows missing, 25,979 of them; mean P 1.091615 kW, sd
    1.057294, max 11.122, min 0.076 and mean V 240.83986 over the other 2,049,280 rows.
    """
    values = plain.to_numpy()
    filled = np.zeros(ROWS, bool)
    filled[1440:] = (values[1440:] == values[:-1440]).all(axis=1)
    assert filled.mean() == pytest.approx(0.0125, abs=1e-4)
    for start, minutes in FILLED_MINUTES.items():
        first = plain.index.get_loc(pd.Timestamp(start))
        assert filled[first : first + minutes].all()
        assert not filled[first - 1]
        assert not filled[first + minutes]
        # The house sees the same: the readings of a filled run are those of the day before.
        watts = house.trace("supply").watts
        before = watts[first - 1440 : first - 1440 + minutes]
        np.testing.assert_array_equal(watts[first : first + minutes], before)
    kw = house.trace("supply").watts[~filled].astype(np.float64) / 1000
    assert kw.size == pytest.approx(2_049_280, abs=25)
    assert kw.mean() == pytest.approx(1.091615, abs=2e-5)
    assert kw.std(ddof=1) == pytest.approx(1.057294, abs=2e-5)
    assert kw.max() == pytest.approx(11.122, abs=1e-6)
    assert kw.min() == pytest.approx(0.076, abs=1e-6)


def test_quality_shows_the_stuck_meter(house, plain, monkeypatch):
    """On 2008-10-06 from 10:09 to 16:48 all seven columns stand still for 400 rows."""
    row = plain.loc["2008-10-06 10:09":"2008-10-06 16:48"]
    assert (len(row), len(row.drop_duplicates())) == (400, 1)
    monkeypatch.setattr("homeenergy.readings.house.stored_doubts", stored_doubts)
    quality = house.quality()
    assert 400 * 60 <= quality.loc["supply", "stuck_s"] <= 402 * 60
    assert (quality["rows"] == ROWS).all()
    assert (quality["period_s"] == 60).all()
    assert (quality["coverage"] == 1).all()
    assert (quality["gaps"] == 0).all()
    assert (quality["negative_share"] == 0).all()


def test_energy_of_runs_and_rest_is_the_total(heater_cycles, plain):
    wh = plain["Sub_metering_3"].to_numpy()
    index = plain.index.tz_localize(HOUSE_ZONE)
    first = index.searchsorted(heater_cycles.table["start"])
    stop = index.searchsorted(heater_cycles.table["end"])
    assert (first[1:] >= stop[:-1]).all()
    upto = np.r_[0.0, np.cumsum(wh)]
    np.testing.assert_allclose(heater_cycles.table["energy_wh"], upto[stop] - upto[first])
    outside = wh.sum() - (upto[stop] - upto[first]).sum()
    assert heater_cycles.total_wh == pytest.approx(wh.sum())
    assert heater_cycles.idle_wh + heater_cycles.other_wh == pytest.approx(outside, abs=1e-3)


# Counted by eye in drawings of each day, 24 h wide; those of the weeks of 2007-03-05 and 2008-11-03
# had the runs found shaded, the others were bare. Blocks of about 1.08 kW with edges of a minute
# between stretches at rest, from Monday on; one that passes midnight belongs to the day on which
# it begins. Blocks with minutes at rest between them are two (2007-03-09 about 07:30, 2008-11-09
# about 11:50). A single minute at rest inside a long block (2007-11-20 07:33, 2007-11-21 21:04) can
# be read either way; by the convention of this kit it interrupts one run. From 2008 on the rest can
# be a flicker of 0 and 1 Wh a minute, and there are pulses of 0.7 kW for some minutes: those on top
# of a block belong to it, those on their own are runs.
STEADY_REST = [
    ("2007-03-05", (4, 5, 2, 4, 3, 5, 4)),
    pytest.param(
        *("2007-11-19", (2, 4, 5, 4, 3, 3, 3)),
        marks=pytest.mark.xfail(reason="two runs of hours are cut at pauses of minutes"),
    ),
    ("2008-11-03", (2, 3, 5, 4, 3, 4, 4)),
]
FLICKERING_REST = [
    ("2009-07-06", (20, 22, 17, 18, 17, 18, 20)),
    ("2010-02-08", (2, 2, 3, 3, 4, 2, 3)),
]


def week_of(cycles, monday):
    """Runs that begin in a week, and their number day by day."""
    days = pd.date_range(monday, periods=8, freq="D", tz=HOUSE_ZONE)
    table = cycles.table
    week = table[(table["start"] >= days[0]) & (table["start"] < days[-1])]
    found = [int(((week["start"] >= a) & (week["start"] < b)).sum()) for a, b in pairwise(days)]
    return week, tuple(found)


@pytest.mark.parametrize(("monday", "runs_a_day"), STEADY_REST)
def test_runs_of_the_water_heater_counted_by_eye(heater_cycles, monday, runs_a_day):
    week, found = week_of(heater_cycles, monday)
    assert found == runs_a_day
    # Half an hour to half a day at one level of 1.0 to 1.1 kW, the minutes of both edges included.
    assert week["energy_wh"].between(490, 12_100).all()
    assert week["mean_w"].between(990, 1110).all()
    assert week["complete"].all()


@pytest.mark.parametrize(("monday", "runs_a_day"), FLICKERING_REST)
def test_runs_counted_by_eye_above_a_rest_that_flickers(heater_cycles, monday, runs_a_day):
    assert week_of(heater_cycles, monday)[1] == runs_a_day


def test_number_and_length_of_all_runs_of_four_years(heater_cycles, plain):
    """Against stretches of minutes with 5 Wh or more: 12,807, the longest 23.0 h, 12,883 kWh.

    Own reference, but hardly a matter of the threshold: 2 Wh gives 12,781 stretches and 7 Wh
    12,823. From April 2008 on most of them are pulses of 0.7 kW for a few minutes, every hour or
    so: the air conditioner. Pulses that follow others at once are joined, 6 % of them.
    """
    on = plain["Sub_metering_3"].to_numpy() >= 5
    edges = np.flatnonzero(np.diff(np.r_[0, on.astype(np.int8), 0]))
    assert edges.size // 2 == 12_807
    assert (edges[1::2] - edges[::2]).max() / 60 == pytest.approx(23.0, abs=0.1)
    assert len(heater_cycles.table) == pytest.approx(12_807, rel=0.07)
    assert heater_cycles.runs_wh / 1000 == pytest.approx(12_883, rel=0.02)


def test_the_longest_run_of_four_years(heater_cycles):
    assert heater_cycles.table["duration_s"].max() / 3600 == pytest.approx(23.0, abs=0.5)


def test_heater_rests_below_what_whole_wh_a_minute_can_tell(heater_cycles):
    standby = heater_cycles.standby
    assert not standby.resolved
    assert standby.high == pytest.approx(60)  # 1 Wh in a minute
