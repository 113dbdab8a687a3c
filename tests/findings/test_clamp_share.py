"""What is left of a clamp's offset in figures that are taken at another load than its multiplier.

All by hand: a multiplier found at C watts makes up for an offset of a watts there, so that an
energy of E over h hours is off by a (h - E / C).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.cycles.programmes import find_programmes
from homeenergy.findings import (
    compare,
    compare_appliances,
    compare_programmes,
    compare_weekend,
    hours_of_use,
    house_findings,
    programme_uses,
    weather_dependence,
)
from homeenergy.findings.comparison.comparison import Worth
from homeenergy.findings.days import remainder_per_day
from homeenergy.findings.saving.what_if import switch_programme
from homeenergy.house.clamp_errors import ClampErrors, errors_of_sum
from homeenergy.readings import open_house, read_outdoor
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.parts import Parts
from tests.samples import SAMPLES, sample_findings

from .machines import build

SHARE, OFFSET_W, LOAD_W = 0.01, 2.0, 60.0
ERRORS = ClampErrors(offset_uncertainty_w=OFFSET_W, compared_at_w=(LOAD_W,))


def half_kwh(floor, kwh, hours):
    """Half-width of what a clamp makes of an energy over so many hours."""
    return floor.parts(kwh, hours=hours).half(above=True)


def by_hand(kwh, hours):
    return np.hypot(SHARE * kwh, OFFSET_W * (hours / 1000 - kwh / LOAD_W))


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    house = build(tmp_path_factory.mktemp("mill") / "house")
    return {
        one.circuit: replace(one, clamp_errors=replace(ERRORS, name=one.circuit, uncertainty=SHARE))
        for one in house_findings(house).appliances
    }


@given(
    offset_w=st.floats(-5, 5),
    watts=st.lists(st.floats(0, 3000), min_size=2, max_size=2),
    hours=st.lists(st.floats(0.1, 24), min_size=2, max_size=2),
)
def test_energies_and_their_differences_are_off_by_no_more(offset_w, watts, hours):
    """Readings of a clamp with an offset, through a multiplier found at 60 W with it unseen."""
    slope = 0.98
    multiplier = LOAD_W / ((LOAD_W - offset_w) / slope)
    true_kwh = [w * h / 1000 for w, h in zip(watts, hours, strict=True)]
    read_kwh = [
        multiplier * (w - offset_w) / slope * h / 1000 for w, h in zip(watts, hours, strict=True)
    ]
    floor = ClampErrors(offset_uncertainty_w=abs(offset_w), compared_at_w=(LOAD_W,))
    left = 1 / (1 - offset_w / LOAD_W)  # of second order
    half = half_kwh(floor, true_kwh[0], hours[0]) * left
    assert abs(read_kwh[0] - true_kwh[0]) == pytest.approx(half, abs=1e-9)
    off = read_kwh[0] - read_kwh[1] - (true_kwh[0] - true_kwh[1])
    half = half_kwh(floor, true_kwh[0] - true_kwh[1], hours[0] - hours[1]) * left
    assert abs(off) == pytest.approx(half, abs=1e-9)


def test_an_offset_known_only_to_half_a_step():
    """Alone, 95 % of its limit; of several loads the worst."""
    floor = ClampErrors(resolution_w=3.0, compared_at_w=(60.0, 500.0))
    wanted = 0.95 * 1.5 * abs(24 - 12.0 * 1000 / 60) / 1000
    assert half_kwh(floor, 12.0, 24.0) == pytest.approx(wanted)
    # Without a load there is none in differences.
    assert half_kwh(ClampErrors(resolution_w=3.0), 1.0, 0.0) == 0


def test_programmes(found):
    washer = found["washer"]
    for use in programme_uses(washer).uses:
        hours = use.minutes.value / 60
        assert use.run_kwh.systematic == pytest.approx(by_hand(use.run_kwh.value, hours), rel=1e-6)


def test_two_programmes_differ_by_energy_and_by_time(found):
    washer = found["washer"]
    programmes = find_programmes(washer.cycles)
    short, long = programmes.table.sort_values("kwh")["name"]
    one = compare_programmes(washer, programmes, a=long, b=short)
    longer_h = np.subtract(
        *[washer.cycles.table["duration_s"][programmes.runs(x)].mean() for x in (long, short)]
    )
    wanted = by_hand(one.difference.value, longer_h / 3600)
    assert one.difference.systematic == pytest.approx(wanted, rel=1e-6)
    for side, name in ((one.a, long), (one.b, short)):
        hours = washer.cycles.table["duration_s"][programmes.runs(name)].mean() / 3600
        assert side.systematic == pytest.approx(by_hand(side.value, hours), rel=1e-6)
    saved = switch_programme(washer, programmes=programmes, usual=long, instead=short).kwh_per_year
    of_clamp = {s: p for s, p in saved.parts.items() if s.name.startswith("clamp washer: ")}
    assert len(of_clamp) == 2
    each = Parts(of_clamp).half(above=True) / saved.value
    assert each == pytest.approx(wanted / one.difference.value, rel=1e-6)


def test_programmes_that_use_alike_but_last_longer_are_not_known_worse():
    """The clamp's part of a difference near nothing is no share of the two means."""

    clamp = ClampErrors(name="washer", uncertainty=0.01, offset_uncertainty_w=2.0)
    one = compare(
        [0.7, 0.71, 0.69],
        [0.7, 0.71, 0.69],
        paired=False,
        clamps=(clamp, clamp),
        hours=(3.0, 1.0),
    )
    assert one.difference.systematic == pytest.approx(0.004)
    assert one.a.systematic == pytest.approx(np.hypot(0.007, 0.006))
    assert one.difference.parts["clamp washer: offset"].effect == pytest.approx(0.004)


