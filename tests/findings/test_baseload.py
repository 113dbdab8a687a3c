"""The quietest time of the day, and who draws then."""

import re

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_baseload, house_findings
from homeenergy.readings import open_house
from tests.findings.small_house import made_house, switched
from tests.samples import SAMPLES, sample_findings

FLAT = SAMPLES / "canal_flat"
UNMEASURED_W = 30.0
ROLES = {
    "mains": 'role = "mains"',
    "fridge": 'kind = "thermostatic"',
    "tv": 'kind = "manual"',
    "fan": 'kind = "continuous"',
}


def small(folder, *, days=9, with_mains=True, mains_factor=1.0):
    """A fridge on for half of the time, a television at 6 W, a fan at 12 W, and 30 W unmeasured."""
    hour = np.arange(days * 1440) / 60
    watts = {
        "fridge": np.where(hour % 1 < 0.5, 80.0, 2.0),
        "tv": switched(days, (19,), on_w=100.0, lasts_h=3, rest_w=6.0),
        "fan": np.full(days * 1440, 12.0),
    }
    if with_mains:
        watts = {"mains": (sum(watts.values()) + UNMEASURED_W) * mains_factor, **watts}
    return made_house(folder / "house", watts, circuits=ROLES)


def watts_of(found):
    return found.parts.set_index(["appliance", "state"])["watts_w"]


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return house_baseload(small(tmp_path_factory.mktemp("small")))


def test_level_and_parts_by_hand(found):
    assert found.level_w.value == pytest.approx(2 + 6 + 12 + UNMEASURED_W)
    parts = watts_of(found)
    assert parts["fridge", "standby"] == pytest.approx(2.0)
    assert parts["tv", "standby"] == pytest.approx(6.0)
    assert parts["fan", "never off"] == pytest.approx(12.0)
    assert parts["unmeasured", "not known"] == pytest.approx(UNMEASURED_W)
    assert found.constant_w.value == pytest.approx(50.0)
    assert found.kwh_per_year.value == pytest.approx(50 * 8.76)
    assert len(found.windows) == 9
    assert found.windows["level_w"].tolist() == pytest.approx([50.0] * 9)


def test_words(found):
    assert "Mill house draws 50.0 W" in found.sentence
    assert re.search(r": 30(\.0+)? W unmeasured, fan 12", found.sentence)
    assert "14 to 169 W on standby, 67 W on average" in found.sentence
    table = found.to_markdown()
    assert "| fan | never off | 12" in table
    assert "counts as never off" in table


def test_what_runs_at_the_quietest_time_is_told_apart(tmp_path):
    """A fridge that is on for 24 minutes of every hour, in windows of an hour."""
    fridge = np.where(np.arange(8 * 1440) % 60 < 24, 82.0, 2.0)
    house = made_house(
        tmp_path / "house", {"mains": fridge + UNMEASURED_W, "fridge": fridge}, circuits=ROLES
    )
    found = house_baseload(house, window_s=3600)
    parts = watts_of(found)
    assert found.level_w.value == pytest.approx(34 + UNMEASURED_W)
    assert parts["fridge", "standby"] == pytest.approx(2.0)
    assert parts["fridge", "running by itself"] == pytest.approx(32.0)
    assert found.constant_w.value == pytest.approx(2 + UNMEASURED_W)


