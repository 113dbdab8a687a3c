"""The examples in the docstrings of what is used most."""

import doctest
import importlib
from operator import attrgetter
from pathlib import Path

import pytest

from tests.samples import copied_sample

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = (
    ("homeenergy.readings.trace", "Trace"),
    ("homeenergy.readings.house", "House.envelope"),
    ("homeenergy.readings.house", "open_house"),
    ("homeenergy.cycles.segment.plateaus", "find_plateaus"),
    ("homeenergy.cycles.runs.find", "find_cycles"),
    ("homeenergy.cycles.house_cycles", "house_cycles"),
    ("homeenergy.cycles.programmes", "find_programmes"),
    ("homeenergy.findings.appliance.house", "house_findings"),
    ("homeenergy.findings.year", "annual_energy"),
    ("homeenergy.findings.cost", "carbon_of"),
    ("homeenergy.findings.comparison.circuits", "compare_programmes"),
    ("homeenergy.findings.comparison.comparison", "compare"),
    ("homeenergy.findings.cost", "energy_cost"),
    ("homeenergy.findings.label", "label_cycles"),
    ("homeenergy.findings.loads.programmes", "programme_uses"),
    ("homeenergy.show.figures.runs", "plot_aligned_runs"),
    ("homeenergy.show.figures.comparison", "plot_comparison"),
    ("homeenergy.show.viewer.trace_viewer", "plot_overview"),
    ("homeenergy.show.figures.runs", "plot_run_distribution"),
    ("homeenergy.show.explorer.explorer", "run_explorer"),
    ("homeenergy.show.figures.times", "plot_week_map"),
    ("homeenergy.readings.outdoor", "read_outdoor"),
    ("homeenergy.findings.weather.models", "degree_days"),
    ("homeenergy.findings.weather.fit", "weather_dependence"),
    ("homeenergy.findings.before_after", "before_after"),
)


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    folder = tmp_path_factory.mktemp("examples")
    name = "sample_data/canal_flat"
    copied_sample("canal_flat", folder / name)
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
