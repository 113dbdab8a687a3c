"""Many houses: documents of each, a survey as a workbook and a page, no process left behind."""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pandas as pd
import psutil
import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.cli.frame import BAD_DATA
from homeenergy.findings.many import house_list, houses_to_visit, survey_houses, unusual
from homeenergy.show.document.blocks import Heading, Table
from homeenergy.show.document.files import write_document
from homeenergy.show.my_house.answers import survey_answer
from homeenergy.show.writeup.survey import survey_document
from homeenergy.simulate import write_street
from tests.findings.test_columns import InThisProcess


@pytest.fixture(scope="module")
def houses(tmp_path_factory):
    """Three houses: one whole, one in a wrong unit, one that cannot be read."""
    folder = tmp_path_factory.mktemp("houses")
    paths = write_street(folder, houses=3, days=5, seed=3)
    toml = (paths[1] / "house.toml").read_text(encoding="utf-8")
    (paths[1] / "house.toml").write_text(toml.replace('unit = "W"', 'unit = "kW"'), "utf-8")
    toml = (paths[2] / "house.toml").read_text(encoding="utf-8")
    (paths[2] / "house.toml").write_text(toml.replace("0.31", '"31 cents"'), "utf-8")
    return paths


@pytest.fixture(scope="module")
def survey(houses):
    return survey_houses(houses, executor=InThisProcess())


def run(*arguments):
    return CliRunner().invoke(cli.app, ["writeup", *map(str, arguments)])


def test_documents_of_many_houses_name_what_failed_and_can_be_resumed(houses, tmp_path):
    out = tmp_path / "reports" / "{house}.html"
    done = run(*houses, "--out", out)
    assert done.exit_code == 1
    written = sorted(path.name for path in (tmp_path / "reports").iterdir())
    assert written == ["mill_lane_1.html", "mill_lane_2.html"]
    held = f"{houses[1]}: held out of all figures, as the document says first: "
    assert held in done.stderr
    assert "31 cents" in done.stderr
    assert "2 written, 0 up to date, 1 failed, of 3 houses." in done.stderr
    again = run(*houses, "--out", out)
    assert held in again.stderr
    assert "0 written, 2 up to date, 1 failed" in again.stderr
    other = run(*houses, "--out", out, "--language", "de")
    assert "2 written" in other.stderr
    assert run(*houses, "--out", tmp_path / "one.html").exit_code == 2
    checked = run(houses[0], "--check", tmp_path / "reports" / "mill_lane_1.html")
    assert checked.exit_code == 0
    assert "(client's edition) matches" in checked.stdout


def test_a_document_of_one_house_makes_its_folder_and_is_of_a_known_form(houses, tmp_path):
    out = tmp_path / "new" / "one.html"
    assert run(houses[0], "--out", out).exit_code == 0
    assert out.is_file()
    wrong = run(houses[0], "--out", tmp_path / "one.doc")  # said before any work
    assert wrong.exit_code == 2
    assert ".docx" in wrong.stderr


def test_a_list_of_all_houses_has_money_and_flags(houses, survey):
    found = survey.houses()
    assert len(found) == 3
    assert found["flag"].iloc[0] == ""
    assert (found["flag"].iloc[1:] != "").all()
    own = survey.table[survey.table["house"] == str(houses[0])]
    assert found["kwh_per_year"].iloc[0] == pytest.approx(own["mains_kwh_per_day"].iloc[0] * 365)
    assert found["cost_per_year"].iloc[0] == pytest.approx(own["cost_per_year"].sum())
    assert any("31 cents" in flag for flag in found["flag"])


def test_the_notebooks_answer_names_houses_that_failed(survey):
    said = survey_answer(survey)
    assert said.startswith("**The answer.** 1 house was surveyed.")
    assert "A visit" not in said  # of one house nothing is above the usual
    assert "**2 could not be:**" in said
    assert "\n- mill_lane_3: house.toml: `tariff.price_per_kwh`" in said


def test_houses_of_one_name_are_told_by_their_folders(survey):
    table = survey.table.assign(house_name="My house")
    other = table.assign(house="street/other_house")
    names = house_list(pd.concat([table, other], ignore_index=True))["house_name"]
    assert len(set(names)) == len(names)
    assert "My house (other_house)" in set(names)
    assert set(house_list(table)["house_name"]) == {"My house"}
    deeper = table.assign(house="lane/other_house")
    names = house_list(pd.concat([table, other, deeper], ignore_index=True))["house_name"]
    assert {"My house (street/other_house)", "My house (lane/other_house)"} < set(names)


def named_rows(kwh):
    """An oven of each of several houses of one name."""
    return pd.DataFrame(
        {
            "house": [f"street/h{i}" for i in range(len(kwh))],
            "house_name": "My house",
            "appliance": "Oven",
            "kwh_per_day": kwh,
            "kwh_per_day_low": kwh,
            "run_kwh": 1.0,
            "standby_w": 1.0,
            "standby_resolved": True,
            "duty_cycle": 0.1,
            "cost_per_year": 1.0,
            "currency": "EUR",
            "start": pd.NaT,
            "end": pd.NaT,
            "mains_kwh_per_day": 2.0,
            "fed_back_kwh_per_day": 0.0,
        }
    )


def test_houses_of_one_name_are_told_apart_wherever_they_are_listed():
    table = named_rows([1.0, 1.1, 0.9, 1.05, 0.95, 9.0])
    assert houses_to_visit(table)["house_name"].iloc[0] == "My house (h5)"
    assert houses_to_visit(table)["house_name"].is_unique
    assert unusual(table)["house_name"].tolist() == ["My house (h5)"]