def test_a_ratio_on_one_clamp_holds_the_offset_as_far_as_powers_differ(found):
    """E_a + o h_a over E_b + o h_b is off by o (h_a / E_a - h_b / E_b) of itself; a multiplier by
    nothing, so the load at which it was found does not matter."""
    washer = found["washer"]
    programmes = find_programmes(washer.cycles)
    short, long = programmes.table.sort_values("kwh")["name"]
    one = compare_programmes(washer, programmes, a=long, b=short)
    per_kwh = [
        washer.cycles.table["duration_s"][programmes.runs(name)].mean() / 3600 / side.value
        for name, side in ((long, one.a), (short, one.b))
    ]
    wanted = OFFSET_W / 1000 * abs(per_kwh[0] - per_kwh[1]) * one.ratio.value
    assert one.ratio.systematic == pytest.approx(wanted, rel=1e-6)
    weekend = compare_weekend(found["dryer"])
    wanted = OFFSET_W / 1000 * 24 * abs(1 / weekend.a.value - 1 / weekend.b.value)
    assert weekend.ratio.systematic == pytest.approx(wanted * weekend.ratio.value, rel=1e-6)


def test_an_offset_counts_where_the_multiplier_is_not_stated(found):
    """In programmes, comparisons and the remainder as in energies a run and a day."""
    washer = replace(found["washer"], clamp_errors=replace(ERRORS, name="washer"))
    for use in programme_uses(washer).uses:
        alone = half_kwh(ERRORS, use.run_kwh.value, use.minutes.value / 60)
        assert use.run_kwh.systematic == pytest.approx(alone, rel=1e-6)
    two = compare_appliances(washer, found["dryer"])
    assert two.a.systematic == pytest.approx(half_kwh(ERRORS, two.a.value, 24), rel=1e-6)
    (remark,) = two.remarks
    assert "is not stated in house.toml" in remark
    base = Estimate(value=1.0, low=0.9, high=1.1, unit="kWh", n=9, basis="base")
    wide = ERRORS.with_errors(base, hours=24.0)
    assert wide.systematic == pytest.approx(half_kwh(ERRORS, 1.0, 24.0))
    assert wide.basis == "base; offset of the clamp"
    assert ClampErrors().with_errors(base, hours=24.0) == base


@given(
    watts=st.lists(st.floats(0, 3000), min_size=2, max_size=2),
    loads=st.lists(st.floats(50, 3000), min_size=2, max_size=2),
    hours=st.sampled_from([0.0, 24.0]),
)
def test_several_legs_are_off_by_no_more_whatever_each_has_of_the_sum(watts, loads, hours):
    """Each leg by itself, in squares."""
    floors = [
        ClampErrors(offset_uncertainty_w=off, compared_at_w=(load,))
        for off, load in zip((3.0, 4.0), loads, strict=True)
    ]
    kwh = [24 * w / 1000 for w in watts]
    each = [half_kwh(f, e, hours) for f, e in zip(floors, kwh, strict=True)]
    both = half_kwh(errors_of_sum(floors), sum(kwh), hours)
    assert both >= np.hypot(*each) * (1 - 1e-9)


