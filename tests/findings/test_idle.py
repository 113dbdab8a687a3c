"""Idle or use: energies by hand, break-even, and what must stay on."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import idle_or_use, switching_off
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.days import between_edges, day_parts
from homeenergy.house import Tariff
from homeenergy.house.schedule import Circuit, Clamp
from homeenergy.readings import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import ratio_of_days
from tests.findings.small_house import switched
from tests.findings.test_sample_house import SAMPLE
from tests.samples import sample_findings

ZONE = "UTC"


def finding_of(watts, *, kind="manual", name="Oven", period_s=60, **settings):
    trace = Trace(
        label=name,
        start=pd.Timestamp("2026-03-02T00:00Z"),
        period_s=period_s,
        watts=np.asarray(watts, np.float32),
    )
    clamp = settings.pop("clamp", Clamp())
    own = name.lower().replace(" ", "_")
    circuit = Circuit(name=own, appliance=name, kind=kind, season="none", clamp=clamp)
    return appliance_finding(
        trace, circuit=circuit, timezone=settings.pop("timezone", ZONE), **settings
    )


def oven_days(hours_of_day, *, idle_w=20.0, on_w=1900.0, minutes=60):
    """Minutes of days; each day holds bakes that begin at these hours."""
    days = []
    for hours in hours_of_day:
        day = np.full(1440, idle_w)
        for hour in hours:
            day[hour * 60 : hour * 60 + minutes] = on_w
        days.append(day)
    return np.concatenate(days)


@pytest.fixture(scope="module")
def one_bake_a_week():
    """Four weeks at 20 W with one bake of an hour at 1.9 kW each."""
    return finding_of(oven_days(([18], [], [], [], [], [], []) * 4))


def test_twenty_watts_is_more_than_one_bake_a_week(one_bake_a_week):
    """20 W x 168 h = 3.36 kWh a week: common practice, no source."""
    week_kwh = 0.020 * 168
    assert week_kwh == pytest.approx(3.36)
    found = idle_or_use(one_bake_a_week, use_name="bake")
    assert found.idle_kwh_per_week.value == pytest.approx(0.020 * 167, rel=1e-6)
    assert round(found.idle_kwh_per_week.value, 1) in (3.3, 3.4)
    assert found.use_kwh_per_week.value == pytest.approx(1.9, rel=1e-6)
    assert found.idle_share.value == pytest.approx(3.34 / 5.24, rel=1e-6)
    # An offset within a step adds to the idle energy and to all of it: d(i / t) = (1 - i / t) / t.
    offset_kwh = one_bake_a_week.cycles.standby.systematic * 167 / 1000
    assert offset_kwh > 0
    assert found.idle_share.systematic == pytest.approx(
        offset_kwh / 5.24 * (1 - 3.34 / 5.24), rel=1e-6
    )
    # N bakes take 1.9 N; the rest of the week 0.020 (168 - N).
    assert found.break_even_per_week.value == pytest.approx(3.36 / 1.92, rel=1e-6)
    assert found.waiting_h_per_use.value == pytest.approx(95.0, rel=1e-6)
    assert found.uses_per_week.value == pytest.approx(1.0)
    assert "bakes: with fewer than 1.750 bakes a week" in found.sentence


def test_at_the_break_even_both_take_the_same():
    """Seven uses of 1 h in 7 days, at an idle draw for which 7 is the break-even."""
    idle_w = 1900 * 7 / (168 - 7)
    found = idle_or_use(finding_of(oven_days([[18]] * 7, idle_w=idle_w)))
    assert found.break_even_per_week.value == pytest.approx(7.0, rel=1e-5)
    assert found.idle_kwh_per_week.value == pytest.approx(found.use_kwh_per_week.value, rel=1e-5)
    assert found.idle_share.value == pytest.approx(0.5, rel=1e-5)


@pytest.fixture(scope="module")
def sample():
    return {a.circuit: a for a in sample_findings("orchard_house").appliances}


def test_the_parts_of_every_day_add_up_to_its_energy(sample):
    for finding in sample.values():
        parts = day_parts(finding.cycles, finding.daily)
        total = parts["idle_kwh"] + parts["use_kwh"] + parts["other_kwh"]
        np.testing.assert_allclose(total, finding.daily["kwh"], rtol=0, atol=2e-4)
        cycles = finding.cycles
        assert parts["use_kwh"].sum() == pytest.approx(cycles.runs_wh / 1000, rel=1e-9)
        assert parts["idle_kwh"].sum() == pytest.approx(cycles.idle_wh / 1000, rel=0.01, abs=1e-6)
        assert parts["starts"].sum() == len(cycles.table)
        # A second that is missing in a plateau across midnight is shared out to both days.
        assert (parts["away_h"] <= parts["covered_h"] + 1 / 3600).all()


def test_range_and_television_of_the_sample_house(sample):
    """Idle energy against the true standby over the time outside the true runs."""
    truth = pd.read_csv(SAMPLE / "truth" / "standby.csv").groupby("circuit")["standby_w"].first()
    runs = pd.read_csv(SAMPLE / "truth" / "runs.csv", parse_dates=["start", "end"])
    for circuit in ("range", "television"):
        found = idle_or_use(sample[circuit])
        true = runs[runs["circuit"] == circuit]
        in_use_s = (true["end"] - true["start"]).dt.total_seconds().sum()
        away_h = 24 * 7 * (1 - in_use_s / (21 * 86_400))
        kwh = truth[circuit] * away_h / 1000
        # The range's clamp is off by an offset of less than a step: 0.7 of 6.4 W.
        assert found.idle_kwh_per_week.value == pytest.approx(kwh, rel=0.13)
        assert found.use_kwh_per_week.value == pytest.approx(
            true["energy_wh"].sum() / 3000, rel=0.08
        )
        assert found.idle_share.high < 0.5
        assert found.break_even_per_week.high < found.uses_per_week.value
        assert "using it takes more" in found.sentence


def test_energies_scale_and_shares_do_not():
    watts = oven_days([[18], [], [7, 18], [], [12], [], []] * 3)
    # Noise, so that no step of the readings comes in.
    watts += np.random.default_rng(4).normal(0, 0.5, watts.size)
    one = idle_or_use(finding_of(watts))
    two = idle_or_use(finding_of(2 * watts))
    for name in ("idle_kwh_per_day", "use_kwh_per_day", "idle_w"):
        a, b = getattr(one, name), getattr(two, name)
        assert (b.value, b.high - b.low) == pytest.approx((2 * a.value, 2 * (a.high - a.low)))
    for name in ("idle_share", "break_even_per_week", "uses_per_week"):
        a, b = getattr(one, name), getattr(two, name)
        assert (b.low, b.value, b.high) == pytest.approx((a.low, a.value, a.high))


def test_a_clamps_uncertainty_widens_energies_and_not_shares():
    watts = oven_days([[18], [], [7, 18], [], [12], [], []] * 3)
    plain = idle_or_use(finding_of(watts))
    vague = idle_or_use(finding_of(watts, clamp=Clamp(uncertainty=0.2)))
    assert vague.idle_kwh_per_day.systematic >= 0.2 * plain.idle_kwh_per_day.value
    assert vague.use_kwh_per_day.high > plain.use_kwh_per_day.high
    assert (vague.idle_share.low, vague.idle_share.high) == pytest.approx(
        (plain.idle_share.low, plain.idle_share.high)
    )
    assert vague.break_even_per_week.high == pytest.approx(plain.break_even_per_week.high)


def test_a_draw_that_cannot_be_told_gives_bounds():
    noise = np.random.default_rng(3).normal(0, 0.2, 14 * 1440)
    found = idle_or_use(finding_of(oven_days([[18], []] * 7, idle_w=0.0) + noise))
    assert not found.idle_kwh_per_week.resolved
    assert found.idle_kwh_per_week.high == pytest.approx(1.0 * 0.168 * 23.5 / 24, rel=1e-3)
    assert not found.idle_share.resolved
    assert not found.break_even_per_week.resolved
    assert found.break_even_per_week.high == pytest.approx(168 / (1900 + 1), rel=0.02)
    assert "at most 0.17 kWh a week" in found.sentence
    assert not switching_off(found).kwh_per_year.resolved


def test_a_bound_of_waiting_is_no_more_than_all_that_is_taken():
    """One minute at 60 W a week: 1 Wh in all, where the draw at rest is below 1 W."""
    watts = np.zeros(14 * 1440)
    watts[600::10080] = 60.0
    found = idle_or_use(finding_of(watts))
    assert not found.idle_kwh_per_day.resolved
    assert found.idle_kwh_per_day.high <= found.finding.kwh_per_day.high


def test_where_power_flows_both_ways_there_are_no_shares():
    watts = oven_days([[18]] * 7) - oven_days([[11]] * 7, idle_w=0.0, on_w=500.0)
    found = idle_or_use(finding_of(watts))
    assert np.isnan(found.idle_share.value)
    assert "do not show which takes more" in found.sentence


def test_without_any_use_all_is_waiting():
    found = idle_or_use(finding_of(np.full(5 * 1440, 4.0) + np.arange(5 * 1440) % 2 * 0.2))
    assert found.idle_share.value == pytest.approx(1.0)
    assert found.uses_per_week.value == 0
    assert found.uses_per_week.high == pytest.approx(-np.log(0.025) / 5 * 7)
    assert np.isnan(found.break_even_per_week.value)
    assert "was not used in these 5.0 days" in found.sentence


def test_where_all_runs_are_cut_the_break_even_is_not_known():
    watts = np.full(2880, 20.0)
    watts[:60] = watts[-60:] = 1900.0
    found = idle_or_use(finding_of(watts))
    assert found.finding.runs == 0
    assert np.isnan(found.break_even_per_week.value)
    assert found.break_even_per_week.basis == "no complete use"
    assert "break-even is not known" in found.sentence
    assert found.use_kwh_per_day.value == pytest.approx(1.9, rel=1e-6)


def test_one_run_gives_no_interval():
    found = idle_or_use(finding_of(oven_days([[], [18], []])))
    least = found.break_even_per_week
    assert least.value == pytest.approx(3.36 / 1.92, rel=1e-5)
    assert np.isinf(least.high)
    assert "a week (?)" in found.sentence


def test_never_off_is_never_idle():
    watts = 27 + (np.arange(4 * 1440) % 1440 > 1200) * 20.0
    found = idle_or_use(finding_of(watts, kind="continuous", name="Ventilation"))
    assert found.idle_kwh_per_day.value == 0
    assert found.use_kwh_per_day.value == pytest.approx(found.finding.kwh_per_day.value)
    assert "is never off" in found.sentence


def test_bad_input():
    empty = finding_of(np.full(1440, np.nan))
    with pytest.raises(HouseError, match=r"Oven \(oven\) has no readings"):
        idle_or_use(empty)
    with pytest.raises(HouseError, match="is below zero"):
        idle_or_use(finding_of(-oven_days([[18]] * 3)))


def test_summer_time_changes_no_kilowatt_hour():
    """Denver's day of 23 h on 8 March 2026; energies of a day are those of 24 h."""
    found = idle_or_use(
        finding_of(np.r_[oven_days([[20]] * 14), np.full(420, 20.0)], timezone="America/Denver")
    )
    assert found.parts["day_h"].min() == 23
    assert found.parts[["idle_kwh", "use_kwh"]].sum().sum() == pytest.approx(
        found.finding.cycles.total_wh / 1000, rel=1e-9
    )


