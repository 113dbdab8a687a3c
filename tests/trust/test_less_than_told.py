"""What a check leaves open, and why: registers of one way, hidden legs, offsets, VA."""

import re

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import open_house
from homeenergy.readings.store.store import Store
from homeenergy.trust import check_house

from .panels import BOTH, HEAD, START, make_panel, plain_panel, store_watts, switched

N = 86_400
SINGLE = HEAD.replace("split-phase", "single-phase").replace("120", "230")


def concerns(found, *weights):
    return [c for c in found.concerns if c.weight in weights]


def solar_panel(folder, *, legs=("L1",), meter=None):
    """Three loads and solar panels that feed back at noon; `meter` makes the register's power."""
    loads = {
        name: switched(k, on_w=on_w)
        for k, (name, on_w) in enumerate((("kettle", 1500), ("iron", 1000), ("toaster", 900)))
    }
    sun = -4000 * np.clip(np.sin(np.linspace(-np.pi / 2, 1.5 * np.pi, N)), 0, None)
    leg_of = {name: legs[k % len(legs)] for k, name in enumerate(loads)}
    legs_w = {leg: np.full(N, 120.0) for leg in legs}
    for name, watts in loads.items():
        legs_w[leg_of[name]] = legs_w[leg_of[name]] + watts
    legs_w[legs[0]] = legs_w[legs[0]] + sun
    house = make_panel(
        folder,
        readings=loads | {"solar": sun},
        legs_w=legs_w,
        stated={name: {"legs": (leg,)} for name, leg in (leg_of | {"solar": legs[0]}).items()},
        head=SINGLE if len(legs) == 1 else HEAD,
    )
    counted = meter(np.stack(list(legs_w.values())))
    kwh = 300.4 + np.cumsum(counted) / 3.6e6
    rows = [
        f"{START + pd.Timedelta(seconds=at):%Y-%m-%d %H:%M},{kwh[at]:.1f}"
        for at in range(3600, N, 4 * 3600)
    ]
    (folder / "meter_readings.csv").write_text("time,kwh\n" + "\n".join(rows) + "\n")
    return house


@pytest.mark.parametrize(
    ("legs", "meter", "said"),
    [
        (("L1",), lambda w: np.maximum(w.sum(axis=0), 0), "What is fed back is taken to count"),
        (BOTH, lambda w: np.maximum(w, 0).sum(axis=0), "what each leg draws"),
    ],
)
def test_a_register_that_leaves_out_what_is_fed_back_agrees(tmp_path, legs, meter, said):
    found = check_house(solar_panel(tmp_path, legs=legs, meter=meter), step_kwh=0.1)
    assert concerns(found, "wrong", "doubtful") == []
    (told,) = [c for c in found.concerns if c.subject == "meter"]
    assert said in told.what


def test_a_register_of_neither_kind_still_does_not_agree(tmp_path):
    house = solar_panel(tmp_path, meter=lambda w: 1.3 * np.maximum(w.sum(axis=0), 0))
    told = [c for c in check_house(house, step_kwh=0.1).concerns if c.subject == "meter"]
    assert [c.weight for c in told] == ["wrong"]
    assert "31.0% less" in told[0].what
    assert "leave the multipliers" in told[0].do  # three circuits agree with the mains


def test_a_leg_that_no_clamp_of_the_mains_shows_is_said_of_its_circuits(tmp_path):
    """Both mains clamps on L1: what is on L2 cannot be told, and switching it would not help."""
    house = plain_panel(tmp_path)
    store_watts(Store(tmp_path / "store"), "mains_l2", house.trace("mains_l1").watts)
    found = check_house(open_house(tmp_path))
    assert [c.subject for c in concerns(found, "wrong")] == ["mains_l2"]
    drill = next(c for c in found.balance.circuits if c.circuit == "drill")
    assert drill.verdict == "drill: cannot be told: no clamp of the mains shows L2."
    (said,) = [c for c in found.concerns if c.subject == "drill"]
    assert said.do == "See first what is said of the mains."


def test_a_few_per_cent_are_said_as_they_are(tmp_path):
    found = check_house(plain_panel(tmp_path, clamps={"heater": 1.055}))
    (heater,) = [c for c in found.concerns if c.subject == "heater"]
    assert "more than the mains, and which of the two is off cannot be told" in heater.what
    assert "reference meter" in heater.do


def test_readings_in_va_are_thought_of_where_a_clamp_reads_too_much(tmp_path):
    found = check_house(plain_panel(tmp_path, clamps={"heater": 1 / 0.7}))
    (heater,) = concerns(found, "wrong")
    assert "or it is logged in VA" in heater.what
    assert "readings are W, not VA" in heater.do
    low = check_house(plain_panel(tmp_path / "low", clamps={"heater": 0.7}))
    assert "VA" not in concerns(low, "wrong")[0].what


def bench(reads_w, load_w):
    """Five pairs at one load."""
    pairs = "".join(f"pump,{load_w + k:.1f},{reads_w + k:.1f}\n" for k in range(5))
    return f"circuit,reference_w,clamp_w\n{pairs}"


