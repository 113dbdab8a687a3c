import numpy as np
import pytest

from homeenergy.findings import (
    combine_savings,
    hours_of_use,
    house_baseload,
    idle_or_use,
    replace_unit,
    switch_off_when_idle,
)
from homeenergy.house import Tariff
from homeenergy.readings import open_house
from homeenergy.show import plot_baseload, plot_hours_of_use, plot_savings
from tests.findings.test_baseload import small
from tests.findings.test_idle import finding_of, oven_days
from tests.findings.test_lighting import lamps
from tests.samples import SAMPLES, sample_findings

TARIFF = Tariff(currency="USD", price_per_kwh=0.2)


def texts(ax):
    return [text.get_text() for text in ax.texts]


def test_minutes_of_each_hour():
    ax = plot_hours_of_use(hours_of_use(finding_of(lamps(), name="Lamps")))
    heights = [bar.get_height() for bar in ax.patches]
    assert heights[18:22] == pytest.approx([60] * 4)
    assert sum(heights) == pytest.approx(240)
    assert ax.get_title(loc="left").startswith("Lamps: 4.0")
    assert ax.get_ylabel() == "on (minutes of the hour)"


def test_hours_that_were_never_seen_are_marked():
    """Ten hours of one day."""
    ax = plot_hours_of_use(hours_of_use(finding_of(lamps()[: 21 * 60][-600:], name="Lamps")))
    crosses = next(line for line in ax.lines if line.get_marker() == "x")
    assert len(crosses.get_xdata()) == 14
    assert "never seen" in [t.get_text() for t in ax.get_legend().get_texts()]


def test_parts_of_the_baseload(tmp_path):
    found = house_baseload(small(tmp_path))
    ax = plot_baseload(found)
    assert sum(bar.get_width() for bar in ax.patches) == pytest.approx(found.level_w.value)
    looks = {(bar.get_hatch(), bar.get_facecolor()) for bar in ax.patches}
    assert len(looks) == 3  # not measured, never off, standby
    assert ax.get_yticklabels()[0].get_text() == "unmeasured"
    assert "Mill house at its quietest: 50 W" in ax.get_title(loc="left")


def test_small_parts_are_one_row():
    house = open_house(SAMPLES / "orchard_house")
    found = house_baseload(house, findings=sample_findings("orchard_house"))
    ax = plot_baseload(found)
    assert sum(bar.get_width() for bar in ax.patches) == pytest.approx(found.level_w.value)
    assert len(ax.patches) == 13
    assert "others" in ax.get_yticklabels()[-1].get_text()


def test_savings_together_and_alone():
    days = [[18], [], [7, 18], [], [12], [], [9]] * 2
    oven = finding_of(oven_days(days, on_w=1000.0), tariff=TARIFF)
    both = combine_savings(
        [
            replace_unit(oven, label_kwh_per_year=150, price=500),
            switch_off_when_idle(idle_or_use(oven), price=20),
        ]
    )
    ax = plot_savings(both)
    widths = [p.get_width() for p in ax.patches]
    alone = [s.kwh_per_year.value for s in both.savings]
    together = [e.value for e in both.kwh_per_year]
    assert widths == pytest.approx(
        [alone[0], together[0], alone[1], together[1], both.total_kwh_per_year.value]
    )
    assert together[1] < alone[1]
    spans = [line.get_xdata() for line in ax.lines if np.ptp(line.get_xdata()) > 0]
    assert spans[-1] == pytest.approx([both.total_kwh_per_year.low, both.total_kwh_per_year.high])
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert "pays back after" in names[0]
    assert names[-1].startswith("all together")
    money = plot_savings(both, money=True)
    assert money.get_xlabel() == "saved in a year (USD)"
    assert money.patches[-1].get_width() == pytest.approx(both.total_cost_per_year.value)


def test_a_loss_is_hatched_and_money_needs_a_tariff():
    oven = finding_of(oven_days([[18]] * 7))
    worse = combine_savings([replace_unit(oven, label_kwh_per_year=5000)])
    ax = plot_savings(worse)
    assert ax.patches[1].get_hatch()
    assert ax.patches[1].get_width() < 0
    assert any("-" in text for text in texts(ax))
    with pytest.raises(ValueError, match="no tariff"):
        plot_savings(worse, money=True)
