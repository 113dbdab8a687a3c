"""Figures of costs: shares at each price, and runs at the hour at which they began."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import energy_cost
from homeenergy.house import Tariff
from homeenergy.house.prices import PricePeriod
from homeenergy.show import plot_price_shares, plot_run_costs

DAY = tuple(range(7))


def by_time():
    night, day = ((0, 360),), ((360, 1440),)
    return Tariff(
        currency="EUR",
        periods=(
            PricePeriod(name="day", price_per_kwh=0.4, minutes=day),
            PricePeriod(name="night", price_per_kwh=0.2, minutes=night),
        ),
    )


def test_bars_are_shares_of_energy_the_cheapest_first(make_trace):
    always = energy_cost(make_trace(np.full(1440, 100.0)), tariff=by_time(), timezone="UTC")
    ax = plot_price_shares({"pump": always})
    assert [bar.get_width() for bar in ax.patches] == pytest.approx([25, 75])
    assert [bar.get_x() for bar in ax.patches] == pytest.approx([0, 25])
    legend = [text.get_text() for text in ax.get_legend().get_texts()]
    assert legend == ["night, 0.2", "day, 0.4"]
    # 0.25 x 0.2 + 0.75 x 0.4
    assert "0.350" in [text.get_text() for text in ax.texts]


def test_runs_stand_at_their_local_hour_and_cut_ones_are_left_out():
    starts = pd.to_datetime(["2026-03-06T23:30Z", "2026-03-09T11:00Z", "2026-03-09T15:00Z"])
    costs = pd.DataFrame({"start": starts, "cost": [0.3, 0.5, 9.0], "complete": [1, 1, 0]})
    costs["complete"] = costs["complete"].astype(bool)
    ax = plot_run_costs(costs, currency="EUR", timezone="Europe/Amsterdam")
    weekdays, weekend = ax.get_lines()
    assert weekdays.get_xdata() == pytest.approx([12.0])
    assert weekend.get_xdata() == pytest.approx([0.5])  # Saturday by then
    assert weekend.get_ydata() == pytest.approx([0.3])
    assert "(EUR)" in ax.get_ylabel()


def test_nothing_to_draw_is_said():
    with pytest.raises(ValueError, match="nothing to draw"):
        plot_price_shares({})
