import math

import pytest

from homeenergy.estimate import Estimate, mean_estimate
from homeenergy.show.numbers import (
    estimate_text,
    interval_text,
    is_bound,
    percent_text,
    value_text,
)


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
        (estimate(5.0, -math.inf, math.inf, n=1), "5.00", "one only"),
        (estimate(-0.004, -0.6, 0.592, unit="W"), "0.00", "-0.60 to 0.59"),
        (estimate(2.86923, 2.8688, 2.8697, unit="W"), "2.87", ""),
    ],
)
def test_digits_follow_the_interval(given, value, interval):
    assert value_text(given) == value
    assert interval_text(given) == interval


def test_upper_bound_is_said_to_be_one_and_stays_true():
    bound = estimate(0.0, 0.0, 0.93, unit="W", resolved=False)
    assert is_bound(bound)
    assert value_text(bound) == estimate_text(bound) == str(bound) == "below 0.93 W"
    assert value_text(estimate(1.1, 0, 2.2, unit="W", resolved=False)) == "below 3 W"
    assert value_text(estimate(0.5, 0.0, 1.0, unit="W", resolved=False)) == "below 1 W"
    assert not is_bound(estimate(0.5, 0.0, 1.0, unit="W"))


def test_ordinary_estimates_are_no_bounds():
    assert not is_bound(estimate(1.0, 0.5, 1.5))
    assert not is_bound(estimate(math.nan, math.nan, math.nan))
    assert not is_bound(mean_estimate([1.0], unit="kWh", basis="mean of 1 run"))


def test_text_with_unit_and_interval():
    assert estimate_text(estimate(0.41234, 0.3961, 0.4286)) == "0.412 kWh (0.396–0.429)"
    assert estimate_text(None) == "not known"


def test_shares():
    assert percent_text(0.256) == "26 %"
    assert percent_text(-0.001) == "0 %"
    assert percent_text(math.nan) == "not known"
