"""Damaged, absurd and hostile logs are refused in one line, soon, and in bounded memory."""

import gzip
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import psutil
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import describe, import_logs, open_house
from homeenergy.readings.logs.tables import WHOLE_FILE_BYTES

from .folders import WIDE, frame, iso_csv, make_house, store_bytes

GOOD = iso_csv(frame("2026-03-01", 200))


def refusal(folder, content, *, name="a.csv", **settings):
    make_house(folder, {name: content}, **settings)
    with pytest.raises(HouseError) as met:
        import_logs(folder)
    message = str(met.value)
    assert len(message) < 2500
    assert name in message
    assert not store_bytes(folder)
    return message


def with_cell(cell, *, row=57):
    lines = GOOD.splitlines()
    lines[row] = f"{lines[row].rpartition(',')[0]},{cell}"
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("cell", ["1e39", "-1e300", "1e16"])
def test_a_power_beyond_what_a_sample_can_hold(tmp_path, cell):
    message = refusal(tmp_path, with_cell(cell))
    assert "line 58, column 'oven'" in message
    assert "more than any reading can be" in message


@pytest.mark.parametrize(
    ("cell", "what"),
    [("\u0661\u0662", "is not a number"), ("1\n2", "is not a number")],
)
def test_a_cell_that_only_looks_like_a_number_is_refused_with_its_line(tmp_path, cell, what):
    message = refusal(tmp_path, with_cell(cell if "\n" not in cell else f'"{cell}"'))
    assert "line 5" in message
    assert what in message


@pytest.mark.parametrize("year", ["1600", "2263", "9999"])
def test_a_year_that_no_clock_shows_is_refused_with_its_line(tmp_path, year):
    lines = GOOD.splitlines()
    lines[57] = year + lines[57][4:]
    message = refusal(tmp_path, "\n".join(lines) + "\n")
    assert "line 58, column 'time'" in message
    assert "1990 to 2099" in message


def test_bytes_of_another_encoding_in_the_middle(tmp_path):
    assert "is not utf-8 text" in refusal(tmp_path, with_cell("caf\u00e9").encode("latin-1"))
    assert "is not utf-8 text" in refusal(tmp_path, GOOD.encode() + "ü1,2".encode("utf-16"))


def test_a_line_without_end(tmp_path):
    message = refusal(tmp_path, GOOD.encode() + b"0" * 1_500_000)
    assert "line 202: is longer than 1,000,000 letters" in message


def test_a_cell_longer_than_a_reader_of_csv_takes_is_read_or_refused(tmp_path):
    assert "is not a number" in refusal(tmp_path, with_cell("9" * 200_000 + "x"))
    quoted = GOOD + '"2026' + "\n1" * 100_000
    refusal(tmp_path / "quoted", quoted)


def test_a_file_that_unpacks_without_end_takes_little_memory(tmp_path):
    line = gzip.compress(GOOD.encode()) + gzip.compress(b"0" * 400_000_000, compresslevel=1)
    process = psutil.Process()
    before, begun = process.memory_info().rss, time.perf_counter()
    message = refusal(tmp_path, line, name="a.csv")
    assert "is longer than 1,000,000 letters" in message
    describe([tmp_path / "logs" / "a.csv"], timezone="UTC")  # it looks at the beginning only
    assert process.memory_info().rss - before < 150e6
    assert time.perf_counter() - begun < 60


def test_the_size_of_a_file_has_a_limit_that_can_be_raised(tmp_path):
    limited = "[limits]\nlog_gb = 1e-6\n" + WIDE
    message = refusal(tmp_path, gzip.compress(GOOD.encode()), log=limited)
    assert "holds more than 1e-06 GB" in message
    make_house(tmp_path, {}, log=limited.replace("1e-6", "1"))
    assert import_logs(tmp_path).rows == 200


