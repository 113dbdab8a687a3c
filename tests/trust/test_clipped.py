"""A clamp at the end of its range is told from one with a wrong multiplier, in noise too."""

import re

import numpy as np
import pytest

from homeenergy.trust import check_house

from .panels import HEAD, make_panel, switched

LIMIT_W = 1100.0
SINGLE = HEAD.replace("split-phase", "single-phase").replace("120", "230")


def panel(folder, reads, *, seed=0, mains=1.0, bench_w=(1500.0,)):
    """A kettle whose clamp shows what `reads` makes of its power, and an iron; bench pairs."""
    rng = np.random.default_rng(seed)
    kettle, iron = switched(1, on_w=1500), switched(2, on_w=1000)
    noisy = reads(kettle) * (1 + rng.normal(0, 0.006, kettle.size))
    rows = "".join(f"kettle,{w + k},{reads(w + k):.1f}\n" for w in bench_w for k in range(4))
    house = make_panel(
        folder,
        readings={"kettle": noisy, "iron": iron},
        legs_w={"L1": 90 + kettle + iron},
        stated={name: {"legs": ("L1",)} for name in ("kettle", "iron")},
        mains={"L1": {"reads": mains}},
        noise_w=0.5 if mains else 0.0,
        head=SINGLE,
    )
    (folder / "bench.csv").write_text(f"circuit,reference_w,clamp_w\n{rows}")
    return house


def told(found):
    return [c for c in found.concerns if c.subject == "kettle" and c.weight != "note"]


def test_a_clip_under_noise_gets_no_multiplier_and_names_the_hours(tmp_path):
    (one,) = told(check_house(panel(tmp_path, lambda w: np.minimum(w, LIMIT_W))))
    level_w = re.search(r"does not follow its load above about ([\d,]+) W", one.what)[1]
    assert float(level_w.replace(",", "")) == pytest.approx(LIMIT_W, rel=0.01)
    assert " h in all, first on 2026-03-02" in one.what
    assert "no multiplier mends this" in one.do
    assert one.line == ""


@pytest.mark.parametrize("by", [1.0, 0.8])
def test_a_clamp_that_is_right_below_its_end_is_clipped_and_its_gain_told_apart(tmp_path, by):
    oven = switched(1, on_w=1500) + switched(3, on_w=500, runs=20)
    iron = switched(2, on_w=1000)
    reads = np.minimum(by * oven, 1000.0)
    house = make_panel(
        tmp_path,
        readings={"oven": reads, "iron": iron},
        legs_w={"L1": 90 + oven + iron},
        stated={name: {"legs": ("L1",)} for name in ("oven", "iron")},
        noise_w=0.0,
        head=SINGLE,
    )
    found = [c for c in check_house(house).concerns if c.weight == "wrong"]
    (clipped,) = [c for c in found if "clipped: it does not follow" in c.what]
    hours = (reads > 999).sum() / 3600
    assert f"above about 1,000 W. It is there for {hours:.1f} h" in clipped.what
    assert ("factor of 1.25" in " ".join(c.what for c in found)) == (by < 1)
    assert {c.subject for c in found} == {"oven"}


def test_a_gain_is_no_clip_whatever_the_noise(tmp_path):
    (one,) = told(check_house(panel(tmp_path, lambda w: w * LIMIT_W / 1500)))
    assert "clipped" not in one.what
    assert "multiplier = 1.3" in one.line


@pytest.mark.parametrize("bench_w", [(1500.0,), (1500.0, 600.0)])
def test_without_mains_a_smaller_load_decides(tmp_path, bench_w):
    """Of a load that is the same each time; the clip reads the small one right."""

    def constant(w):
        return np.where(np.asarray(w) > 0, np.minimum(w, LIMIT_W), 0.0)

    found = check_house(panel(tmp_path, constant, mains=0.0, bench_w=bench_w))
    assert all(c.line == "" for c in told(found))
    if len(bench_w) == 1:
        (one,) = told(found)
        assert "clipped there, or its multiplier is wrong" in one.what
        assert "much smaller load" in one.do


def test_without_mains_two_loads_that_agree_are_a_gain(tmp_path):
    house = panel(tmp_path, lambda w: w * LIMIT_W / 1500, mains=0.0, bench_w=(1500.0, 600.0))
    (one,) = told(check_house(house))
    assert "multiplier = 1.3" in one.line


@pytest.mark.parametrize("clipped", [False, True])
def test_loads_that_meet_at_one_level_are_no_clip_of_mains_whose_legs_nobody_stated(
    tmp_path, clipped
):
    """Two loads of one level each on L1, now and then together; what varies is on L2."""
    rng = np.random.default_rng(5)
    minutes = 7 * 1440
    charger, boiler, heater = (np.zeros(minutes) for _ in range(3))
    for day in range(7):
        charger[day * 1440 + 300 : day * 1440 + 600] = 3600.0
        boiler[day * 1440 + 280 : day * 1440 + 1200 : 90] = 1  # begins
    boiler = np.where(np.convolve(boiler, np.ones(20))[:minutes] > 0, 2000.0, 0.0)
    for at in range(0, minutes - 40, 60):
        heater[at : at + 35] = rng.uniform(300, 2500)
    wander = np.where(charger > 0, 0.0, np.cumsum(rng.normal(0, 3, minutes)) % 90)
    true = np.round((charger + boiler + 120 + wander) / 12) * 12  # a coarse register
    limit_w = 3200.0 if clipped else np.inf
    house = make_panel(
        tmp_path,
        readings={"charger": charger, "boiler": boiler, "heater": heater},
        legs_w={"L1": np.minimum(true, limit_w), "L2": heater + 200},
        stated={},
        period_s=60,
        noise_w=0.0,
    )
    said = [c for c in check_house(house).concerns if "is clipped" in c.what]
    assert [c.subject for c in said] == (["mains_l1"] if clipped else [])
