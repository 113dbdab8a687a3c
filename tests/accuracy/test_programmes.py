"""How well programmes are told apart on simulated makes that nobody looked at before."""

import numpy as np
import pytest
from sklearn.metrics import adjusted_rand_score

from homeenergy.cycles import find_cycles
from homeenergy.cycles.programmes import find_programmes
from homeenergy.simulate import simulate_appliance

SEEDS = range(5001, 5006)


def true_programmes(table, truth):
    """Programme of the true run that overlaps most with each run found; "" where none does."""
    names = []
    for start, end in zip(table["start"], table["end"], strict=True):
        shared = np.minimum(truth["end"], end) - np.maximum(truth["start"], start)
        seconds = shared.dt.total_seconds()
        names.append(truth["programme"][seconds.idxmax()] if seconds.max() > 0 else "")
    return np.array(names)


def score(name, seed):
    """Adjusted Rand index of the programmes found against the true ones."""
    made = simulate_appliance(name, days=28, seed=seed, period_s=5, noise_w=1, resolution_w=1)
    cycles = find_cycles(made.trace, made.kind)
    whole = cycles.table["complete"].to_numpy(dtype=bool)
    truth = true_programmes(cycles.table[whole], made.runs)
    return adjusted_rand_score(truth, find_programmes(cycles).of_run[whole])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("dishwasher", 0.7),
        ("washing_machine", 0.7),
        pytest.param(
            "kettle", 0.95, marks=pytest.mark.xfail(reason="boils heated again count as one run")
        ),
    ],
)
def test_programmes_are_told_apart(name, least, draws):
    """Chance gives 0, the truth 1. Measured: dishwasher 0.84, washing machine 0.81, kettle 0.5."""
    seeds = SEEDS if draws.many else SEEDS[:1]
    assert np.mean([score(name, seed) for seed in seeds]) > least
