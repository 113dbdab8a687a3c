"""Appliances that the catalogue lacks, and each of them again after 25 minutes off at the wall."""

from zlib import crc32

import numpy as np
import pytest

from homeenergy.cycles import find_cycles

from .uncatalogued import APPLIANCES, measured

# What is found wrongly now, and how.
WRONG = {
    "air_purifier": "its lowest speed, 6 W, is taken for rest",
    "washes_minutes_apart": "loads 3 to 8 minutes apart are taken for one",
    "dimmed_lamp": "its lowest scene, 14 W, is taken for rest",
}


def known_wrong_marked(names):
    return [
        pytest.param(name, marks=pytest.mark.xfail(reason=WRONG[name])) if name in WRONG else name
        for name in names
    ]


def draw(name, seed=1):
    return APPLIANCES[name](np.random.default_rng([seed, crc32(name.encode())]))


def check(drawn, *, off):
    cycles = find_cycles(measured(drawn.power(), off=off))
    true_wh = drawn.energies_wh()
    found = cycles.table[cycles.table["complete"]]["energy_wh"]
    assert len(found) == len(true_wh)
    assert found.mean() == pytest.approx(true_wh.mean(), rel=0.02)
    said = cycles.standby
    if said.resolved:
        assert said.value == pytest.approx(drawn.idle_w, abs=0.5)
    else:
        assert said.high >= drawn.idle_w - 0.5
        assert drawn.idle_w <= 1.0


@pytest.mark.parametrize("name", known_wrong_marked(APPLIANCES))
def test_an_appliance_that_no_catalogue_holds(name):
    check(draw(name), off=True)


@pytest.mark.study
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("off", [False, True], ids=["powered", "off_25_min"])
@pytest.mark.parametrize("name", known_wrong_marked(APPLIANCES))
def test_other_draws_of_it(name, off, seed):
    check(draw(name, seed), off=off)
