from zoneinfo import ZoneInfo

import matplotlib.pyplot as plt
import pandas as pd
import pytest

from homeenergy.show.figures.style import (
    LocalTimeFormatter,
    axis_days,
    instants_ns,
    local_ticks,
    use_local_time,
)

DENVER = ZoneInfo("America/Denver")


def ticks_of(low, high, zone=DENVER, **kwargs):
    low_ns, high_ns = instants_ns(pd.DatetimeIndex([pd.Timestamp(low), pd.Timestamp(high)]))
    return local_ticks(int(low_ns), int(high_ns), zone, **kwargs)


def test_hours_of_the_night_on_which_clocks_go_back():
    ticks = ticks_of("2026-11-01T05:30Z", "2026-11-01T10:30Z")
    assert [f"{tick:%H:%M %Z}" for tick in ticks] == [
        "00:00 MDT",
        "01:00 MDT",
        "01:00 MST",
        "02:00 MST",
        "03:00 MST",
    ]
    labels = LocalTimeFormatter(DENVER).format_ticks(list(axis_days(instants_ns(ticks))))
    assert labels[0].startswith("00:00\nSun 1 Nov")
    assert labels[1:4] == ["01:00\nMDT", "01:00\nMST", "02:00"]


def test_hours_of_the_night_on_which_clocks_go_forward():
    ticks = ticks_of("2026-03-08T06:30Z", "2026-03-08T11:30Z")
    assert [f"{tick:%H:%M}" for tick in ticks] == ["00:00", "01:00", "03:00", "04:00", "05:00"]
    gaps_h = (pd.Series(ticks).diff().dropna().dt.total_seconds() / 3600).tolist()
    assert gaps_h == [1, 1, 1, 1]


@pytest.mark.parametrize(
    ("day", "next_day", "length_h"),
    [
        ("2026-03-08", "2026-03-09", 23),
        ("2026-06-08", "2026-06-09", 24),
        ("2026-11-01", "2026-11-02", 25),
    ],
)
def test_labels_right_on_both_sides_of_a_change(day, next_day, length_h):
    low, high = (pd.Timestamp(text, tz=DENVER).tz_convert("UTC") for text in (day, next_day))
    assert (high - low).total_seconds() / 3600 == length_h
    ticks = ticks_of(low, high, most=9)
    assert [tick.hour for tick in ticks] == [0, 3, 6, 9, 12, 15, 18, 21, 0]


def test_days_begin_at_local_midnight_all_through_a_change():
    ticks = ticks_of("2026-10-29T00:00Z", "2026-11-04T00:00Z", most=8)
    assert len(ticks) == 6
    assert {tick.hour for tick in ticks} == {0}


def test_midnight_that_does_not_exist():
    # Clocks in Santiago go forward at midnight.
    ticks = ticks_of("2026-09-04T00:00Z", "2026-09-09T00:00Z", ZoneInfo("America/Santiago"))
    assert [f"{tick:%d %H:%M}" for tick in ticks] == [
        "04 00:00",
        "05 00:00",
        "06 01:00",
        "07 00:00",
        "08 00:00",
    ]


def test_zone_with_half_hours():
    ticks = ticks_of("2026-01-01T00:00Z", "2026-01-01T05:00Z", ZoneInfo("Asia/Kolkata"))
    assert {tick.minute for tick in ticks} == {0}


@pytest.mark.parametrize("span", ["3s", "90s", "20min", "7h", "2D", "9D", "50D", "300D", "3000D"])
def test_a_sensible_number_of_ticks_at_every_zoom(span):
    low = pd.Timestamp("2026-02-03T04:05:06Z")
    assert 2 <= len(ticks_of(low, low + pd.Timedelta(span))) <= 10


def test_axis_of_a_figure_says_its_zone():
    _, ax = plt.subplots()
    low = pd.Timestamp("2026-02-03T07:00Z").value
    ax.set_xlim(*axis_days([low, low + 86_400_000_000_000]))
    use_local_time(ax, "America/Denver")
    ax.figure.canvas.draw()
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert labels[0] == "00:00\nTue 3 Feb\n2026"
    assert ax.get_xlabel() == "local time (America/Denver)"
