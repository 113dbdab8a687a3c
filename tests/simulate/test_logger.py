import numpy as np
import pytest

from homeenergy.simulate.logger import ClampFaults, add_spikes, read_clamp, written_rows


def rows_of(n, *, gaps=(), dropped=0, repeated=0, late=0, keep_order=(0, 0), seed=1):
    return written_rows(
        n,
        gaps,
        dropped=dropped,
        repeated=repeated,
        late=late,
        keep_order=keep_order,
        rng=np.random.default_rng(seed),
    )


def test_a_good_logger_writes_every_row_once():
    np.testing.assert_array_equal(rows_of(100), np.arange(100))


def test_gaps_and_dropped_rows_are_missing():
    rows = rows_of(1000, gaps=[(100, 150)], dropped=10)
    assert not set(range(100, 150)) & set(rows.tolist())
    assert 940 <= rows.size <= 950


def test_late_rows_come_after_their_successor_and_repeats_twice():
    rows = rows_of(1000, repeated=20, late=7)
    assert rows.size == 1020
    assert np.unique(rows).size == 1000
    assert np.count_nonzero(np.diff(rows) < 0) >= 5


def test_no_disorder_where_order_matters():
    rows = rows_of(1000, late=300, repeated=300, keep_order=(200, 700))
    inside = rows[(rows >= 200) & (rows < 700)]
    np.testing.assert_array_equal(inside, np.arange(200, 700))


def test_spikes_stand_alone_and_are_told():
    reading = np.zeros(10_000)
    where = add_spikes(reading, count=5, largest_w=4900.0, rng=np.random.default_rng(2))
    np.testing.assert_array_equal(np.flatnonzero(reading), where)
    assert reading.max() <= 4900


def test_clamp_reads_with_its_faults_in_whole_steps():
    rng = np.random.default_rng(3)
    true_w = np.array([0.0, 100.0, 1000.0, 9000.0])
    exact = ClampFaults(ratio=1.02, offset_w=-1.0, step_w=2.0, clip_w=5000.0)
    np.testing.assert_array_equal(read_clamp(true_w, exact, rng=rng), [0.0, 100.0, 1020.0, 5000.0])
    turned = ClampFaults(backwards=True)
    np.testing.assert_array_equal(read_clamp(true_w, turned, rng=rng), -true_w)


def test_clamp_noise_has_the_stated_spread():
    noisy = ClampFaults(noise_w=3.0, step_w=1.0)
    reading = read_clamp(np.full(40_000, 500.0), noisy, rng=np.random.default_rng(4))
    assert reading.mean() == pytest.approx(500.0, abs=0.06)
    assert reading.std() == pytest.approx(np.hypot(3.0, 1 / np.sqrt(12)), rel=0.02)
