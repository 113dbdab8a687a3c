"""Opening a house and reading its circuits."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house

from .folders import frame, iso_csv, make_house

WHOLE = frame("2026-03-28", 40_000)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = make_house(
        tmp_path_factory.mktemp("house"), {"a.csv": iso_csv(WHOLE)}, timezone="Europe/Berlin"
    )
    text = (folder / "house.toml").read_text()
    text = text.replace('name = "oven"', 'name = "oven"\nclamp = { multiplier = -2 }')
    text = text.replace("[[log]]", '[[circuit]]\nname = "spare"\n[[log]]')
    (folder / "house.toml").write_text(text)
    import_logs(folder)
    return folder


def test_multiplier_is_applied_on_reading_only(folder):
    oven = WHOLE["oven"].to_numpy().astype("f4")
    np.testing.assert_array_equal(open_house(folder).trace("oven").watts, -2 * oven)
    text = (folder / "house.toml").read_text()
    (folder / "house.toml").write_text(text.replace("multiplier = -2", "multiplier = 1"))
    np.testing.assert_array_equal(open_house(folder).trace("oven").watts, oven)
    assert import_logs(folder).months_written == 0
    (folder / "house.toml").write_text(text)


def test_start_and_end_are_local_times(folder):
    # The clock is put forward on 29 March, so that day has 23 hours.
    trace = open_house(folder).trace("fridge", "2026-03-29", "2026-03-30")
    assert trace.start == pd.Timestamp("2026-03-28 23:00Z")
    assert trace.span_s == 23 * 3600
    first = WHOLE["fridge"].loc["2026-03-28 23:00Z":].iloc[:8280]
    np.testing.assert_array_equal(trace.watts, first.to_numpy().astype("f4"))


@pytest.mark.parametrize(
    ("start", "end"), [("2026-05-01", None), (None, "2025-01-01"), ("2026-03-30", "2026-03-29")]
)
def test_outside_the_readings_is_empty(folder, start, end):
    assert len(open_house(folder).trace("fridge", start, end)) == 0


def test_months_together_are_the_trace(folder):
    house = open_house(folder)
    parts = list(house.months("oven"))
    assert [len(part) for part in parts] == [4 * 8640, 40_000 - 4 * 8640]
    np.testing.assert_array_equal(
        np.concatenate([p.watts for p in parts]), house.trace("oven").watts
    )


def test_circuit_by_name_or_itself(folder):
    house = open_house(folder)
    oven = house.circuit("oven")
    assert house.trace(oven).energy_wh == house.trace("oven").energy_wh
    with pytest.raises(HouseError, match=r"no circuit 'stove'(.|\n)*fridge, oven"):
        house.circuit("stove")


def test_circuit_without_readings(folder):
    with pytest.raises(
        HouseError, match=r"no readings of circuit 'spare'(.|\n)*with readings: fridge, oven"
    ):
        open_house(folder).trace("spare")


def test_house_without_a_store(tmp_path):
    house = open_house(make_house(tmp_path, {"a.csv": iso_csv(WHOLE)}))
    assert not house.has_store
    for ask in (lambda: house.trace("oven"), house.quality):
        with pytest.raises(HouseError, match="homeenergy import"):
            ask()


def test_damaged_month_without_its_log_is_named(folder):
    path = folder / "store" / "fridge" / "2026-04.parquet"
    whole = path.read_bytes()
    path.write_bytes(whole[:-100])
    hidden = [log.rename(log.with_suffix(".away")) for log in (folder / "logs").glob("*.csv")]
    with pytest.raises(HouseError, match=r"2026-04.parquet: this month of the store is damaged"):
        open_house(folder).trace("fridge")
    for log in hidden:
        log.rename(log.with_suffix(".csv"))
    path.write_bytes(whole)
