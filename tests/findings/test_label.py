"""Measured uses, counted as the test procedures behind labels count them."""

import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import annual_energy, label_cycles, label_energy
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.label import usual_procedure
from homeenergy.house.schedule import Circuit
from homeenergy.readings.trace import Trace
from homeenergy.show.writeup.client_loads import _label
from homeenergy.show.writeup.wording import Wording
from tests.findings.small_house import switched

SHARED = Path(__file__).parents[2] / "shared"


def finding(watts, kind="batch", name="Dryer"):
    trace = Trace(
        label="dryer", start=pd.Timestamp("2026-03-02", tz="UTC"), period_s=60, watts=watts
    )
    circuit = Circuit(name="load", appliance=name, kind=kind)
    return appliance_finding(trace, circuit=circuit, timezone="UTC")


def dryer():
    """Twice a day an hour of 2.8 kW for a week, else 1.5 W."""
    return finding(switched(7, [8, 18], on_w=2800, lasts_h=1, rest_w=1.5))


def test_table_is_that_of_the_shared_file():
    table = label_cycles()
    entries = tomllib.loads((SHARED / "label_cycles.toml").read_text())
    assert list(table.index) == list(entries)
    for name, entry in entries.items():
        assert table.loc[name, "uses_per_year"] == entry["uses_per_year"]
        assert entry["source"]
        assert entry["status"] in {"seen", "seen in a copy", "unverified"}
        has_hours = {"low_power_h", "hours_per_year"} & set(entry)
        assert bool(has_hours) == ("hours_status" in entry)
    table.loc["us_dryer_d2", "uses_per_year"] = 1  # a copy
    assert label_cycles().loc["us_dryer_d2", "uses_per_year"] == 283


def test_published_hours_are_those_that_the_uses_leave():
    table = label_cycles()
    # One hour a wash, 0.516 h a drying (own arithmetic on the published figures).
    for name, hours in (("us_washer_j", 1.0), ("us_washer_j2", 1.0), ("us_dryer_d2", 0.516)):
        row = table.loc[name]
        assert row["low_power_h"] == pytest.approx(8760 - hours * row["uses_per_year"], abs=0.1)


def test_a_dryer_by_hand():
    found = label_energy(dryer(), "us_dryer_d2", label_kwh=607)
    expected = 283 * 2.8 + 1.5 * 8614 / 1000
    assert found.kwh.value == pytest.approx(expected, rel=1e-3)
    assert found.own_uses_per_year.value == pytest.approx(730)
    assert found.own_kwh_per_year.value == pytest.approx(365 * (5.6 + 1.5 * 22 / 1000), rel=1e-3)
    assert found.share_above_label == pytest.approx(expected / 607 - 1, rel=1e-2)
    assert "33 % more than that" in found.sentence
    assert any("8,614 h" in line for line in found.assumptions)
    frame = found.to_frame()
    assert frame["kwh_high"].iloc[0] == found.kwh.high


def test_the_own_year_is_the_one_that_annual_energy_tells():
    # More on the weekday that was seen once more than the others.
    watts = np.tile(np.repeat([0.0, 500.0], [1380, 60]), 15)
    watts[: 24 * 60] = np.repeat([0.0, 2000.0], [1320, 120])
    own = finding(watts)
    year = label_energy(own, "us_dryer_d2").own_kwh_per_year
    assert str(year) == str(annual_energy(own).kwh)
    assert year.value != pytest.approx(365 * own.kwh_per_day.value, rel=1e-3)


def test_hours_at_rest_are_what_uses_of_this_length_leave():
    found = label_energy(dryer(), "us_dishwasher_c1")
    assert found.kwh.value == pytest.approx(215 * 2.8 + 1.5 * (8766 - 215) / 1000, rel=1e-3)
    assert np.isnan(found.label_kwh)
    assert "label says" not in found.sentence


def test_per_hundred_uses_without_the_draw_between_them():
    found = label_energy(dryer(), "eu_dryer")
    assert found.kwh.value == pytest.approx(280, rel=1e-3)


def test_what_is_never_off_counts_days():
    fridge = finding(switched(7, range(0, 24, 2), on_w=100, lasts_h=1), kind="thermostatic")
    found = label_energy(fridge, "eu_refrigerator", label_kwh=438)
    assert found.kwh.value == pytest.approx(365 * 1.2, rel=1e-3)
    assert found.own_uses_per_year.value == 365
    assert "365 days" in found.sentence
    assert "not significantly different" in found.sentence


def test_what_cannot_be_counted_is_refused():
    with pytest.raises(HouseError, match=r"called 'us_dryer'\n.*us_dryer_d2"):
        label_energy(dryer(), "us_dryer")
    with pytest.raises(HouseError, match=r"no run of Dryer \(load\) is complete"):
        label_energy(finding(np.zeros(1440)), "us_dryer_d2")


@pytest.mark.parametrize(
    ("name", "country", "procedure"),
    [
        ("Dryer", "US", "us_dryer_d2"),
        ("Dishwasher", "US", "us_dishwasher_c1"),
        ("Geschirrspüler", "DE", "eu_dishwasher"),
        ("Waschmaschine", "AT", "eu_washing_machine"),
        ("Dishwasher", "GB", None),
        ("Dryer", "NL", None),  # its figures were seen in no text
        ("Washing machine", "US", None),
        ("Kettle", "US", None),
    ],
)
def test_a_label_is_named_where_its_procedure_was_seen(name, country, procedure):
    found = finding(switched(2, [8], on_w=2800, lasts_h=1), name=name)
    assert usual_procedure(found, country=country) == procedure


def test_the_client_reads_what_a_label_would_count():
    basis = SimpleNamespace(zone="Europe/Berlin")
    told = SimpleNamespace(words=Wording(language="en-GB"), basis=basis)
    washer = finding(switched(7, [8], on_w=1000, lasts_h=1), name="Waschmaschine")
    (said,) = _label(told, washer)
    assert said.startswith("Its label counts 100 uses (Regulation (EU) 2019/2014): as measured")
    assert "they take 100\xa0kWh" in said
    basis.zone = "Asia/Tokyo"
    assert _label(told, washer) == []