def test_switching_off_saves_the_idle_energy_of_those_hours():
    finding = finding_of(oven_days([[18]] * 7), tariff=Tariff(currency="USD", price_per_kwh=0.2))
    found = switching_off(idle_or_use(finding), off_h_per_day=10)
    assert found.kwh_per_year.value == pytest.approx(0.020 * 10 * 365, rel=1e-6)
    assert found.cost_per_year.value == pytest.approx(0.020 * 10 * 365 * 0.2, rel=1e-6)
    assert found.cost_per_year.unit == "USD"
    most = switching_off(idle_or_use(finding), off_h_per_day=24)
    assert most.off_h_per_day == pytest.approx(23)
    assert most.kwh_per_year.value == pytest.approx(0.020 * 23 * 365, rel=1e-6)
    text = " ".join(found.cautions)
    assert "no everyday switch" in text
    assert "licensed electrician" in text
    assert "lose their time" in text
    with pytest.raises(ValueError, match="between 0 and 24 h"):
        switching_off(idle_or_use(finding), off_h_per_day=25)


def test_without_a_tariff_there_is_no_cost():
    found = switching_off(idle_or_use(finding_of(oven_days([[18]] * 7))))
    assert found.cost_per_year is None
    assert found.kwh_per_year.value > 0


@pytest.mark.parametrize(
    ("name", "kind", "reason"),
    [
        ("Chest freezer", "manual", "food spoils"),
        ("Sump pump", "manual", "floods"),
        ("Oxygen concentrator", "manual", "health"),
        ("Smoke alarm", "batch", "guards people"),
        ("Box in the hall", "thermostatic", "starts by itself"),
        ("Heat pump", "modulating", "crankcase"),
    ],
)
def test_what_has_to_stay_on(name, kind, reason):
    watts = switched(4, (1, 5, 9, 13, 17, 21), on_w=100, lasts_h=1, rest_w=5.0)
    found = switching_off(idle_or_use(finding_of(watts, kind=kind, name=name)))
    assert found.kwh_per_year is None
    assert reason in found.reason
    assert found.sentence == f"{name} has to stay on: {found.reason}."


