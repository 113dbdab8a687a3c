"""What would be saved: by hand, together, and where it is not known."""

from dataclasses import replace

import numpy as np
import pytest

from homeenergy.cycles.programmes import find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings import (
    annual_energy,
    change_lamps,
    combine_savings,
    hours_of_use,
    idle_or_use,
    replace_unit,
    shift_in_time,
    switch_off_when_idle,
    switch_programme,
    switching_off,
)
from homeenergy.findings.saving.saving import energy_now, payback, payback_text
from homeenergy.findings.saving.shifting import Shift, shift_to_cheap_hours
from homeenergy.house import Tariff
from homeenergy.house.prices import PricePeriod
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.parts import Parts
from tests.findings.test_idle import finding_of, oven_days
from tests.findings.test_lighting import lamps
from tests.samples import sample_findings

PRICE = 0.2
TARIFF = Tariff(currency="USD", price_per_kwh=PRICE)
# At 20 W, and 1 kW for an hour a day: 1.46 kWh a day.
IDLE_YEAR, USE_YEAR = 0.020 * 23 * 365, 365.0
SEEN_14 = (351 / 365) ** 0.5  # what 14 days of a year leave of their spread


@pytest.fixture(scope="module")
def oven():
    return finding_of(oven_days([[18]] * 14, on_w=1000.0), tariff=TARIFF)


@pytest.fixture(scope="module")
def uneven():
    """Bakes on some days only, so that days differ."""
    days = [[18], [], [7, 18], [], [12], [], [9]] * 2
    return finding_of(oven_days(days, on_w=1000.0), tariff=TARIFF)


def test_a_new_unit_by_its_label_of_a_year(oven):
    found = replace_unit(oven, label_kwh_per_year=200, price=500)
    saved = IDLE_YEAR + USE_YEAR - 200
    assert found.kwh_per_year.value == pytest.approx(saved)
    assert found.cost_per_year.value == pytest.approx(saved * PRICE)
    assert found.cost_per_year.unit == "USD"
    assert found.payback_years.value == pytest.approx(500 / (saved * PRICE))
    assert found.share == pytest.approx(saved / (IDLE_YEAR + USE_YEAR))
    text = " ".join(found.assumptions)
    for word in (
        "200 kWh a year, as its label says",
        "like these 14 days",
        "0.2 USD",
        "no interest",
    ):
        assert word in text
    assert len(found.assumptions) == 5
    assert all(f"- {line}" in found.to_markdown() for line in found.assumptions)


def test_a_new_unit_by_its_label_of_a_hundred_uses(oven):
    found = replace_unit(oven, label_kwh_per_100_uses=70)
    assert found.kwh_per_year.value == pytest.approx(USE_YEAR - 365 * 0.7)
    assert found.part == "use"
    less_idle = replace_unit(oven, label_kwh_per_100_uses=70, new_idle_w=2)
    assert less_idle.kwh_per_year.value == pytest.approx(
        IDLE_YEAR + USE_YEAR - 365 * 0.7 - 0.002 * 23 * 365
    )
    assert less_idle.part == "all"


def test_uses_that_come_and_go_do_not_blur_a_saving_per_use(uneven):
    """A label of what a use takes now saves nothing, however much days differ."""
    found = replace_unit(uneven, label_kwh_per_100_uses=100)
    assert found.kwh_per_year.value == pytest.approx(0, abs=1e-6)
    # What is left is the step of the readings, which all days share.
    assert found.kwh_per_year.spread == pytest.approx(0, abs=1e-6)
    half = replace_unit(uneven, label_kwh_per_100_uses=50).kwh_per_year
    days = idle_or_use(uneven).use_kwh_per_year.spread * SEEN_14
    assert half.spread == pytest.approx(days / 2, rel=0.01)


def test_a_unit_that_takes_more_is_said_to(oven):
    found = replace_unit(oven, label_kwh_per_year=900, price=500)
    assert found.kwh_per_year.value < 0
    assert found.payback_years.value == np.inf
    assert "more a year" in found.sentence
    assert "does not pay back" in found.sentence


