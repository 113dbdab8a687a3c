"""Which house the notebooks are about, and what they say of it."""

import json
import shutil
import sys
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings, programme_uses
from homeenergy.readings import open_house
from homeenergy.show.my_house.answers import house_answer
from homeenergy.show.my_house.chosen import (
    FILE_NAME,
    choose_house,
    chosen_house,
    is_sample,
    progress_line,
)
from homeenergy.show.my_house.has import clock_change, lamps, or_say_why, two_programmes
from homeenergy.show.my_house.money import free_measures

from ..samples import SAMPLES, sample_findings
from .houses import HOUSES, of_table, one_circuit, with_mains

ROOT = Path(__file__).parents[2]
# What a person's own house has not; each must be gone from what a notebook types itself.
OF_THE_SAMPLES = ("pottery", "kiln takes", "orchard", "canal flat", "40 kwh", "18 october")
# Those of any house. The others bring their own: files to describe, a street, a lesson.
ABOUT_A_HOUSE = (
    "1_start_here",
    "4_can_i_trust_it",
    "5_look_at_traces",
    "6_one_appliance",
    "7_compare",
    "8_costs_and_savings",
    "9_write_up",
)


@pytest.fixture(scope="module", autouse=True)
def shell():
    """What cells run in; without one nothing is shown.

    It takes the place of the main module, from which other tests' processes start.
    """
    main = sys.modules["__main__"]
    yield InteractiveShell.instance()
    sys.modules["__main__"] = main


def test_the_sample_house_is_chosen_until_another_is(tmp_path):
    notebooks = tmp_path / "notebooks"
    notebooks.mkdir()
    assert chosen_house(notebooks=notebooks).name == "orchard_house"
    own = tmp_path / "my house"
    own.mkdir()
    (own / "house.toml").write_text("")
    assert choose_house(own, notebooks=notebooks) == own
    assert chosen_house(notebooks=notebooks) == own
    assert (notebooks / FILE_NAME).read_text() == f"{own}\n"


def test_a_folder_that_is_no_house_is_refused_and_the_choice_stays(tmp_path):
    own = tmp_path / "mine"
    own.mkdir()
    (own / "house.toml").write_text("")
    choose_house(own, notebooks=tmp_path)
    for wrong in (tmp_path / "other", "", own / "house.toml"):
        with pytest.raises(HouseError, match="not the folder of a house"):
            choose_house(wrong, notebooks=tmp_path)
    assert chosen_house(notebooks=tmp_path) == own


def test_a_house_that_has_gone_is_named(tmp_path):
    own = tmp_path / "mine"
    own.mkdir()
    (own / "house.toml").write_text("")
    choose_house(own, notebooks=tmp_path)
    shutil.rmtree(own)
    with pytest.raises(HouseError, match=r"the house that was chosen is not there.*mine"):
        chosen_house(notebooks=tmp_path)


def test_a_copy_of_a_sample_is_a_persons_own(tmp_path):
    assert is_sample(open_house(SAMPLES / "canal_flat"))
    shutil.copytree(
        SAMPLES / "canal_flat",
        tmp_path / "canal_flat",
        ignore=shutil.ignore_patterns("store", "logs"),
    )
    assert not is_sample(open_house(tmp_path / "canal_flat"))


def test_what_a_house_has_not_is_one_sentence():
    found = sample_findings("canal_flat")
    with capture_output() as said, or_say_why():
        lamps(found)
    (shown,) = said.outputs
    assert shown.data["text/markdown"] == (
        "*Not shown for this house. No circuit of this house is called lights or lamps.*"
    )
    with pytest.raises(ZeroDivisionError), or_say_why():
        1 / 0  # noqa: B018


def test_the_machine_with_two_programmes_has_them():
    row, uses = two_programmes(sample_findings("canal_flat"))
    assert row.circuit == "dishwasher"
    assert [use.runs for use in uses.uses] == [35, 30]


def test_a_shorter_programme_is_no_saving_where_the_job_is_another(tmp_path):
    house = open_house(with_mains(tmp_path / "house"))
    found = house_findings(house)
    (dryer,) = [row for row in found.appliances if row.circuit == "dryer"]
    assert len(programme_uses(dryer).uses) == 2
    assert not [
        one for one in free_measures(found, house) if one.finding is dryer and one.part != "idle"
    ]


def test_the_clocks_change_when_they_do():
    at = clock_change(open_house(SAMPLES / "orchard_house"))
    assert at.isoformat() == "2026-11-01T08:00:00+00:00"


