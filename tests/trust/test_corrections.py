"""The clamp's uncertainty in the findings, apart from their spread until the end."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.house.schedule import Circuit, Clamp, Correction
from homeenergy.readings import Trace
from homeenergy.stats.estimate import Estimate, mean_estimate
from homeenergy.trust.clamps.reading import clamp_over, correction_text, correction_words

from .panels import START, switched

CLAMP = Clamp(multiplier=2.0, uncertainty=0.03)
KNOWN = ClampErrors(name="kettle", uncertainty=0.03)


def test_half_widths_add_in_squares():
    spread = mean_estimate([9.0, 10, 11, 10], unit="kWh", basis="mean")
    half = spread.high - 10
    wide = KNOWN.with_ratio(spread)
    assert wide.high - 10 == pytest.approx(np.hypot(half, 0.3))
    assert wide.low == pytest.approx(20 - wide.high)
    assert wide.basis == "mean; clamp known to 3 %"
    assert ClampErrors().with_ratio(spread) == spread


def test_the_parts_stay_apart():
    spread = mean_estimate([9.0, 10, 11, 10], unit="kWh", basis="mean")
    wide = KNOWN.with_ratio(spread)
    assert wide.systematic == pytest.approx(0.3)
    assert wide.spread == pytest.approx(spread.high - 10)
    assert (spread.systematic, spread.spread) == (0.0, pytest.approx(spread.high - 10))


def test_a_bound_grows_by_the_share():
    bound = Estimate(value=1.5, low=0.0, high=3.0, unit="W", n=9, basis="", resolved=False)
    wide = KNOWN.with_ratio(bound)
    assert (wide.low, wide.value, wide.high) == pytest.approx((0.0, 1.545, 3.09))
    assert np.isnan(wide.spread)


def test_what_is_not_known_stays_so():
    one = KNOWN.with_ratio(mean_estimate([5.0], unit="", basis=""))
    assert (one.low, one.high) == (-np.inf, np.inf)
    assert np.isnan(KNOWN.with_ratio(mean_estimate([], unit="", basis="")).value)


def test_the_correction_in_words():
    assert correction_text(CLAMP) == "multiplied by 2; the clamp is known to 3 %"
    assert correction_text(Clamp()) == "as logged; the clamp's uncertainty is not stated"
    moved = datetime(2026, 10, 25, 14, tzinfo=UTC)
    dated = Clamp(corrections=(Correction(value=2.0), Correction(value=1.0, start=moved)))
    assert correction_text(dated).startswith("multiplied by 2, then 1 from 2026-10-25 14:00")


def test_the_correction_in_short():
    moved = datetime(2026, 3, 2, tzinfo=UTC)
    later = datetime(2026, 3, 2, 14, 5, tzinfo=UTC)
    dated = Clamp(corrections=(Correction(value=2.0), Correction(value=1.02, start=moved)))
    assert correction_words(dated) == "x 2, from 2026-03-02 x 1.02"
    at_once = Clamp(corrections=(Correction(value=-1.0, start=later),))
    assert correction_words(at_once) == "from 2026-03-02 14:05 x -1"
    assert [correction_words(c) for c in (Clamp(), CLAMP)] == ["none", "x 2"]


def test_an_offset_in_words():
    assert correction_words(Clamp(offset_w=0.8)) == "x 1 + 0.8 W"
    assert correction_text(Clamp(multiplier=2.0, offset_w=-1.0)).startswith("multiplied by 2 - 1 W")
    moved = datetime(2026, 3, 2, tzinfo=UTC)
    parts = (Correction(value=2.0), Correction(value=1.0, start=moved, offset_w=0.5))
    assert correction_words(Clamp(corrections=parts)) == "x 2, from 2026-03-02 x 1 + 0.5 W"


@pytest.mark.parametrize(
    ("first", "second", "whole"),
    [(0.05, 0.01, 0.02), (None, 0.01, 0.01), (0.05, None, 0.05), (None, None, None)],
)
def test_the_uncertainty_of_dated_corrections_by_their_energy(first, second, whole):
    """A quarter of the energy before the clamp was moved: 0.25 * 5 % + 0.75 * 1 % = 2 %."""
    watts = np.r_[np.full(3600, 100), np.full(3600, -300)].astype(np.float32)
    trace = Trace(label="Pump", start=START, period_s=1, watts=watts)
    moved = (START + np.timedelta64(3600, "s")).to_pydatetime()
    parts = (
        Correction(value=1.0, uncertainty=first),
        Correction(value=2.0, start=moved, uncertainty=second),
    )
    found = clamp_over(trace, Clamp(corrections=parts, uncertainty=second)).uncertainty
    assert found == (None if whole is None else pytest.approx(whole))


def test_whole_watts_are_an_error_that_days_share():
    """10.4 W logged as 10 W: 0.4 W for 24 h is within what rounding can do, over any number."""
    watts = np.full(5 * 1440, 10, np.float32)
    watts[::2880] = 11
    trace = Trace(label="Box", start=START, period_s=60, watts=watts)
    box = Circuit(name="box", appliance="Box", kind="continuous")
    per_day = appliance_finding(trace, circuit=box, timezone="UTC").kwh_per_day
    # That the draw may have noise which never shows takes some of half a step off.
    assert 0.85 < per_day.systematic / (0.95 / 2 * 0.024) <= 1
    assert per_day.low < 10.4 * 0.024 < per_day.high


def test_findings_include_it_and_say_so():
    watts = np.concatenate([switched(k, on_w=1500.0, rest_w=2.0) for k in range(4)])
    trace = Trace(label="Kettle", start=START, period_s=1, watts=watts)
    plain = Circuit(name="kettle", appliance="Kettle", kind="manual")
    before = appliance_finding(trace, circuit=plain, timezone="UTC")
    after = appliance_finding(trace, circuit=replace(plain, clamp=CLAMP), timezone="UTC")
    for name in ("run_kwh", "kwh_per_day"):
        spread, both = getattr(before, name), getattr(after, name)
        assert both.value == spread.value
        half = np.hypot(spread.high - spread.value, 0.03 * spread.value)
        assert both.high - both.value == pytest.approx(half)
    assert any("the clamp is known to 3 %" in remark for remark in after.remarks)
    assert after.clamp_uncertainty == 0.03
    assert before.clamp_uncertainty is None
