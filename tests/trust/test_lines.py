"""What must hold for any fitted line."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.trust.lines import line_through_origin, straight_line

points = st.lists(
    st.tuples(st.floats(1, 1000), st.floats(-1000, 1000)), min_size=4, max_size=12, unique=True
)


@given(points, st.integers(0, 3))
def test_a_weight_of_two_counts_as_two_points(pairs, which):
    x, y = np.array(pairs).T
    weights = np.ones(x.size)
    weights[which] = 2
    weighted = line_through_origin(x, y, weights=weights)
    repeated = line_through_origin(np.r_[x, x[which]], np.r_[y, y[which]])
    assert weighted.slope == pytest.approx(repeated.slope, rel=1e-9, abs=1e-9)


def test_numpy_finds_the_same_line():
    rng = np.random.default_rng(8)
    x = rng.uniform(0, 50, 20)
    y = 3 + 2 * x + rng.normal(0, 1, 20)
    weights = rng.uniform(0.5, 2, 20)
    line = straight_line(x, y, weights=weights)
    (slope, offset), covariance = np.polyfit(x, y, 1, w=np.sqrt(weights), cov=True)
    assert (line.slope, line.offset) == pytest.approx((slope, offset), rel=1e-9)
    assert line.covariance == pytest.approx(covariance[0, 1], rel=1e-9)
    assert line.slope_u == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "match"),
    [
        ([1], [1], "needs 3 points or more here, got 1"),
        ([1, 1, 1], [1, 2, 3], "all x are the same"),
        ([1, 2, np.nan], [1, 2, 3], "must be finite"),
        ([1, 2, 3], [1, 2], "must be as long"),
    ],
)
def test_too_little_is_refused(x, y, match):
    with pytest.raises(ValueError, match=match):
        straight_line(x, y)
    with pytest.raises(ValueError, match="all x are 0"):
        line_through_origin([0, 0], [1, 2])