def test_the_answer_gives_the_figures_of_the_findings():
    found = sample_findings("canal_flat")
    said = house_answer(found)
    first = found.appliances[0]
    total_kwh = sum(row.kwh_per_day.value for row in found.appliances)
    if found.mains_kwh_per_day is not None:
        total_kwh = found.mains_kwh_per_day.value
    share = first.kwh_per_day.value / total_kwh
    assert f"about {total_kwh:.0f} kWh a day" in said
    assert f"{first.appliance} took {first.kwh_per_day.value:.2f} kWh" in said
    assert f"{100 * share:.0f} %" in said


def test_progress_shows_nothing_where_work_is_short():
    with capture_output() as said, progress_line("counting") as step:
        step(1, 2, "one")
    assert said.outputs == []


def said_by(name, house, folder):
    """Run a notebook's cells on a house; give its errors, and all that it shows, as text."""
    notebooks = folder / "notebooks"
    notebooks.mkdir(exist_ok=True)
    (notebooks / FILE_NAME).write_text(f"{house}\n")
    shell = InteractiveShell.instance()
    shell.reset()
    shell.showtraceback = lambda *_, **__: None
    errors, texts = [], []
    for cell in nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4).cells:
        if cell.cell_type != "code":
            continue
        code = cell.source.replace("%matplotlib inline\n", "")
        with capture_output() as shown:
            done = shell.run_cell(code)
        if not done.success:
            errors.append(f"{code}: {done.error_in_exec or done.error_before_exec!r}")
        data = [output.data for output in shown.outputs]
        texts += [str(one.get("text/markdown") or one.get("text/plain")) for one in data]
        texts.append(shown.stdout)
    return errors, "\n".join(texts)


@pytest.fixture
def quiet_figures(monkeypatch):
    import matplotlib.pyplot as plt

    monkeypatch.setattr(plt, "show", lambda: None)
    yield
    plt.close("all")


def check(name, house, tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir(exist_ok=True)
    for shared in ("sample_data", "shared"):
        if not (tmp_path / shared).exists():
            (tmp_path / shared).symlink_to(ROOT / shared)
    monkeypatch.chdir(tmp_path / "notebooks")
    errors, said = said_by(name, house, tmp_path)
    assert errors == []
    opened = open_house(house)
    own = " ".join(f"{c.name} {c.appliance}" for c in opened.circuits).lower()
    for sample in ("orchard_house", "canal_flat"):
        for circuit in open_house(SAMPLES / sample).circuits:
            if circuit.appliance.lower() not in own and circuit.role == "load":
                assert circuit.appliance not in said, f"{circuit.appliance} is not of this house"
    answers = [line for line in said.splitlines() if line.startswith("**The answer")]
    assert not any("(?)" in line for line in answers)
    return said


@pytest.mark.usefixtures("quiet_figures")
def test_the_first_notebook_is_about_a_house_of_one_circuit(tmp_path, monkeypatch):
    house = one_circuit(tmp_path / "mine" / "house")
    said = check("1_start_here", house, tmp_path, monkeypatch)
    (row,) = house_findings(open_house(house)).appliances
    assert f"used {row.kwh_per_day.value:.2f} kWh" in said
    assert "Not shown for this house" in said  # no mains


@pytest.mark.study
@pytest.mark.usefixtures("quiet_figures")
@pytest.mark.parametrize("kind", HOUSES)
@pytest.mark.parametrize("name", ABOUT_A_HOUSE)
def test_every_notebook_is_about_any_house(name, kind, tmp_path, monkeypatch):
    house = HOUSES[kind](tmp_path / "mine" / "house")
    said = check(name, house, tmp_path, monkeypatch)
    # One circuit, or days of one each, cannot be compared: then that is the first thing said.
    alone = name == "7_compare" and kind in ("one circuit", "no runs", "real days")
    first = "*Not shown for this house. Fewer than two circuits" if alone else "**The answer"
    assert first in said


@pytest.mark.parametrize("name", ABOUT_A_HOUSE)
def test_what_a_notebook_types_is_true_of_every_house(name):
    cells = json.loads((ROOT / "notebooks" / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
    typed = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "markdown").lower()
    assert [words for words in OF_THE_SAMPLES if words in typed] == []
    code = [c for c in cells if c["cell_type"] == "code"]
    assert not any("assert " in "".join(c["source"]) for c in code)
    assert code[0]["metadata"]["jupyter"]["source_hidden"]
    hidden = [c["metadata"].get("jupyter", {}).get("source_hidden", False) for c in code]
    imports = ["import " in "".join(c["source"]) for c in code]
    assert all(unseen for unseen, imported in zip(hidden, imports, strict=True) if imported)


def test_a_house_without_energy_has_no_largest_load(tmp_path):
    at = pd.date_range("2026-01-10", periods=1440, freq="1min", tz="UTC")
    house = of_table(pd.DataFrame({"kettle": 0.0}, index=at), tmp_path / "quiet")
    with pytest.raises(HouseError, match="no circuit of this house has used energy"):
        house_answer(house_findings(open_house(house)))
