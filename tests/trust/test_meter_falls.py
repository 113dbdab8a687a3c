"""Meter readings that go down, and meter_readings.csv as people write it."""

import numpy as np
import pytest

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule
from homeenergy.trust.meter import explain_falls, meter_agreement
from homeenergy.trust.typed_readings import read_meter

from .meters import cut_readings, plain_log, shown

USED = [30.2, 31.7, 29.9, 30.4, 33.3, 28.8, 30.1]


def test_a_mistyped_reading_in_the_middle():
    readings = cut_readings(USED, starts_at_kwh=5480.3)
    readings.loc[3, "kwh"] = 5272  # for 5572
    (fall,) = explain_falls(readings, plain_log(USED))
    assert fall.likelier == "typing error"
    assert fall.doubt.reading == 3
    assert fall.doubt.fits_low_kwh <= 5572 <= fall.doubt.fits_high_kwh
    assert "5272; 5571 to 5572 would fit" in fall.sentence


def test_a_reading_mistyped_too_high_is_the_one_before_the_fall():
    readings = cut_readings(USED)
    readings.loc[3, "kwh"] += 100
    (fall,) = explain_falls(readings, plain_log(USED))
    assert (fall.likelier, fall.doubt.reading) == ("typing error", 3)


def test_an_exchanged_meter():
    before = cut_readings(USED[:3])["kwh"].to_numpy()
    after = np.floor(2.7 + np.r_[0.0, np.cumsum(USED[4:])])
    readings = shown(np.r_[before, after])
    (fall,) = explain_falls(readings, plain_log(USED))
    assert (fall.reading, fall.likelier) == (4, "exchange")
    found = meter_agreement(readings, plain_log(USED), exchanged=[4])
    assert found.fits_all
    assert found.ratio.low <= 1 <= found.ratio.high


def test_a_register_that_begins_again_at_zero():
    readings = shown(np.floor(99_930.2 + np.r_[0.0, np.cumsum(USED)]) % 100_000)
    (fall,) = explain_falls(readings, plain_log(USED))
    assert fall.likelier == "rollover"


def test_at_the_last_reading_the_digits_decide():
    swapped = cut_readings(USED)
    assert swapped["kwh"].iloc[-1] == 5214
    swapped.loc[7, "kwh"] = 5124
    (fall,) = explain_falls(swapped, plain_log(USED))
    assert fall.likelier == "typing error"
    small = cut_readings(USED)
    small.loc[7, "kwh"] = 12
    assert explain_falls(small, plain_log(USED))[0].likelier == "exchange"
    between = cut_readings(USED)
    between.loc[7, "kwh"] = 3971
    (fall,) = explain_falls(between, plain_log(USED))
    assert fall.likelier == "not clear"
    assert "do not show which" in fall.sentence


def schedule(folder, text=None, *, zone="Europe/Berlin"):
    (folder / "house.toml").write_text(f'timezone = "{zone}"\n')
    if text is not None:
        (folder / "meter_readings.csv").write_text(text, encoding="utf-8")
    return read_schedule(folder)


def test_times_without_an_offset_are_local(tmp_path):
    text = "time,kwh\n2026-07-02 08:00,12\n2026-07-01T06:00:00Z,10.5\n\n"
    table = read_meter(schedule(tmp_path, text))
    assert table["kwh"].tolist() == [10.5, 12]
    assert [t.hour for t in table["time"]] == [8, 8]
    assert table["line"].tolist() == [3, 2]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time,kwh\n2026-07-01 08:00,5\n2026-07-01 08:00,6\n", "line 3, .*: two readings at one"),
        ("time,kwh\n2026-07-01 08:00,5\n2026-07-02 08:00,\n", "line 3, .* '' is not a number"),
        ("time,kwh\n2026-07-01 08:00,-5\n", "line 2, column 'kwh': the meter reading -5 is below"),
        ("time,kwh\nyesterday morning,5\n", "line 2, column 'time': 'yesterday morning' is not a"),
        ("time,kWh\n2026-07-01 08:00,5\n", "line 1: has no column kwh"),
        ("time,kwh\n2026-10-25 02:30,5\n", "the clock showed it twice"),
        ("time,kwh\n2026-07-01 08:00,2031,5\n", "line 2: has more cells than the first line"),
    ],
)
def test_bad_readings_are_refused_by_line(tmp_path, text, match):
    with pytest.raises(HouseError, match=match):
        read_meter(schedule(tmp_path, text))


def test_no_file_is_no_readings(tmp_path):
    assert read_meter(schedule(tmp_path)) is None
