import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import open_house, read_outdoor


def write(folder, text, encoding="utf-8"):
    path = folder / "outdoor.csv"
    path.write_text(text, encoding=encoding)
    return path


def test_readings_of_a_sample_house(tmp_path):
    outdoor = read_outdoor(open_house("sample_data/canal_flat"))
    assert outdoor.name == "celsius"
    assert len(outdoor) == 2160
    assert outdoor.index[0] == pd.Timestamp("2026-01-31T23:00Z")
    assert outdoor.iloc[0] == 2.6
    assert outdoor.index.is_monotonic_increasing


def test_local_times_order_blank_lines_and_further_columns(tmp_path):
    rows = ["3;2026-07-01 12:00;21,5", "", "4;2026-07-01 10:00;19,0", "2;2026-07-01 11:00;", ""]
    text = "\n".join(["wind;time;celsius", *rows])
    outdoor = read_outdoor(write(tmp_path, text, "utf-8-sig"), timezone="Europe/Amsterdam")
    assert outdoor.tolist() == [19.0, 21.5]  # what is missing stays out
    assert outdoor.index[0] == pd.Timestamp("2026-07-01T08:00Z")


def test_fahrenheit_is_converted(tmp_path):
    path = write(tmp_path, "time,fahrenheit\n2026-01-01T00:00Z,32\n2026-01-01T01:00Z,65\n")
    assert read_outdoor(path).tolist() == pytest.approx([0.0, 18.333333], abs=1e-6)


def test_the_hour_that_exists_twice_is_told_by_order(tmp_path):
    hours = ["00:00", "01:00", "02:00", "02:00", "03:00"]  # clocks go back on 25 October 2026
    rows = "".join(f"2026-10-25 {hour},{i}\n" for i, hour in enumerate(hours))
    outdoor = read_outdoor(write(tmp_path, "time,celsius\n" + rows), timezone="Europe/Amsterdam")
    assert np.diff(outdoor.index.as_unit("s").asi8).tolist() == [3600] * 4


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time,temp\n2026-01-01T00:00Z,1\n", r"line 1: has no column celsius"),
        ("when,celsius\n2026-01-01T00:00Z,1\n", r"line 1: has no column time"),
        ("time,celsius\n", r"no rows"),
        ("time,celsius\n2026-01-01T00:00Z,\n", r"holds no temperature"),
        ("time,celsius\n2026-01-01T00:00Z,warm\n", r"line 2, column 'celsius': 'warm'"),
        ("time,celsius\n2026-01-01T00:00Z,1\n2026-01-01T01:00Z,999\n", r"line 3.*cannot be"),
        ("time,celsius\nyesterday,1\n", r"line 2, column 'time': 'yesterday' is not a time"),
        ("time,celsius\n2026-01-01T00:00Z,1\n\n2026-01-01,2\n", r"line 4.*carry an offset"),
        (
            "time,celsius\n2026-01-01T00:00Z,1\n2026-01-01T00:00Z,2\n",
            r"line 3.*two temperatures at one time.*1 in line 2",
        ),
        ("time,celsius\n2026-01-01T00:00Z\n", r"line 2: has 1 cells"),
        ("time,celsius\n2026-01-01T00:00Z,7,5\n", r"line 2: has 3 cells(.|\n)*decimal point"),
        (
            "time,celsius\n2026-07-01T00:00Z,58\n2026-07-01T01:00Z,57\n",
            r"too warm for Celsius\n  If they are degrees Fahrenheit",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_line(tmp_path, text, match):
    with pytest.raises(HouseError, match=match):
        read_outdoor(write(tmp_path, text))


def test_a_time_that_the_clock_left_out_is_refused(tmp_path):
    path = write(tmp_path, "time,celsius\n2026-03-29 01:00,1\n2026-03-29 02:30,1\n")
    with pytest.raises(HouseError, match=r"line 3.*does not exist"):
        read_outdoor(path, timezone="Europe/Amsterdam")


def test_no_file_is_said_with_what_to_do(tmp_path):
    with pytest.raises(HouseError, match=r"(?s)no file of outdoor.*time,celsius"):
        read_outdoor(tmp_path)


def test_equal_rows_count_once(tmp_path):
    path = write(tmp_path, "time,celsius\n2026-01-01T00:00Z,1\n2026-01-01T00:00Z,1\n")
    assert len(read_outdoor(path)) == 1
