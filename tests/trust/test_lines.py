"""What must hold for any fitted line."""

import numpy as np
import pytest

from homeenergy.stats.lines import line_through_origin


def test_numpy_finds_the_same_line():
    rng = np.random.default_rng(8)
    x = rng.uniform(0, 50, 20)
    y = 2 * x + rng.normal(0, 1, 20)
    line = line_through_origin(x, y)
    (slope,), (square,), *_ = np.linalg.lstsq(x[:, None], y, rcond=None)
    assert line.slope == pytest.approx(slope, rel=1e-9)
    assert line.residual_sd == pytest.approx(np.sqrt(square / 19), rel=1e-9)
    assert line.slope_u == pytest.approx(line.residual_sd / np.linalg.norm(x), rel=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "match"),
    [
        ([1], [1], "needs 2 points or more here, got 1"),
        ([0, 0], [1, 2], "all x are 0"),
        ([1, 2, np.nan], [1, 2, 3], "must be finite"),
        ([1, 2, 3], [1, 2], "must be as long"),
    ],
)
def test_too_little_is_refused(x, y, match):
    with pytest.raises(ValueError, match=match):
        line_through_origin(x, y)