def test_a_label_with_an_interval_widens_the_saving(uneven):
    label = Estimate(value=150, low=120, high=180, unit="kWh", n=1, basis="label")
    plain = replace_unit(uneven, label_kwh_per_year=150).kwh_per_year
    wide = replace_unit(uneven, label_kwh_per_year=label).kwh_per_year
    assert wide.high - wide.value == pytest.approx(plain.with_part("label", 30).high - plain.value)
    assert wide.high - wide.value > max(plain.high - plain.value, 30)
    per_100 = Estimate(value=50, low=40, high=60, unit="kWh", n=1, basis="label")
    plain = replace_unit(uneven, label_kwh_per_100_uses=50).kwh_per_year
    wide = replace_unit(uneven, label_kwh_per_100_uses=per_100).kwh_per_year
    uses = 10 / 14 * 365
    assert wide.high - wide.value > np.hypot(plain.spread, 0.1 * uses)
    assert wide.high - wide.value < plain.high - plain.value + 0.1 * uses


def test_seasons_that_were_not_seen_widen_a_saving(oven):
    """Fourteen days of a year: the other 351 may differ by a tenth (own rule of annual_energy)."""
    found = switch_off_when_idle(idle_or_use(oven))
    unseen = 0.1 * 351 / 365 * IDLE_YEAR
    assert found.kwh_per_year.high - IDLE_YEAR >= 0.9 * unseen
    year = annual_energy(oven)
    new = replace_unit(oven, label_kwh_per_year=200, annual=year).kwh_per_year
    assert new.high == pytest.approx(year.kwh.high - 200)
    lines = " ".join(replace_unit(oven, label_kwh_per_year=200).assumptions)
    assert "others may lie up to 10 % above or below (own rule)" in lines
    assert "Only 4% of a year was seen" in lines


def test_days_that_were_seen_no_longer_scatter_in_what_they_took(uneven):
    """14 days of 365 leave sqrt(351 / 365) of the spread open (Cochran 1977, 2.6)."""
    idle = idle_or_use(uneven)
    off = switch_off_when_idle(idle).kwh_per_year
    assert off.spread == pytest.approx(idle.idle_kwh_per_year.spread * SEEN_14)
    hours = hours_of_use(uneven)
    lamps_of_all = change_lamps(hours, now_w=1000, then_w=100).kwh_per_year
    assert lamps_of_all.spread == pytest.approx(hours.kwh_per_day.spread * 0.9 * 365 * SEEN_14)


def test_of_a_whole_year_only_what_nobody_measured_is_open():
    """What it took is known; what a label, given hours or another programme make of it is not."""
    year = finding_of(oven_days([[18]] * 183 + [[]] * 182, on_w=1000.0), tariff=TARIFF)
    known = replace_unit(year, label_kwh_per_100_uses=50).kwh_per_year
    assert known.spread == pytest.approx(0, abs=1e-6)
    label = Estimate(value=50, low=40, high=60, unit="kWh", n=1, basis="label")
    open_ = replace_unit(year, label_kwh_per_100_uses=label).kwh_per_year
    assert open_.high - known.high == pytest.approx(0.1 * 183, rel=0.01)
    hours = hours_of_use(year)
    assert change_lamps(hours, now_w=1000, then_w=100).kwh_per_year.spread == pytest.approx(0)
    given = change_lamps(hours, now_w=40, then_w=6, hours_per_day=0.2).kwh_per_year
    assert given.spread / given.value == pytest.approx(
        hours.hours_per_day.spread / hours.hours_per_day.value
    )
    finding = dryer(days=365, uneven=0.1)
    programmes = find_programmes(finding.cycles)
    low, *_, high = programmes.table.sort_values("kwh")["name"]
    saved = switch_programme(finding, programmes=programmes, usual=high, instead=low).kwh_per_year
    # Runs of 0.6 and 2 kWh that differ by a tenth, 183 and 182 of them: 182 times what both means
    # may be off by.
    of_means = 1.96 * 182 * 0.1 * np.hypot(0.6, 2.0) / 182.5**0.5
    assert saved.spread == pytest.approx(of_means, rel=0.2)


