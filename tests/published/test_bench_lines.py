"""Regression lines against certified and published values."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t as student_t

from homeenergy.stats.lines import line_posterior, line_through_origin

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
    # A bench comparison, whose scatter is not known, has Student's interval of it.
    found = line_posterior(check["x"], check["y"], known_u=0.0, scale=1.0, low=0.0, high=0.0)
    half = student_t.ppf(0.975, check["degrees_of_freedom"]) * check["slope_sd"]
    assert found.mean[1] == pytest.approx(check["slope"], rel=1e-12)
    assert np.sqrt(found.covariance[1, 1]) == pytest.approx(check["slope_sd"], rel=1e-6)
    assert found.scatter == pytest.approx(check["residual_sd"], rel=1e-6)
    assert found.half(check["slope"], slope=1.0) == pytest.approx(half, rel=1e-3)


def test_gum_h3_calibration_of_a_thermometer():
    """JCGM 100:2008, example H.3, and the same worked out again to more digits."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = line_posterior(np.array(t) - 20, b, known_u=0.0, scale=1.0)
    u = np.sqrt(np.diag(line.covariance))
    correlation = line.covariance[0, 1] / u.prod()
    assert line.mean == pytest.approx([-0.171203790131, 0.002182697740], rel=1e-6)
    assert u == pytest.approx([0.002877597835, 0.000667938773], rel=1e-6)
    assert correlation == pytest.approx(-0.930429603, rel=1e-6)
    assert line.scatter == pytest.approx(0.003497563964, rel=1e-6)
    # The published figures, with their digits.
    assert (round(line.mean[0], 4), round(u[0], 4)) == (-0.1712, 0.0029)
    assert (round(line.mean[1], 5), round(u[1], 5)) == (0.00218, 0.00067)
    assert round(correlation, 3) == -0.930
    at = np.array([1.0, 30 - 20])
    value, u_at = at @ line.mean, np.sqrt(at @ line.covariance @ at)
    assert (round(value, 4), round(u_at, 4)) == (-0.1494, 0.0041)
    # Without the covariance it would be 0.0073.
    assert np.hypot(u[0], 10 * u[1]) == pytest.approx(0.0073, abs=5e-5)
    # H.3.3 has 9 degrees of freedom.
    half = line.half(line.mean[1] + line.mean[0] / 10, slope=1.0, offset=1 / 10.0)
    assert 10 * half == pytest.approx(student_t.ppf(0.975, 9) * u_at, rel=5e-3)
