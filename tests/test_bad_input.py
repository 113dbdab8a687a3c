"""What cannot be used is refused with one message that names the place, and the store is left."""

import gzip
import re

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.readings import describe, import_logs, new_house, open_house

HOUSE = """\
name = "Mill house"
timezone = "Europe/Berlin"

[[circuit]]
name = "kettle"
kind = "manual"

[[circuit]]
name = "oven"

[[log]]
files = "logs/*.csv*"
period_s = 10

[log.columns]
kettle = "kettle"
oven = "oven"
"""
PARQUET = """
[[log]]
files = "logs/*.parquet"
format = "parquet"
period_s = 10

[log.columns]
kettle = "kettle"
oven = "oven"
"""
NEXT_DAY = "2026-03-03T{:02d}:00:{:02d}Z,{},{}\n"
GOOD_ROWS = "".join(NEXT_DAY.format(h, s, 2, 3) for h in range(20) for s in range(0, 60, 10))


def log_text(start="2026-03-02T00:00Z", n=8640):
    rng = np.random.default_rng(8)
    times = pd.date_range(start, periods=n, freq="10s")
    kettle = np.where(np.arange(n) % 2160 < 18, 2000.0, 2.0) + np.round(rng.normal(0, 0.2, n), 1)
    oven = np.round(np.abs(rng.normal(1, 0.2, n)), 1)
    table = pd.DataFrame({"time": times, "kettle": kettle, "oven": oven})
    return table.to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%SZ")


@pytest.fixture
def house(tmp_path):
    """A house whose one log is imported already."""
    folder = tmp_path / "mill"
    (folder / "logs").mkdir(parents=True)
    (folder / "house.toml").write_text(HOUSE)
    (folder / "logs" / "good.csv").write_text(log_text())
    import_logs(folder)
    return folder


