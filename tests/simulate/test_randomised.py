"""Randomised logs: truth and rows belong together, and nothing is drawn that nobody could tell."""

import numpy as np
import pytest

from homeenergy.readings.trace import Trace
from homeenergy.simulate.randomised.log import HOLD_S, MOST_REST, START, randomised_log
from homeenergy.simulate.randomised.uses import STYLES

SEEDS = range(9_001, 9_008)
DAYS = 2


@pytest.fixture(scope="module")
def logs():
    return [randomised_log(seed=s, style=style, days=DAYS) for style in STYLES for s in SEEDS]


def test_the_same_seed_gives_the_same_log_and_another_seed_another():
    one, again, other = (randomised_log(seed=s, style="pulsed", days=DAYS) for s in (1, 1, 2))
    assert one.rows.equals(again.rows)
    assert one.runs.equals(again.runs)
    assert not one.rows.equals(other.rows)


def test_an_unknown_style_is_refused():
    with pytest.raises(ValueError, match="no style 'teapot'"):
        randomised_log(seed=1, style="teapot")


def test_a_log_without_a_use_is_a_log():
    unused = [randomised_log(seed=s, style="programmes", days=1) for s in range(1, 13)]
    unused = [log for log in unused if not len(log.runs)]
    assert unused
    assert all(len(log.rows) > 5000 for log in unused)


def test_structures_differ_between_seeds(logs):
    drawn = [log.drawn for log in logs]
    assert {d["rest"] for d in drawn} == {"never", "nothing", "steady", "changes", "after use"}
    assert {d["off"] for d in drawn if "off" in d} >= {"never", "once", "nightly"}
    assert len({d["pace"] for d in drawn}) >= 4
    assert {d["step_w"] for d in drawn} == {0.1, 1.0, 2.0}
    assert any(d["dead_w"] for d in drawn)
    assert any(d["lost"] for d in drawn)
    assert any("repeated" in d for d in drawn)


def test_runs_follow_one_another_and_hold_their_energy(logs):
    for log in logs:
        first, stop = (
            (log.runs[c] - START).dt.total_seconds().to_numpy(int) for c in ("start", "end")
        )
        assert np.all(first < stop)
        assert np.all(stop[:-1] <= first[1:])
        used = [log.true_w[a:b].sum(dtype=float) / 3600 for a, b in zip(first, stop, strict=True)]
        assert log.runs["energy_wh"].to_numpy() == pytest.approx(used, rel=1e-5)


def test_rest_stays_below_what_works(logs):
    for log in logs:
        if log.style in ("never_off", "thermostat"):
            continue
        outside = np.ones(log.true_w.size, bool)
        works_w = []
        for a, b in log.runs[["start", "end"]].itertuples(index=False):
            lo, hi = (int((t - START).total_seconds()) for t in (a, b))
            outside[lo:hi] = False
            works_w.append(log.true_w[lo:hi].max())
        if works_w:
            assert log.true_w[outside].max() <= (MOST_REST + 0.05) * min(works_w)


def test_off_at_the_wall_is_zero_and_outside_runs():
    logs = [randomised_log(seed=s, style="short", days=2) for s in range(1, 25)]
    offs = [log for log in logs if log.off_h > 0 and log.drawn["rest"] in ("steady", "changes")]
    assert len(offs) >= 2
    for log in offs:
        assert (log.true_w == 0).sum() == pytest.approx(log.off_h * 3600, abs=1)


def test_what_is_written_holds_the_energy_where_no_row_is_lost(logs):
    checked = 0
    for log in logs:
        drawn = log.drawn
        # Of short pulses a logger of instants can miss many.
        if drawn["lost"] or drawn["dead_w"] or drawn["spikes_a_day"] or drawn["reads"] != "mean":
            continue
        trace = Trace.from_series(log.rows, period_s=10.0, hold_s=HOLD_S)
        rest = 0.5 * drawn["step_w"] * 24 * DAYS  # rounding of a steady level
        assert trace.energy_wh == pytest.approx(log.true_w.sum(dtype=float) / 3600, 0.02, rest)
        checked += 1
    assert checked >= 2


def test_what_is_off_the_log_or_shown_too_seldom_is_arguable(logs):
    arguable = np.concatenate([log.runs["arguable"] for log in logs])
    assert 0.01 < arguable.mean() < 0.4
    hidden = np.concatenate([log.runs["hidden_s"] for log in logs])
    assert hidden.max() > 0
