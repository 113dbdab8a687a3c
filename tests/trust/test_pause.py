"""A channel that reads nothing for some hours, while the mains show what it feeds."""

import re

import numpy as np
import pytest

from homeenergy.trust import check_house

from .panels import HEAD, make_panel, switched

SINGLE = HEAD.replace("split-phase", "single-phase").replace("120", "230")
N = 3 * 86_400
OFF = slice(100_000, 130_000)


def panel(folder, *, off="", unmeasured=0.0):
    at = np.arange(N)
    true = {
        "fridge": np.where(at % 3700 < 1300, 90.0, 1.0),
        "kettle": switched(2, on_w=1500, n=N, runs=60),
        "iron": switched(3, on_w=1000, n=N),
        "heater": switched(4, on_w=700, n=N),
    }
    readings = {name: watts.copy() for name, watts in true.items()}
    if off:
        readings[off][OFF] = 0.0
    return make_panel(
        folder,
        readings=readings,
        legs_w={"L1": 90 + unmeasured + sum(true.values())},
        stated={name: {"legs": ("L1",)} for name in true},
        head=SINGLE,
    )


def told(house):
    return [c for c in check_house(house).concerns if c.weight != "note"]


def test_a_channel_that_reads_nothing_for_hours_is_named_with_its_hours(tmp_path):
    (one,) = told(panel(tmp_path, off="fridge"))
    assert (one.weight, one.subject) == ("doubtful", "fridge")
    first, last = re.search(
        r"from 2026-03-03 (\d\d:\d\d) to 2026-03-03 (\d\d:\d\d)", one.what
    ).groups()
    assert "02:30" < first < "03:50"  # 100,000 s is 03:46
    assert "12:05" < last < "13:20"  # 130,000 s is 12:06
    assert re.search(r"steps of about (89|90) W", one.what)


@pytest.mark.parametrize(
    "unmeasured",
    [
        np.where(np.arange(N) % 3900 < 1350, 92.0, 0.0),
        np.where((np.arange(N) % 75 < 32) & (np.arange(N) // 3600 % 24 == 17), 1500.0, 0.0),
    ],
    ids=["another fridge", "pulses of an oven of an hour"],
)
def test_unmeasured_loads_as_high_are_no_pause(tmp_path, unmeasured):
    assert told(panel(tmp_path, unmeasured=unmeasured)) == []


@pytest.mark.parametrize("legs", [("L1",), ("L2",), ("L1", "L2")])
def test_a_pause_of_a_load_on_two_legs_is_seen_on_both(tmp_path, legs):
    """Unmeasured uses as high as half a kiln's, for a time in which it rests."""
    kiln = np.where((np.arange(N) % 1800 < 700) & (np.arange(N) < OFF.start), 4000.0, 0.0)
    unmeasured = np.where((np.arange(N) % 1800 < 700) & (np.arange(N) > OFF.stop), 2000.0, 0.0)
    fridge = np.where(np.arange(N) % 3700 < 1300, 90.0, 1.0)
    kettle = switched(2, on_w=1500, n=N, runs=60)
    through = {leg: 90 + kiln / 2 + (unmeasured if leg in legs else 0.0) for leg in ("L1", "L2")}
    through["L1"] = through["L1"] + fridge
    through["L2"] = through["L2"] + kettle
    house = make_panel(
        tmp_path,
        readings={"kiln": kiln, "fridge": fridge, "kettle": kettle},
        legs_w=through,
        stated={
            "kiln": {"legs": ("L1", "L2")},
            "fridge": {"legs": ("L1",)},
            "kettle": {"legs": ("L2",)},
        },
        head=HEAD,
    )
    assert [c.subject for c in told(house)] == (["kiln"] if len(legs) == 2 else [])
