"""Comparisons against published values, scipy, statsmodels and pandas."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower, TTestPower

from homeenergy.findings import compare, compare_weekdays, compare_weekend
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.comparison.times import holm
from homeenergy.stats.differences import runs_needed, two_means
from homeenergy.stats.estimate import mean_estimate

from .household import HOUSE_ZONE, SUB_METERS

# Flow of the Nile at Aswan 1871 to 1970 [1e8 m3]; R data set "Nile". The break after 1898 (item 28)
# is Cobb's, Biometrika 65 (1978) 243-251.
NILE = """
1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100
1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456
824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822
1010 771 676 649 846 812 742 801 1040 860 874 848 890 744 749 838 1050 918 986 797 923 975 815 1020
906 901 1170 912 746 919 718 714 740
"""


@pytest.fixture(scope="module")
def nile():
    flow = np.array(NILE.split(), dtype=float)
    return flow[:28], flow[28:]


def test_welch_on_the_nile(nile):
    """Welch's t is 8.4145 with 45.99 degrees of freedom; means 1097.75 and 849.972222."""
    found = compare(*nile, names=("before", "after"))
    assert found.a.value == pytest.approx(1097.75)
    assert found.b.value == pytest.approx(849.972222, abs=1e-6)
    assert "46.0 degrees of freedom" in found.method
    half = (found.difference.high - found.difference.low) / 2
    t = found.difference.value / (half / stats.t.ppf(0.975, 45.99))
    assert t == pytest.approx(8.4145, abs=1e-4)
    theirs = stats.ttest_ind(*nile, equal_var=False)
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-6)
    interval = theirs.confidence_interval(0.95)
    np.testing.assert_allclose(
        [found.difference.low, found.difference.high], [interval.low, interval.high], rtol=1e-9
    )


def test_paired_interval_equals_scipy(nile):
    a, b = nile[0], nile[1][:28]
    # Every second day only: no neighbours, so nothing is widened.
    day = np.arange(0, 56, 2)
    found = two_means(a, b, day_a=day, day_b=day)
    theirs = stats.ttest_rel(a, b)
    interval = theirs.confidence_interval(0.95)
    assert found.method == "paired days"
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-9)
    np.testing.assert_allclose(
        [found.difference.low, found.difference.high], [interval.low, interval.high], rtol=1e-9
    )


def test_bootstrap_over_single_days_comes_near_that_of_scipy(nile):
    """With two equal values a day, drawing days is drawing the values themselves."""
    rng = np.random.default_rng(2)
    twice = [np.repeat(flow, 2) for flow in nile]
    days = [np.repeat(np.arange(flow.size) * 3 + k, 2) for k, flow in enumerate(nile)]
    found = two_means(*twice, day_a=days[0], day_b=days[1])
    assert found.method == "bootstrap over days"
    theirs = stats.bootstrap(
        nile,
        lambda a, b, axis: a.mean(axis=axis) - b.mean(axis=axis),
        method="BCa",
        n_resamples=5000,
        rng=rng,
    ).confidence_interval
    width = theirs.high - theirs.low
    assert found.difference.low == pytest.approx(theirs.low, abs=0.08 * width)
    assert found.difference.high == pytest.approx(theirs.high, abs=0.08 * width)
    ratio = stats.bootstrap(
        nile,
        lambda a, b, axis: a.mean(axis=axis) / b.mean(axis=axis),
        method="BCa",
        n_resamples=5000,
        rng=rng,
    ).confidence_interval
    width = ratio.high - ratio.low
    assert found.ratio.low == pytest.approx(ratio.low, abs=0.08 * width)
    assert found.ratio.high == pytest.approx(ratio.high, abs=0.08 * width)


def test_michelson_t_interval():
    """NIST StRD "Michelso": certified mean 299.8524, sd 0.0790105478190518, n 100.

    t(99) 1.984216952 gives 299.836722593 to 299.868077407 (from the certified values). Values with
    the certified mean and standard deviation have that interval whatever they are.
    """
    shape = np.linspace(-1, 1, 100)
    values = 299.8524 + 0.0790105478190518 * shape / shape.std(ddof=1)
    found = mean_estimate(values, unit="", basis="")
    assert found.low == pytest.approx(299.836722593, abs=1e-8)
    assert found.high == pytest.approx(299.868077407, abs=1e-8)
    low, high = stats.t.interval(0.95, 99, loc=values.mean(), scale=stats.sem(values))
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-10)


