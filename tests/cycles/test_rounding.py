"""What rounding hides in the mean of many readings of one draw."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.cycles import find_cycles
from homeenergy.cycles.rest import readings_at_rest, rounding_limit_w

from .traces import as_trace


def limit_w(watts, *, step_w=1.0, first=0):
    rest = SimpleNamespace(first=np.array([first]), stop=np.array([len(watts)]), sign=1)
    pieces = [as_trace(np.asarray(watts, np.float32))]
    return rounding_limit_w(readings_at_rest(pieces, rest), step_w=step_w)


def test_readings_that_never_change_may_hide_up_to_half_a_step():
    assert 0.42 < limit_w(np.full(1000, 3.0)) <= 0.5
    assert limit_w(np.full(1000, 3.0), step_w=0.0) == 0
    assert limit_w(np.full(1000, np.nan)) == 0.5  # nothing to look at: all of it


@pytest.mark.parametrize(("noise_w", "least", "most"), [(0.1, 0.3, 0.5), (0.45, 0.0, 0.02)])
def test_noise_averages_rounding_out(noise_w, least, most):
    """By hand: the mean of rounded readings is off by at most exp(-2 (pi s)^2) / pi steps in noise
    of s steps, 0.006 at 0.45 (first term of its Fourier series)."""
    rng = np.random.default_rng(70)
    found = [
        limit_w(np.round(rng.uniform(2, 9) + noise_w * rng.normal(size=4000))) for _ in range(50)
    ]
    assert least < np.mean(found) < most


def test_the_limit_is_as_large_as_the_error_really_is():
    """Any place between two steps; no noise, or any from a fiftieth of a step to a step: mean
    squares agree, for an even error within the limit."""
    rng = np.random.default_rng(71)
    squares, limits = [], []
    for _ in range(600):
        draw_w, noise_w = rng.uniform(0, 20), np.exp(rng.uniform(np.log(0.02), 0))
        noise_w *= rng.random() < 0.5
        watts = np.round(draw_w + noise_w * rng.normal(size=5_000))
        squares.append((watts.mean() - draw_w) ** 2)
        limits.append(limit_w(watts))
    assert np.mean(squares) == pytest.approx(np.mean(np.square(limits)) / 3, rel=0.15)


@given(
    step_w=st.sampled_from([0.1, 1.0, 0.9763, 5.0]),
    offset_w=st.floats(-3, 3),
    sign=st.sampled_from([-1, 1]),
    first=st.integers(0, 50),
)
@settings(max_examples=30)
def test_steps_offsets_and_signs_only_scale_it(step_w, offset_w, sign, first):
    watts = np.round(2.3 + 0.2 * np.random.default_rng(72).normal(size=2000))
    scaled = np.r_[np.full(first, 2000.0), sign * watts * step_w + offset_w]
    assert limit_w(scaled, step_w=step_w, first=first) == pytest.approx(step_w * limit_w(watts))


def test_other_time_than_rest_is_not_looked_at():
    watts = np.full(2000, 4.0)
    busy = np.r_[np.round(np.random.default_rng(73).normal(900, 50, 700)), watts]
    assert limit_w(busy, first=700) == limit_w(watts)


def test_another_level_of_rest_is_no_noise():
    """A display at 6 W for a tenth of the time, and pulses of 17 W: rounding at 2 W is as large."""
    watts = np.full(3000, 2.0)
    alone = limit_w(watts)
    two = SimpleNamespace(first=np.array([0, 3000]), stop=np.array([3000, 3300]), sign=1)
    shown = as_trace(np.r_[watts, np.full(300, 6.0)].astype(np.float32))
    assert rounding_limit_w(readings_at_rest([shown], two), step_w=1.0) == alone
    watts[::50] = 17.0
    assert limit_w(watts) == pytest.approx(alone)


def test_rest_that_flickers_by_two_watts_shows_a_step_of_two_where_few_values_do():
    """2.8 W read in steps of 2 W, and uses at one power: nothing odd is ever read."""
    noise = np.random.default_rng(74).normal(size=8640)
    watts = 2 * np.round((2.8 + 0.4 * noise) / 2)
    watts[2000:2003] = watts[5000:5003] = 390.0
    two = find_cycles(as_trace(watts, period_s=10.0), "manual").standby
    assert two.low < 2.8 < two.high
    watts[100] = 3.0  # had the readings a step of 2 W, this could not be
    one = find_cycles(as_trace(watts, period_s=10.0), "manual").standby
    assert one.high - one.low < (two.high - two.low) / 4
