"""What a person reads: numbers, marks, words for kinds, notes and remarks."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import Findings
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.appliance.record import (
    clipped,
    estimate_text,
    interval_text,
    is_bound,
    kind_words,
    percent_text,
    value_text,
)
from homeenergy.findings.appliance.table import notes
from homeenergy.house import Tariff
from homeenergy.house.schedule import Circuit
from homeenergy.readings import Trace
from homeenergy.stats.estimate import Estimate, mean_estimate


def estimate(value, low, high, *, unit="kWh", n=9, resolved=True):
    basis = "mean of runs"
    return Estimate(value=value, low=low, high=high, unit=unit, n=n, basis=basis, resolved=resolved)


@pytest.mark.parametrize(
    ("given", "value", "interval"),
    [
        (estimate(0.41234, 0.3961, 0.4286), "0.412", "0.396–0.429"),
        (estimate(1021.3, 929.0, 1113.6), "1,021", "929–1,114"),
        (estimate(24.1, 12.2, 36.0), "24", "12–36"),
        (estimate(-0.5, -1.5, 0.5), "-0.5", "-1.5 to 0.5"),
        (estimate(math.nan, math.nan, math.nan, n=0), "not known", ""),
        (estimate(5.0, -math.inf, math.inf, n=1), "5.00", "?"),
        (estimate(1.19, -math.inf, math.inf, n=0), "1.19", "?"),
        (estimate(-0.004, -0.6, 0.592, unit="W"), "0.00", "-0.60 to 0.59"),
        (estimate(2.86923, 2.8688, 2.8697, unit="W"), "2.87", "narrow"),
        (estimate(1.2, 1.2, 1.2), "1.20", "no spread"),
        (mean_estimate([0.1 + 0.2, 0.3], unit="kWh", basis=""), "0.300", "no spread"),
    ],
)
def test_digits_follow_the_interval(given, value, interval):
    assert value_text(given) == value
    assert interval_text(given) == interval


def test_two_days_are_said_to_be_only_two():
    pair = estimate(0.7, 0.1, 1.3, n=2)
    assert interval_text(pair, of="days") == "0.10–1.30, only 2 days"
    assert estimate_text(pair, of="runs") == "0.70 kWh (0.10–1.30, only 2 runs)"
    assert interval_text(replace(pair, n=3), of="days") == "0.10–1.30"
    assert interval_text(replace(pair, low=0.7, high=0.7), of="days") == "no spread, only 2 days"


def test_upper_bound_is_said_to_be_one_and_stays_true():
    bound = estimate(0.0, 0.0, 0.93, unit="W", resolved=False)
    assert is_bound(bound)
    assert value_text(bound) == estimate_text(bound) == str(bound) == "below 0.93 W"
    assert value_text(estimate(1.1, 0, 2.2, unit="W", resolved=False)) == "below 3 W"
    assert value_text(estimate(0.5, 0.0, 1.0, unit="W", resolved=False)) == "below 1 W"
    assert value_text(estimate(1800, 0, 3599.2, unit="W", resolved=False)) == "below 3,600 W"
    assert not is_bound(estimate(0.5, 0.0, 1.0, unit="W"))


def test_ordinary_estimates_are_no_bounds():
    assert not is_bound(estimate(1.0, 0.5, 1.5))
    assert not is_bound(estimate(math.nan, math.nan, math.nan))
    assert not is_bound(mean_estimate([1.0], unit="kWh", basis="mean of 1 run"))


def test_text_with_unit_and_interval():
    assert estimate_text(estimate(0.41234, 0.3961, 0.4286)) == "0.412 kWh (0.396–0.429)"
    assert estimate_text(estimate(5.0, -math.inf, math.inf, n=1)) == "5.00 kWh (?)"
    assert estimate_text(None) == "not known"


def test_shares():
    assert percent_text(0.256) == "26 %"
    assert percent_text(-0.001) == "0 %"
    assert percent_text(-0.02) == "0 %"
    assert percent_text(math.nan) == "not known"


@pytest.mark.parametrize(
    ("score", "seen", "words"),
    [
        (1.0, {"runs": 0, "days": 0.1, "period_s": 900}, "batch"),
        (0.9, {}, "treated as batch"),
        (0.7, {}, "probably batch"),
        (0.5, {}, "perhaps batch, a guess"),
        (0.9, {"runs": 2}, "perhaps batch, a guess"),
        (0.9, {"days": 0.5}, "perhaps batch, a guess"),
        (0.9, {"period_s": 900}, "perhaps batch, a guess"),
    ],
)
def test_a_kind_is_told_in_words_and_never_as_a_probability(score, seen, words):
    usual = {"runs": 10, "days": 14, "period_s": 60}
    assert kind_words("batch", score, **(usual | seen)) == words


def finding_of(days_w, *, circuit=None, tariff=None):
    """Finding of a circuit in samples of a minute, one array a day."""
    trace = Trace(
        label="Kettle",
        start=pd.Timestamp("2026-03-02T00:00Z"),
        period_s=60,
        watts=np.concatenate(days_w).astype(np.float32),
    )
    circuit = circuit or Circuit(name="kettle", appliance="Kettle", kind="manual")
    return appliance_finding(trace, circuit=circuit, timezone="UTC", tariff=tariff)


def boils(n, *, seed=1):
    watts = np.random.default_rng(seed).normal(3, 0.5, 1440)
    for i in range(n):
        watts[60 + 90 * i : 70 + 90 * i + i] += 2000
    return watts


def house_of(*found, currency=None):
    return Findings(
        house_name="Mill house",
        timezone="UTC",
        currency=currency,
        start=pd.Timestamp("2026-03-02T00:00Z"),
        end=pd.Timestamp("2026-03-04T00:00Z"),
        appliances=found,
        mains_kwh_per_day=None,
        unmeasured_kwh_per_day=None,
    )


def test_use_is_not_said_to_be_negative_where_no_power_was_returned():
    finding = finding_of([boils(1), boils(5)])
    per_day = finding.kwh_per_day
    assert per_day.low < 0 < per_day.value
    assert clipped(per_day, finding).low == 0
    assert clipped(per_day, finding).high == per_day.high
    assert clipped(finding.standby_w, finding) == finding.standby_w
    table = house_of(finding).to_markdown()
    assert "-" not in table.splitlines()[2]
    assert "only 2 days" in table.splitlines()[2]
    assert house_of(finding).to_frame().loc[0, "kwh_per_day_low"] == per_day.low


def test_interval_of_a_circuit_that_returns_power_stays_as_it_is():
    day = boils(4)
    finding = finding_of([day, -day, day, day])
    assert finding.kwh_per_day.low < 0 < finding.kwh_per_day.value
    assert clipped(finding.kwh_per_day, finding) == finding.kwh_per_day


def test_notes_say_what_marks_and_cost_mean_where_they_stand():
    plain = " ".join(notes(house_of(finding_of([boils(3), boils(5), boils(4)]))))
    assert "do not include errors of the clamps" in plain
    assert "whole year" not in plain
    assert "In place of an interval" not in plain
    tariff = Tariff(currency="EUR", price_per_kwh=0.3)
    lone = house_of(finding_of([boils(1)], tariff=tariff), currency="EUR")
    text = " ".join(notes(lone))
    assert "if the whole year is like these days" in text
    assert "? = interval not known" in text
    assert text in lone.to_markdown()


def test_markdown_keeps_the_remarks_and_says_each_once():
    first = replace(finding_of([boils(3), boils(5)]), remarks=("hot", "loud"))
    second = replace(first, appliance="Pump", remarks=("hot",))
    lines = house_of(first, second).to_markdown().splitlines()
    assert lines[-2:] == ["- All: hot", "- Kettle: loud"]


def test_idle_share_is_never_below_nothing():
    finding = replace(finding_of([boils(3), boils(5)]), idle_share=-0.004)
    assert "-0" not in house_of(finding).to_markdown()
    assert house_of(finding).to_frame().loc[0, "idle_share"] == 0


def test_a_bound_is_no_value_in_the_frame():
    bound = estimate(0.5, 0.0, 1.0, unit="W", resolved=False)
    resolved = finding_of([boils(3), boils(5)])
    unseen = replace(resolved, standby_w=estimate(math.nan, math.nan, math.nan, unit="W"))
    frame = house_of(replace(resolved, standby_w=bound), resolved, unseen).to_frame()
    assert frame["standby_resolved"].tolist() == [False, True, False]
    assert frame["standby_w"].isna().tolist() == [True, False, True]
    assert frame.loc[0, ["standby_w_low", "standby_w_high"]].tolist() == [0, 1]
    assert frame.loc[1, "standby_w"] == resolved.standby_w.value


def test_remark_on_a_kind_tells_no_percentage():
    circuit = Circuit(name="kettle", appliance="Kettle")
    finding = finding_of([boils(3), boils(5)], circuit=circuit)
    (remark,) = [text for text in finding.remarks if "can say otherwise" in text]
    assert remark.startswith(("treated as", "probably", "perhaps"))
    assert not any("sure" in text for text in finding.remarks)
