"""Steps and medians."""

import numpy as np
import pytest

from homeenergy.stats.means import median_estimate
from homeenergy.trust.panel.circuit import coinciding, find_steps, rises


def test_steps_are_found_and_spikes_passed_over():
    watts = np.zeros(1000, dtype=np.float32)
    watts[200:400] = 500
    watts[700] = 900
    watts[850:] = np.nan
    watts.flags.writeable = False
    found = find_steps(watts, lag=3)
    assert found.watts.tolist() == [500, -500]
    assert np.abs(found.sample - [198, 398]).max() <= 1


def test_what_another_trace_does_at_a_step():
    watts = np.zeros(1000, dtype=np.float32)
    watts[200:400] = 500
    other = np.zeros(1000, dtype=np.float32)
    other[201:600] = 250
    steps = find_steps(watts, lag=3)
    assert rises(other, steps).tolist() == [250, 0]
    assert coinciding(steps, find_steps(other, lag=3)).tolist() == [250, 0]


def test_noise_raises_the_threshold():
    rng = np.random.default_rng(1)
    watts = rng.normal(1000, 30, 20_000).astype(np.float32)
    assert find_steps(watts, lag=3).sample.size <= 2


@pytest.mark.parametrize("n", [6, 9, 20, 101])
def test_the_interval_of_a_median_covers_it(n):
    rng = np.random.default_rng(n)
    draws = rng.standard_cauchy((2000, n))
    inside = [(e := median_estimate(row, unit="", basis="")).low <= 0 <= e.high for row in draws]
    # Never under 95 %; of 2000 draws 94 % would be a miss by two standard deviations.
    assert np.mean(inside) >= 0.94


def test_five_values_have_no_interval():
    found = median_estimate(np.array([1, 2, 3, 4, 5.0]), unit="", basis="")
    assert (found.value, found.low, found.high) == (3, -np.inf, np.inf)
