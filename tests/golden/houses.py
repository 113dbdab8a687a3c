"""Three awkward houses, drawn by hand so that they owe nothing to the simulator."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy import House, import_logs, open_house

MINUTES = 1440


def fridge(rng, n, period_s, *, on_w=95.0, rest_w=2.0):
    """On and off for times drawn anew each time, with noise."""
    watts = np.full(n, rest_w)
    at = int(rng.integers(0, 1500 // period_s + 1))
    while at < n:
        on = max(1, round(rng.uniform(900, 1500) / period_s))
        watts[at : at + on] = on_w
        at += on + max(1, round(rng.uniform(1600, 2600) / period_s))
    return watts + rng.normal(0, 0.4, n)


def uses(rng, n, period_s, *, a_day, watts, minutes, rest_w, spread=0.05):
    """Uses at times of the day drawn anew; `watts` one after the other, for as long each."""
    trace = np.full(n, rest_w)
    day = 86_400 // period_s
    for first in range(0, n, day):
        for _ in range(rng.poisson(a_day)):
            at = first + round(rng.uniform(6, 21) * 3600 / period_s)
            for w, m in zip(watts, minutes, strict=True):
                lasts = max(1, round(m * rng.uniform(1 - spread, 1 + spread) * 60 / period_s))
                trace[at : at + lasts] = w * rng.normal(1, 0.004)
                at += lasts
    return trace + rng.normal(0, 0.2, n)


def _circuit(name, appliance, legs, clamp="", kind="", more=""):
    lines = ["[[circuit]]", f'name = "{name}"', f'appliance = "{appliance}"', f"legs = {legs}"]
    lines += [f'kind = "{kind}"'] if kind else []
    lines += [f"clamp = {{ {clamp} }}"] if clamp else []
    return [*lines, *([more] if more else [])]


def _house(folder: Path, lines: list[str], log: str, text: str, **files: str) -> House:
    (folder / "logs").mkdir(parents=True)
    (folder / "house.toml").write_text("\n".join([*lines, log]) + "\n", encoding="utf-8")
    (folder / "logs" / "log.csv").write_text(text, encoding="utf-8")
    for name, content in files.items():
        (folder / f"{name}.csv").write_text(content, encoding="utf-8")
    import_logs(folder)
    return open_house(folder)


def quarter_hours(folder: Path) -> House:
    """No tariff, energy of every quarter of an hour in Wh, a circuit with gaps; four weeks."""
    rng = np.random.default_rng(4101)
    days, start = 28, pd.Timestamp("2026-03-16", tz="UTC")  # over the start of summer time
    n = days * MINUTES
    celsius = 6 + 5 * np.sin(np.arange(days * 24) / 24 * 2 * np.pi) + rng.normal(0, 1, days * 24)
    celsius += np.repeat(rng.normal(0, 2.5, days), 24)
    cold = np.repeat(np.clip(15 - celsius, 0, None), 60)
    minute = {
        "fridge": fridge(rng, n, 60),
        "panel_heater": 0.9 + cold * 60 * (rng.random(n) < 0.9),
        "washer": uses(
            rng, n, 60, a_day=0.7, watts=(1900, 180, 420), minutes=(18, 45, 9), rest_w=1.1
        ),
        "dryer": uses(rng, n, 60, a_day=0.6, watts=(2300,), minutes=(70,), rest_w=0.7),
        "screens": uses(
            rng, n, 60, a_day=2.0, watts=(130,), minutes=(110,), rest_w=7.5, spread=0.6
        ),
    }
    wh = pd.DataFrame(
        {name: np.round(w.reshape(-1, 15).sum(1) / 60, 1) for name, w in minute.items()}
    )
    wh.loc[300:390, "dryer"] = np.nan
    wh.loc[1500:1507, "dryer"] = np.nan
    wh.insert(0, "time", pd.date_range(start, periods=len(wh), freq="15min"))
    lines = ['name = "Quarter hours"', 'timezone = "Europe/London"', "[supply]"]
    lines += ['system = "single-phase"', "volts_v = 230"]
    lines += _circuit("fridge", "Refrigerator", [], kind="thermostatic")
    lines += _circuit("panel_heater", "Panel heater", [], clamp="uncertainty = 0.03")
    lines += _circuit("washer", "Washing machine", [], kind="batch")
    lines += _circuit("dryer", "Tumble dryer", [], kind="batch")
    lines += _circuit("screens", "Screens", [])
    log = '[[log]]\nfiles = "logs/*.csv"\nquantity = "energy"\nunit = "Wh"\nperiod_s = 900\n'
    log += "[log.columns]\n" + "\n".join(f'{name} = "{name}"' for name in minute)
    hours = pd.date_range(start, periods=days * 24, freq="h")
    outdoor = pd.DataFrame({"time": hours, "celsius": np.round(celsius, 1)})
    text = wh.to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%SZ")
    weather = outdoor.to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%SZ")
    return _house(folder, lines, log, text, outdoor=weather)


def feeding_back(folder: Path) -> House:
    """A week with solar power, a clamp on one of two legs, dated corrections, steps of price."""
    rng = np.random.default_rng(4102)
    n = 7 * MINUTES
    start = pd.Timestamp("2026-03-05 05:00", tz="UTC")  # midnight; the clocks change on the 8th
    hour = np.arange(n) / 60 % 24
    sun = np.clip(np.sin((hour - 7) / 11 * np.pi), 0, None) * ((hour > 7) & (hour < 18))
    cloud = np.repeat(rng.uniform(0.3, 1, n // 10), 10)
    heater = uses(rng, n, 60, a_day=6, watts=(4500,), minutes=(14,), rest_w=0.0)
    true = {
        "solar": -900 * sun * cloud + 3.0,
        "water_heater": heater,
        "fridge": fridge(rng, n, 60, on_w=120.0, rest_w=4.0),
        "dishwasher": uses(
            rng, n, 60, a_day=1.1, watts=(1200, 60, 1200, 15), minutes=(16, 22, 12, 25), rest_w=0.8
        ),
        "kettle": uses(rng, n, 60, a_day=5, watts=(1480,), minutes=(3.4,), rest_w=0.0),
    }
    other = 70 + rng.normal(0, 1.5, n) + 300 * (np.repeat(rng.random(n // 20), 20) < 0.08)
    leg_1 = true["solar"] / 2 + heater / 2 + true["fridge"] + other
    leg_2 = true["solar"] / 2 + heater / 2 + true["dishwasher"] + true["kettle"] + 25
    moved = 3 * MINUTES + 600
    logged = {name: np.round(w, 1) for name, w in {"mains_1": leg_1, "mains_2": leg_2}.items()}
    logged |= {name: np.round(w) for name, w in true.items()}
    logged["water_heater"] = np.round(heater / 2 * 0.985)
    logged["fridge"] = np.round(np.where(np.arange(n) < moved, -1, 1) * (true["fridge"] - 2.5))
    when = (start + pd.Timedelta(minutes=moved)).tz_convert("America/New_York")
    lines = ['name = "Feeding back"', 'timezone = "America/New_York"', "[supply]"]
    lines += ['system = "split-phase"', "volts_v = 120", "[carbon]", "kg_per_kwh = 0.37"]
    lines += ['source = "invented"', "year = 2025"]
    lines += ["[tariff]", 'currency = "USD"', "standing_per_day = 0.3", 'blocks_per = "day"']
    for up_to, price in ((10, 0.11), (20, 0.15), (None, 0.21)):
        lines += ["[[tariff.block]]", f"price_per_kwh = {price}"]
        lines += [f"up_to_kwh = {up_to}"] if up_to else []
    lines += _circuit("mains_1", "Supply L1", ["L1"], more='role = "mains"')
    lines += _circuit("mains_2", "Supply L2", ["L2"], more='role = "mains"')
    lines += _circuit("solar", "Solar inverter", ["L1", "L2"], clamp="uncertainty = 0.02")
    lines += _circuit(
        "water_heater",
        "Water heater",
        ["L1", "L2"],
        clamp="rating_a = 50, multiplier = 2.03, uncertainty = 0.015",
        kind="thermostatic",
    )
    lines += _circuit(
        "fridge",
        "Refrigerator",
        ["L1"],
        clamp="rating_a = 20, multiplier = [{ value = -1, uncertainty = 0.02, offset_w = 2.5, "
        "offset_uncertainty_w = 0.6 }, { value = 1, "
        f'from = "{when:%Y-%m-%d %H:%M}", uncertainty = 0.01, offset_w = 2.5, '
        "offset_uncertainty_w = 0.4, compared_at_w = 120 }]",
        kind="thermostatic",
    )
    lines += _circuit(
        "dishwasher",
        "Dishwasher",
        ["L2"],
        clamp="rating_a = 20, offset_w = 0.4, offset_uncertainty_w = 0.5, uncertainty = 0.01",
        kind="batch",
    )
    lines += _circuit("kettle", "Kettle", ["L2"], kind="manual")
    log = '[[log]]\nfiles = "logs/*.csv"\nperiod_s = 60\n[log.columns]\n'
    log += "\n".join(f'{name} = "{name}"' for name in logged)
    table = pd.DataFrame({"time": pd.date_range(start, periods=n, freq="min"), **logged})
    text = table.drop(index=range(2000, 2041)).to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%SZ")
    loads = (60, 110, 480, 1210, 1480)
    bench = ["circuit,reference_w,clamp_w"]
    bench += [f"kettle,{w * rng.normal(1, 0.002):.1f},{w * 0.93:.0f}" for w in loads]
    bench += [f"dishwasher,{w * rng.normal(1, 0.002):.1f},{w - 0.4:.0f}" for w in loads]
    used_kwh = np.r_[0, np.cumsum(leg_1 + leg_2)] / 60_000 + 40_000
    meter = ["time,kwh"]
    for at in (300, 4100, 9900):
        meter.append(f"{start + pd.Timedelta(minutes=at):%Y-%m-%dT%H:%M:%SZ},{used_kwh[at]:.0f}")
    return _house(
        folder, lines, log, text, bench="\n".join(bench) + "\n", meter_readings="\n".join(meter)
    )


def one_circuit(folder: Path) -> House:
    """One circuit for two days, from volts and amps, times at the end; prices by time of use."""
    rng = np.random.default_rng(4103)
    n = 2 * 86_400 // 10
    power = uses(
        rng, n, 10, a_day=3, watts=(2050, 150, 2050, 300), minutes=(9, 20, 6, 7), rest_w=3.0
    )
    volts = np.round(231 + rng.normal(0, 0.8, n), 1)
    amps = np.round(np.clip(power, 0, None) / 0.97 / volts, 4)
    lines = ['name = "One circuit"', 'timezone = "Europe/Berlin"', "[supply]"]
    lines += ['system = "single-phase"', "volts_v = 230", "[tariff]", 'currency = "EUR"']
    for name, price, hours in (("night", 0.19, "22:00-06:00"), ("day", 0.34, "06:00-22:00")):
        lines += ["[[tariff.period]]", f'name = "{name}"', f"price_per_kwh = {price}"]
        lines += [f'hours = ["{hours}"]']
    lines += _circuit("laundry", "Washing machine", [], clamp="multiplier = 1.01")
    log = '[[log]]\nfiles = "logs/*.csv"\ndelimiter = ";"\ndecimal = ","\ntime_marks = "end"\n'
    log += 'time_columns = ["day", "clock"]\ntime_format = "%d.%m.%Y %H:%M:%S"\n'
    log += 'time_zone = "Europe/Berlin"\nperiod_s = 10\n[log.columns]\n'
    log += 'laundry = { volts = "U", amps = "I", power_factor = 0.97 }'
    ends = pd.date_range("2026-06-09", periods=n, freq="10s") + pd.Timedelta(seconds=10)
    table = pd.DataFrame({"day": ends.strftime("%d.%m.%Y"), "clock": ends.strftime("%H:%M:%S")})
    text = table.assign(U=volts, I=amps).to_csv(index=False, sep=";", decimal=",")
    return _house(folder, lines, log, text)


AWKWARD = {
    "quarter_hours": quarter_hours,
    "feeding_back": feeding_back,
    "one_circuit": one_circuit,
}
