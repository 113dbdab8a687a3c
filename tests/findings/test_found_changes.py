"""Changes that nobody named: their figures allow for the search, and the client reads of them."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import before_after, house_findings
from homeenergy.findings.several_changes import allowing_for_search
from homeenergy.show.document.blocks import Prose, Table, flat
from homeenergy.show.writeup.client_loads import change_part
from homeenergy.show.writeup.wording import Wording

from .small_house import made_house, switched


def days_with_step(*, n, at, step, correlation, rng):
    """Daily energies of scatter 1 that fall by `step`."""
    noise = rng.normal(size=n)
    for i in range(1, n):
        noise[i] = correlation * noise[i - 1] + np.sqrt(1 - correlation**2) * noise[i]
    index = pd.date_range("2026-01-01", periods=n, tz="UTC")
    return pd.Series(10 + noise - step * (np.arange(n) >= at), index=index)


def test_the_range_reaches_over_every_day_on_which_it_may_have_begun():
    rng = np.random.default_rng(3)
    kwh = days_with_step(n=30, at=14, step=2.0, correlation=0.0, rng=rng)
    change = before_after(kwh, weekday=False)
    wide = allowing_for_search(change)
    ends = []
    for day in pd.date_range(change.earliest, change.latest):
        given = before_after(kwh, at=day, weekday=False)
        regression = given.regression.__class__(
            coefficients=given.regression.coefficients,
            design=given.regression.design,
            residuals=given.regression.residuals,
            position=given.regression.position,
            correlation=change.regression.correlation,
        )
        step = regression.estimate([0.0, 1.0], unit="kWh", basis="")
        ends += [step.low, step.high]
    assert len(ends) >= 6
    assert wide.size_kwh.value == change.size_kwh.value
    assert wide.size_kwh.low == pytest.approx(min(ends), rel=1e-9)
    assert wide.size_kwh.high == pytest.approx(max(ends), rel=1e-9)
    assert wide.size_kwh.high > change.size_kwh.high
    assert wide.before_kwh.low < change.before_kwh.low


def test_a_day_that_was_given_needs_no_widening():
    rng = np.random.default_rng(3)
    kwh = days_with_step(n=30, at=14, step=2.0, correlation=0.0, rng=rng)
    change = before_after(kwh, at="2026-01-15", weekday=False)
    assert allowing_for_search(change) is change


@pytest.mark.study
# Of 120 draws 95 % may come out at 90 % by chance; a step of half the scatter is seldom shown.
@pytest.mark.parametrize(("step", "least"), [(0.5, 0.8), (1.0, 0.9), (1.5, 0.9), (2.5, 0.9)])
def test_of_changes_that_are_shown_the_range_holds_the_truth(step, least):
    rng = np.random.default_rng(int(10 * step))
    inside = []
    for _ in range(120):
        at = int(rng.integers(7, 33))
        kwh = days_with_step(n=40, at=at, step=step, correlation=0.3, rng=rng)
        change = before_after(kwh, weekday=False)
        if change.shown:
            size = allowing_for_search(change).size_kwh
            inside.append(size.low <= -step <= size.high)
    assert len(inside) > 10
    assert np.mean(inside) >= least


def told_of(house):
    """What `change_part` asks for, without a whole document."""
    findings = house_findings(house)
    basis = SimpleNamespace(measured=findings.appliances, findings=findings, outdoor=None)
    return SimpleNamespace(words=Wording(language="en-GB"), basis=basis)


def said_and_tables(told):
    blocks = list(flat(change_part(told)))
    said = " ".join(b.text for b in blocks if isinstance(b, Prose))
    return said, [b for b in blocks if isinstance(b, Table)]


def heater_watts(*, days, less_from):
    """A heater of 1 kW for about three hours a day, an hour less from a day on."""
    rng = np.random.default_rng(2)
    watts = switched(days, [7], on_w=1000.0, lasts_h=3.0, period_s=600)
    at = np.arange(watts.size)
    watts[(at >= less_from * 144) & (at % 144 >= 9 * 6)] = 0.0
    for day in range(days):
        watts[day * 144 + 42 - rng.integers(0, 3) : day * 144 + 42] = 1000.0
    return watts


def test_the_client_reads_of_a_change_and_of_no_saving(tmp_path):
    watts = heater_watts(days=36, less_from=20)
    told = told_of(made_house(tmp_path / "house", {"heater": watts}, period_s=600))
    said, (table,) = said_and_tables(told)
    (row,) = table.rows
    assert row[0] == "heater"
    assert row[1].startswith("22 March 2026")
    daily = pd.Series(watts).groupby(np.arange(watts.size) // 144).mean() * 0.024
    before, after, size = (
        float(cell.split("\xa0")[0].replace("\N{MINUS SIGN}", "-")) for cell in row[2:]
    )
    assert before == pytest.approx(daily[:20].mean(), abs=0.05)
    assert after == pytest.approx(daily[20:].mean(), abs=0.05)
    assert size == pytest.approx(after - before, abs=0.011)
    assert "no saving is claimed" in said
    assert "No outdoor temperatures" in said


def test_no_change_and_a_log_too_short_for_one_are_said_too(tmp_path):
    watts = heater_watts(days=36, less_from=99)
    house = made_house(tmp_path / "long", {"heater": watts}, period_s=600)
    said, tables = said_and_tables(told_of(house))
    assert not tables
    assert "none stands out from chance" in said
    house = made_house(tmp_path / "short", {"heater": watts[: 6 * 144]}, period_s=600)
    said, tables = said_and_tables(told_of(house))
    assert not tables
    assert "changes cannot be looked for" in said
