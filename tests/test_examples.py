"""The examples in the docstrings of what is used most."""

import doctest
import importlib
import shutil
from operator import attrgetter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = (
    ("homeenergy.readings.trace", "Trace"),
    ("homeenergy.readings.house", "House.envelope"),
    ("homeenergy.readings.house", "open_house"),
    ("homeenergy.cycles.plateaus", "find_plateaus"),
    ("homeenergy.cycles.runs", "find_cycles"),
    ("homeenergy.cycles.runs", "standby_draw"),
    ("homeenergy.cycles.house_cycles", "house_cycles"),
    ("homeenergy.cycles.programmes", "find_programmes"),
    ("homeenergy.findings.house_findings", "house_findings"),
    ("homeenergy.findings.annual", "annual_energy"),
    ("homeenergy.findings.carbon", "carbon_of"),
    ("homeenergy.findings.compare_circuits", "compare_programmes"),
    ("homeenergy.findings.comparison", "compare"),
    ("homeenergy.findings.cost", "energy_cost"),
    ("homeenergy.findings.label", "label_cycles"),
    ("homeenergy.findings.nameplate", "annual_energy_of_uses"),
    ("homeenergy.findings.nameplate", "nameplate_energy_kwh"),
    ("homeenergy.findings.nameplate", "refrigerator_annual_cost"),
    ("homeenergy.findings.programmes", "programme_uses"),
    ("homeenergy.show.aligned", "plot_aligned_runs"),
    ("homeenergy.show.comparison", "plot_comparison"),
    ("homeenergy.show.load_duration", "plot_load_duration"),
    ("homeenergy.show.overview", "plot_overview"),
    ("homeenergy.show.run_distribution", "plot_run_distribution"),
    ("homeenergy.show.run_explorer", "run_explorer"),
    ("homeenergy.show.week_map", "plot_week_map"),
    ("homeenergy.readings.outdoor", "read_outdoor"),
    ("homeenergy.findings.degree_days", "degree_days"),
    ("homeenergy.findings.weather", "weather_dependence"),
    ("homeenergy.findings.before_after", "before_after"),
)


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    folder = tmp_path_factory.mktemp("examples")
    name = "sample_data/canal_flat"
    shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("store"))
    return folder


@pytest.mark.parametrize(("module", "name"), WITH_EXAMPLES, ids=lambda part: part)
def test_examples_give_what_they_show(module, name, root, monkeypatch):
    monkeypatch.chdir(root)
    thing = attrgetter(name)(importlib.import_module(module))
    found = doctest.DocTestFinder(recurse=False).find(thing, name, globs={})
    (example,) = [one for one in found if one.examples]
    runner = doctest.DocTestRunner(verbose=False)
    report = []
    runner.run(example, out=report.append)
    assert runner.summarize(verbose=False).failed == 0, "".join(report)
