"""How a simulated heat pump works, against what it was told to do."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.errors import HouseError
from homeenergy.findings import heat_pump_use
from homeenergy.readings import Trace
from homeenergy.simulate import simulate_appliance
from homeenergy.simulate.appliances import heating as machine

START = pd.Timestamp("2026-01-05T00:00Z")


def built(watts, period_s=1.0):
    return Trace(label="Heat pump", start=START, period_s=period_s, watts=np.asarray(watts))


@pytest.fixture
def by_hand():
    """Two days: rests at 10 W, by night at 60 W; half and full load; one defrost a day."""
    watts = np.full(2 * 86_400, 10.0)
    for day in (0, 86_400):
        watts[day : day + 6 * 3600] = 60.0  # crankcase heater until six
        watts[day + 8 * 3600 : day + 12 * 3600] = 500.0
        watts[day + 14 * 3600 : day + 15 * 3600] = 1000.0
        halt = day + 10 * 3600
        watts[halt : halt + 40] = 10.0
        watts[halt + 40 : halt + 340] = 1500.0
        watts[halt + 340 : halt + 380] = 10.0
    return watts + np.random.default_rng(1).normal(0, 0.5, watts.size)


def test_figures_by_hand(by_hand):
    trace = built(by_hand)
    use = heat_pump_use(trace, find_cycles(trace, "modulating"), full_w=1000.0)
    assert use.starts_per_day.value == 2
    assert use.days == 2
    assert len(use.defrosts) == 2
    assert use.defrosts["energy_wh"].to_numpy() == pytest.approx(1500 * 300 / 3600, rel=0.01)
    assert use.defrosts["start"].iloc[0] == START + pd.Timedelta(hours=10)
    assert use.running_share == pytest.approx((5 * 3600 - 80) / 86_400, abs=2e-4)
    # Beginnings of three minutes, the defrost and three minutes after it are not counted.
    half, full = 4 * 3600 - 2 * 180 - 380, 3600 - 180
    assert use.part_load_share == pytest.approx(half / (half + full), abs=2e-3)
    assert use.load["time_share"].sum() == pytest.approx(1)
    assert use.load["time_share"].iloc[4:6].sum() == pytest.approx(use.part_load_share, abs=1e-6)
    assert use.crankcase.heater_w == pytest.approx(50, abs=0.5)
    assert use.crankcase.with_cold is None
    # Six of nineteen hours at rest, two minutes of each end of a rest aside.
    assert use.crankcase.share == pytest.approx(6 / 19, abs=0.01)
    assert "perhaps a crankcase heater" in use.sentence
    assert "2 defrosts" in use.sentence
    assert "| W | of running time | of energy |" in use.to_markdown()


def test_the_cold_tells_the_crankcase_heater(by_hand):
    hours = pd.date_range(START, periods=49, freq="h")
    outdoor = pd.Series(np.where(hours.hour < 6, -3.0, 4.0), index=hours)
    trace = built(by_hand)
    use = heat_pump_use(trace, find_cycles(trace, "modulating"), outdoor=outdoor)
    assert use.crankcase.with_cold
    assert "very likely the crankcase heater" in use.sentence
    assert not any("halts of another kind" in remark for remark in use.remarks)
    warm = heat_pump_use(trace, find_cycles(trace, "modulating"), outdoor=outdoor + 20)
    assert any("halts of another kind" in remark for remark in warm.remarks)


def test_one_speed_is_told():
    watts = np.tile(np.r_[np.full(1800, 5.0), np.full(1800, 900.0)], 48)
    trace = built(watts + np.random.default_rng(2).normal(0, 1, watts.size))
    use = heat_pump_use(trace, find_cycles(trace, "thermostatic"))
    text = " ".join(use.remarks)
    assert "a machine of one speed" in text
    assert "treated as thermostatic" in text
    assert len(use.defrosts) == 0
    assert use.crankcase is None
    assert use.starts_per_day.value == pytest.approx(24)


def test_coarse_readings_do_not_show_defrosts(by_hand):
    trace = built(by_hand.reshape(-1, 60).mean(axis=1), period_s=60.0)
    use = heat_pump_use(trace, find_cycles(trace, "modulating"))
    assert use.defrosts is None
    assert np.isnan(use.defrost_share)
    assert "too long to see defrosts" in " ".join(use.remarks)


def test_a_machine_that_never_runs():
    trace = built(np.full(86_400, 5.0))
    with pytest.raises(HouseError, match="never runs"):
        heat_pump_use(trace, find_cycles(trace, "modulating"))


@pytest.mark.parametrize("seed", [3, 6, 9])
def test_simulated_machines(seed, monkeypatch):
    defrosts, makes = [], []
    real_defrost, real_make = machine._defrost, machine.draw_make

    def defrost(rng, make):
        defrosts.append(1)
        return real_defrost(rng, make)

    def draw_make(rng):
        makes.append(real_make(rng))
        return makes[-1]

    monkeypatch.setattr(machine, "_defrost", defrost)
    monkeypatch.setattr(machine, "draw_make", draw_make)
    made = simulate_appliance("heat_pump", days=6, seed=seed, noise_w=2.0, resolution_w=1.0)
    use = heat_pump_use(made.trace, find_cycles(made.trace, "modulating"))
    (make,) = makes
    assert len(use.defrosts) == pytest.approx(len(defrosts), abs=1)
    assert use.starts_per_day.value == pytest.approx(len(made.runs) / 6, abs=0.4)
    assert use.least_w == pytest.approx(make.least_w + make.indoor_w, rel=0.12)
    assert use.crankcase.heater_w == pytest.approx(make.crankcase_w, abs=1.0)