def est(value, half, **fields):
    return Estimate(
        value=value, low=value - half, high=value + half, unit="", n=9, basis="", **fields
    )


def test_interval_of_a_ratio_holds_the_truth_as_often_as_it_says(draws):
    """Ratios of normal means with a divisor known to a quarter of itself."""
    rng = np.random.default_rng(8)
    holds = []
    for _ in range(draws(6000)):
        found = est(rng.normal(10, 1), 1.96) / est(rng.normal(4, 0.5), 0.98)
        holds.append(found.low <= 2.5 <= found.high)
    draws.check(holds, 0.94, 0.96)


def test_a_ratio_over_what_may_be_nothing_has_no_upper_end():
    found = est(10, 1).over(est(2, 2.5), unit="", positive=True)
    assert found.value == 5
    assert np.isinf(found.high)
    # (10 - 2 r)^2 = 1 + (2.5 r)^2 at the end: 2.25 r^2 + 40 r - 99 = 0.
    assert found.low == pytest.approx((np.sqrt(1600 + 4 * 2.25 * 99) - 40) / 4.5)
    exact = est(10, 1) / est(2, 0.0)
    assert (exact.low, exact.high) == pytest.approx((4.5, 5.5))


def test_ratio_of_days_is_that_of_their_sums():
    above, below = np.array([1.0, 0, 2, 0, 1, 0, 3]), np.array([2.0, 1, 4, 1, 2, 1, 6])
    found = ratio_of_days(above, below, unit="", basis="share")
    assert found.value == pytest.approx(7 / 17)
    doubled = ratio_of_days(above * 5, below * 5, unit="", basis="share")
    assert (doubled.low, doubled.high) == pytest.approx((found.low, found.high))


def test_amounts_are_shared_out_between_edges():
    start, end = np.array([0, 10, 30]), np.array([10, 20, 40])
    shares = between_edges(
        start, end, np.array([1.0, 2.0, 4.0]), edges_ns=np.array([-5, 5, 25, 35])
    )
    assert shares == pytest.approx([0.5, 2.5, 2.0])