@pytest.mark.parametrize(("effect", "needed"), [(0.2, 394), (0.5, 64), (0.8, 26)])
def test_numbers_of_runs_are_those_of_cohen_and_statsmodels(effect, needed):
    """Cohen 1988, table 2.4.1, power 0.80 at 5 % two-sided: 393, 64, 26.

    For 0.2 his tables, interpolated, give 393; the noncentral t gives 393.4, so 394.
    """
    assert runs_needed(effect, 1.0) == needed
    theirs = TTestIndPower().solve_power(effect, power=0.8, alpha=0.05)
    assert needed == int(np.ceil(theirs))
    paired = TTestPower().solve_power(effect, power=0.8, alpha=0.05)
    assert runs_needed(2 * effect, 2.0, paired=True) == int(np.ceil(paired))


def test_holm_equals_statsmodels():
    p = np.random.default_rng(3).uniform(0, 0.2, 24)
    np.testing.assert_allclose(holm(list(p)), multipletests(p, method="holm")[1])


@pytest.fixture(scope="module", params=["kitchen", "water_heater"])
def meter(request, house):
    finding = appliance_finding(
        house.trace(request.param),
        circuit=house.circuit(request.param),
        timezone=HOUSE_ZONE,
        tariff=house.tariff,
    )
    return request.param, finding


def plain_days(plain, circuit):
    """Energy of each whole day of the file [kWh], straight from pandas."""
    wh = plain[SUB_METERS[circuit]].groupby(plain.index.normalize()).agg(["sum", "size"])
    return wh["sum"][wh["size"] == 1440] / 1000


def by_week(days, own):
    """Mean of the days `own` and of the others in each week that has both, from plain pandas."""
    week = days.index.to_period("W-SUN")
    parts = {"own": days[own].groupby(week[own]).mean(), "others": days[~own].groupby(week[~own])}
    return pd.DataFrame(parts | {"others": parts["others"].mean()}).dropna()


def test_weekdays_of_a_household_equal_plain_pandas(plain, meter):
    circuit, finding = meter
    days = plain_days(plain, circuit)
    found = compare_weekdays(finding)
    assert len(found.all) == 7
    raw = []
    for number, one in enumerate(found.all):
        weeks = by_week(days, days.index.day_of_week == number)
        off = weeks["own"] - weeks["others"]
        assert one.a.n == len(weeks)
        assert one.a.value == pytest.approx(weeks["own"].mean(), rel=1e-5)
        assert one.b.value == pytest.approx(weeks["others"].mean(), rel=1e-5)
        assert one.difference.value == pytest.approx(off.mean(), rel=1e-3, abs=1e-4)
        theirs = stats.ttest_rel(weeks["own"], weeks["others"])
        interval = theirs.confidence_interval(0.95)
        # As for independent weeks, or wider where weeks are alike (the water heater's Tuesdays and
        # Fridays have correlations of 0.2 up to six weeks apart). Newey and West's interval, which
        # is known to be too narrow then, is up to 2.1 times as wide, ours up to 4.2 times.
        half, plain_half = one.difference.high - off.mean(), interval.high - off.mean()
        robust = OLS(off.to_numpy(), np.ones(off.size)).fit(
            cov_type="HAC", cov_kwds={"maxlags": 26}
        )
        robust_half = stats.t.ppf(0.975, off.size - 1) * float(robust.bse[0])
        assert 0.999 * plain_half <= half <= 2.1 * max(plain_half, robust_half)
        assert half >= 0.8 * robust_half
        raw.append(theirs.pvalue)
    told = multipletests(raw, method="holm")[0]
    for one, differs in zip(found.all, told, strict=True):
        assert differs or not one.differs


def test_weekend_of_a_household_equals_plain_pandas(plain, meter):
    circuit, finding = meter
    days = plain_days(plain, circuit)
    weeks = by_week(days, days.index.day_of_week >= 5)
    found = compare_weekend(finding)
    off = float((weeks["own"] - weeks["others"]).mean())
    assert found.difference.value == pytest.approx(off, rel=1e-4)
    ratio = weeks["own"].mean() / weeks["others"].mean()
    assert found.ratio.value == pytest.approx(ratio, rel=1e-5)
    assert found.differs  # people are at home
    assert "weeks" in found.method
    # Two days a week at the price of the file's house.toml, 0.25 a kWh.
    assert found.cost_per_year.value == pytest.approx(off * 2 * 365 / 7 * 0.25, rel=1e-3)