@pytest.mark.parametrize(
    ("rest_w", "off_w", "offset"),
    [(24.0, 25.0, True), (2.0, -26.0, False), (0.0, 26.0, False)],
)
def test_an_offset_is_thought_of_where_it_shows_at_rest(tmp_path, rest_w, off_w, offset):
    """1.4 % at 1,800 W: an offset or a ratio; mains of 1 % cannot tell, and loads of one size."""
    pump = switched(7, on_w=1800)
    true = np.where(pump > 0, pump, rest_w - off_w if offset else rest_w)
    reads = true + off_w if offset else true * (1 + off_w / 1800)
    readings = {"pump": reads, "iron": switched(2, on_w=1000)}
    legs_w = {"L1": 90 + true + readings["iron"]}
    house = make_panel(
        tmp_path,
        readings=readings,
        legs_w=legs_w,
        stated={name: {"legs": ("L1",)} for name in readings},
        head=SINGLE,
    )
    (tmp_path / "bench.csv").write_text(bench(1800 + off_w, 1800))
    (told,) = [c for c in check_house(house).concerns if c.what.startswith("Bench: pump")]
    if offset:
        assert (told.weight, told.line) == ("doubtful", "")
        assert "loads of about one size cannot tell which" in told.what
    else:
        assert re.search(r"multiplier = (1.01|0.98)", told.line)


def three_phase_panel(folder, *, reads=None, mains=None):
    """Five loads on three legs and a sauna that is off; `reads` changes what a clamp reads."""
    legs_of = {"kettle": "L1", "iron": "L1", "toaster": "L2", "heater": "L2", "drill": "L3"}
    watts = {
        name: switched(k, on_w=on_w)
        for k, (name, on_w) in enumerate(zip(legs_of, (1500, 1000, 900, 700, 1200), strict=True))
    }
    legs_w = {leg: 80 + switched(20, on_w=400) for leg in ("L1", "L2", "L3")}
    legs_w["L2"] = 80 + switched(21, on_w=400)
    legs_w["L3"] = np.full(N, 80.0)
    for name, leg in legs_of.items():
        legs_w[leg] = legs_w[leg] + watts[name]
    for name, factor in (reads or {}).items():
        watts[name] = factor * watts[name]
    return make_panel(
        folder,
        readings=watts | {"sauna": np.zeros(N)},
        legs_w=legs_w,
        stated={name: {"legs": (leg,)} for name, leg in legs_of.items()}
        | {"sauna": {"legs": ("L1", "L2", "L3")}},
        mains=mains,
        head=HEAD.replace("split-phase", "three-phase").replace("120", "230"),
    )


@pytest.mark.parametrize(
    ("reads", "mains", "subject"),
    [({"kettle": -0.5}, None, "kettle"), (None, {"L2": {"reads": -0.5}}, "mains_l2")],
)
def test_the_voltage_of_another_leg_of_three_is_named_and_no_multiplier(
    tmp_path, reads, mains, subject
):
    """cos 120°: what a heater reads there. Other loads read other shares."""
    found = check_house(three_phase_panel(tmp_path, reads=reads, mains=mains))
    assert [c.subject for c in concerns(found, "wrong")] == [subject]
    (told,) = concerns(found, "wrong")
    assert "voltage of another leg" in told.what
    assert "no multiplier is right" in told.do


def test_steps_of_one_leg_are_not_those_of_a_load_on_three(tmp_path):
    found = check_house(three_phase_panel(tmp_path))
    (sauna,) = [c for c in found.concerns if "its clamp reads nothing" in c.what]
    assert sauna.weight == "note"
    assert "The mains step" not in sauna.what


def test_readings_a_thousand_times_too_large_are_refused_and_nothing_divides_by_them(tmp_path):
    """What cannot be is left out, so that no step of the mains is left beside the circuits'."""
    house = plain_panel(tmp_path)
    for circuit in house.circuits:
        store_watts(Store(tmp_path / "store"), circuit.name, house.trace(circuit).watts * 1000)
    found = check_house(open_house(tmp_path))
    assert found.contradicts
    assert all("multiplier to" not in c.do for c in found.concerns)


@pytest.mark.parametrize("on", [("L1",), ("L1", "L2")])
def test_missed_steps_are_said_to_be_on_both_legs_only_where_they_are(tmp_path, on):
    """A clamp that reads nothing, of which house.toml names no leg."""
    kettle, iron = switched(0, on_w=1500), switched(1, on_w=1000)
    legs_w = {"L1": 80 + kettle, "L2": 80 + iron}
    for leg in on:
        legs_w[leg] = legs_w[leg] + switched(20, on_w=400)
    house = make_panel(
        tmp_path,
        readings={"kettle": kettle, "iron": iron, "pump": np.zeros(N)},
        legs_w=legs_w,
        stated={"kettle": {"legs": ("L1",)}, "iron": {"legs": ("L2",)}},
        head=HEAD,
    )
    (pump,) = [c for c in check_house(house).concerns if "its clamp reads nothing" in c.what]
    missed = re.search(r"by about ([\d,]+) W on both legs at once", pump.what)
    assert (missed is not None) == ("The mains step" in pump.what) == (len(on) == 2)
    if missed:
        assert float(missed[1]) == pytest.approx(800, rel=0.1)
