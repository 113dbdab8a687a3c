"""Readings in coarse steps, and mains that are no more than a register or asked seldom."""

import numpy as np
import pytest

from homeenergy.errors import HouseError
from homeenergy.trust import check_house, panel_balance

from .panels import HEAD, make_panel, switched

SINGLE = HEAD.replace("split-phase", "single-phase").replace("120", "230")
N = 86_400


def cycling(on_w, on_s, whole_s):
    return np.where(np.arange(N) % whole_s < on_s, on_w, 0.0)


def loads():
    """A fridge and a television between two steps of 25 W, and three larger loads."""
    rng = np.random.default_rng(3)
    television = switched(1, on_w=90, lasts=(600, 3000)).clip(0, 90)
    return {
        "fridge": cycling(90, 1300, 3600),
        "television": np.where(television > 0, 87.5 + 0.8 * rng.normal(size=N), 0.0),
        "kettle": switched(2, on_w=1500),
        "iron": switched(3, on_w=1000),
        "heater": switched(4, on_w=700),
    }


def panel(folder, *, step_w, mains):
    true = loads()
    total = 90 + 10 * np.sin(np.arange(N) / 9000) + sum(true.values())
    readings = {name: np.round(watts / step_w) * step_w for name, watts in true.items()}
    return make_panel(
        folder,
        readings=readings,
        legs_w={"L1": mains(total)},
        stated={name: {"legs": ("L1",)} for name in true},
        noise_w=0.0,
        head=SINGLE,
    )


@pytest.mark.parametrize("step_w", [10, 25])
def test_a_ratio_is_known_no_better_than_the_steps_of_its_readings(tmp_path, step_w):
    rng = np.random.default_rng(7)
    house = panel(tmp_path, step_w=step_w, mains=lambda w: w + rng.normal(0, 1, N))
    found = check_house(house)
    assert [c.what for c in found.concerns if c.weight != "note"] == []
    for one in found.balance.circuits:
        if np.isfinite(one.ratio.low):
            assert one.ratio.low <= 1 <= one.ratio.high, one.circuit


@pytest.mark.parametrize("period_s", [1, 60])
def test_mains_of_few_constant_loads_are_not_coarse(tmp_path, period_s):
    """Three readings in all, each as long as a load is on."""
    lasts = (60, 900) if period_s == 1 else (3, 30)
    true = {name: switched(k, on_w=1, lasts=lasts) for k, name in enumerate(("kettle", "iron"))}
    true = {"kettle": 2000.0 * (true["kettle"] > 0), "iron": 1000.0 * (true["iron"] > 0)}
    house = make_panel(
        tmp_path,
        readings=true,
        legs_w={"L1": 100 + sum(true.values())},
        stated={name: {"legs": ("L1",)} for name in true},
        noise_w=0.0,
        head=SINGLE,
        period_s=period_s,
    )
    found = check_house(house)
    for one in found.balance.circuits:
        assert one.legs_found == ("L1",)
        assert one.ratio.low <= 1 <= one.ratio.high


def register(total):
    """What a register of whole 10 Wh shows as differences each second."""
    wh = np.floor(np.cumsum(total) / 3600 / 10) * 10
    return np.diff(wh, prepend=0.0) * 3600


def asked_each_minute(total):
    rng = np.random.default_rng(8)
    return np.repeat((total + rng.normal(0, 3, N))[::60], 60)


@pytest.mark.parametrize(
    ("mains", "why"),
    [(register, "is read in steps of 36,000 W"), (asked_each_minute, "changes every 60 s at most")],
)
def test_mains_that_hide_steps_are_no_evidence(tmp_path, mains, why):
    house = panel(tmp_path, step_w=1, mains=mains)
    with pytest.raises(HouseError, match=why):
        panel_balance(house)
    found = check_house(house)
    assert not found.contradicts
    assert all("multiplier" not in c.do for c in found.concerns)
    (said,) = [c for c in found.concerns if c.subject == "panel"]
    assert "State period_s = " in said.do
