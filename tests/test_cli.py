"""The command, run as a person or another program runs it."""

import csv
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from homeenergy import __version__, cli
from homeenergy.cli import notebooks
from homeenergy.cli.logs import chosen

HOUSE = """
name = "Mill <house> & barn"
timezone = "America/Denver"

[tariff]
currency = "USD"
price_per_kwh = 0.2

[[circuit]]
name = "kettle"
appliance = "Kettle <b>"
kind = "manual"

[[circuit]]
name = "fridge"
kind = "thermostatic"

[[log]]
files = "logs/*.csv"
time_columns = ["time"]
time_format = "epoch_s"

[log.columns]
kettle = "kettle"
fridge = "fridge"
"""


def write_log(path: Path, *, start: str, days: int, seed: int = 3) -> None:
    rng = np.random.default_rng(seed)
    n = days * 8640
    seconds = np.arange(n) * 10
    kettle = rng.normal(3, 0.3, n)
    for day in range(days):
        for hour in (7, 13, 19):
            at = day * 8640 + hour * 360 + int(rng.integers(0, 90))
            kettle[at : at + int(rng.integers(12, 30))] += 2000
    fridge = np.where(seconds % 3000 < 1000, 90.0, 1.5) + rng.normal(0, 0.3, n)
    start_s = int(pd.Timestamp(start).timestamp())
    table = pd.DataFrame({"time": start_s + seconds, "kettle": kettle, "fridge": fridge})
    table.round(1).to_csv(path, index=False)


@pytest.fixture
def house(tmp_path):
    folder = tmp_path / "mill"
    (folder / "logs").mkdir(parents=True)
    (folder / "house.toml").write_text(HOUSE)
    write_log(folder / "logs" / "one.csv", start="2026-03-02T07:00Z", days=3)
    return folder


