"""What is left of the mains, what a clamp can tell, and intervals, computed by hand."""

import json

import numpy as np
import pytest
from scipy import stats

from homeenergy.findings import house_findings
from homeenergy.show.document.findings import findings_record
from homeenergy.stats.estimate import Estimate, mean_estimate
from homeenergy.stats.means import mean_of_days

from .small_house import made_house, switched

MAINS = 'role = "mains"'
DAYS = 6
# 5 kW from 19:00 to 21:00 is 10 kWh a day, and 2 kWh / 24 h all the time is 2 kWh a day.
HEATER_KWH, LEFT_KWH = 10, 2
LEFT_W = 2000 / 24


def heater_and_more(folder, *, missing=None, share=0.0, period_s=60):
    """A house with a water heater and its mains, and readings of the heater that are not there."""
    heater = switched(DAYS, (19,), on_w=5000, lasts_h=2, period_s=period_s)
    mains = heater + LEFT_W
    hour = np.arange(heater.size) * period_s / 3600 % 24
    if missing:
        heater[(hour >= missing[0]) & (hour < missing[1])] = np.nan
    heater[np.random.default_rng(1).random(heater.size) < share] = np.nan
    watts = {"heater": heater, "mains": mains}
    return made_house(folder, watts, period_s=period_s, circuits={"mains": MAINS})


@pytest.mark.parametrize("missing", [None, (2, 4), (20, 21)], ids=["whole", "idle", "at_work"])
def test_a_hole_in_one_circuit_leaves_the_remainder_as_it_is(tmp_path, missing):
    """Two hours without readings of the heater, on or off, leave 2 kWh a day unaccounted for."""
    found = house_findings(heater_and_more(tmp_path, missing=missing))
    assert found.unmeasured_kwh_per_day.value == pytest.approx(LEFT_KWH, rel=1e-4)
    assert found.mains_kwh_per_day.value == pytest.approx(HEATER_KWH + LEFT_KWH, rel=1e-4)


@pytest.mark.parametrize("share", [0.002, 0.01])
def test_single_missing_readings_leave_the_remainder_known(tmp_path, share):
    """A hundredth of the samples of a circuit missing leaves every whole day to compare."""
    left = house_findings(
        heater_and_more(tmp_path, share=share, period_s=10)
    ).unmeasured_kwh_per_day
    assert left.n == DAYS
    assert left.value == pytest.approx(LEFT_KWH, rel=0.01)
    assert left.low < LEFT_KWH < left.high < 1.3 * LEFT_KWH


def test_errors_of_the_clamps_are_in_the_interval_of_the_remainder(tmp_path):
    """Days all alike and clamps within 1.5 % of 12 and 10 kWh leave 2.00 +- 0.27 kWh."""
    left = house_findings(heater_and_more(tmp_path)).unmeasured_kwh_per_day
    # Two rectangular errors within 0.18 and 0.15 kWh: the tails of their trapezoidal sum.
    half = 0.33 - (0.05 * 4 * 0.18 * 0.15) ** 0.5
    assert half == pytest.approx(0.2565, abs=1e-4)
    assert left.value - left.low == pytest.approx(half, abs=2e-3)
    assert left.high - left.value == pytest.approx(half, abs=2e-3)
    assert "1.5%" in left.basis


def test_days_like_the_day_before_widen_the_interval():
    """Four days of 1 kWh and four of 3 kWh: all likenesses weighed, with matrices written out."""
    kwh = np.array([1.0, 1, 1, 1, 3, 3, 3, 3])
    found = mean_of_days(kwh)
    ones, lag = np.ones(8), np.abs(np.subtract.outer(np.arange(8), np.arange(8)))
    drawn, weights = [], []
    quantiles = stats.t.ppf((np.arange(200) + 0.5) / 200, 7)
    # Under two weeks, days with nothing of their own have no prior weight of their own; all others
    # by (1 - r^2)^(-1/2). The arcsine of r is even: these are quantiles.
    grid = [
        (s, r, 1 / 1200)
        for s in np.arange(0.0125, 1, 0.025)
        for r in np.sin(np.arcsin(0.98) * (np.arange(30) + 0.5) / 30)
    ]
    for s, r, prior in grid:
        matrix = s * r**lag + (1 - s) * np.eye(8)
        inverse = np.linalg.inv(matrix)
        precision = ones @ inverse @ ones
        mean = ones @ inverse @ kwh / precision
        squares = (kwh - mean) @ inverse @ (kwh - mean)
        likely = (np.linalg.det(matrix) * precision) ** -0.5 * squares**-3.5
        weights.append(likely * prior)
        drawn.append(mean + (squares / 7 / precision) ** 0.5 * quantiles)
    away = np.abs(np.array(drawn) - 2).ravel()
    order = np.argsort(away)
    held = np.cumsum(np.repeat(weights, 200)[order]) / (200 * np.sum(weights))
    half = away[order][np.searchsorted(held, 0.95)]
    assert found.value == pytest.approx(2)
    assert (found.high - 2, 2 - found.low) == pytest.approx((half, half), rel=0.005)
    plain = 2.364624 * (8 / 7) ** 0.5 / 8**0.5  # Student's t for 7 degrees of freedom, from tables
    assert half > 1.5 * plain
    assert "0.62" in found.basis