def test_switching_off_when_idle(oven):
    found = switch_off_when_idle(idle_or_use(oven), off_h_per_day=11.5, price=20)
    assert found.kwh_per_year.value == pytest.approx(IDLE_YEAR / 2)
    assert found.share == pytest.approx(0.5)
    assert "no everyday switch" in found.to_markdown()


def test_what_waits_all_day_is_paid_at_all_prices():
    # 20 W but for the hour from 18:00, of 0.3 from 6:00 to 22:00: 15 of 23 hours; else 0.1.
    oven = finding_of(oven_days([[18]] * 14, on_w=1000.0), tariff=NIGHT)
    price = (15 * 0.3 + 8 * 0.1) / 23
    off = switching_off(idle_or_use(oven))
    assert off.kwh_per_year.value == pytest.approx(IDLE_YEAR)
    assert off.cost_per_year.value == pytest.approx(IDLE_YEAR * price)
    saving = switch_off_when_idle(idle_or_use(oven))
    assert saving.cost_per_year.value == pytest.approx(IDLE_YEAR * price)
    assert "A kWh costs 0.23 USD, what this appliance pays on average while it waits" in " ".join(
        saving.assumptions
    )


def test_lamps_by_hand():
    """10 days of 60 W for 4 h and 40 W more for 1 h: 0.28 kWh a day."""
    hours = hours_of_use(finding_of(lamps(), name="Lamps", tariff=TARIFF))
    all_ = change_lamps(hours, now_w=100, then_w=15)
    assert all_.kwh_per_year.value == pytest.approx(0.28 * 0.85 * 365)
    measured = change_lamps(hours, then_w=7)
    assert measured.kwh_per_year.value == pytest.approx(0.28 * 0.9 * 365)
    one = change_lamps(hours, now_w=40, then_w=6, hours_per_day=1, price=12)
    assert one.kwh_per_year.value == pytest.approx(0.034 * 365)
    assert one.payback_years.value == pytest.approx(12 / (0.034 * 365 * PRICE))
    with pytest.raises(ValueError, match=r"between 0 and the 4\.0 h"):
        change_lamps(hours, now_w=40, then_w=6, hours_per_day=9)
    with pytest.raises(ValueError, match="watts must be above zero"):
        change_lamps(hours, now_w=0, then_w=6)


def dryer(days=20, uneven=0.01):
    """By turns a run of 30 min at 1.2 kW and one of 60 min at 2 kW, each of its own by a share."""
    watts = []
    rng = np.random.default_rng(2)
    for i in range(days):
        day = np.full(1440, 0.0)
        minutes, on_w = ((30, 1200), (60, 2000))[i % 2]
        day[600 : 600 + minutes] = on_w * rng.normal(1, uneven)
        watts.append(day)
    return finding_of(np.concatenate(watts), kind="batch", name="Dryer", tariff=TARIFF)


def test_another_programme():
    finding = dryer()
    programmes = find_programmes(finding.cycles)
    names = programmes.table.sort_values("kwh")["name"].tolist()
    assert len(names) == 2
    found = switch_programme(finding, programmes=programmes, usual=names[1], instead=names[0])
    assert found.kwh_per_year.value == pytest.approx(1.4 * 365 / 2, rel=0.02)
    assert found.kwh_per_year.low < 1.4 * 365 / 2 < found.kwh_per_year.high
    assert "and costs nothing" in found.sentence
    with pytest.raises(ValueError, match="both programmes are"):
        switch_programme(finding, programmes=programmes, usual=names[0], instead=names[0])
    with pytest.raises(HouseError, match="there is no programme 'eco'"):
        switch_programme(finding, programmes=programmes, usual="eco", instead=names[0])


NIGHT = Tariff(
    currency="USD",
    periods=(
        PricePeriod(name="day", price_per_kwh=0.30, minutes=((360, 1320),)),
        PricePeriod(name="night", price_per_kwh=0.10, minutes=((0, 360), (1320, 1440))),
    ),
)


def shifted():
    """A dryer at ten in the morning, which may wait for the night."""
    finding = replace(dryer(), cost_per_year=None)
    shift = shift_to_cheap_hours(finding, tariff=NIGHT, timezone="UTC", longest_delay_h=14)
    return finding, shift


