"""What real appliances do and the simulated ones must do as well."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.simulate import simulate_appliance
from homeenergy.simulate.appliances.circuit import Canvas
from homeenergy.simulate.appliances.heating import draw_make, run_heat_pump
from homeenergy.simulate.calendar import make_calendar


def pieces(circuit):
    """The power of each whole run [W]."""
    for run in circuit.runs[~circuit.runs["cut"]].itertuples():
        yield run.programme, circuit.true_trace.between(run.start, run.end).watts


def gaps_s(circuit):
    runs = circuit.runs
    return (runs["start"].iloc[1:].to_numpy() - runs["end"].iloc[:-1].to_numpy()) / np.timedelta64(
        1, "s"
    )


def any_seed(name, *, days, seeds):
    return [simulate_appliance(name, days=days, seed=s) for s in range(seeds)]


def test_compressor_starts_with_inrush_and_decays():
    freezers = any_seed("freezer", days=2, seeds=5)
    for freezer in freezers:
        for programme, watts in pieces(freezer):
            if programme == "compressor" and watts.size > 600:
                assert watts[0] > 2.5 * watts[-30:].mean()
                assert watts[1:30].mean() > 1.02 * watts[-30:].mean()


def test_defrost_comes_once_per_some_hours_of_compressor_time():
    fridges = any_seed("refrigerator", days=14, seeds=8)
    frost_free = [f for f in fridges if (f.runs["programme"] == "defrost").any()]
    assert 0 < len(frost_free) < len(fridges)
    for fridge in frost_free:
        runs = fridge.runs
        length_h = (runs["end"] - runs["start"]).dt.total_seconds() / 3600
        defrost = runs["programme"] == "defrost"
        compressor_h = length_h.where(~defrost, 0.0).groupby(defrost.cumsum()).sum()
        between_defrosts = compressor_h.iloc[1:-1]
        assert between_defrosts.between(6.0, 16.0).all()


def test_on_periods_of_one_compressor_differ_severalfold():
    ratios = []
    for fridge in any_seed("refrigerator", days=7, seeds=6):
        runs = fridge.runs[~fridge.runs["cut"] & (fridge.runs["programme"] != "defrost")]
        length = (runs["end"] - runs["start"]).dt.total_seconds()
        ratios.append(length.max() / length.min())
    assert max(ratios) > 4


def test_dishwasher_dries_near_zero_before_its_last_pulse():
    found = 0
    for machine in any_seed("dishwasher", days=10, seeds=6):
        for _, watts in pieces(machine):
            quiet = watts[:-70][-1100:]
            if quiet.size == 1100 and quiet.max() < 7:
                assert watts[-20:].mean() > 15
                found += 1
    assert found > 10


def test_two_loads_of_dishes_can_follow_within_minutes():
    gaps = np.concatenate([gaps_s(m) for m in any_seed("dishwasher", days=30, seeds=5)])
    close = gaps[gaps < 450]
    assert 2 <= close.size < 30
    assert close.min() >= 40


def test_washing_machine_reverses_and_heats():
    _, watts = max(
        pieces(simulate_appliance("washing_machine", days=14, seed=2)), key=lambda p: p[1].size
    )
    assert watts.max() > 1700
    low = watts < 12
    assert 0.05 < low.mean() < 0.6
    assert np.count_nonzero(np.diff(low.astype(int)) == 1) > 50


def test_dryer_turns_against_creases_after_drying():
    tails = []
    for dryer in any_seed("tumble_dryer", days=20, seeds=8):
        for _, watts in pieces(dryer):
            hot = np.flatnonzero(watts > 1000)[-1]
            tails.append(
                float((watts[hot + 700 :] > 100).mean()) if watts.size > hot + 1300 else 1.0
            )
    assert min(tails) < 0.15


def test_kettle_boils_again_for_some_seconds_and_starts_falsely():
    kettles = any_seed("kettle", days=30, seeds=5)
    again = pd.concat([k.runs[k.runs["programme"] == "boil again"] for k in kettles])
    assert len(again) > 20
    assert (again["end"] - again["start"]).dt.total_seconds().between(11, 19).all()
    false_starts = [w for k in kettles for _, w in pieces(k) if w[:60].min() < 2 and w.size > 60]
    assert len(false_starts) > 5
    assert all(w[0] > 1000 and w[-1] > 1000 for w in false_starts)


def test_toast_comes_in_pairs_seconds_apart():
    gaps = np.concatenate([gaps_s(t) for t in any_seed("toaster", days=20, seeds=3)])
    assert np.count_nonzero(gaps < 30) > 5


def test_coffee_machine_keeps_warm_within_a_session():
    machines = any_seed("coffee_machine", days=7, seeds=6)
    longest = max((w for m in machines for _, w in pieces(m)), key=lambda w: w.size)
    assert longest.size > 3600
    assert np.median(longest) < 5
    assert longest[-1] > 800
    assert min(gaps_s(m).min() for m in machines) >= 19 * 60


def test_idle_draw_can_have_two_levels():
    sets = any_seed("television", days=7, seeds=10)
    two = [t for t in sets if len(t.standby_levels) == 2]
    assert 0 < len(two) < len(sets)
    for television in two:
        (a_w, a), (b_w, b) = television.standby_levels
        assert a + b == pytest.approx(1.0)
        assert a >= b
        assert television.standby_w == pytest.approx(a * a_w + b * b_w, abs=0.01)


def test_continuous_loads_are_never_idle():
    for name in ("router", "constant_draw", "ventilation"):
        circuit = simulate_appliance(name, days=1, seed=4)
        assert np.isnan(circuit.standby_w)
        assert circuit.runs.empty
        assert circuit.true_trace.watts.min() > 4


def run_on(*, outdoor_c):
    canvas = Canvas(make_calendar("2026-01-05", days=4, timezone="UTC"))
    make = draw_make(np.random.default_rng(1))
    run_heat_pump(canvas, np.random.default_rng(2), make, np.full(97, outdoor_c))
    return canvas


def test_heat_pump_follows_the_cold_and_its_indoor_unit_draws_on_one_leg():
    pump = simulate_appliance("heat_pump", days=10, seed=3)
    assert pump.first_leg_w is not None
    second_leg_w = pump.true_trace.watts - pump.first_leg_w
    indoor_w = pump.first_leg_w - second_leg_w
    assert second_leg_w.min() > -1e-3
    assert indoor_w.min() > 3
    assert indoor_w.max() < 90
    warm = run_on(outdoor_c=12.0)
    cold = run_on(outdoor_c=-4.0)
    assert cold.watts.mean() > 2 * warm.watts.mean() > 0
    assert np.median(cold.watts[cold.watts > 200]) > 1.5 * np.median(warm.watts[warm.watts > 200])
    assert len(cold.spans) < len(warm.spans)


def test_kiln_fires_for_hours_on_and_off():
    kilns = any_seed("kiln", days=21, seeds=4)
    for _, watts in (p for k in kilns for p in pieces(k)):
        assert 5 * 3600 < watts.size < 12 * 3600
        switched = np.count_nonzero(np.diff((watts > 1000).astype(int)) == 1)
        assert switched > 300


def test_well_pump_runs_are_short_with_inrush():
    pump = simulate_appliance("well_pump", days=7, seed=8)
    refills = [w for name, w in pieces(pump) if name == "refill"]
    assert len(refills) > 60
    assert all(28 <= w.size <= 130 for w in refills)
    assert np.median([w[0] / w[10:].mean() for w in refills]) > 2


def test_iron_is_one_session_of_pulses():
    for iron in any_seed("iron", days=20, seeds=3):
        for _, watts in pieces(iron):
            assert np.count_nonzero(np.diff((watts > 500).astype(int)) == 1) >= 4
