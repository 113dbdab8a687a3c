"""The table of kinds: a kind is one entry, and no module compares a name."""

import ast
from pathlib import Path

import pytest

import homeenergy
from homeenergy import find_cycles
from homeenergy.errors import HouseError
from homeenergy.findings import (
    annual_energy,
    hours_of_use,
    house_findings,
    idle_or_use,
    shift_to_cheap_hours,
    switching_off,
)
from homeenergy.house import Tariff
from homeenergy.house.kinds import KINDS, Bridging, Kind
from homeenergy.house.prices import PricePeriod
from homeenergy.house.toml_file import read_schedule
from tests.findings.small_house import made_house, switched

PACKAGE = Path(homeenergy.__file__).parent
TIMES = Tariff(
    currency="EUR",
    periods=(
        PricePeriod(name="night", price_per_kwh=0.1, minutes=((0, 360),)),
        PricePeriod(name="day", price_per_kwh=0.4, minutes=((360, 1440),)),
    ),
)


@pytest.fixture
def carousel(monkeypatch):
    """A made-up kind: a person starts it, its pauses belong to it, and it never waits."""
    kind = Kind(
        help="turns in the garden when there are guests",
        words="turns when there are guests",
        season="strong",
        bridging=Bridging(break_s=(420.0, 0.3)),
        by_hand=True,
        why_not_shifted="turns when the guests are there",
        stays_on="its brake holds only with power",
    )
    monkeypatch.setitem(KINDS, "carousel", kind)
    return kind


def test_a_kind_is_added_in_one_place(carousel, tmp_path):
    watts = {"ride": switched(14, (10, 15), on_w=900, lasts_h=0.5, rest_w=2)}
    circuits = {"ride": 'appliance = "Ride"\nkind = "carousel"'}
    house = made_house(tmp_path, watts, circuits=circuits, tariff=("EUR", 0.3))
    (finding,) = house_findings(house).appliances
    assert (finding.kind, finding.kind_sure, finding.runs) == ("carousel", 1.0, 28)
    assert not any("house.toml can say otherwise" in remark for remark in finding.remarks)
    use = idle_or_use(finding)
    assert use.break_even_per_week.value > 0  # a person starts its runs
    assert switching_off(use).reason == "its brake holds only with power"
    assert shift_to_cheap_hours(finding, tariff=TIMES, timezone="UTC").sentence == (
        "Ride: nothing is proposed, as it turns when the guests are there."
    )
    assert annual_energy(finding).kwh.value == pytest.approx(365 * finding.kwh_per_day.value)
    assert hours_of_use(finding).hours_per_day.value == pytest.approx(1.0)


def test_its_bridging_is_followed(carousel):
    watts = switched(7, (10, 10.5, 15, 15.5), on_w=900, lasts_h=0.4, rest_w=2)  # 6 min between
    import pandas as pd

    times = pd.date_range("2026-03-02", periods=watts.size, freq="min", tz="UTC")
    assert len(find_cycles(pd.Series(watts, times), "carousel").table) == 14
    assert len(find_cycles(pd.Series(watts, times), "thermostatic").table) == 28


def test_an_unknown_kind_is_refused_with_those_there_are(carousel, tmp_path):
    text = 'timezone = "UTC"\n[[circuit]]\nname = "ride"\nkind = "carusel"\n'
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    with pytest.raises(HouseError, match=r'"continuous", "carousel".*\n.*mean "carousel"'):
        read_schedule(tmp_path)


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_says_itself_in_words(name):
    kind = KINDS[name]
    assert kind.help[0].islower()
    assert not kind.words.endswith(".")
    assert kind.by_hand + kind.never_off + (kind.stays_on.startswith("it starts")) == 1


def test_no_module_compares_a_kind_with_a_name():
    """What differs between kinds is asked of the table; inferring one is all that names them."""
    found = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Compare)
        and {leaf.value for leaf in ast.walk(node) if isinstance(leaf, ast.Constant)} & set(KINDS)
    ]
    assert found == []