def test_what_is_unmeasured_and_in_use_at_the_quietest_time_is_told_apart(tmp_path):
    """A lamp is not measured and lit late, when the house draws least: what heats at night is."""
    days = 8
    heater = switched(days, (0,), on_w=70.0, lasts_h=12)
    minute = np.arange(days * 1440)
    lamp = np.where((minute // 60 - 1) % 24 >= 10, 60.0, 0.0)
    fridge = np.where(minute % 60 < 50, 80.0, 2.0)
    mains = {"mains": heater + lamp + fridge + UNMEASURED_W}
    house = made_house(tmp_path / "house", mains | {"tv": heater, "fridge": fridge}, circuits=ROLES)
    found = house_baseload(house)
    parts = watts_of(found)
    assert found.level_w.value == pytest.approx(62 + UNMEASURED_W)
    assert parts["unmeasured", "not known"] == pytest.approx(UNMEASURED_W)
    assert parts["unmeasured", "in use at the time"] == pytest.approx(60.0)
    assert found.constant_w.value == pytest.approx(2 + UNMEASURED_W)


@pytest.mark.parametrize(
    "name", [pytest.param("orchard_house", marks=pytest.mark.study), "canal_flat"]
)
def test_parts_add_up(name):
    found = house_baseload(open_house(SAMPLES / name), findings=sample_findings(name))
    assert found.parts["watts_w"].sum() == pytest.approx(found.level_w.value, rel=1e-9)
    assert found.parts["share"].sum() == pytest.approx(1.0)
    running = found.parts["state"].isin(["running by itself", "in use at the time"])
    assert found.parts["watts_w"][~running].sum() == pytest.approx(found.constant_w.value, rel=1e-6)


def test_standby_of_the_sample_flat_against_its_truth():
    found = house_baseload(open_house(FLAT), findings=sample_findings("canal_flat"))
    truth = pd.read_csv(FLAT / "truth" / "standby.csv").groupby("circuit")["standby_w"].first()
    parts = found.parts[found.parts["state"] == "standby"].set_index("circuit")["watts_w"]
    # Readings of 1 W steps and a clamp's offset; the quietest time has the lower of two levels.
    both = parts.index.intersection(truth.dropna().index)
    assert (abs(parts[both] - truth[both]) <= 0.8).all()
    assert len(both) == 9


def test_without_mains_it_is_at_least_this(tmp_path):
    found = house_baseload(small(tmp_path, with_mains=False))
    assert not found.mains_logged
    assert found.level_w.value == pytest.approx(20.0)
    assert "draws at least 20" in found.sentence
    assert "unmeasured" not in found.sentence


def test_only_some_hours(tmp_path):
    """A heater from 1:00 to 5:00 hides the baseload of those hours."""
    days = 8
    heater = switched(days, (1,), on_w=500.0, lasts_h=4)
    house = made_house(tmp_path / "house", {"mains": heater + 40.0, "tv": heater}, circuits=ROLES)
    assert house_baseload(house).level_w.value == pytest.approx(40.0)
    assert house_baseload(house, hours=(1, 5)).level_w.value == pytest.approx(540.0)


def test_power_fed_back_is_refused(tmp_path):
    tv = switched(8, (19,), on_w=100.0, lasts_h=2)
    sun = switched(8, (10,), on_w=800.0, lasts_h=5)
    watts = {"mains": tv + 40.0 - sun, "tv": tv}
    house = made_house(tmp_path / "house", watts, circuits=ROLES)
    with pytest.raises(HouseError, match=r"(?s)power flows out through the mains .*hours=\(1, 5\)"):
        house_baseload(house)


def test_mains_on_backwards_are_not_used(tmp_path):
    found = house_baseload(small(tmp_path, mains_factor=-1.0))
    assert not found.mains_logged
    assert "draws at least 20" in found.sentence


def test_without_a_whole_day_it_is_refused(tmp_path):
    watts = np.full(300, 40.0)
    house = made_house(tmp_path / "house", {"mains": watts, "fan": watts / 2}, circuits=ROLES)
    with pytest.raises(HouseError, match="no whole day"):
        house_baseload(house)
    some = house_findings(small(tmp_path / "small"), circuits=["fridge", "tv"])
    with pytest.raises(ValueError, match="leave out measured circuits: fan"):
        house_baseload(open_house(tmp_path / "small" / "house"), findings=some)
    with pytest.raises(ValueError, match="window_s must be positive"):
        house_baseload(house, window_s=0)
    with pytest.raises(ValueError, match="hours must lie in order within a day"):
        house_baseload(house, hours=(22, 4))


def test_a_battery_that_feeds_a_house_at_night_is_no_load_below_nothing(tmp_path):
    """60 W that never stop: from the roof by day, from a battery of 8 W by night."""
    days = 9
    hour = np.arange(days * 1440) / 60 % 24
    roof = np.where((hour >= 8) & (hour < 16), -1500.0, 0.0)
    battery = np.where((hour >= 8) & (hour < 12), 500.0, np.where(hour >= 18, -300.0, 8.0))
    oven = switched(days, (19,), on_w=1200.0, lasts_h=2)
    watts = {"oven": oven, "roof": roof, "battery": battery}
    house = made_house(
        tmp_path / "house",
        {"mains": sum(watts.values()) + 60.0, **watts},
        circuits={"mains": 'role = "mains"'},
    )
    found = house_baseload(house)
    assert found.level_w.value == pytest.approx(60 + 8, abs=9)
    assert found.constant_w.value == pytest.approx(60 + 8, abs=9)
    assert (found.parts["watts_w"] >= -0.01).all()