def test_the_years_between_two_rows_have_a_limit_that_can_be_raised(tmp_path):
    """A trace of 35 years at 10 s would hold 110 million samples."""
    make_house(tmp_path, {"old.csv": GOOD.replace("2026-", "1991-")})
    message = refusal(tmp_path, GOOD)
    assert "line 2: a row is dated 2026-03-01 00:00:00 UTC, 35.0 years from those before" in message
    assert "raise gap_years in [limits]" in message
    make_house(tmp_path, {}, log="[limits]\ngap_years = 80\n" + WIDE)
    assert import_logs(tmp_path).months_written == 4


def test_years_of_rows_out_of_order_are_split_in_one_go(tmp_path):
    index = pd.date_range("1998-01-01", periods=60, freq="150D", tz="UTC")
    times = np.concatenate([index + pd.Timedelta(s, "s") for s in (0, 10, 20, 30)])
    np.random.default_rng(1).shuffle(times)
    table = pd.DataFrame({"fridge": 1.0, "oven": 2.0}, index=pd.DatetimeIndex(times))
    limits = "[limits]\ngap_years = 60\n" + WIDE.replace(
        "[log.col", "period_s = 10\nhold_s = 20\n[log.col"
    )
    import_logs(make_house(tmp_path, {"a.csv": iso_csv(table)}, log=limits))
    assert open_house(tmp_path).trace("oven").energy_wh == pytest.approx(240 * 10 * 2 / 3600)


def test_a_grid_far_finer_than_the_log_is_refused(tmp_path):
    log = WIDE.replace("[log.col", "period_s = 0.001\nhold_s = 30\n[log.col")
    message = refusal(tmp_path / "new", GOOD, log=log)
    assert "10 s apart, 10000 times the 0.001 s" in message
    known = make_house(tmp_path / "known", {"a.csv": GOOD})
    import_logs(known)
    make_house(known, {}, log=log)
    with pytest.raises(HouseError, match="10 s apart, 10000 times"):
        import_logs(known)


def test_a_counter_above_where_it_begins_again(tmp_path):
    log = WIDE.replace(
        "[log.col", 'quantity = "energy_counter"\nunit = "Wh"\nrolls_over_at = 0.01\n[log.col'
    )
    assert "above rolls_over_at" in refusal(tmp_path, GOOD, log=log)


@pytest.mark.parametrize("quantity", ["", 'quantity = "energy_counter"\nunit = "Wh"\n'])
def test_a_slip_in_where_a_counter_begins_again(tmp_path, quantity):
    log = WIDE.replace("[log.col", f"{quantity}rolls_over_at = 1e-9\n[log.col")
    make_house(tmp_path, {"a.csv": GOOD}, log=log)
    with pytest.raises(HouseError, match=r"must be at least 0\.01"):
        import_logs(tmp_path)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
@pytest.mark.parametrize(
    "end",
    [
        "Total,1,2\n",
        *(
            pytest.param(e, marks=pytest.mark.study)
            for e in ("2026-03-01T00:00:0", "time,fridge,oven\n")
        ),
    ],
)
def test_a_large_log_is_not_kept_in_memory_for_its_last_line(tmp_path, end):
    rows = GOOD.partition("\n")[2]
    make_house(tmp_path, {"a.csv": GOOD})
    log = tmp_path / "logs" / "a.csv"
    with log.open("a") as file:
        while file.tell() < 6 * WHOLE_FILE_BYTES:
            file.write(rows * 1000)
        file.write(end)
    count = (
        "import sys\n"
        "from pathlib import Path\n"
        "from homeenergy.house.toml_file import read_schedule\n"
        "from homeenergy.readings.logs.read import read_log\n"
        "def peak():\n"
        "    return int(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])\n"
        "house = Path(sys.argv[1])\n"
        "pieces = read_log(house / 'logs' / 'a.csv', read_schedule(house).logs[0])\n"
        "next(pieces)\n"
        "before = peak()\n"
        "for _ in pieces:\n"
        "    pass\n"
        "print((peak() - before) * 1024)\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", count, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert int(told.stdout) < 5 * WHOLE_FILE_BYTES  # what is read ahead and freed; mapped it is six
