"""A part of the accuracy study, small enough for every day; floors that a regression breaks.

The whole study is `python -m tests.accuracy.runs`.
"""

import numpy as np
import pandas as pd
import pytest

from homeenergy.simulate.appliances.catalogue import appliance_names

from .runs import quantile
from .score import Score, match_runs, score_appliance

SEEDS = range(4001, 4003)
# Uses of more than some minutes, which readings a minute apart can still show.
LONG_USES = ("refrigerator", "tumble_dryer", "television", "computer", "car_charger", "kiln")


@pytest.fixture(scope="module")
def by_name():
    return {
        name: score_appliance(name, seeds=SEEDS, days=7, noise_w=2.0, period_s=1)
        for name in appliance_names()
    }


def together(scores):
    total = Score()
    for score in scores:
        total.add(score)
    return total


# F1 and share of exact days. A boil heated again within minutes is joined to it, as are two loads
# of a washing machine, and a light switched off for some minutes.
LEAST = {"kettle": (0.9, 0.75), "lights": (0.9, 0.75), "washing_machine": (0.85, 0.85)}


@pytest.mark.parametrize("how", ["given", "inferred"])
@pytest.mark.parametrize("name", appliance_names())
def test_runs_of_every_appliance_are_found(by_name, name, how):
    score = by_name[name][how]
    least_f1, least_exact = LEAST.get(name, (0.9, 0.85))
    assert score.f1 >= least_f1
    assert score.exact >= least_exact


@pytest.mark.parametrize("how", ["given", "inferred"])
def test_all_appliances_together_reach_the_targets(by_name, how):
    scores = {name: s[how] for name, s in by_name.items()}
    total = together(scores.values())
    assert total.true_runs > 1000
    assert np.mean([s.f1 for s in scores.values()]) >= 0.98
    assert total.exact >= 0.95
    assert quantile(total.energy_errors, 0.5) <= 0.001
    assert quantile(total.energy_errors, 0.95) <= 0.01
    assert quantile(total.boundary_samples, 0.5) <= 0
    assert quantile(total.boundary_samples, 0.9) <= 2
    assert quantile(total.standby_errors_w, 0.5) <= 0.05
    assert quantile(total.standby_errors_w, 0.9) <= 0.5


@pytest.mark.parametrize("how", ["given", "inferred"])
def test_long_uses_are_found_at_one_minute(how):
    scores = [
        score_appliance(name, seeds=SEEDS, days=7, noise_w=2.0, period_s=60)[how]
        for name in LONG_USES
    ]
    total = together(scores)
    assert min(s.f1 for s in scores) >= 0.95
    assert total.exact >= 0.95
    assert quantile(total.energy_errors, 0.5) <= 0.01
    assert quantile(total.boundary_samples, 0.95) <= 1


def test_kinds_are_mostly_inferred_as_they_are(by_name):
    right = [
        kind == by_name[name]["given"].kinds[0]
        for name, scores in by_name.items()
        for kind in scores["inferred"].kinds
    ]
    assert np.mean(right) >= 0.65


def test_matching_needs_half_of_the_union():
    true_s = np.array([[0.0, 100.0], [200.0, 300.0], [400.0, 500.0], [900.0, 910.0]])
    found_s = np.array([[0.0, 49.0], [200.0, 250.0], [250.0, 300.0], [390.0, 520.0]])
    assert match_runs(true_s, found_s) == [(1, 1), (2, 3)]
    assert match_runs(true_s, true_s) == [(0, 0), (1, 1), (2, 2), (3, 3)]
    assert match_runs(true_s, np.empty((0, 2))) == []


def test_nothing_found_where_nothing_was_is_right_and_else_wrong():
    assert Score().f1 == 1
    assert Score(found_runs=3).f1 == 0
    assert Score(true_runs=3).f1 == 0
    assert Score(true_runs=2, found_runs=2, matched=1).f1 == 0.5


def test_days_are_compared_by_the_runs_that_begin_in_them():
    from homeenergy.cycles import find_cycles
    from homeenergy.simulate import simulate_appliance

    from .score import score_found

    truth = simulate_appliance("kettle", days=4, seed=4003, noise_w=1.0)
    cycles = find_cycles(truth.trace, "manual")
    assert score_found(truth, cycles, days=4).exact_days == 4
    day = truth.runs["start"].dt.floor("D")
    object.__setattr__(
        cycles, "table", cycles.table[cycles.table["start"] >= day.iloc[0] + pd.Timedelta("1D")]
    )
    assert score_found(truth, cycles, days=4).exact_days == 3
