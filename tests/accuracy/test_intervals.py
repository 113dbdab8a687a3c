"""A part of the study of intervals.

The whole study is `python -m tests.accuracy.intervals`.
"""

import pandas as pd
import pytest
from scipy.stats import binom

from .alike_days import share_held
from .baseload import CLAMPS, LEVEL_W, draw_house
from .benches import shares_held
from .intervals import GUARANTEED, measure, report, shares

FIRST_SEED, HOUSES = 4001, 40
# What the whole study found, less some: few runs cannot tell more.
HARD = {"kWh per run, cool room": 0.92, "kWh per run, washer": 0.9}


@pytest.fixture(scope="module")
def cases():
    return measure(range(FIRST_SEED, FIRST_SEED + HOUSES))


@pytest.mark.study
def test_intervals_hold_the_truth_as_often_as_they_say(cases):
    table = shares(cases)
    houses = table.loc["multiplier, bench", "n"]
    assert len(table) == 17
    for row, found in table.iterrows():
        # A share that is really at its floor falls below in one study of a thousand.
        least = binom.ppf(0.001, found["n"], HARD.get(row, 0.93))
        assert found["n"] >= 0.85 * houses, row
        assert found["hits"] >= (found["n"] if row == GUARANTEED else least), row


@pytest.mark.study
def test_intervals_are_narrow_enough_to_tell_something(cases):
    half = shares(cases)["half"]
    assert half[GUARANTEED] < 0.015
    assert half["multiplier, bench"] < 0.012
    assert half["multiplier, house.toml"] < 0.02
    assert half["kWh per run, fridge"] < 0.04
    assert half["kWh per day, fridge"] < 0.05
    assert half["kWh per day, cool room"] < 0.12


def made(row, *, n, hits):
    return pd.DataFrame(
        {"row": row, "holds": [i < hits for i in range(n)], "half": 0.1, "alike": None}
    )


def test_energies_of_all_circuits_are_counted_together():
    both = [made(f"kWh per day, {name}", n=10, hits=hits) for name, hits in (("a", 9), ("b", 8))]
    table = shares(pd.concat(both))
    assert table.loc["kWh per day, all circuits", ["n", "hits"]].tolist() == [20, 17]
    assert len(table) == 3


@pytest.mark.parametrize(
    ("hits", "verdict"), [(92, "**too few**"), (93, "as stated"), (98, "more than stated")]
)
def test_a_share_outside_is_named_with_its_reason(hits, verdict):
    cases = made("standby", n=100, hits=hits)
    assert shares(cases)["verdict"].tolist() == [verdict]
    assert ("- standby: " in report(cases, cases, houses=100)) == (verdict != "as stated")


def test_a_guaranteed_bound_that_did_not_hold_is_explained():
    held, broken = (made(GUARANTEED, n=1000, hits=hits) for hits in (1000, 999))
    assert "- meter ratio" not in report(held, held, houses=1000)
    assert "- meter ratio, guaranteed bounds: A gap" in report(broken, broken, houses=1000)


def test_the_interval_of_a_share():
    """Clopper & Pearson: none of 10 missed leaves up to 30.8 %, 1 - 0.025^(1/10)."""
    found = shares(made("standby", n=10, hits=10)).iloc[0]
    assert (found["low"], found["high"]) == (pytest.approx(0.025**0.1), 1.0)


@pytest.mark.study
def test_days_that_stay_alike_for_weeks_are_told_by_two_months_of_them():
    """Some rows of results/alike_days.md, from fewer series."""
    assert share_held(14, "spread", 0.0, 0.0, series=300) >= 0.94
    for where in ("spread", "evening"):
        fortnight, months = (share_held(days, where, 0.5, 0.8, series=300) for days in (14, 60))
        assert fortnight >= 0.85
        assert months >= 0.9


@pytest.mark.study
@pytest.mark.parametrize("scatter", [0.002, 0.02])
@pytest.mark.parametrize("rated", [True, False])
def test_small_and_large_loads_together_hold_whatever_they_scatter(scatter, rated):
    """One set of loads of results/benches.md, from fewer comparisons.

    Without a rating nothing bounds the offset but the pairs, so more than 95 % hold.
    """
    loads = (20, 40, 60, 500, 1000, 2000)
    found = shares_held(loads, scatter, rated=rated, clamps=200)
    assert min(found) > 0.9


@pytest.mark.parametrize("nights", ["ordinary", "autocorrelated, 0.6", "a week away"])
def test_the_unmonitored_baseload_is_held_whatever_the_nights(nights, draws):
    """Without noise of minutes, where the truth is known without a study."""
    holds = []
    for seed in range(5001, 5001 + draws(400)):
        found, below_w = draw_house(seed, (nights, 28, 0.0))
        assert below_w == pytest.approx(0.0, abs=1e-6)
        assert {one.n for one in found.values()} <= {27, 28}
        holds.append([found[clamps].low <= LEVEL_W <= found[clamps].high for clamps in CLAMPS])
    draws.check(holds, 0.92, 0.985)