@pytest.fixture
def run(monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    return lambda *arguments: CliRunner().invoke(cli.app, [str(a) for a in arguments])


def test_version_and_help(run):
    assert run("--version").output == f"homeenergy {__version__}\n"
    text = run("--help").output
    for command in (
        "describe",
        "new",
        "import",
        "findings",
        "compare",
        "quality",
        "check",
        "view",
        "lab",
    ):
        assert f"\n  {command} " in text
        own = run(command, "--help")
        assert own.exit_code == 0
        assert "Example:" in own.output
    assert "licensed electrician" in text
    assert "..." not in text.split("Commands:")[1], "a summary is cut short"


def test_findings_imports_first_and_prints_a_table(run, house):
    result = run("findings", house)
    assert result.exit_code == 0, result.output
    assert (house / "store").is_dir()
    lines = result.stdout.splitlines()
    assert lines[0].startswith("Mill <house> & barn, 2026-03-02 00:00 to 2026-03-05 00:00")
    kettle = next(line for line in lines if line.startswith("Kettle <b>"))
    assert kettle.split()[2] == "9"
    assert "\x1b" not in result.output
    assert result.stderr == ""


def test_new_logs_are_taken_in_by_the_next_call(run, house):
    assert run("findings", house).exit_code == 0
    write_log(house / "logs" / "two.csv", start="2026-03-05T07:00Z", days=2, seed=4)
    text = run("findings", house, "--json", "-").stdout
    runs = {one["circuit"]: one["runs"] for one in json.loads(text)["appliances"]}
    assert runs["kettle"] == 15


def test_json_is_all_that_is_printed(run, house):
    result = run("findings", house, "--json", "-")
    record = json.loads(result.stdout)
    assert record["house"] == "Mill <house> & barn"
    kettle = next(one for one in record["appliances"] if one["circuit"] == "kettle")
    assert kettle["run_kwh"]["low"] <= kettle["run_kwh"]["value"] <= kettle["run_kwh"]["high"]
    assert "NaN" not in result.stdout


def test_csv_is_all_that_is_printed(run, house):
    rows = list(csv.DictReader(io.StringIO(run("findings", house, "--csv", "-").stdout)))
    assert {row["circuit"] for row in rows} == {"kettle", "fridge"}
    assert float(rows[0]["kwh_per_day"]) > 0


def test_files_are_written_beside_the_table(run, house, tmp_path):
    files = {kind: tmp_path / f"found.{kind}" for kind in ("html", "json", "csv")}
    options = [part for kind, path in files.items() for part in (f"--{kind}", path)]
    result = run("findings", house, *options)
    assert result.exit_code == 0, result.output
    assert "energy per day" in result.stdout
    assert "Wrote" not in result.stdout
    assert result.stderr.count("Wrote") == 3
    page = files["html"].read_text()
    assert "Mill &lt;house&gt; &amp; barn" in page
    assert "Kettle &lt;b&gt;" in page
    assert "<b>" not in page
    json.loads(files["json"].read_text())


def test_page_needs_nothing_else(run, house, tmp_path):
    from html.parser import HTMLParser

    class Tags(HTMLParser):
        def __init__(self):
            super().__init__()
            self.seen = []

        def handle_starttag(self, tag, attrs):
            self.seen.append((tag, dict(attrs)))

    assert run("findings", house, "--html", tmp_path / "page.html").exit_code == 0
    page = (tmp_path / "page.html").read_text()
    tags = Tags()
    tags.feed(page)
    names = [tag for tag, _ in tags.seen]
    assert ("html", {"lang": "en"}) in tags.seen
    assert not {"script", "link", "iframe", "object"} & set(names)
    images = [attrs for tag, attrs in tags.seen if tag == "img"]
    assert len(images) == 3  # the house and two appliances
    for image in images:
        assert image["src"].startswith("data:image/png;base64,")
        assert len(image["alt"]) > 20
    assert "http" not in page.lower()
    assert "licensed electrician" in page
    assert "@media print" in page


def test_import_says_what_it_did(run, house):
    first = run("import", house)
    assert first.exit_code == 0
    assert "25,920 rows; wrote 2 month files for 2 circuits." in first.stdout
    again = run("import", house)
    assert again.stdout.startswith("Nothing new")
    assert "all 2 month files up to date." in again.stdout
    rebuilt = run("import", house, "--rebuild")
    assert rebuilt.stdout.startswith("Read")


def test_quality(run, house):
    result = run("quality", house)
    assert result.exit_code == 0
    row = next(line for line in result.stdout.splitlines() if line.startswith("kettle"))
    assert row.split()[:3] == ["kettle", "10", "100.00"]


def test_quality_of_a_house_too_slow_to_tell_spikes(run, tmp_path):
    sample = Path(__file__).parents[1] / "sample_data" / "canal_flat"
    folder = tmp_path / "flat"
    shutil.copytree(sample, folder, ignore=shutil.ignore_patterns("store"))
    result = run("quality", folder)
    assert result.exit_code == 0, result.output
    rows = [line.split() for line in result.stdout.splitlines()]
    assert ["kettle", "60"] in [row[:2] for row in rows]
    assert "Traceback" not in result.output


def test_new_takes_a_folder_and_prints_a_line_for_each_circuit(run, house, tmp_path):
    exports = tmp_path / "exports"
    exports.mkdir()
    for name in ("Kettle", "Oven"):
        rows = "".join(f"2026-10-{day:02d} 10:00:0{n},{n}\n" for day in (12, 13) for n in range(9))
        (exports / f"{name}.csv").write_text("time,power\n" + rows)
    made = run("new", tmp_path / "b", "--yes", "--timezone", "America/Denver", "--from", exports)
    assert made.exit_code == 0, made.output
    assert "? kettle" in made.stdout
    assert "oven/*: power" in made.stdout
    assert made.stdout.count("head without a unit") == 1
    assert "MB of logs were copied into" in made.stdout
    described = run("describe", exports)
    assert "[[log]]" in described.stdout


def test_describe_and_new_lead_to_findings(run, house, tmp_path):
    log = house / "logs" / "one.csv"
    described = run("describe", log)
    assert described.exit_code == 0, described.output
    assert "[[log]]" in described.stdout
    assert 'kettle = "kettle"' in described.stdout
    made = run("new", tmp_path / "barn", "--timezone", "America/Denver", "--from", log)
    assert made.exit_code == 0, made.output
    assert f"homeenergy findings {tmp_path / 'barn'}" in made.stdout
    found = run("findings", tmp_path / "barn", "--json", "-")
    assert {one["circuit"] for one in json.loads(found.stdout)["appliances"]} == {
        "kettle",
        "fridge",
    }
    again = run("new", tmp_path / "barn", "--timezone", "America/Denver", "--from", log)
    assert again.exit_code == 1
    assert "not overwritten" in again.stderr


def test_new_takes_several_files_after_from_as_a_shell_gives_them(run, house, tmp_path):
    write_log(house / "logs" / "two.csv", start="2026-03-05T07:00Z", days=1)
    logs = sorted((house / "logs").glob("*.csv"))
    made = run("new", tmp_path / "barn", "--timezone", "America/Denver", "--from", *logs)
    assert made.exit_code == 0, made.output
    assert len(list((tmp_path / "barn" / "logs").iterdir())) == 2


def test_new_takes_the_zone_of_this_computer_and_says_so(run, house, tmp_path, monkeypatch):
    log = house / "logs" / "one.csv"
    monkeypatch.setenv("TZ", "Europe/Oslo")
    made = run("new", tmp_path / "barn", "--from", log)
    assert "Time zone: Europe/Oslo, as on this computer" in made.stdout
    monkeypatch.setenv("TZ", "UTC")
    refused = run("new", tmp_path / "shed", "--from", log)
    assert refused.exit_code == 1
    assert "--timezone Europe/Berlin" in refused.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "text"),
    [
        (("findings", "nowhere"), 1, "there is no house.toml"),
        (("import", "nowhere"), 1, "there is no house.toml"),
        (("quality", "nowhere"), 1, "there is no house.toml"),
        (("describe", "nothing.csv"), 1, "nothing.csv: there is no such file"),
        (("findings",), 2, "Missing argument"),
        (("findings", "x", "--cvs", "-"), 2, "No such option"),
        (("findings", "x", "--json", "-", "--csv", "-"), 2, "only one of --json and --csv"),
        (("toast",), 2, "No such command"),
    ],
)
def test_errors_are_one_message_on_stderr(run, tmp_path, monkeypatch, arguments, code, text):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == code
    assert text in result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.output


