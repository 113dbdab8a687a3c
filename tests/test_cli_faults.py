"""Whatever happens, a command ends with a plain line and an exit code, and writes nothing raw."""

import subprocess
import sys
import warnings
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.cli import frame as cli_frame
from homeenergy.cli.frame import give
from homeenergy.errors import HouseError, HouseWarning
from homeenergy.readings import import_logs
from homeenergy.show.document.blocks import Document, Table
from homeenergy.show.document.files import write_document
from homeenergy.words import printable, without_formulas

from .readings.folders import frame, iso_csv, make_house

ROOT = Path(__file__).parents[1]


def run(*arguments):
    return CliRunner().invoke(cli.app, list(arguments))


@pytest.fixture
def house(tmp_path):
    return make_house(tmp_path / "house", {"a.csv": iso_csv(frame("2026-03-01", 100))})


@pytest.mark.parametrize("error", [ZeroDivisionError("x / 0\nsecond line"), RecursionError("deep")])
def test_a_fault_of_the_program_is_one_line_with_a_log_file(house, monkeypatch, tmp_path, error):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr("homeenergy.readings.import_logs", fail)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    done = run("import", str(house))
    assert done.exit_code == 3
    (log,) = tmp_path.glob("homeenergy-fault-*.log")
    assert done.stderr.count("\n") == 1
    assert f"a fault of this program: {type(error).__name__}" in done.stderr
    assert str(log) in done.stderr
    assert "Traceback" in log.read_text()


def test_a_fault_before_any_command_is_one_line(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(cli, "app", lambda: (_ for _ in ()).throw(KeyError("oops")))
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 3
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (HouseError("cannot be meant"), 1, "homeenergy: cannot be meant\n"),
        (OSError(28, "No space left on device", "/x/y"), 1, "/x/y: No space left on device"),
        (KeyboardInterrupt(), 130, "Stopped"),
    ],
)
def test_foreseen_errors_keep_their_code(house, monkeypatch, error, code, said):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr("homeenergy.readings.import_logs", fail)
    done = run("import", str(house))
    assert done.exit_code == code
    assert said in done.stderr


def test_only_warnings_for_a_person_are_shown_and_in_one_line(house, monkeypatch):
    def warn(*_, **__):
        warnings.warn("a month was damaged", HouseWarning, stacklevel=1)
        np.float32(1e39)
        warnings.warn("glyph missing", UserWarning, stacklevel=1)
        return import_logs(house)

    monkeypatch.setattr("homeenergy.readings.import_logs", warn)
    done = run("import", str(house))
    assert done.stderr == "homeenergy: a month was damaged\n"


def test_what_a_terminal_would_obey_is_shown(house):
    text = (house / "house.toml").read_text()
    (house / "house.toml").write_text(text.replace('"oven"', '"ov\\u001b[31men\\u202e"'))
    for command in ("import", "quality"):
        done = run(command, str(house))
        assert done.exit_code == 1
        assert "\x1b" not in done.output + done.stderr
        assert "\u202e" not in done.output + done.stderr


def test_printable_leaves_lines_tabs_and_letters():
    assert printable("a\tb\nü 漢") == "a\tb\nü 漢"
    assert printable("\x1b[2J\r\x07\x85\u202e") == r"\x1b[2J\x0d\x07\x85\u202e"


def test_texts_that_a_spreadsheet_would_calculate_are_texts(tmp_path):
    table = pd.DataFrame({"a": ["=1+1", "+1", "-2+3", "@x", "\tx", "plain"], "b": [-1.5] * 6})
    safe = without_formulas(table)
    assert safe["a"].tolist() == ["'=1+1", "'+1", "'-2+3", "'@x", "'\tx", "plain"]
    assert safe["b"].tolist() == [-1.5] * 6
    give(safe.to_csv(index=False) + "\x1b", str(tmp_path / "a.csv"))
    assert b"\x1b" not in (tmp_path / "a.csv").read_bytes()


def test_a_spreadsheet_holds_no_control_characters_and_no_words_for_infinity(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    data = pd.DataFrame({"na\x1bme": ["=1+1", "o\x1bven"], "low": [-np.inf, 2.0]})
    table = Table(head=("a", "b"), rows=(), sheet="Runs \x1b", data=data)
    document = Document(title="T\x1b", blocks=(table,), written=date(2026, 3, 1))
    sheet = openpyxl.load_workbook(write_document(document, tmp_path / "a.xlsx")).worksheets[1]
    rows = list(sheet.iter_rows(values_only=True))
    assert rows == [(r"na\x1bme", "low"), ("=1+1", None), (r"o\x1bven", 2)]
    assert sheet["A2"].data_type == "s"


def test_the_program_itself_ends_with_three(tmp_path):
    code = "import homeenergy.cli as c; c.app = lambda: 1 / 0; c.main()"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env={"TMPDIR": str(tmp_path)}, capture_output=True
    )
    assert done.returncode == cli_frame.OWN_FAULT == 3
    assert done.stderr.count(b"\n") == 1