def test_other_hours_save_money_and_no_energy():
    finding, shift = shifted()
    found = shift_in_time(finding, shift=shift)
    assert found.kwh_per_year.value == 0
    # 20 days: ten runs of 0.6 kWh and ten of 2 kWh, each 0.20 cheaper.
    assert found.cost_per_year.value == pytest.approx(1.3 * 365 * 0.2, rel=0.02)
    assert found.share == pytest.approx(2 / 3, rel=1e-6)
    assert "save" in found.sentence
    assert "kWh" not in found.sentence


def test_nothing_is_moved_that_a_person_starts(oven):
    shift = shift_to_cheap_hours(oven, tariff=NIGHT, timezone="UTC")
    with pytest.raises(HouseError, match="the runs of Oven are not moved"):
        shift_in_time(oven, shift=shift)


# --- together ---------------------------------------------------------------------------------


def test_waiting_and_working_do_not_overlap(oven):
    off = switch_off_when_idle(idle_or_use(oven))
    better = replace_unit(oven, label_kwh_per_100_uses=70)
    both = combine_savings([off, better])
    assert both.total_kwh_per_year.value == pytest.approx(
        off.kwh_per_year.value + better.kwh_per_year.value
    )
    assert "overlap" not in both.sentence


def test_a_new_unit_leaves_less_to_switch_off(oven):
    """Half of all energy is saved by a new unit: of its idling, too, half is left."""
    new = replace_unit(oven, label_kwh_per_year=(IDLE_YEAR + USE_YEAR) / 2, price=100)
    off = switch_off_when_idle(idle_or_use(oven), price=10)
    for order in ((new, off), (off, new)):
        both = combine_savings(order)
        assert both.total_kwh_per_year.value == pytest.approx(
            (IDLE_YEAR + USE_YEAR) / 2 + IDLE_YEAR / 2
        )
        assert "overlap" in both.sentence
        assert both.total_price.value == 110
        assert both.payback_years.value == pytest.approx(
            110 / (both.total_kwh_per_year.value * PRICE)
        )
    assert combine_savings([new, off]).kwh_per_year[1].value == pytest.approx(IDLE_YEAR / 2)


def test_the_same_measure_twice_saves_less_than_twice(oven):
    half = replace_unit(oven, label_kwh_per_year=(IDLE_YEAR + USE_YEAR) / 2)
    assert combine_savings([half] * 2).total_kwh_per_year.value == pytest.approx(
        0.75 * (IDLE_YEAR + USE_YEAR)
    )


@pytest.mark.parametrize("seed", range(12))
def test_together_never_more_than_the_circuit_takes(uneven, seed):
    """Any four of many measures, in any order, and the sum does not depend on it."""
    rng = np.random.default_rng(seed)
    now = energy_now(uneven)
    idle = idle_or_use(uneven)
    hours = hours_of_use(uneven)
    measures = [
        *(replace_unit(uneven, label_kwh_per_year=kwh) for kwh in rng.uniform(0, 300, 2)),
        *(replace_unit(uneven, label_kwh_per_100_uses=kwh) for kwh in rng.uniform(0, 100, 2)),
        *(switch_off_when_idle(idle, off_h_per_day=h) for h in rng.uniform(0, 24, 2)),
        change_lamps(hours, then_w=float(rng.uniform(0, 900))),
        replace_unit(uneven, label_kwh_per_100_uses=float(rng.uniform(0, 90)), new_idle_w=0.0),
    ]
    chosen = [measures[i] for i in rng.permutation(len(measures))[:4]]
    total = combine_savings(chosen).total_kwh_per_year
    assert total.value <= now["idle"] + now["use"] + 1e-9
    assert total.value >= max(m.kwh_per_year.value for m in chosen) - 1e-9
    assert total.value <= sum(m.kwh_per_year.value for m in chosen) + 1e-9
    assert combine_savings(chosen[::-1]).total_kwh_per_year.value == pytest.approx(total.value)


def of_another(parts):
    """The same errors of another clamp, independent of these."""
    return Parts({s._replace(key=s.key + "another"): one for s, one in parts.items()})


