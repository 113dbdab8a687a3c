"""Refrigerators and freezers beside the most that new ones may take."""

import pytest

from homeenergy.findings import house_findings
from homeenergy.findings.house_year import house_year
from homeenergy.findings.saving.renewing import worth_renewing

from .small_house import made_house, switched

DAYS = 14
MEAN_W = 100  # 876 kWh a year
COLD = switched(DAYS, range(24), on_w=2 * MEAN_W, lasts_h=0.5)


def looks(folder, *, name="fridge", watts=COLD, timezone="America/Denver", more="", top=()):
    appliance = {"fridge": "Refrigerator", "freezer": "Chest freezer"}[name]
    lines = [f'appliance = "{appliance}"', 'kind = "thermostatic"', more]
    made = {"mains": 'role = "mains"', name: "\n".join(lines)}
    tariff = ("USD", 0.2)
    house = made_house(
        folder,
        {"mains": watts + 10, name: watts},
        timezone=timezone,
        circuits=made,
        tariff=tariff,
        top=list(top),
    )
    year = house_year(house, house_findings(house))
    load = next(one for one in year.loads if one.finding is not None)
    return worth_renewing(house, load, load.finding)


def test_at_stake_is_what_it_takes_beyond_the_most_sparing_new_one(tmp_path):
    (one,) = looks(tmp_path / "h")
    least = 201.6 + 0.2497 * 300  # class 3A of 10 CFR 430.32(a), of 300 l
    assert one.at_stake_kwh.value == pytest.approx(8.76 * MEAN_W - least, rel=1e-3)
    assert one.at_stake_money.value == pytest.approx(0.2 * one.at_stake_kwh.value, rel=1e-6)
    # 100 kWh at 0.2, each year for 15 years at 3 %: the factor of the annuity is 11.938.
    assert one.first.figures["pays_money"] == pytest.approx(100 * 0.2 * 11.938, rel=1e-4)


@pytest.mark.parametrize(("litres", "most"), [(420, 228.3 + 0.5358 * 420), (600, 549.78)])
def test_a_stated_volume_counts(tmp_path, litres, most):
    (one,) = looks(tmp_path / "h", name="freezer", more=f"volume_l = {litres}")
    assert one.rests_on.figures["most_kwh"] == pytest.approx(most)
    assert one.rests_on.figures["least_kwh"] == pytest.approx(107.8 + 0.4531 * litres)


def test_nothing_is_said_of_one_that_takes_no_more_than_new_ones(tmp_path):
    assert not looks(tmp_path / "h", watts=COLD * 0.9)  # 788 kWh; new ones may take 796
    assert looks(tmp_path / "small", watts=COLD * 0.9, more="volume_l = 400")


def test_nothing_is_said_where_no_rule_is_known(tmp_path):
    assert not looks(tmp_path / "h", timezone="Australia/Sydney")


def test_nothing_is_said_where_a_new_one_is_named_already(tmp_path):
    measure = ["[[measure]]", 'circuit = "fridge"', 'do = "A new one"', "new_kwh_per_year = 200"]
    assert not looks(tmp_path / "h", top=measure)
