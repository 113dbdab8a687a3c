"""Regression lines against certified and published values."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from homeenergy.trust.lines import line_through_origin, straight_line

CHECKS = tomllib.loads(
    (Path(__file__).parents[2] / "shared/check_values/check_values.toml").read_text("utf-8")
)


@pytest.mark.parametrize("name", ["nist_noint1", "nist_noint2"])
def test_nist_lines_through_the_origin(name):
    """NIST Statistical Reference Datasets NoInt1 and NoInt2, certified values."""
    check = CHECKS[name]
    line = line_through_origin(check["x"], check["y"])
    assert line.slope == pytest.approx(check["slope"], rel=1e-13)
    assert line.slope_u == pytest.approx(check["slope_sd"], rel=1e-13)
    assert line.residual_sd == pytest.approx(check["residual_sd"], rel=1e-13)
    assert line.degrees_of_freedom == check["degrees_of_freedom"]


def test_gum_h3_calibration_of_a_thermometer():
    """JCGM 100:2008, example H.3, and the same worked out again to more digits."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = straight_line(np.array(t) - 20, b)
    assert line.offset == pytest.approx(-0.171203790131, rel=1e-9)
    assert line.offset_u == pytest.approx(0.002877597835, rel=1e-9)
    assert line.slope == pytest.approx(0.002182697740, rel=1e-9)
    assert line.slope_u == pytest.approx(0.000667938773, rel=1e-9)
    assert line.correlation == pytest.approx(-0.930429603, rel=1e-8)
    assert line.residual_sd == pytest.approx(0.003497563964, rel=1e-9)
    # The published figures, with their digits.
    assert round(line.offset, 4) == -0.1712
    assert round(line.offset_u, 4) == 0.0029
    assert round(line.slope, 5) == 0.00218
    assert round(line.slope_u, 5) == 0.00067
    assert round(line.correlation, 3) == -0.930
    value, u = line.at(30 - 20)
    assert (round(value, 4), round(u, 4)) == (-0.1494, 0.0041)
    # Without the covariance it would be 0.0073.
    assert np.hypot(line.offset_u, 10 * line.slope_u) == pytest.approx(0.0073, abs=5e-5)