def test_days_unlike_the_day_before_do_not_narrow_the_interval():
    """Days that alternate: eight of them tell only roughly that none is like the one before."""
    found = mean_of_days(np.array([1.0, 3, 1, 3, 1, 3, 1, 3]))
    half = 2.364624 * (8 / 7) ** 0.5 / 8**0.5
    assert half <= found.high - 2 < 2.1 * half
    assert "autocorrelation (not estimable from 8)" in found.basis


CLAMPS = {
    "": "2.00",
    "clamp = { rating_a = 20 }": "2.00",  # 20 A * 240 V / 4096 is 1.2 W
    "clamp = { rating_a = 50 }": "below 4 W",  # 2 W, and 1.4 W for a step of 2.9 W
    "clamp = { rating_a = 200 }": "below 12 W",  # 11.7 W
}


@pytest.mark.parametrize("clamp", CLAMPS)
def test_a_standby_below_what_the_clamp_can_tell_is_a_bound(tmp_path, clamp):
    """2 W at rest are a figure for a small clamp, and for a large one below its resolution."""
    watts = switched(5, (7, 18), on_w=2000, lasts_h=0.1, rest_w=2.0)
    watts = np.round(watts + np.random.default_rng(4).normal(0, 0.2, watts.size), 1)
    supply = '[supply]\nsystem = "single-phase"\nvolts_v = 240\nfrequency_hz = 50'
    house = made_house(tmp_path, {"kettle": watts}, circuits={"kettle": f"{clamp}\n{supply}"})
    (finding,) = house_findings(house).appliances
    assert str(finding.standby_w).startswith(CLAMPS[clamp])


def test_whether_a_figure_is_resolved_is_true_or_false_in_json(tmp_path):
    """A program that reads the record finds true and false, and no 1 and 0."""
    watts = {
        "lamp": switched(3, (20,), on_w=60, lasts_h=2),
        "kettle": switched(3, (7,), on_w=2000, lasts_h=0.1, rest_w=5),
    }
    found = house_findings(made_house(tmp_path, watts))
    rows = json.loads(json.dumps(findings_record(found)))["appliances"]
    resolved = {row["circuit"]: row["standby_w"]["resolved"] for row in rows}
    assert resolved["lamp"] is False
    assert resolved["kettle"] is True


@pytest.mark.parametrize(
    ("values", "unit", "text"),
    [
        ([0.1 + 0.2, 0.3], "kWh", "0.300 (0.300 to 0.300) kWh"),
        ([0.00012], "kWh", "0.0001 kWh"),
        ([1.0, 2.0, 3.0], "kWh", "2.0 (-0.5 to 4.5) kWh"),  # 4.303 / sqrt 3 is 2.48
        ([1234.0, 1236.0], "USD", "1,235 (1,222 to 1,248) USD"),  # 12.71 * sqrt 2 / sqrt 2
        ([], "W", "not known"),
    ],
)
def test_an_estimate_is_written_with_digits_that_mean_something(values, unit, text):
    """Two digits of half the interval, four decimals at most, never the noise of binary sums."""
    assert str(mean_estimate(values, unit=unit, basis="")) == text


@pytest.mark.parametrize(
    ("high", "text"), [(1.06647, "below 2 W"), (1.0, "below 1 W"), (0.123, "below 0.13 W")]
)
def test_a_bound_is_rounded_up(high, text):
    """An upper bound that is rounded stays one."""
    bound = Estimate(value=high / 2, low=0.0, high=high, unit="W", n=9, basis="", resolved=False)
    assert str(bound) == text