def test_bad_log_names_file_line_and_column(run, house):
    log = house / "logs" / "one.csv"
    lines = log.read_text().splitlines()
    lines[7] = lines[7].rsplit(",", 1)[0] + ",warm"
    log.write_text("\n".join(lines) + "\n")
    result = run("findings", house)
    assert result.exit_code == 1
    assert "one.csv, line 8, column 'fridge'" in result.stderr


def test_place_that_cannot_be_written(run, house, tmp_path):
    result = run("findings", house, "--csv", tmp_path / "no" / "where.csv")
    assert result.exit_code == 1
    assert "No such file or directory" in result.stderr


def test_a_closed_pipe_and_no_terminal_leave_no_noise(house):
    command = f"{sys.executable} -m homeenergy.cli findings {house} | head -n 1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True)
    assert done.stdout.startswith("Mill <house>")
    assert done.stderr == ""


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
def test_stopping_an_import_is_said_plainly_and_it_can_go_on(run, house):
    code = (
        "import time, homeenergy.readings as readings\n"
        "def slow(*_, **__):\n"
        "    print('begun', flush=True)\n"
        "    time.sleep(30)\n"
        "readings.import_logs = slow\n"
        "from homeenergy import cli\n"
        "cli.main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "import", str(house)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # Where these tests run in the background, a shell has them ignore interruptions.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout.readline() == "begun\n"
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=600)
    assert process.returncode == 130
    assert errors == "Stopped. The store is consistent; run the command again to continue.\n"
    assert run("import", house).exit_code == 0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_view_shows_a_page_until_it_is_stopped(house, number):
    command = [sys.executable, "-m", "homeenergy.cli", "view", str(house), "--no-browser"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "bufsize": 0}
    with subprocess.Popen(command, **pipes) as program:
        line = program.stdout.readline().decode().strip()
        assert re.fullmatch(r"Open http://127\.0\.0\.1:\d+/\?token=[\w-]{32}", line), line
        with urllib.request.urlopen(line.removeprefix("Open ")) as answer:
            page = answer.read().decode()
        assert "<h1>Mill &lt;house&gt; &amp; barn</h1>" in page
        program.send_signal(number)
        try:
            out, err = program.communicate(timeout=60)
        finally:
            program.kill()
        assert out.decode().strip() == "To end: Ctrl+C"
        assert err.decode().strip() == "Stopped."
        assert program.returncode == 0


def test_view_writes_a_page_to_keep(run, house, tmp_path):
    page = tmp_path / "kept.html"
    done = run("view", str(house), "--page", str(page), "--points", "500")
    assert done.exit_code == 0, done.output
    assert done.stderr.strip().endswith(f"Wrote {page}")
    text = page.read_text(encoding="utf-8")
    assert "fromCopies(" in text
    assert "runs kettle" in text
    assert "Kettle <b>" not in text


def test_lab_opens_the_notebooks_of_a_checkout(run, monkeypatch):
    calls = []

    def remember(command, **kwargs):
        calls.append((command, kwargs))
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(notebooks.subprocess, "run", remember)
    assert run("lab", "--no-browser", "--", "--port", "9000").exit_code == 0
    ((command, kwargs),) = calls
    assert command[1:] == [
        "-m",
        "jupyterlab",
        "notebooks/1_start_here.ipynb",
        *notebooks.LAB_OPTIONS,
        "--no-browser",
        "--port",
        "9000",
    ]
    assert (Path(kwargs["cwd"]) / "sample_data" / "orchard_house" / "house.toml").is_file()
    assert kwargs["env"]["JUPYTER_CONFIG_PATH"].split(os.pathsep)[0] == str(notebooks.SETTINGS)


