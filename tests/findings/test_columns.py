"""One list of columns: what is added to it appears wherever findings are shown."""

import re

import pandas as pd
import pytest

from homeenergy.findings import find_houses, house_findings, survey_houses
from homeenergy.findings.appliance import columns
from homeenergy.findings.appliance.columns import COLUMNS, EVERYWHERE, Column
from homeenergy.findings.many import unusual
from homeenergy.readings import import_logs, open_house
from homeenergy.show import findings_page, write_up
from homeenergy.show.document.blocks import Table, flat
from homeenergy.show.document.findings import findings_record
from homeenergy.show.terminal import findings_lines, survey_lines
from homeenergy.simulate import write_street
from homeenergy.stats.estimate import Estimate


class InThisProcess:
    """An executor that works at once, in the process in which the column was added."""

    def submit(self, work, *given):
        from concurrent.futures import Future

        future = Future()
        future.set_result(work(*given))
        return future


def nights(finding):
    value = 0.25 * finding.kwh_per_day.value
    return Estimate(
        value=value, low=0.9 * value, high=1.1 * value, unit="kWh", n=9, basis="made up"
    )


NEW = (
    Column(name="night_kwh", heading="energy at night", unit="kWh", of=nights),
    Column(name="starts", kind="number", heading="starts", of=lambda _: 4321.0),
    Column(name="night_share", kind="share", heading="night", unit="% of day", of=lambda _: 0.25),
)


@pytest.fixture(scope="module")
def street(tmp_path_factory):
    folder = tmp_path_factory.mktemp("street")
    for house in write_street(folder, houses=1, days=3, seed=5):
        import_logs(house)
    return folder


@pytest.fixture
def house(street, monkeypatch):
    monkeypatch.setattr(columns, "COLUMNS", (*COLUMNS, *NEW))
    return open_house(find_houses(street)[0])


def test_a_column_is_one_entry(house, street):
    found = house_findings(house)
    first = found.appliances[0]
    night = columns.COLUMNS[-3].texts(first)

    frame = found.to_frame()
    assert frame["night_kwh"].tolist() == [nights(one).value for one in found.appliances]
    assert frame.loc[0, "night_kwh_low"] == nights(first).low
    assert {"starts", "night_share"} <= set(frame)
    assert "night_kwh_high" in found.to_frame().to_csv().splitlines()[0].split(",")

    record = findings_record(found)["appliances"][0]
    assert record["night_kwh"]["low"] == nights(first).low
    assert (record["starts"], record["night_share"]) == (4321, 0.25)

    markdown = found.to_markdown()
    assert "| energy at night [kWh] | starts | night [% of day] |" in markdown
    assert f"| {night[0]} ({night[1]}) | 4,321 | 25 |" in markdown

    terminal = "\n".join(findings_lines(found, width=200))
    assert "energy at night" in terminal
    assert re.search(rf"^{first.appliance}.* {re.escape(night[0])} +\({night[1]}\)", terminal, re.M)
    assert "4,321" in terminal

    page = findings_page(found, house)
    assert '>energy at night <span class="unit">[kWh]</span></th>' in page
    assert f'title="made up">{night[0]}<small>{night[1]}</small></td>' in page
    assert "<td>4,321</td>" in page

    tables = [
        b
        for b in flat(write_up(house, edition="technical").document().blocks)
        if isinstance(b, Table)
    ]
    table = next(table for table in tables if table.sheet == "findings")
    assert {"energy at night [kWh]", "starts", "night [% of day]"} <= set(table.labels)
    assert f"{night[0]} ({night[1]})" in map(str, table.rows[0])
    assert "night_kwh" in table.data

    survey = survey_houses(find_houses(street), executor=InThisProcess())
    assert survey.table["night_kwh"].tolist() == frame["night_kwh"].tolist()
    summary = survey.summary()
    assert summary["night_kwh"].tolist() == sorted(frame["night_kwh"], reverse=True)
    assert summary["night_share"].eq(0.25).all()
    text = "\n".join(survey_lines(survey, width=200))
    assert "energy at" in text
    line = next(line for line in text.splitlines() if line.startswith(first.appliance))
    assert line.removeprefix(first.appliance).split()[0] == "1"  # house
    assert "4,321" in text


def test_a_column_is_compared_between_houses(monkeypatch):
    monkeypatch.setattr(columns, "COLUMNS", (Column(name="x_kwh", heading="x", unit="kWh"),))
    names = [f"h{i}" for i in range(6)]
    table = pd.DataFrame({"house": names, "house_name": names, "appliance": "Kettle"})
    odd = unusual(table.assign(x_kwh=[1.0, 1.1, 0.9, 1.05, 0.95, 9.0]))
    assert odd[["house", "figure"]].to_numpy().tolist() == [["h5", "x [kWh]"]]


def test_columns_can_be_told_apart_and_say_what_they_are():
    names = [column.name for column in COLUMNS]
    assert len(set(names)) == len(names)
    for column in COLUMNS:
        assert column.places <= EVERYWHERE
        if column.places & (columns.READERS | {"survey"}):
            assert column.heading
            assert "_" not in column.heading  # words, not an identifier


def test_what_programs_read_keeps_its_names():
    estimates = ("run_kwh", "standby_w", "kwh_per_day", "cost_per_year")
    every = ["circuit", "appliance", "kind", "kind_sure", "days", "coverage", "runs", "correction"]
    every += ["clamp_uncertainty", *estimates, "idle_share", "duty_cycle"]
    every += ["held_out", "remarks"]
    # JSON has the same names always, a table only what applies.
    assert {column.name for column in columns.columns_for("json")} == {*every, "demand_per_year"}
    frame = columns.columns_for("frame", currency="EUR")
    assert {column.name for column in frame} == set(every)
    assert {column.name for column in frame if column.kind == "estimate"} == set(estimates)
    assert [column.resolved for column in frame if column.resolved] == ["standby_resolved"]
