"""Totals in a log are found from its readings, and their energy counts once."""

import itertools

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings.sums import find_sums
from homeenergy.trust.concern import held_out
from homeenergy.trust.plausible import implausible_readings
from tests.readings.test_any_folder import through, wide, write

STEP_S = 20
STAMPS = pd.date_range("2026-10-12", periods=2 * 86400 // STEP_S, freq=f"{STEP_S}s")
N = len(STAMPS)


def uses(seed, watts, number, rows):
    rng = np.random.default_rng(seed)
    out = np.zeros(N)
    for at in rng.integers(0, N - rows, number):
        out[at : at + rows] = watts * rng.uniform(0.9, 1.1)
    return np.round(out * (1 + 0.005 * rng.standard_normal(N)), 1)


LOADS = {
    "fridge": uses(1, 130, 60, 40),
    "kettle": uses(2, 2000, 12, 9),
    "oven": uses(3, 2800, 6, 120),
    "washer": uses(4, 2100, 4, 150),
    "lamps": uses(5, 60, 9, 400),
    "router": np.full(N, 12.0),
    "spare": np.zeros(N),
}
KWH = {name: watts.sum() * STEP_S / 3.6e6 for name, watts in LOADS.items()}
LEGS = [
    LOADS["fridge"] + LOADS["oven"] + 33.0 + uses(6, 400, 40, 30),
    LOADS["kettle"] + LOADS["router"] + LOADS["washer"] + uses(7, 90, 50, 50),
    LOADS["lamps"] + uses(8, 300, 30, 60),
]


def told(folder, **more):
    heads = {**LOADS, **more}
    stamps = STAMPS.strftime("%Y-%m-%d %H:%M:%S")
    lines = wide([f"{name} W" for name in heads], list(heads.values()), stamps=stamps)
    return through(folder, write(folder, "a.csv", lines))


def mains_of(found):
    return {c.appliance: c.legs for c in found.made.schedule.circuits if c.role == "mains"}


def same_loads(found, *, besides=()):
    kwh = {name: found.kwh[name] for name in found.kwh if name not in besides}
    assert kwh == pytest.approx(KWH, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("names", [("P1", "P2", "P3", "Ptot"), ("L1", "L2", "L3", "total")])
def test_a_total_beside_the_legs_is_left_out_and_they_are_the_mains(tmp_path, names):
    found = told(tmp_path, **dict(zip(names, [*LEGS, np.sum(LEGS, axis=0)], strict=True)))
    assert list(mains_of(found).values()) == [("L1",), ("L2",), ("L3",)]
    assert f"{names[3]!r} is left out: it is the sum of" in found.text.replace(" W'", "'")
    same_loads(found, besides=mains_of(found))


def test_a_sum_of_all_is_the_mains(tmp_path):
    found = told(tmp_path, villa=np.round(sum(LOADS.values())))
    assert [*mains_of(found)] == ["villa"]
    same_loads(found, besides=["villa"])


def test_a_sum_of_some_and_a_sum_of_sums_are_left_out(tmp_path):
    kitchen = LOADS["fridge"] + LOADS["oven"] + LOADS["kettle"]
    found = told(tmp_path, kitchen=kitchen, rooms=kitchen + LOADS["lamps"] + LOADS["washer"])
    assert "'kitchen' is left out: it is the sum of 'fridge', 'kettle', 'oven'" in found.text
    same_loads(found, besides=mains_of(found))


def test_what_feeds_several_circuits_and_more_is_in_doubt_and_held_out(tmp_path):
    annex = 1.01 * (LOADS["oven"] + LOADS["kettle"]) + uses(9, 700, 30, 30) + 20
    found = told(tmp_path, annex=annex)
    assert [*found.made.doubts] == ["annex"]
    assert [*held_out(implausible_readings(found.house))] == ["annex"]
    assert not mains_of(found)


def test_a_total_in_files_of_their_own(tmp_path):
    for name, watts in {**LOADS, "villa": sum(LOADS.values())}.items():
        frame = pd.DataFrame({"time": STAMPS, "power_w": watts})
        write(tmp_path, f"{name}.csv", frame.to_csv(index=False))
    found = through(tmp_path, tmp_path / "in")
    assert [*mains_of(found)] == ["villa"]
    same_loads(found, besides=["villa"])


def test_circuits_that_are_fed_apart_are_no_sums(tmp_path):
    found = told(tmp_path)
    assert not mains_of(found)
    same_loads(found)


def test_what_is_no_sum_is_told_as_none():
    """Loads of equal watts, both legs of a load, loads that are switched together, and noise."""
    for seed in range(40):
        rng = np.random.default_rng(seed)
        rows = [
            uses(100 * seed + at, rng.choice([60, 1000, 1000, 2000, 2000]), rng.integers(1, 40), 30)
            for at in range(12)
        ]
        twins = [rows[0] * (1 + 0.005 * rng.standard_normal(N)), rows[1] / 6, rows[2] + 1]
        assert find_sums(np.diff([*rows, *twins], axis=1)) == {}


def test_every_sum_of_two_or_three_is_found_with_its_parts():
    rows = [LOADS[name] for name in ("fridge", "kettle", "oven", "washer", "lamps")]
    for number in (2, 3):
        for parts in itertools.combinations(range(5), number):
            whole = np.round(sum(rows[part] for part in parts))
            assert find_sums(np.diff([*rows, whole], axis=1)) == {5: parts}


def test_a_re_export_is_told_from_any_column(tmp_path):
    """Its first column was corrected: the circuits are the same all the same."""
    frame = pd.DataFrame({name: LOADS[name] for name in ("fridge", "oven", "kettle")})
    frame.insert(0, "time", STAMPS.strftime("%Y-%m-%d %H:%M:%S"))
    write(tmp_path, "house.csv", frame.to_csv(index=False))
    frame["fridge"] = (frame["fridge"] * 1.1).round(1)
    write(tmp_path, "corrected new.csv", frame[N // 2 :].to_csv(index=False))
    found = through(tmp_path, tmp_path / "in")
    assert sorted(found.kwh) == ["fridge", "kettle", "oven"]
    assert found.kwh["oven"] == pytest.approx(KWH["oven"], rel=1e-4)


def energies(name, folder, rows, *, sub):
    frame = pd.DataFrame({load: LOADS[load] for load in ("fridge", "oven", "lamps")})
    frame = (frame * STEP_S / 3.6e6).groupby(np.arange(N) // rows).sum()
    frame = frame.cumsum() if sub == "counter" else frame
    frame = frame.round(5).add_suffix(" kWh")
    frame.insert(0, "time", STAMPS[::rows].strftime("%Y-%m-%d %H:%M:%S"))
    write(folder, name, frame.to_csv(index=False))


@pytest.mark.parametrize("sub", ["counter", "energy"])
@pytest.mark.parametrize("fine", ["power", "energy"])
def test_an_export_of_longer_periods_or_energies_is_left_out(tmp_path, sub, fine):
    if fine == "power":
        frame = pd.DataFrame({f"{load} W": LOADS[load] for load in ("fridge", "oven", "lamps")})
        frame.insert(0, "time", STAMPS.strftime("%Y-%m-%d %H:%M:%S"))
        write(tmp_path, "fine.csv", frame.to_csv(index=False))
    else:
        energies("fine.csv", tmp_path, 45, sub="energy")
    energies("coarse.csv", tmp_path, 180, sub=sub)
    found = through(tmp_path, tmp_path / "in")
    assert found.kwh == pytest.approx({n: KWH[n] for n in ("fridge", "oven", "lamps")}, rel=1e-3)
    assert "coarse.csv: holds what fine.csv holds" in found.text


def test_exports_of_other_circuits_with_the_same_names_stay(tmp_path):
    for box, load in (("shed", "oven"), ("attic", "washer")):
        frame = pd.DataFrame({"CH1 W": LOADS[load], "CH2 W": LOADS["fridge"] * len(box)})
        frame.insert(0, "time", STAMPS.strftime("%Y-%m-%d %H:%M:%S"))
        write(tmp_path, f"{box}.csv", frame.iloc[:: len(box)].to_csv(index=False))
    assert len(through(tmp_path, tmp_path / "in").kwh) == 4


def test_rows_of_numbers_above_the_heads(tmp_path):
    stamps = STAMPS.strftime("%Y-%m-%d %H:%M:%S")
    lines = wide(list(LOADS), list(LOADS.values()), stamps=stamps)
    above = "Channel," + ",".join(str(at) for at in range(len(LOADS)))
    lines = [above, lines[0], "Unit," + ",".join("W" for _ in LOADS), *lines[1:]]
    same_loads(through(tmp_path, write(tmp_path, "a.csv", lines)))