def test_circuits_apart_add_up_with_their_half_widths_in_squares(uneven):
    per_day = uneven.kwh_per_day
    apart = per_day.made(per_day.value, of_another(per_day.parts))
    other = replace(uneven, circuit="another", kwh_per_day=apart)
    one = replace_unit(uneven, label_kwh_per_year=100)
    two = replace_unit(other, label_kwh_per_year=100)
    both = combine_savings([one, two]).total_kwh_per_year
    assert both.value == pytest.approx(2 * one.kwh_per_year.value)
    parts = one.kwh_per_year.parts
    half = parts.plus(of_another(parts)).half(above=True)
    assert both.high - both.value == pytest.approx(half)
    assert both.value - both.low == pytest.approx(half)
    # Two equal rectangular errors, of which half the interval of each is 0.95 of the limit, have a
    # triangular sum: 2 (1 - sqrt(0.05)) of it, more than in squares of the half-widths.
    alone = one.kwh_per_year.high - one.kwh_per_year.value
    assert half / alone == pytest.approx(2 * (1 - 0.05**0.5) / 0.95, rel=0.02)


def test_cheaper_hours_make_other_savings_worth_less():
    finding, shift = shifted()
    priced = replace(
        finding,
        cost_per_year=replace(finding.kwh_per_day, value=100.0, low=90.0, high=110.0, unit="USD"),
    )
    move = shift_in_time(priced, shift=shift)
    new = replace_unit(priced, label_kwh_per_100_uses=62.5)
    both = combine_savings([move, new])
    assert both.kwh_per_year[1].value == pytest.approx(new.kwh_per_year.value)
    assert both.cost_per_year[1].value == pytest.approx(new.cost_per_year.value / 3, rel=1e-6)
    again = combine_savings([move, move])
    assert again.cost_per_year[1].value == pytest.approx(move.cost_per_year.value / 3, rel=1e-6)
    swapped = combine_savings([new, move])
    left = 1 - new.share
    assert swapped.cost_per_year[1].value == pytest.approx(move.cost_per_year.value * left)


def test_table_and_words_of_several(oven):
    both = combine_savings(
        [
            replace_unit(oven, label_kwh_per_year=200, price=100),
            switch_off_when_idle(idle_or_use(oven)),
        ]
    )
    table = both.to_frame()
    assert len(table) == 2
    assert table["kwh_per_year_together"].sum() == pytest.approx(both.total_kwh_per_year.value)
    assert both.total_price is None  # one of them is not priced
    assert both.payback_years is None
    text = both.to_markdown()
    assert "Several measures on one circuit: each acts on what the earlier ones leave" in text
    assert text.count("like these 14 days") == 2


# --- not known --------------------------------------------------------------------------------


def est(value, low, high, **fields):
    return Estimate(value=value, low=low, high=high, unit="USD", n=9, basis="", **fields)


def test_payback_where_the_saving_may_be_nothing():
    price = est(100, 100, 100)
    known = payback(price, est(20, 10, 30))
    assert known.value == 5
    # An exact price over a saving between 10 and 30: between 100 / 30 and 100 / 10.
    assert (known.low, known.high) == pytest.approx((100 / 30, 10.0))
    maybe = payback(price, est(20, -5, 45))
    assert maybe.high == np.inf
    assert payback_text(maybe) == "is not known to pay back (at best after 2.2 years)"
    assert payback_text(payback(price, est(-20, -30, -10))) == "does not pay back"
    assert payback(None, est(20, 10, 30)) is None
    assert payback(price, None) is None
    bound = est(5, 0, 10, resolved=False)
    assert (
        payback_text(payback(price, bound)) == "is not known to pay back (at best after 10.0 years)"
    )


def test_a_bound_saves_at_most(oven):
    noise = np.random.default_rng(3).normal(0, 0.2, 14 * 1440)
    watts = np.round(oven_days([[18]] * 14, idle_w=0.0) + noise)
    found = switch_off_when_idle(idle_or_use(finding_of(watts, tariff=TARIFF)), price=15)
    assert not found.kwh_per_year.resolved
    assert "save at most" in found.sentence
    assert "is not known to pay back (at best after" in found.sentence


