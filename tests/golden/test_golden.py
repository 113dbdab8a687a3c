"""Figures and public names are as they were frozen; `tests.golden.make` freezes them anew."""

import math
import sys

import pytest

import homeenergy
from tests.golden.figures import FILES
from tests.golden.make import FOLDER, NAMES
from tests.golden.plain import differences, read, shown
from tests.golden.public import public_names

# Runs of every appliance are held to floors by tests/accuracy; that no figure moves, by the study.
MARKS = {
    "accuracy": pytest.mark.study,
    "canal_flat": pytest.mark.slow,
    "orchard_house": pytest.mark.slow,
    "write_up": pytest.mark.slow,
}

# A release promises these: none may go, whatever public_names.json says.
PROMISED = {
    *("Cycles", "Estimate", "Findings", "House", "HouseError", "Trace", "check_house"),
    *("describe", "find_cycles", "find_plateaus", "findings_page", "house_findings"),
    *("import_logs", "new_house", "open_house", "plot_daily_energy", "plot_house_energy"),
    *("plot_run_energies", "plot_runs", "plot_traces"),
}


@pytest.mark.parametrize("name", [pytest.param(n, marks=MARKS.get(n, ())) for n in FILES])
def test_figures_are_as_frozen(name, tmp_path):
    found = list(differences(read(FOLDER / f"{name}.json"), FILES[name](tmp_path), name))
    assert not found, f"{len(found)} figures differ:\n{shown(found)}"


def test_public_names_are_as_written_down():
    written, found = read(FOLDER / f"{NAMES}.json"), public_names()
    assert not (new := list(differences(found, written))), f"to be written down:\n{shown(new)}"
    assert not (gone := list(differences(written, found))), f"no longer so:\n{shown(gone)}"


def test_promised_names_stay():
    assert set(homeenergy.__all__) >= PROMISED


def test_every_file_is_compared():
    assert {path.stem for path in FOLDER.glob("*.json")} == {*FILES, NAMES}


def test_every_difference_is_found_and_named():
    frozen = {"a": [{"b": 1.0, "c": True}, {"b": 0.0}], "gone": 1, "text": "nan"}
    found = {"a": [{"b": 1.0 + 3e-9, "c": 1}, {"b": 2e-9}, {}], "text": math.nan, "new": 1}
    assert [line.split(":")[0] for line in differences(frozen, found)] == [
        "/a",
        "/a[0]/b",
        "/a[0]/c",
        "/a[1]/b",
        "/gone",
        "/text",
    ]
    assert not list(differences({"a": 1.0, "b": 0.0}, {"a": 1 + 5e-10, "b": -5e-10, "c": 2}))
    assert list(differences({"a": 1.0}, {"a": 1 + sys.float_info.epsilon})) == []
