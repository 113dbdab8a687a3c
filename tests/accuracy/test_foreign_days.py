"""Some cells of results/foreign_days.md, from fewer draws."""

import pytest

from .foreign_days import CELLS, cell, report


@pytest.mark.study
@pytest.mark.parametrize(
    ("figure", "kind", "days"),
    [
        ("kWh/day", "washing", 14),
        ("kWh/run", "separate_runs", 14),
        ("programmes", "shared days", 14),
        ("before/after", "rho 0.4", 30),
        ("standby", "wanders", 14),
    ],
)
def test_intervals_hold_in_logs_of_foreign_processes(figure, kind, days):
    found = cell(figure, kind, days, draws=100, seed=7)
    assert 0.89 <= found["held"] <= 1.0
    if found["without_difference"]:
        assert found["seen_in_error"] <= 0.15


def test_a_cell_counts_what_it_drew():
    found = cell("kWh/run", "separate_runs", 14, draws=20)
    assert found["draws"] == 20
    assert 0.7 <= found["held"] <= 1.0
    assert ("before/after", "independent", 7) not in CELLS


def test_the_report_shows_short_logs_first():
    import pandas as pd

    rows = [cell("kWh/run", "separate_runs", days, draws=2) for days in (7, 14, 30, 90)]
    text = report(pd.DataFrame(rows))
    assert "| figure | process | 7 days | 14 days | 30 days | 90 days |" in text
    assert "| kWh/run | separate_runs |" in text