def test_a_house_that_feeds_back_is_listed_with_what_it_takes():
    """Of 2 kWh a day net, with 12 fed back, 14 were taken."""
    table = named_rows([1.0, 1.0]).assign(fed_back_kwh_per_day=[12.0, 0.0])
    found = house_list(table)
    assert found["kwh_per_year"].tolist() == [14 * 365, 2 * 365]
    assert found["fed_back_kwh_per_year"].tolist() == [12 * 365, 0]


def test_what_a_house_makes_lowers_neither_its_use_nor_its_cost():
    roof = {"house": "street/h0", "appliance": "Roof", "kwh_per_day": -9.0, "cost_per_year": -800}
    table = named_rows([3.0]).assign(mains_kwh_per_day=float("nan"))
    found = house_list(pd.concat([table, table.assign(**roof)], ignore_index=True)).iloc[0]
    assert (found["kwh_per_year"], found["cost_per_year"]) == (3 * 365, 1)
    assert found["greatest"] == "Oven"


def test_what_cannot_be_is_never_ranked_first():
    rows = [
        {
            "house": f"h{i}",
            "house_name": f"House {i}",
            "appliance": "Oven",
            "kwh_per_day": 1.0 + 0.1 * i,
            "kwh_per_day_low": 1.0 + 0.1 * i,
            "cost_per_year": 1.0,
            "currency": "EUR",
            "start": pd.NaT,
            "end": pd.NaT,
            "mains_kwh_per_day": float("nan"),
            "implausible": "",
        }
        for i in range(6)
    ]
    rows[2] |= {"kwh_per_day": 1000.0, "kwh_per_day_low": 900.0, "implausible": "Too much."}
    table = pd.DataFrame(rows)
    assert house_list(table)["house"].tolist()[-1] == "h2"
    visits = houses_to_visit(table)
    assert visits["house"].tolist()[0] == "h5"
    assert visits["house"].tolist()[-1] == "h2"


def test_a_survey_is_a_workbook_and_a_page(survey, tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    document = survey_document(survey)
    book = openpyxl.load_workbook(write_document(document, tmp_path / "s.xlsx"))
    assert {"summary", "houses", "appliances", "Mill Lane 1"} <= set(book.sheetnames)
    cells = [cell.value for row in book["summary"].iter_rows() for cell in row if cell.value]
    assert any(re.fullmatch(r"€[\d,]+(\.\d\d)?", str(cell)) for cell in cells)
    # The first sheet holds the list of houses, and not the tables of each.
    assert "kWh a run" not in cells
    pages = [block for block in document.blocks if isinstance(block, Table)]
    assert max(len(table.head) for table in pages) <= 6
    assert any("cost a year [EUR]" in table.head for table in pages)
    assert "start" not in [cell.value for cell in book["Mill Lane 1"][1]]
    html = write_document(document, tmp_path / "s.html").read_text(encoding="utf-8")
    assert html.count("look first") == 2
    assert "31 cents" in html
    assert 'id="TOC"' in html


@pytest.mark.parametrize(
    ("language", "words"), [("de", "Häuser"), ("nl", "huizen"), ("fr", "maisons")]
)
def test_a_survey_speaks_the_language_of_its_houses(survey, language, words):
    table = survey.table.assign(language=language)
    document = survey_document(replace(survey, table=table))
    assert document.language == language
    assert words in document.title
    heads = {head for b in document.blocks if isinstance(b, Table) for head in b.head}
    heads |= {b.text for b in document.blocks if isinstance(b, Heading) and b.level == 1}
    english = {
        "house",
        "appliance",
        "kWh a day",
        "What appliances use",
        "Where to go first",
        "runs",
    }
    assert not heads & english
    assert survey_document(survey).language == "en"


@pytest.mark.study
def test_the_command_writes_what_the_ending_says(houses, tmp_path):
    done = CliRunner().invoke(
        cli.app,
        ["survey", str(houses[0].parent), "--workers", "1", "--out", str(tmp_path / "s.xlsx")],
    )
    assert done.exit_code == BAD_DATA  # two of the houses failed
    assert (tmp_path / "s.xlsx").read_bytes().startswith(b"PK")
    wrong = CliRunner().invoke(cli.app, ["survey", str(houses[0].parent), "--out", "s.docx"])
    assert wrong.exit_code == 2


@pytest.mark.study
@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_no_worker_outlives_a_survey_that_was_ended(tmp_path):
    write_street(tmp_path, houses=6, days=40, seed=8)
    for path in tmp_path.iterdir():
        shutil.rmtree(path / "store", ignore_errors=True)
    command = [sys.executable, "-m", "homeenergy.cli", "survey", str(tmp_path), "--workers", "2"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as survey:
        own = psutil.Process(survey.pid)
        until = time.monotonic() + 60
        workers = []
        while len(workers) < 2 and time.monotonic() < until:
            workers = [p for p in own.children(recursive=True) if "spawn_main" in str(p.cmdline())]
            time.sleep(0.2)
        assert len(workers) == 2
        survey.send_signal(signal.SIGTERM)
        survey.wait(30)
    _, alive = psutil.wait_procs(workers, timeout=20)
    assert not alive


def test_the_energy_of_a_house_in_a_workbook_is_that_of_its_log(survey, tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.load_workbook(write_document(survey_document(survey), tmp_path / "s.xlsx"))
    rows = {row[0]: row for row in book["summary"].iter_rows(values_only=True) if row[0]}
    own = survey.table[survey.table["house_name"] == "Mill Lane 1"]
    assert own["days"].min() > 2
    assert rows["Mill Lane 1"][2] == pytest.approx((own["kwh_per_day"] * own["days"]).sum())