def test_lab_makes_the_notebooks_about_a_house(run, house, monkeypatch, tmp_path):
    calls = []
    monkeypatch.setattr(notebooks, "notebook_root", lambda _: tmp_path)
    (tmp_path / "notebooks").mkdir()
    done = subprocess.CompletedProcess([], 0)
    monkeypatch.setattr(notebooks.subprocess, "run", lambda line, **_: calls.append(line) or done)
    said = run("lab", str(house), "--no-browser", "--", "--port", "9000")
    assert said.exit_code == 0, said.output
    assert said.stderr.strip() == f"The notebooks are now about the house in {house.absolute()}."
    assert (tmp_path / "notebooks" / "my_house.txt").read_text() == f"{house.absolute()}\n"
    assert calls[0][-3:] == ["--no-browser", "--port", "9000"]
    assert str(house) not in calls[0]
    refused = run("lab", str(tmp_path))
    assert refused.exit_code == 1
    assert "this is not the folder of a house" in refused.stderr
    assert len(calls) == 1


def test_lab_says_what_to_install(run, monkeypatch):
    monkeypatch.setattr(notebooks, "find_spec", lambda _: None)
    done = run("lab")
    assert done.exit_code == 1
    assert "pip install 'homeenergy[lab]'" in done.stderr


def test_jupyterlab_is_told_to_leave_the_network_alone():
    from jupyterlab import NeverCheckForUpdate
    from jupyterlab.labapp import LabApp

    lab = LabApp()
    lab.parse_command_line(list(notebooks.LAB_OPTIONS))
    assert lab.news_url is None
    assert lab.check_for_updates_class is NeverCheckForUpdate
    assert lab.extension_manager == "readonly"


def test_jupyterlab_is_told_not_to_ask_about_news(tmp_path, monkeypatch):
    """By a default, beneath what a person has set; other folders of defaults are kept."""
    from jupyterlab_server.settings_utils import get_settings

    schemas = Path(sys.prefix) / "share" / "jupyter" / "lab" / "schemas"
    name = "@jupyterlab/apputils-extension:notification"
    asked = {"schema_name": name, "settings_dir": str(tmp_path)}

    def news():
        answer, _ = get_settings(str(tmp_path), str(schemas), **asked)
        return answer["schema"]["properties"]["fetchNews"]["default"]

    monkeypatch.setenv("JUPYTER_CONFIG_DIR", str(tmp_path))
    monkeypatch.delenv("JUPYTER_CONFIG_PATH", raising=False)
    assert news() == "none"
    for others in ("", "elsewhere"):
        path = notebooks.with_settings({"JUPYTER_CONFIG_PATH": others})["JUPYTER_CONFIG_PATH"]
        assert path.split(os.pathsep)[1:] == ([others] if others else [])
        monkeypatch.setenv("JUPYTER_CONFIG_PATH", path)
        assert news() == "false"


def test_lab_copies_what_a_wheel_ships_and_overwrites_nothing(tmp_path, monkeypatch):
    package = tmp_path / "site" / "homeenergy"
    for name in ("notebooks", "sample_data", "shared"):
        (package / "shipped" / name).mkdir(parents=True)
        (package / "shipped" / name / "new.txt").write_text("shipped")
    monkeypatch.setattr(notebooks, "PACKAGE", package)
    mine = tmp_path / "mine"
    (mine / "notebooks").mkdir(parents=True)
    (mine / "notebooks" / "old.txt").write_text("mine")
    assert notebooks.notebook_root(mine) == mine
    assert [path.name for path in (mine / "notebooks").iterdir()] == ["old.txt"]
    for name in ("sample_data", "shared"):
        assert (mine / name / "new.txt").read_text() == "shipped"


def test_an_answer_is_taken_by_its_number_or_its_word_and_no_other_is_guessed():
    answers = [
        "power in W",
        "power in kW",
        "readings of a counter in kWh",
        "energy of each row in kWh",
    ]
    assert chosen(" 3 ", answers) == answers[2]
    assert chosen("kW", answers) == "power in kW"
    for unclear in ("kWh", "0", "5", "power", "yes", ""):
        with pytest.raises(typer.BadParameter, match="a number from 1 to 4"):
            chosen(unclear, answers)
