"""Runs of appliances whose structure is drawn: a few in the guarding tests, more in a study.

What is asked is what was measured, less a margin; `tests/accuracy/results/randomised.md` has the
figures of seeds that nobody looks at, and the targets.
"""

import numpy as np
import pytest

from homeenergy.simulate.randomised.uses import STYLES

from ..accuracy.randomised import PERIODS_S, measure, score_one, together

FEW, FEW_DAYS, MANY = range(101, 104), 2, range(201, 221)
# Mean over logs of their F1; a log with nothing to find counts 1 where nothing is found, else 0.
LEAST_F1 = {"thermostat": 0.9, "switched": 0.9, "wandering": 0.9, "short": 0.9, "pulsed": 0.8}
LEAST_OF_MANY = {None: 0.75, 10.0: 0.7}


@pytest.fixture(scope="module")
def few():
    return {
        style: [score_one((style, seed, None), days=FEW_DAYS)[0] for seed in FEW]
        for style in STYLES
    }


@pytest.mark.parametrize("style", LEAST_F1)
def test_runs_of_a_style_are_found(few, style):
    assert together(few[style]).right > 0
    assert np.mean([t.f1 for t in few[style]]) >= LEAST_F1[style]


def test_runs_of_all_styles_are_found(few):
    assert np.mean([t.f1 for tallies in few.values() for t in tallies]) >= 0.8


def test_energy_and_standby_of_what_is_found(few):
    every = together([t for tallies in few.values() for t in tallies])
    assert np.median(every.energy_errors) <= 0.01
    assert np.mean(np.array(every.standby_errors_w) <= 0.5) >= 0.85


def test_moments_that_rest_nearly_reaches_are_no_runs():
    """Electronics that wander about 6.5 W read 10 W at times, and 12 W twice in a row by chance."""
    found, _ = score_one(("never_off", 21_017, None))
    assert found.too_many <= 1


@pytest.mark.study
def test_many_draws():
    tallies = measure(MANY)
    for period_s in PERIODS_S:
        ours, plain = (
            np.mean([both[k].f1 for (_, _, p), both in tallies.items() if p == period_s])
            for k in (0, 1)
        )
        assert ours >= LEAST_OF_MANY[period_s]
        assert ours >= plain - 0.05
