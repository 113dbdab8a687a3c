"""Heads of tables for readers are words; names for programs stay."""

import re

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.words import UNITS, _words, in_words, two_digits
from tests.test_architecture import NOTEBOOKS, code_cells


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("duration_s", "duration [s]"),
        ("above_standby_wh", "above standby [Wh]"),
        ("kwh_per_day", "kWh per day"),
        ("kwh_per_day_q1", "kWh per day, lower quarter"),
        ("run_kwh_high", "run [kWh], high"),
        ("price_per_kwh", "price per kWh"),
        ("level_w", "level [W]"),
        ("house_name", "house name"),
        ("w", "w"),
        ("low", "low"),
        (3, 3),
    ],
)
def test_a_name_in_words(name, words):
    assert _words(name) == words


def test_every_unit_is_written_in_brackets():
    for ending, unit in UNITS.items():
        assert _words(f"mean_{ending}") == f"mean [{unit}]"


def test_figures_and_names_of_circuits_stay():
    table = pd.DataFrame({"peak_w": [1.5, np.nan]}, index=["washing_machine", "oven"])
    shown = in_words(table)
    assert shown.columns.tolist() == ["peak [W]"]
    assert shown.index.tolist() == ["washing_machine", "oven"]
    np.testing.assert_array_equal(shown.to_numpy(), table.to_numpy())
    assert table.columns.tolist() == ["peak_w"]
    assert in_words(table, rows=True).index.tolist() == ["washing machine", "oven"]


def test_runs_in_a_notebook_have_heads_in_words(make_trace):
    watts = np.zeros(1440)
    watts[[200, 201, 202, 800, 801]] = 2000.0
    html = find_cycles(make_trace(watts), "manual")._repr_html_()
    assert "<th>duration [s]</th>" in html
    assert "_" not in "".join(re.findall(r"<th>(.*?)</th>", html))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_no_table_of_a_notebook_is_headed_by_an_identifier(path):
    for source, cell in code_cells(path):
        for output in cell["outputs"]:
            html = "".join(output.get("data", {}).get("text/html", []))
            for head in re.findall(r"<thead>.*?</thead>", html, re.DOTALL):
                heads = re.findall(r"<th[^>]*>(.*?)</th>", head)
                assert not [text for text in heads if "_" in text], source


@pytest.mark.parametrize(
    ("value", "text"),
    [(186.4, "190"), (-23456, "-23,000"), (0.0312, "0.031"), (0.3, "0.3"), (0, "0"), (7.96, "8")],
)
def test_two_digits_have_no_power_of_ten(value, text):
    assert two_digits(value) == text
