"""`homeenergy compare`, run as a person runs it."""

import json

import pytest
from typer.testing import CliRunner

from homeenergy import cli
from tests.findings.machines import build


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("mill") / "house"
    build(place)
    return place


@pytest.fixture
def run(monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    return lambda *arguments: CliRunner().invoke(cli.app, ["compare", *map(str, arguments)])


def test_help_shows_an_example(run):
    text = run("--help").output
    assert "Example:" in text
    assert "--per <run|load|use|day>" in text


def test_programmes_of_one_machine(run, folder):
    result = run(folder, "washer:2", "washer:1")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "kWh more per run than" in text
    assert "EUR a year at 7 runs a week" in text
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 100
    ratio = next(line for line in lines if line.startswith("ratio"))
    assert 2.6 < float(ratio.split()[1]) < 3.2  # 1.525 by 0.525
    assert "\x1b" not in result.output


def test_circuits_are_compared_by_the_day(run, folder):
    result = run(folder, "dryer", "washer", "--per", "day")
    assert "dryer uses" in result.stdout
    assert "less per day than washer" in result.stdout
    assert "mean of the differences of 35 days" in result.stdout
    assert "energy per" in result.stdout


def test_weekly_sets_what_a_year_counts(run, folder):
    text = run(folder, "washer:2", "washer:1", "--weekly", "2").stdout
    assert "at 2 runs a week" in " ".join(text.split())


def test_json(run, folder, tmp_path):
    record = json.loads(run(folder, "washer:2", "washer:1", "--json", "-").stdout)
    assert record["differs"] is True
    assert record["difference_kwh"]["value"] == pytest.approx(1.0, rel=0.05)
    assert record["cost_per_year"]["unit"] == "EUR"
    assert record["sentence"].startswith("washer, ")
    written = tmp_path / "found.json"
    result = run(folder, "washer:2", "washer:1", "--json", written)
    assert json.loads(written.read_text()) == record
    assert "kWh more per run" in " ".join(result.stdout.split())


def test_programmes_are_listed_where_one_is_not_there(run, folder):
    result = run(folder, "washer:?", "washer:1")
    assert result.exit_code == 1
    assert "homeenergy: '?' is not a programme of 'washer'" in result.output
    assert "washer:1 is '" in result.output
    assert "washer:2 is '" in result.output


def test_programmes_of_one_circuit_are_listed_with_what_they_use(run, folder):
    result = run(folder, "washer")
    assert result.exit_code == 0
    lines = [line.split() for line in result.stdout.splitlines() if line.startswith("washer:")]
    assert {line[0] for line in lines} == {"washer:1", "washer:2"}
    records = json.loads(run(folder, "washer", "--json", "-").stdout)
    assert records[0]["run_kwh"] - records[1]["run_kwh"] == pytest.approx(1.0, rel=0.05)
    assert run(folder, "kiln").exit_code == 1
    for more in (["washer:1"], ["washer", "--per", "day"], ["washer", "--weekly", "3"]):
        assert "nothing is named to compare" in run(folder, *more).output


def test_an_appliance_with_itself_is_refused(run, folder):
    result = run(folder, "dryer", "dryer")
    assert result.exit_code == 1
    assert "circuit 'dryer' would be compared with itself" in result.output


def test_an_unknown_circuit_is_refused(run, folder):
    result = run(folder, "kiln", "dryer")
    assert result.exit_code == 1
    assert "there is no circuit 'kiln'" in result.output
    assert "Circuits: washer, dryer, oven." in result.output
