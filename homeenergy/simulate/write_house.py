"""Write the folder of a simulated house: house.toml, meter, bench, weather and truth."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.simulate.build import SimulatedHouse
from homeenergy.simulate.plan import CircuitPlan, HousePlan

TIME = "%Y-%m-%dT%H:%M:%SZ"


def write_folder(house: SimulatedHouse, folder: Path, *, log_toml: str, made_by: str = "") -> None:
    """Write all but the logs; folders of an earlier version are replaced."""
    for old in ("logs", "truth", "store"):
        shutil.rmtree(folder / old, ignore_errors=True)
    (folder / "truth").mkdir(parents=True)
    (folder / "house.toml").write_text(
        house_toml(house.plan, log_toml=log_toml, made_by=made_by), encoding="utf-8", newline="\n"
    )
    _csv(_meter_readings(house), folder / "meter_readings.csv")
    _csv(house.bench, folder / "bench.csv")
    _csv(_outdoor(house), folder / "outdoor.csv")
    _write_truth(house, folder / "truth")


def _csv(frame: pd.DataFrame, path: Path) -> None:
    path.write_bytes(frame.to_csv(index=False, lineterminator="\n").encode("utf-8"))


def house_toml(plan: HousePlan, *, log_toml: str, made_by: str = "") -> str:
    """Text of house.toml; `made_by` is the command that made the house."""
    made_by = made_by or f"python -m homeenergy.simulate sample_data --only {plan.name}"
    mains = [
        CircuitPlan(
            name=m.name,
            appliance=f"Supply {m.leg}",
            kind="continuous",
            draw="heat_pump",
            seed=0,
            legs=(m.leg,),
            breaker_a=m.rating_a // 2,
            rating_a=m.rating_a,
        )
        for m in plan.mains
    ]
    head = f"""\
# An invented house, made by `{made_by}`.
name = "{plan.title}"
timezone = "{plan.timezone}"

[supply]
system = "{plan.system}"
volts_v = {plan.volts_v}
frequency_hz = {plan.frequency_hz}

[tariff]
currency = "{plan.currency}"
price_per_kwh = {plan.price_per_kwh}
standing_per_day = {plan.standing_per_day}
"""
    blocks = [_circuit_toml(c, role="mains") for c in mains]
    blocks += [_circuit_toml(c, role="load") for c in plan.circuits]
    return "\n".join([head, *blocks, log_toml])


def _circuit_toml(circuit: CircuitPlan, *, role: str) -> str:
    legs = ", ".join(f'"{leg}"' for leg in circuit.legs)
    kind = f'role = "{role}"' if role == "mains" else f'kind = "{circuit.kind}"'
    return f"""\
[[circuit]]
name = "{circuit.name}"
appliance = "{circuit.appliance}"
{kind}
legs = [{legs}]
breaker_a = {circuit.breaker_a}
clamp = {{ rating_a = {circuit.rating_a}, multiplier = {circuit.multiplier:.1f} }}
"""


def columns_toml(plan: HousePlan) -> str:
    """Text of a [log.columns] table in which every circuit goes by its own name."""
    names = [m.name for m in plan.mains] + [c.name for c in plan.circuits]
    return "[log.columns]\n" + "".join(f'{name} = "{name}"\n' for name in names)


def _meter_readings(house: SimulatedHouse) -> pd.DataFrame:
    """Whole kWh as a person reads them off, every few days when at home, to the minute."""
    rng = np.random.default_rng([house.plan.seed, 4003])
    rows = []
    day = 0
    while day < house.calendar.days:
        at_s = int(house.calendar.midnights_s[day] + rng.normal(18.5, 1.5) * 3600) // 60 * 60
        used_wh = house.meter_wh[at_s // house.plan.period_s]
        kwh = int(np.floor(house.plan.meter_starts_at_kwh + used_wh / 1000))
        when = house.calendar.start + pd.Timedelta(seconds=at_s)
        rows.append((when.tz_convert(house.plan.timezone).isoformat(), kwh))
        day += int(rng.integers(2, 6)) * (1 if house.calendar.days < 40 else 3)
    return pd.DataFrame(rows, columns=["time", "kwh"])


def _outdoor(house: SimulatedHouse) -> pd.DataFrame:
    times = house.calendar.start + pd.to_timedelta(np.arange(house.outdoor_c.size), unit="h")
    return pd.DataFrame({"time": times.strftime(TIME), "celsius": np.round(house.outdoor_c, 1)})


def _write_truth(house: SimulatedHouse, folder: Path) -> None:
    runs = house.runs[["circuit", "start", "end", "energy_wh", "programme"]].assign(
        start=house.runs["start"].dt.strftime(TIME),
        end=house.runs["end"].dt.strftime(TIME),
        energy_wh=house.runs["energy_wh"].round(2),
        above_standby_wh=house.runs["above_standby_wh"].round(2),
        cut=house.runs["cut"].astype(int),
    )
    _csv(runs, folder / "runs.csv")
    _csv(house.standby.round(4), folder / "standby.csv")
    _csv(house.leg_kwh.round(4), folder / "wiring.csv")
    _csv(_clamp_table(house), folder / "clamps.csv")
    _csv(_accident_table(house), folder / "logging.csv")


def _clamp_table(house: SimulatedHouse) -> pd.DataFrame:
    plans = {c.name: c for c in house.plan.circuits}
    rows = []
    for name, faults in house.faults.items():
        plan = plans.get(name)
        rows.append(
            {
                "circuit": name,
                "ratio": faults.ratio,
                "offset_w": faults.offset_w,
                "noise_w": faults.noise_w,
                "step_w": faults.step_w,
                "clip_w": faults.clip_w,
                "backwards": int(faults.backwards),
                "clamp_on": "all legs" if plan is None else plan.clamp_on,
                "right_multiplier": 1.0 if plan is None else plan.multiplier,
            }
        )
    return pd.DataFrame(rows)


def _accident_table(house: SimulatedHouse) -> pd.DataFrame:
    """Holes and spikes, with the instants between which they lie."""
    found = [("gap", "", lo, hi) for lo, hi in house.gaps]
    found += [("gap", circuit, lo, hi) for circuit, lo, hi in house.missing]
    for circuit, at in zip(house.spikes["circuit"], house.spikes["sample"], strict=True):
        found.append(("spike", str(circuit), int(at), int(at) + 1))
    rows = [
        (what, circuit, house.instant(lo).strftime(TIME), house.instant(hi).strftime(TIME))
        for what, circuit, lo, hi in found
    ]
    return pd.DataFrame(rows, columns=["what", "circuit", "start", "end"])