def test_bad_input(oven):
    with pytest.raises(ValueError, match="give either label_kwh_per_year or"):
        replace_unit(oven)
    with pytest.raises(ValueError, match="give either label_kwh_per_year or"):
        replace_unit(oven, label_kwh_per_year=1, label_kwh_per_100_uses=1)
    with pytest.raises(ValueError, match="label_kwh_per_year must be a number of at least 0"):
        replace_unit(oven, label_kwh_per_year=-1)
    with pytest.raises(ValueError, match="new_idle_w goes with label_kwh_per_100_uses"):
        replace_unit(oven, label_kwh_per_year=1, new_idle_w=1)
    with pytest.raises(ValueError, match="annual goes with label_kwh_per_year"):
        replace_unit(oven, label_kwh_per_100_uses=1, annual=annual_energy(oven))
    with pytest.raises(ValueError, match="price must be a number"):
        replace_unit(oven, label_kwh_per_year=1, price=float("nan"))
    with pytest.raises(HouseError, match="has no readings"):
        replace_unit(finding_of(np.full(1440, np.nan)), label_kwh_per_year=1)
    with pytest.raises(HouseError, match="was not used in these days"):
        replace_unit(finding_of(np.full(1440, 4.0)), label_kwh_per_100_uses=1)
    with pytest.raises(HouseError, match="was never on"):
        change_lamps(hours_of_use(finding_of(np.zeros(1440))), then_w=5)
    with pytest.raises(HouseError, match="there are no savings"):
        combine_savings([])
    fridge = finding_of(oven_days([[2, 8, 14, 20]] * 4), kind="thermostatic", name="Fridge")
    with pytest.raises(HouseError, match="Fridge has to stay on: food spoils"):
        switch_off_when_idle(idle_or_use(fridge))


def test_currencies_are_not_mixed(oven):
    euro = finding_of(oven_days([[18]] * 7), tariff=Tariff(currency="EUR", price_per_kwh=0.3))
    savings = [replace_unit(f, label_kwh_per_year=10) for f in (oven, euro)]
    with pytest.raises(HouseError, match="different currencies: EUR, USD"):
        combine_savings(savings)


def test_without_a_tariff_money_is_not_told():
    found = replace_unit(finding_of(oven_days([[18]] * 7)), label_kwh_per_year=100, price=50)
    assert found.cost_per_year is None
    assert found.payback_years is None
    assert any("No tariff is known" in line for line in found.assumptions)
    assert combine_savings([found]).total_cost_per_year is None


def test_all_runs_cut():
    watts = np.full(2880, 20.0)
    watts[:60] = watts[-60:] = 1900.0
    finding = finding_of(watts, tariff=TARIFF)
    assert finding.runs == 0
    assert np.isfinite(replace_unit(finding, label_kwh_per_year=100).kwh_per_year.value)
    with pytest.raises(HouseError):
        find_programmes(finding.cycles)


def test_one_day_gives_no_interval():
    found = replace_unit(
        finding_of(oven_days([[18]]), tariff=TARIFF), label_kwh_per_year=100, price=50
    )
    assert np.isinf(found.kwh_per_year.high)
    assert payback_text(found.payback_years).startswith("is not known to pay back")


def test_measures_in_the_sample_house():
    findings = {a.circuit: a for a in sample_findings("orchard_house").appliances}
    savings = [
        replace_unit(findings["fridge"], label_kwh_per_year=180, price=900),
        switch_off_when_idle(idle_or_use(findings["range"]), off_h_per_day=20, price=30),
        switch_off_when_idle(idle_or_use(findings["television"]), price=15),
        replace_unit(findings["television"], label_kwh_per_year=60, price=500),
        change_lamps(hours_of_use(findings["lights"]), now_w=60, then_w=8, price=40),
    ]
    both = combine_savings(savings)
    alone = sum(s.kwh_per_year.value for s in savings)
    assert both.total_kwh_per_year.value < alone
    assert both.total_kwh_per_year.value > alone - savings[2].kwh_per_year.value
    assert both.total_cost_per_year.value == pytest.approx(
        0.15 * both.total_kwh_per_year.value, rel=1e-6
    )
    assert isinstance(shift_to_cheap_hours(findings["range"], tariff=NIGHT, timezone="UTC"), Shift)
