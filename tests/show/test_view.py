"""What a viewer looks at: moves stay within the log, days have their true length."""

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.show.viewer import view as v
from homeenergy.show.viewer.view import next_run, runs_inside

NS = 1_000_000_000
DENVER = ZoneInfo("America/Denver")
START = pd.Timestamp("2026-10-18", tz=DENVER).value
END = pd.Timestamp("2026-11-08", tz=DENVER).value
WHOLE = v.View(
    circuits=("oven",),
    start_ns=START,
    end_ns=END,
    log_start_ns=START,
    log_end_ns=END,
    period_ns=NS,
)


@given(
    moves=st.lists(
        st.one_of(
            st.tuples(st.just("zoom"), st.floats(0.01, 100)),
            st.tuples(st.just("move"), st.floats(-3, 3)),
            st.tuples(st.just("at"), st.floats(-1, 2)),
        ),
        max_size=12,
    )
)
def test_no_move_leaves_the_log_or_what_can_be_told(moves):
    view, log_ns = WHOLE, END - START
    for what, by in moves:
        if what == "zoom":
            view = v.zoomed(view, by)
        elif what == "move":
            view = v.moved(view, by)
        else:
            at_ns = START + int(by * log_ns)
            view = v.looking_at(view, at_ns, at_ns + 1)
        assert v.LEAST_SAMPLES * NS <= view.width_ns <= log_ns * (1 + 2 * v.MARGIN) + 2
        assert view.start_ns >= START - log_ns * v.MARGIN - 1
        assert view.end_ns <= END + log_ns * v.MARGIN + 1


def test_zooming_keeps_what_is_under_the_pointer():
    day = v.on_day(WHOLE, date(2026, 10, 27), DENVER)
    at_ns = day.start_ns + day.width_ns // 4
    closer = v.zoomed(day, 8.0, at_ns=at_ns)
    assert closer.width_ns == pytest.approx(day.width_ns / 8, rel=1e-9)
    assert (at_ns - closer.start_ns) / closer.width_ns == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        (date(2026, 10, 27), "America/Denver", 24),
        (date(2026, 11, 1), "America/Denver", 25),
        (date(2026, 3, 29), "Europe/Amsterdam", 23),
        # There the clock skips midnight: the day begins at one.
        (date(2026, 4, 24), "Africa/Cairo", 23),
    ],
)
def test_a_day_has_as_many_hours_as_on_the_wall(day, zone, hours):
    log = pd.Timestamp(day, tz="UTC").value
    near = replace(WHOLE, log_start_ns=log - 10**16, log_end_ns=log + 10**16)
    assert v.on_day(near, day, ZoneInfo(zone)).width_ns == hours * 3600 * NS


def test_moving_half_a_width_and_back():
    day = v.on_day(WHOLE, date(2026, 10, 27), DENVER)
    later = v.moved(day, 0.5)
    assert later.start_ns == day.start_ns + day.width_ns // 2
    assert v.moved(later, -0.5) == day


def test_spans_and_lengths_as_a_person_reads_them():
    at = pd.Timestamp("2026-10-27 14:03:22", tz=DENVER).value
    assert v.local_text(at, DENVER) == "Tue 27 Oct 2026 14:03:22"
    assert v.span_text(at, at + 90 * NS, DENVER) == "Tue 27 Oct 2026 14:03:22 to 14:04:52 (1.5 min)"
    hours = v.span_text(at, at + 4 * 3600 * NS, DENVER)
    assert hours == "Tue 27 Oct 2026 14:03 to 18:03 (4 h)"
    night = v.span_text(at, at + 86_400 * 2 * NS, DENVER)
    assert night == "Tue 27 Oct 2026 14:03 to Thu 29 Oct 2026 14:03 (2 days)"
    texts = [v.length_text(s) for s in (9, 59, 60, 3600, 86_400, 25 * 3600, 2 * 86_400)]
    assert texts == ["9 s", "59 s", "1 min", "1 h", "24 h", "25 h", "2 days"]


def runs():
    start = pd.Timestamp("2026-10-27 00:00", tz="UTC") + pd.to_timedelta([0, 60, 120], unit="min")
    return pd.DataFrame(
        {
            "start": start,
            "end": start + pd.Timedelta(minutes=20),
            "complete": [False, True, True],
        }
    )


def test_runs_that_lie_partly_in_view():
    at = pd.Timestamp("2026-10-27 00:19", tz="UTC").value
    found = runs_inside(runs(), at, at + 45 * 60 * NS)
    assert [(run.number, run.complete) for run in found] == [(1, False), (2, True)]
    assert runs_inside(runs(), at + 60 * NS, at + 61 * NS) == ()
    assert runs_inside(runs().iloc[:0], at, at + NS) == ()


def test_stepping_from_run_to_run():
    table = runs()
    at, seen = 0, []
    while (run := next_run(table, at, later=True)) is not None:
        seen.append(run.number)
        at = run.start_ns
    assert seen == [1, 2, 3]
    assert next_run(table, at, later=False).number == 2
    assert next_run(table, int(table["start"].iloc[0].value), later=False) is None
    assert np.diff([run.start_ns for run in runs_inside(table, 0, 2**62)]).tolist() == [
        3600 * NS,
        3600 * NS,
    ]