def run(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def everything_in(folder):
    """Every file of the store with its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted((folder / "store").rglob("*"))
        if path.is_file()
    }


def assert_refused(house, match):
    """Refused by the function and by the command alike; the store keeps every byte."""
    before = everything_in(house)
    with pytest.raises(HouseError, match=match) as caught:
        import_logs(house)
    for command in ("import", "findings"):
        result = run(command, house)
        assert result.exit_code == 1
        assert result.stdout == ""
        assert result.stderr == f"homeenergy: {caught.value}\n"
        assert len(result.stderr.splitlines()) <= 3
    assert everything_in(house) == before
    assert len(before) >= 2


HEAD = "time,kettle,oven\n"
CUT_GZIP = gzip.compress((HEAD + GOOD_ROWS * 50).encode())[:-40]
BAD_LOGS = {
    "wrong column": (
        "bad.csv",
        "time,kettle,stove\n" + GOOD_ROWS,
        r"bad\.csv, line 1: has no column 'oven'; its columns are 'time', 'kettle', 'stove'",
    ),
    "text in a number": (
        "bad.csv",
        HEAD + GOOD_ROWS + NEXT_DAY.format(21, 0, 2, "warm"),
        r"bad\.csv, line 122, column 'oven': 'warm' is not a number",
    ),
    "mixed zones": (
        "bad.csv",
        HEAD + GOOD_ROWS + NEXT_DAY.format(21, 0, 2, 3).replace("Z", ""),
        r"bad\.csv, line 122, column 'time': .*does not carry an offset",
    ),
    "truncated gzip": ("bad.csv.gz", CUT_GZIP, r"bad\.csv\.gz: .*cut short"),
    "text in a time": (
        "bad.csv",
        HEAD + "tomorrow,2,3\n" + GOOD_ROWS,
        r"bad\.csv, line 2, column 'time': 'tomorrow'",
    ),
}


@pytest.mark.parametrize("what", BAD_LOGS)
def test_bad_log_beside_a_good_one(house, what):
    name, content, match = BAD_LOGS[what]
    content = content.encode() if isinstance(content, str) else content
    (house / "logs" / name).write_bytes(content)
    assert_refused(house, match)
    # With the log put right, all goes on.
    (house / "logs" / name).unlink()
    (house / "logs" / "better.csv").write_text(HEAD + GOOD_ROWS)
    assert run("findings", house).exit_code == 0
    end = open_house(house).trace("oven").end
    assert end == pd.Timestamp("2026-03-03T19:01Z")


@pytest.mark.parametrize("content", [b"", b"PAR1 and no more", log_text(n=9).encode()])
def test_unreadable_parquet(house, content):
    (house / "house.toml").write_text(HOUSE + PARQUET)
    (house / "logs" / "bad.parquet").write_bytes(content)
    assert_refused(house, r"bad\.parquet: is not a Parquet file")


def test_parquet_cut_short(house):
    whole = house / "logs" / "bad.parquet"
    table = pd.DataFrame({"kettle": [1.0, 2.0], "oven": [1.0, 2.0]})
    table["time"] = pd.date_range("2026-03-03", periods=2, freq="10s", tz="UTC")
    table.to_parquet(whole)
    whole.write_bytes(whole.read_bytes()[:-20])
    (house / "house.toml").write_text(HOUSE + PARQUET)
    assert_refused(house, r"bad\.parquet: is not a Parquet file")


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("timezone =", "timzone =", r"house\.toml: `timzone` .*\n.*Did you mean `timezone`"),
        ("Europe/Berlin", "Europe/Berln", r"house\.toml: `timezone`(.|\n)*Europe/Berlin"),
        ('kind = "manual"', 'kind = "manuel"', r"`circuit\[1\]\.kind`(.|\n)*\"manual\""),
        ('name = "Mill house"', 'name = "Mill house', r"house\.toml, line 1"),
        ('name = "oven"', 'name = "kettle"', r"`circuit\[2\]\.name` 'kettle' is already the name"),
        ('oven = "oven"', 'ovn = "oven"', r"`log\[1\]\.columns\.ovn` .*\n.*Did you mean `oven`"),
        ('files = "logs/*.csv*"', 'files = "log/*.csv"', r"log/\*\.csv"),
    ],
)
def test_house_toml_with_a_mistake(house, old, new, match):
    assert old in HOUSE
    (house / "house.toml").write_text(HOUSE.replace(old, new))
    assert_refused(house, match)


def test_a_log_with_a_circuit_twice(house):
    (house / "logs" / "bad.csv").write_text(
        "time,kettle,oven,kettle\n" + GOOD_ROWS.replace("\n", ",9\n")
    )
    assert_refused(house, r"bad\.csv.* has 2 columns called 'kettle'")


def test_unknown_circuit(house):
    opened = open_house(house)
    before = everything_in(house)
    for ask in (opened.trace, opened.circuit, lambda name: house_findings(opened, circuits=[name])):
        with pytest.raises(HouseError, match=r"mill: there is no circuit 'kettel'\n.*kettle, oven"):
            ask("kettel")
    assert everything_in(house) == before


IN_DOUBT = "time,kettle\n" + "".join(f"04/03/2026 10:0{minute},5\n" for minute in range(9))


def test_day_or_month_first_is_not_guessed(tmp_path):
    log = tmp_path / "doubt.csv"
    log.write_text(IN_DOUBT)
    with pytest.raises(HouseError, match=r"04 March 2026 or 03 April 2026") as caught:
        describe(log)
    assert "doubt.csv" in str(caught.value)
    with pytest.raises(HouseError, match=re.escape(str(caught.value))):
        new_house(tmp_path / "made", logs=log, timezone="Europe/Berlin")
    for arguments in (
        ("describe", log),
        ("new", tmp_path / "made", "--timezone", "Europe/Berlin", "--from", log),
    ):
        result = run(*arguments)
        assert (result.exit_code, result.stdout) == (1, "")
        assert result.stderr == f"homeenergy: {caught.value}\n"
    assert not (tmp_path / "made").exists()


def test_dates_that_do_not_fit_the_stated_order(house):
    text = HOUSE.replace("period_s", 'time_format = "%d/%m/%Y %H:%M"\nperiod_s')
    (house / "house.toml").write_text(text)
    (house / "logs" / "good.csv").rename(house / "good.csv")
    (house / "logs" / "bad.csv").write_text(HEAD + "12/03/2026 10:00,1,2\n03/13/2026 10:00,1,2\n")
    assert_refused(house, r"bad\.csv, line 3, column 'time': '03/13/2026.*' does not fit")


FIRST_LOGS = {
    "empty file": ("bad.csv", b"", r"bad\.csv: is empty"),
    "header only": ("bad.csv", HEAD, r"bad\.csv: has a header but no rows"),
    "truncated gzip": BAD_LOGS["truncated gzip"],
}


@pytest.mark.parametrize("what", FIRST_LOGS)
def test_the_first_import_of_a_bad_log_makes_no_store(tmp_path, what):
    name, content, match = FIRST_LOGS[what]
    (tmp_path / "logs").mkdir()
    (tmp_path / "house.toml").write_text(HOUSE)
    content = content.encode() if isinstance(content, str) else content
    (tmp_path / "logs" / name).write_bytes(content)
    result = run("findings", tmp_path)
    assert result.exit_code == 1
    assert re.search(match, result.stderr)
    assert not list(tmp_path.rglob("*.parquet"))
