"""A house among others: quantiles by hand, what is left out, what a client reads."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.benchmark import benchmark_of, read_benchmark, standing, write_benchmark
from homeenergy.findings.many import Survey
from homeenergy.show.writeup import write_up
from tests.findings.small_house import made_house, switched


def survey_of(values, *, flagged=()):
    rows = [
        {
            "house": f"h{i}",
            "appliance": "Oven " if i % 2 else "oven",
            "kwh_per_day": value,
            "run_kwh": value / 2,
            "standby_w": np.nan,
            # Local midnights of a zone ahead of UTC; the end is that of the last day.
            "start": pd.Timestamp("2026-01-04T23:00", tz="UTC"),
            "end": pd.Timestamp("2026-01-19T23:00", tz="UTC"),
            "timezone": "Europe/Amsterdam",
            "implausible": "No." if i in flagged else "",
        }
        for i, value in enumerate(values)
    ]
    return Survey(table=pd.DataFrame(rows), failures=pd.DataFrame(columns=["house", "reason"]))


def test_quantiles_counts_period_and_climate_are_stated():
    found = benchmark_of(survey_of(range(1, 12), flagged=(10,)), climate="Amsterdam, winter")
    assert (found["houses"], found["climate"]) == (10, "Amsterdam, winter")
    assert (found["first_day"], found["last_day"]) == ("2026-01-05", "2026-01-19")
    one = found["appliances"][0]
    assert (one["appliance"], one["houses"]) == ("oven", 10)
    assert one["kwh_per_day"] == pytest.approx(np.quantile(np.arange(1, 11), found["quantiles"]))
    assert "standby_w" not in one


def test_nothing_is_made_up(tmp_path):
    with pytest.raises(HouseError, match="needs the climate"):
        benchmark_of(survey_of(range(9)), climate=" ")
    with pytest.raises(HouseError, match="nothing is usual"):
        benchmark_of(survey_of(range(4)), climate="x")
    (tmp_path / "a.json").write_text("{}", encoding="utf-8")
    with pytest.raises(HouseError, match="is no benchmark file"):
        read_benchmark(tmp_path / "a.json")


def test_a_client_reads_where_a_load_stands(tmp_path):
    oven = switched(15, [18], on_w=2000, lasts_h=1)
    house = made_house(
        tmp_path / "house",
        {"oven": oven},
        circuits={"oven": 'appliance = "Oven"'},
    )
    path = write_benchmark(
        survey_of(np.linspace(1, 3, 11)), tmp_path / "house" / "street.json", climate="here"
    )
    finding = house_findings(house).appliances[0]
    found = standing(read_benchmark(path), finding)
    assert found.below_share == pytest.approx(0.5, abs=0.01)
    assert found.houses == 11
    with (tmp_path / "house" / "house.toml").open("a", encoding="utf-8") as toml:
        toml.write('\n[write_up]\nbenchmark = "street.json"\n')
    said = str(write_up(tmp_path / "house", language="en-GB").parts["loads"])
    assert "Of 11 such loads of other houses (here; 2026-01-05 / 2026-01-19), 50%" in said
