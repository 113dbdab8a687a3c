"""Counting labelled runs: what is arguable is neither right nor wrong."""

import pandas as pd
import pytest

from .labelled import Tally, tally

START = pd.Timestamp("2026-03-02", tz="UTC")


def table(*runs_h, arguable=()):
    start, end = (
        [START + pd.Timedelta(hours=h) for h in column] for column in zip(*runs_h, strict=True)
    )
    return pd.DataFrame(
        {
            "start": start,
            "end": end,
            "energy_wh": 100.0,
            "arguable": [k in arguable for k in range(len(runs_h))],
        }
    )


def counts(truth, found, days=2):
    t = tally(truth, found, start=START, days=days)
    return t.right, t.too_many, t.missing, t.exact_days


def test_right_too_many_and_missing_by_day():
    truth = table((1, 2), (5, 6), (30, 31))
    assert counts(truth, truth) == (3, 0, 0, 2)
    assert counts(truth, table((1, 2), (5, 5.4), (30, 31))) == (2, 1, 1, 1)
    assert counts(truth, table((1, 6), (30, 31))) == (1, 1, 2, 1)
    assert counts(truth, truth.iloc[:0]) == (0, 0, 3, 0)


def test_arguable_runs_and_what_lies_in_them_are_neutral():
    truth = table((1, 2), (2.1, 3), (30, 31), arguable=(0, 1))
    assert counts(truth, table((1, 3), (30, 31))) == (1, 0, 0, 2)
    assert counts(truth, table((1, 2), (2.1, 3), (30, 31))) == (1, 0, 0, 2)
    assert counts(truth, table((30, 31))) == (1, 0, 0, 2)
    assert counts(truth, table((10, 11), (30, 31))) == (1, 1, 0, 1)


def test_what_reaches_beyond_the_days_is_not_too_many():
    truth = table((5, 6))
    assert counts(truth, table((-2, 1), (5, 6), (47, 49))) == (1, 0, 0, 2)
    assert counts(truth, table((-5, -2), (5, 6), (49, 50))) == (1, 0, 0, 2)


def test_tallies_add_up():
    total = Tally(right=1, too_many=1, days=1, exact_days=0)
    total.add(Tally(right=2, missing=1, days=1, exact_days=1, energy_errors=[0.1]))
    assert total.f1 == pytest.approx(6 / 8)
    assert total.exact == 0.5
    assert total.energy_errors == [0.1]
    assert Tally().f1 == 1
