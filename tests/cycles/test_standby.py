"""Standby draw on hand-made traces, and what is said where there is nothing to say."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles, find_plateaus
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.readings.trace import Trace

from .traces import DAY, HOUR, START, as_trace, draw

KINDS = ["thermostatic", "batch", "manual", "modulating", "continuous", None]


def boils(n=5, w=2000):
    return [(h * HOUR, [(180, w)]) for h in np.linspace(2, 21, n).astype(int)]


@pytest.mark.parametrize("level_w", [81, 104])
def test_what_never_rests_has_no_standby(level_w):
    cycles = find_cycles(as_trace(draw(DAY, idle_w=level_w, noise_w=1.0)))
    assert cycles.kind == "continuous"
    assert len(cycles.table) == 0
    assert np.isnan(cycles.standby.value)
    assert "0" not in str(cycles.standby)


def test_flicker_between_steps_of_two_watts_gives_the_mean_and_not_the_median():
    rng = np.random.default_rng(3)
    watts = draw(DAY, *boils(), idle_w=0, noise_w=0)
    idle = watts == 0
    watts[idle] = rng.choice([0.0, 2.0, 4.0], idle.sum(), p=[0.26, 0.73, 0.01])  # 1.5 W on average
    draw_w = find_cycles(as_trace(watts)).rest.draw_w
    assert draw_w.value == pytest.approx(1.5, abs=0.03)
    assert draw_w.low < watts[idle].mean() < draw_w.high


def test_two_idle_levels_are_reported_with_their_shares():
    watts = draw(2 * DAY, *boils(), idle_w=1.2, noise_w=0.2)
    for at in (3 * HOUR, 12 * HOUR, DAY + 6 * HOUR):
        watts[at : at + 4 * HOUR] = np.where(
            watts[at : at + 4 * HOUR] < 100, watts[at : at + 4 * HOUR] + 7.8, 2000
        )
    rest = find_cycles(as_trace(watts), kind="manual").rest
    assert [level for level, _ in rest.levels] == pytest.approx([1.2, 9.0], abs=0.05)
    assert [share for _, share in rest.levels] == pytest.approx([0.75, 0.25], abs=0.02)
    assert rest.draw_w.value == pytest.approx(0.75 * 1.2 + 0.25 * 9.0, abs=0.2)


@pytest.mark.parametrize("kind", ["manual", None])
def test_whole_watts_of_zero_are_below_and_not_zero(kind):
    watts = draw(DAY, *boils(), idle_w=0.3, noise_w=0.02)
    watts[watts > 100] += np.linspace(-20, 20, (watts > 100).sum())
    watts = np.round(watts)
    assert set(np.unique(watts[watts < 100])) == {0.0}
    draw_w = find_cycles(as_trace(watts), kind=kind).rest.draw_w
    assert not draw_w.resolved
    assert str(draw_w).startswith("below 1 W")
    assert draw_w.value > 0
    assert draw_w.low <= 0.3 <= draw_w.high


def test_a_log_of_two_values_does_not_make_the_load_the_resolution():
    watts = np.round(draw(DAY, *boils(), idle_w=0.0, noise_w=0.0))
    assert set(np.unique(watts)) == {0.0, 2000.0}
    draw_w = find_cycles(as_trace(watts), kind="manual").rest.draw_w
    assert not draw_w.resolved
    assert draw_w.high <= 10


def test_a_stated_resolution_makes_a_few_watts_below():
    watts = draw(DAY, *boils(), idle_w=3.0)
    seen = find_cycles(as_trace(watts), kind="manual").rest
    blind = find_cycles(as_trace(watts), kind="manual", floor=ClampErrors(resolution_w=5.0)).rest
    assert seen.draw_w.resolved
    assert seen.draw_w.value == pytest.approx(3.0, abs=0.02)
    assert not blind.draw_w.resolved
    # 3 W, and 95 % of the 2.5 W that the clamp may be off either way.
    assert "below 6 W" in str(blind.draw_w)
    assert blind.draw_w.high == pytest.approx(3.0 + 0.95 * 2.5, abs=0.02)


def test_a_stated_offset_counts_instead_of_half_a_step():
    """Readings without noise or steps: what is left is the offset, added in squares."""
    watts = draw(DAY, *boils(), idle_w=6.0)
    floors = [ClampErrors(resolution_w=5.0, offset_uncertainty_w=w) for w in (None, 0.5, 3.0)]
    even, known, worse = (
        find_cycles(as_trace(watts), kind="manual", floor=one).rest.draw_w for one in floors
    )
    assert even.systematic == pytest.approx(0.95 * 2.5, abs=0.02)
    assert (known.systematic, known.high - known.value) == pytest.approx((0.5, 0.5), abs=0.02)
    assert worse.systematic == pytest.approx(3.0, abs=0.02)
    assert "by a clamp whose offset is known to 0.5 W" in known.basis
    # What a clamp resolves stays what it is.
    small = find_cycles(as_trace(watts - 2.0), kind="manual", floor=floors[1]).rest.draw_w
    assert not small.resolved
    assert small.high == pytest.approx(5.0)


def test_the_minimum_is_not_standby():
    """Two idle minutes at nothing after each use, else 4 W: the mean is close to 4 W."""
    watts = draw(DAY, *[(h * HOUR, [(180, 2000), (120, 0.0)]) for h in range(2, 22, 3)], idle_w=4.0)
    assert find_cycles(as_trace(watts), kind="manual").rest.draw_w.value == pytest.approx(
        4.0, abs=0.06
    )


def test_a_drifting_draw_is_not_called_stable():
    steady = draw(DAY, *boils(), idle_w=5.0)
    drifting = steady + np.linspace(0, 6, DAY)
    assert find_cycles(as_trace(steady), kind="manual").rest.stable is True
    assert find_cycles(as_trace(drifting), kind="manual").rest.stable is False


def test_a_week_without_a_use_still_tells_what_was_drawn():
    rest = find_cycles(as_trace(draw(2 * DAY, idle_w=1.4))).rest
    assert rest.draw_w.value == pytest.approx(1.4, abs=0.02)


@pytest.mark.parametrize("noise_w", [0.1, 0.3, 0.5, 1.5])
@pytest.mark.parametrize("idle_w", [0.0, 0.4, 1.0, 1.5])
@pytest.mark.parametrize("kind", ["manual", "batch", "thermostatic", None])
def test_flicker_of_whole_watts_is_no_run(kind, idle_w, noise_w):
    watts = np.round(draw(2 * DAY, idle_w=idle_w, noise_w=noise_w))
    cycles = find_cycles(as_trace(watts), kind)
    assert len(cycles.table) == 0
    said = cycles.standby
    assert said.low - 0.01 <= watts.mean() <= said.high + 0.01


def test_power_below_zero_is_reported_and_not_clipped():
    watts = -draw(DAY, *boils(), idle_w=5.0)
    cycles = find_cycles(as_trace(watts))
    assert cycles.total_wh == pytest.approx(float(watts.sum()) / 3600, rel=1e-6)
    assert cycles.total_wh < 0
    total = cycles.runs_wh + cycles.idle_wh + cycles.other_wh
    assert total == pytest.approx(cycles.total_wh, rel=1e-9)
    plateaus = find_plateaus(as_trace(watts))
    assert plateaus["mean_w"].min() == pytest.approx(-2000, abs=1)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "watts",
    [
        [],
        [5.0],
        [np.nan],
        [5.0, 5.0],
        [0.0, 2000.0],
        [np.nan, 3.0, np.nan],
        np.full(1000, np.nan),
        np.full(1000, 7.0),
        np.zeros(1000),
        np.full(1000, -3.0),
    ],
    ids=lambda w: f"{len(w)} of {np.unique(w)[:2]}",
)
def test_degenerate_traces_give_an_answer_without_runs(watts, kind):
    cycles = find_cycles(as_trace(watts), kind)
    assert len(cycles.table) == 0
    assert list(cycles.table.columns)[:2] == ["start", "end"]
    assert cycles.total_wh == pytest.approx(float(np.nansum(watts)) / 3600)
    assert str(cycles.standby)
    assert repr(cycles)


def test_a_series_without_a_zone_is_refused_with_advice():
    series = pd.Series([1.0, 2.0, 3.0], index=pd.date_range("2026-03-02", periods=3, freq="1s"))
    with pytest.raises(ValueError, match="zone"):
        find_cycles(series)


def test_an_unknown_kind_is_refused_and_the_known_are_listed():
    with pytest.raises(ValueError, match="thermostatic"):
        find_cycles(as_trace([1.0, 2.0]), "sometimes")


@pytest.mark.parametrize("name", ["penalty_w2", "noise_w", "min_length_s", "long_gap_s"])
@pytest.mark.parametrize("value", [0, -1, float("nan")])
def test_settings_out_of_range_are_refused(name, value):
    with pytest.raises(ValueError, match=f"{name} must be positive"):
        find_plateaus(as_trace(np.ones(10)), **{name: value})


@pytest.mark.parametrize(
    ("start", "period_s"), [("99s", 1.0), ("100.5s", 1.0), ("100s", 2.0)], ids=str
)
def test_pieces_that_do_not_follow_are_refused(start, period_s):
    first = as_trace(np.ones(100))
    later = Trace(
        label="load",
        start=START + pd.Timedelta(start),
        period_s=period_s,
        watts=np.ones(10, np.float32),
    )
    with pytest.raises(ValueError, match="do not follow"):
        find_cycles([first, later])


def test_no_pieces_at_all_are_refused():
    with pytest.raises(ValueError, match="empty"):
        find_cycles([])


def test_a_hole_between_pieces_is_missing_time():
    watts = draw(DAY, *boils(), idle_w=2.0)
    watts[30_000:33_000] = np.nan
    whole = as_trace(watts)
    found = find_cycles([whole.samples(0, 30_000), whole.samples(33_000, DAY)], "manual")
    expected = find_cycles(whole, "manual")
    pd.testing.assert_frame_equal(found.table, expected.table)
    assert found.standby == expected.standby
    assert found.covered_s == DAY - 3000


@pytest.mark.parametrize("kind", ["manual", None])
def test_a_clamp_on_backwards_is_told_and_its_runs_are_found(kind):
    right = draw(DAY, *boils(), idle_w=5.0)
    cycles, forwards = find_cycles(as_trace(-right), kind), find_cycles(as_trace(right), kind)
    assert cycles.settings["backwards"]
    assert not forwards.settings.get("backwards")
    assert len(cycles.table) == len(forwards.table) == 5
    assert cycles.table["start"].tolist() == forwards.table["start"].tolist()
    np.testing.assert_allclose(cycles.table["energy_wh"], -forwards.table["energy_wh"], rtol=1e-6)
    assert cycles.standby.value == pytest.approx(-forwards.standby.value, abs=1e-6)


def test_a_sun_roof_by_day_does_not_make_a_clamp_backwards():
    watts = draw(DAY, *boils(), idle_w=300.0)
    watts[10 * HOUR : 12 * HOUR] -= 800
    cycles = find_cycles(as_trace(watts), "manual")
    assert not cycles.settings.get("backwards")
    assert cycles.total_wh == pytest.approx(float(watts.sum()) / 3600, rel=1e-6)


@pytest.mark.parametrize("step_w", [0.0, 0.1, 1.0])
@pytest.mark.parametrize(("draw_w", "noise_w"), [(0.3, 2.0), (0.8, 1.0), (1.5, 2.0)])
def test_rest_cut_off_at_zero_is_a_bound(step_w, draw_w, noise_w):
    """Negative readings set to zero raise the mean: it is the most that the draw can be. The same
    readings with their sign give an interval."""
    rng = np.random.default_rng(81)
    watts = np.where(np.arange(86400) // 3600 % 8 == 3, 100.0, draw_w)
    signed = watts + rng.normal(0, noise_w, watts.size)
    if step_w:
        signed = np.round(signed / step_w) * step_w
    cut = find_cycles(as_trace(np.maximum(signed, 0)), kind="manual").standby
    assert not cut.resolved
    assert draw_w <= cut.high < draw_w + noise_w
    whole = find_cycles(as_trace(signed), kind="manual").standby
    assert whole.value == pytest.approx(draw_w, abs=0.05) or whole.high <= 1


def test_rest_with_a_dead_band_is_a_bound():
    """All within 4 W of zero is read as zero: of 4.5 W with 1 W of noise a third is."""
    rng = np.random.default_rng(82)
    watts = np.where(np.arange(86400) // 3600 % 8 == 3, 100.0, 4.5) + rng.normal(0, 1, 86400)
    watts[np.abs(watts) < 4] = 0
    rest = find_cycles(as_trace(watts), kind="manual").rest
    assert not rest.draw_w.resolved
    assert 4.5 < rest.draw_w.high < 8
    assert "cut off" in rest.draw_w.basis
