"""Spans, lengths and runs as a person reads them."""

from zoneinfo import ZoneInfo

import pandas as pd

from homeenergy.show.viewer import view as v
from homeenergy.show.viewer.view import runs_inside

NS = 1_000_000_000
DENVER = ZoneInfo("America/Denver")


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
