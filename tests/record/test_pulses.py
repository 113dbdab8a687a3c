"""The lamp of the utility meter: from pulses to power, and to readings of the meter."""

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule
from homeenergy.readings import import_logs, open_house
from homeenergy.record.own_files import MeterReadings
from homeenergy.trust.panel.balance import panel_balance

from .houses import Recording, rows, write_house

PULSES = (
    'kind = "file"\naddress = "lamp.txt"\nlines = "pulses"\ntime_field = 1\n'
    'time_format = "epoch_ms"\nmeter = 800\n[source.circuits]\nfridge = 800\n'
)
START_MS = 1_764_400_000_000
COUNTER = 'period_s = 10\nhold_s = 600\nquantity = "energy_counter"\nunit = "Wh"'


def lamp(folder):
    return write_house(folder, PULSES, circuits=("fridge",), more=COUNTER)


def test_pulses_become_power_and_the_meter_s_readings(tmp_path):
    """800 impulses per kWh: one each 3 s is 1500 W, one each 9 s 500 W (P = 3.6e6 / (k t))."""
    folder = lamp(tmp_path)
    steps_s = [3] * 400 + [9] * 400
    times = START_MS + 1000 * np.cumsum([0, *steps_s])
    text = "".join(f"{at}\n" for at in times)
    (folder / "lamp.txt").write_text(text[: len(text) // 2])
    with Recording(folder) as first:
        first.until(lambda: len(first.readings) > 300)
    with (folder / "lamp.txt").open("a") as file:  # it counts on where it was
        file.write(text[len(text) // 2 :])
    with Recording(folder) as second:
        second.until(lambda: any(ms == times[-1] for _, _, ms in second.readings))
    assert rows(folder)["value"].tolist() == pytest.approx([1.25 * n for n in range(1, 802)])
    import_logs(folder)
    trace = open_house(folder).trace("fridge")
    watts = trace.to_series()
    assert watts.iloc[5:110].to_numpy() == pytest.approx(1500, rel=1e-3)
    assert watts.iloc[125:470].to_numpy() == pytest.approx(500, rel=1e-3)
    assert trace.energy_wh == pytest.approx(1.25 * 800, rel=0.01)
    meter = pd.read_csv(folder / "meter_readings.csv")
    assert meter["kwh"].tolist() == [0.001]
    assert meter["time"].tolist() == ["2025-11-29T08:06:40+01:00"]


def test_mains_of_few_pulses_are_not_compared_step_by_step(tmp_path):
    """A load of 100 W comes and goes; at 50 W a pulse of 1.25 Wh comes every 90 s."""
    folder = lamp(tmp_path)
    text = (folder / "house.toml").read_text()
    text = text.replace('name = "fridge"\n', 'name = "fridge"\nrole = "mains"\nlegs = ["L1"]\n', 1)
    (folder / "house.toml").write_text(text)
    wh = np.cumsum(np.where(np.arange(86_400) % 3600 < 1200, 150.0, 50.0) / 3600)
    times_s = np.interp(np.arange(1.25, wh[-1], 1.25), wh, np.arange(86_400))
    (folder / "lamp.txt").write_text("".join(f"{START_MS + round(1000 * s)}\n" for s in times_s))
    with Recording(folder) as running:
        running.until(lambda: len(running.readings) >= times_s.size)
    import_logs(folder)
    with pytest.raises(HouseError, match=r"every 90 s at 50 W, too few .* samples of 10 s") as said:
        panel_balance(open_house(folder))
    assert "period_s = 600" in str(said.value)


def test_one_reading_a_local_day_is_added_to_what_a_person_wrote(tmp_path):
    folder = lamp(tmp_path)
    path = folder / "meter_readings.csv"
    path.write_text("time,kwh\n2026-03-28T09:00:00+01:00,15736")
    (source,) = read_schedule(folder).sources
    zone = ZoneInfo("Europe/Berlin")

    def take(one, *at, kwh):
        one.take(1000 * kwh, int(datetime(*at, tzinfo=zone).timestamp() * 1000))

    one = MeterReadings(read_schedule(folder), source)
    take(one, 2026, 3, 28, 23, 59, kwh=15740)  # a day that has one
    take(one, 2026, 3, 29, 0, 1, kwh=15740.5)
    take(one, 2026, 3, 29, 23, 59, kwh=15745)  # a day of 23 hours
    again = MeterReadings(read_schedule(folder), source)
    take(again, 2026, 3, 29, 23, 59, kwh=15745)
    take(again, 2026, 3, 30, 0, 0, kwh=15745.25)
    assert path.read_text().splitlines() == [
        "time,kwh",
        "2026-03-28T09:00:00+01:00,15736",
        "2026-03-29T00:01:00+01:00,15740.500",
        "2026-03-30T00:00:00+02:00,15745.250",
    ]
