import numpy as np
import pytest

from homeenergy.show.figures.style import reduce_steps


def test_short_trace_is_drawn_as_it_is(make_trace):
    instants_ns, watts = reduce_steps(make_trace([1, 2, np.nan, 4]))
    start = make_trace([1]).start.value
    assert ((instants_ns - start) // 60_000_000_000).tolist() == [0, 1, 2, 3, 4]
    np.testing.assert_array_equal(watts, np.float32([1, 2, np.nan, 4, np.nan]))


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_every_lone_spike_and_dip_is_kept(make_trace, seed):
    rng = np.random.default_rng(seed)
    watts = rng.normal(100, 1, 400_000).astype(np.float32)
    # Stretches of 800 000 / 4000 samples keep one least and one greatest each.
    at = rng.choice(400_000 // 1000, 60, replace=False) * 1000
    watts[at] = 3000 + np.arange(60)
    _, kept = reduce_steps(make_trace(watts, period_s=1), points=4000)
    assert kept.size < 4100
    assert set(watts[at]) <= set(kept)


def test_long_holes_stay_holes_and_invisible_ones_do_not(make_trace):
    watts = np.full(100_000, 50, dtype=np.float32)
    watts[30_000:40_000] = np.nan
    watts[70_000] = np.nan
    instants_ns, kept = reduce_steps(make_trace(watts, period_s=1), points=1000)
    start = make_trace([1]).start.value
    ends = (instants_ns[np.isnan(kept)] - start) // 1_000_000_000
    assert ends.tolist() == [30_000, 100_000]
    assert not ((instants_ns > start + 30_000e9) & (instants_ns < start + 40_000e9)).any()


def test_nothing_there(make_trace):
    instants_ns, watts = reduce_steps(make_trace([np.nan, np.nan]))
    assert instants_ns.size == watts.size == 0