def test_the_offsets_of_several_legs_are_independent():
    """By hand: two legs known to 3 and 4 W are together off by 5 W at rest."""
    one, two = ClampErrors(offset_uncertainty_w=3.0), ClampErrors(offset_uncertainty_w=4.0)
    assert errors_of_sum([one]) is one
    assert half_kwh(errors_of_sum([one, two]), 6.0, 24.0) == pytest.approx(5.0 / 1000 * 24)
    unknown = errors_of_sum([ClampErrors(resolution_w=2.0), ClampErrors(resolution_w=2.0)])
    each = 1.959964 / np.sqrt(3) * 1.0 * 24 / 1000  # normal with the same variance
    assert half_kwh(unknown, 0.0, 24.0) == pytest.approx(np.sqrt(2) * each)


def test_costs_of_two_programmes_are_off_at_their_own_prices():
    """By hand: 20 W for 1 h at 0.1 and for 3 h at 0.3 a kWh, and the other way about."""

    clamp = ClampErrors(name="washer", offset_uncertainty_w=20.0)
    for costs, wanted in (((0.1, 0.3), 0.02 * 0.8), ((0.3, 0.1), 0.0)):
        one = compare(
            [1.0] * 3,
            [1.0] * 3,
            clamps=(clamp, clamp),
            hours=(1.0, 3.0),
            weekly=7,
            worth=Worth(currency="EUR", a=(costs[0],) * 3, b=(costs[1],) * 3),
        )
        assert one.cost_per_year.systematic == pytest.approx(wanted * 365, abs=1e-9)
        assert (one.a.systematic, one.b.systematic) == pytest.approx((0.02, 0.06))


def test_two_appliances_each_with_its_own_load(found):
    one = compare_appliances(found["washer"], found["dryer"])
    wanted = np.hypot(by_hand(one.a.value, 24), by_hand(one.b.value, 24))
    assert one.difference.systematic == pytest.approx(wanted, rel=1e-6)


def test_days_of_one_clamp_have_the_slope_of_it_only(found):
    one = compare_weekend(found["dryer"])
    wanted = abs(one.difference.value) * np.hypot(SHARE, OFFSET_W / LOAD_W)
    assert one.difference.systematic == pytest.approx(wanted, rel=1e-6)


def test_hours_of_use(found):
    found = hours_of_use(found["dryer"])
    wanted = by_hand(found.kwh_per_day.value, found.hours_per_day.value)
    assert found.kwh_per_day.systematic == pytest.approx(wanted, rel=1e-6)


def test_the_energy_of_warmth_has_no_hours():
    house = open_house(SAMPLES / "orchard_house")
    findings = sample_findings("orchard_house")
    (pump,) = (one for one in findings.appliances if one.circuit == "heat_pump")
    clamp = replace(ERRORS, uncertainty=SHARE)
    fit = weather_dependence(pump.daily, read_outdoor(house), clamp=clamp)
    slope = abs(fit.heating_kwh.value) * np.hypot(SHARE, OFFSET_W / LOAD_W)
    assert fit.heating_kwh.systematic == pytest.approx(slope, rel=1e-6)
    assert fit.base_kwh.systematic == pytest.approx(by_hand(fit.base_kwh.value, 24), rel=1e-6)


@pytest.mark.parametrize("load_kwh", [0.0, 1e-6, 0.06])
def test_the_remainder_holds_the_offset_of_a_circuit_that_rests(load_kwh):
    """By hand: mains known to 1 % of 24 kWh, a load to 1 % with an offset of 2 W found at 60 W."""
    hour = pd.date_range("2026-03-02", periods=7 * 24, freq="h", tz="UTC")
    mains, load = (
        pd.DataFrame({"kwh": kwh, "covered_h": 1.0}, index=hour) for kwh in (1.0, load_kwh)
    )
    clamps = [
        ClampErrors(name="mains", uncertainty=0.01),
        replace(ERRORS, name="load", uncertainty=SHARE),
    ]
    left = remainder_per_day([mains], [load], timezone="UTC", clamps=clamps)
    wanted = np.hypot(0.01 * 24, by_hand(24 * load_kwh, 24))
    assert left.systematic == pytest.approx(wanted, rel=1e-6)
