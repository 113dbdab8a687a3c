"""Verified savings of simulated retrofits: how often intervals hold what was saved.

Houses of 84 days from 5 January, logged by the minute: from 16 February on the refrigerator takes
40 % less, the television 0.3 W at rest, and the heat pump, of all odd houses, 15 % less. The house
is colder by 4 K after than before. A year of the heat pump is simulated in the climate whose
monthly means the library is given.

`python -m tests.accuracy.retrofits` writes results/retrofits.md.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.before_after import before_after
from homeenergy.findings.saving.verified import Verified, verified
from homeenergy.readings import House, import_logs, open_house
from homeenergy.readings.outdoor import read_outdoor
from homeenergy.simulate.appliances.circuit import Canvas
from homeenergy.simulate.appliances.heating import draw_make, outdoor_celsius, run_heat_pump
from homeenergy.simulate.calendar import make_calendar
from homeenergy.simulate.houses.build import HousePlan, MainsPlan, panel, simulate_house
from homeenergy.simulate.houses.street import _write
from tests.accuracy.keep import keep

START, CHANGE, DAYS, ZONE = "2026-01-05", "2026-02-16", 84, "Europe/Amsterdam"
CIRCUITS = panel(
    ("fridge", "Refrigerator", "refrigerator", "L1"),
    ("television", "Television", "television", "L1"),
    ("oven", "Oven", "oven", "L1"),
    ("heat_pump", "Heat pump", "heat_pump", "L1", {"draw": "heat_pump", "season": "strong"}),
)
CUT, LESS, REST_W = 0.15, 0.4, 0.3
MEAN_C, SWING_C, COLDEST_DAY = 9.9, 7.5, 20  # of the climate


@dataclass(frozen=True, kw_only=True)
class Held:
    """One figure of one house: what was saved in truth, and what the interval says [its unit]."""

    house: int
    what: str
    truth: float
    low: float
    value: float
    high: float

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low <= self.truth <= self.high


def plan_of(number: int, *, seed: int) -> HousePlan:
    return HousePlan(
        name=f"house_{number}",
        title=f"House {number}",
        timezone=ZONE,
        start=START,
        days=DAYS,
        period_s=60,
        seed=seed * 1000 + number,
        system="single-phase",
        volts_v=230,
        frequency_hz=50,
        currency="EUR",
        price_per_kwh=0.31,
        standing_per_day=0.95,
        outdoor_mean_c=8.0,
        outdoor_trend_c_per_day=-0.10,
        meter_starts_at_kwh=1000.0,
        circuits=tuple(CIRCUITS),
        mains=(MainsPlan(name="mains", leg="L1", rating_a=50, step_w=1.0, unmonitored=()),),
        holes=(),
        dropped=0,
        repeated=0,
        late=0,
    )


def climate_months() -> pd.DataFrame:
    """Monthly means of the climate."""
    days = pd.date_range("2026-01-01", periods=365)
    celsius = MEAN_C - SWING_C * np.cos(2 * np.pi * (np.arange(365) - COLDEST_DAY) / 365)
    means = pd.Series(celsius).groupby(days.month).mean()
    return pd.DataFrame({"month": means.index.astype(float), "celsius": means.to_numpy()})


def year_kwh(plan: HousePlan) -> float:
    """What the heat pump of a plan takes in a year of the climate [kWh]."""
    circuit = next(c for c in plan.circuits if c.name == "heat_pump")
    make = draw_make(np.random.default_rng([plan.seed, circuit.seed]))
    total_wh = 0.0
    for part in range(5):  # by 73 days, for memory
        first = pd.Timestamp("2026-01-01") + pd.Timedelta(days=73 * part)
        calendar = make_calendar(str(first.date()), days=73, timezone=ZONE)
        outdoor_c = outdoor_celsius(
            calendar, seed=plan.seed + part, mean_c=0.0, daily_swing_c=9.0, trend_c_per_day=0.0
        )
        day = 73 * part + np.arange(outdoor_c.size) / 24
        outdoor_c = outdoor_c + MEAN_C - SWING_C * np.cos(2 * np.pi * (day - COLDEST_DAY) / 365)
        canvas = Canvas(calendar)
        rng = np.random.default_rng([plan.seed, circuit.seed, 2, part])
        run_heat_pump(canvas, rng, make, outdoor_c)
        total_wh += float(canvas.watts.sum()) / 3600
    return total_wh / 1000


def made(folder: Path, plan: HousePlan, *, cut: bool) -> tuple[House, dict[str, np.ndarray], int]:
    """A house with its retrofit; what its clamps would have read without; first sample after."""
    house = simulate_house(plan)
    at = int((pd.Timestamp(CHANGE, tz=ZONE) - house.calendar.start).total_seconds()) // 60
    without = {name: watts.astype(np.float64) for name, watts in house.readings_w.items()}
    watts = {name: one.copy() for name, one in without.items()}
    watts["fridge"][at:] *= 1 - LESS
    television = watts["television"]
    quiet = television < 1.5 * max(np.median(television), 1.0)
    quiet[:at] = False
    television[quiet] = REST_W
    if cut:
        watts["heat_pump"][at:] *= 1 - CUT
    rng = np.random.default_rng(plan.seed + 5)
    for name in watts:  # rounding as a logger with noise does it
        house.readings_w[name] = np.floor(watts[name] + rng.uniform(0, 1, watts[name].size)).astype(
            np.float32
        )
    changed = {name: without[name] - watts[name] for name in without}
    _write(house, folder)
    import_logs(folder)
    return open_house(folder), changed, at


def verify(house: House, circuit: str, months: pd.DataFrame) -> Verified:
    """What a visit says of one circuit."""
    at = pd.Timestamp(CHANGE, tz=ZONE)
    outdoor = read_outdoor(house)
    one = house.circuit(circuit)
    found = [
        appliance_finding(
            trace,
            circuit=one,
            timezone=ZONE,
            tariff=house.tariff,
            supply=house.supply,
            outdoor=outdoor,
        )
        for trace in (house.trace(circuit, None, at), house.trace(circuit, at, None))
    ]
    daily = pd.concat([f.daily for f in found], ignore_index=True)
    change = before_after(daily, at=CHANGE, outdoor=outdoor, clamp=found[1].clamp_errors)
    return verified(change, name=circuit, before=found[0], after=found[1], months=months)


def held(number: int, *, seed: int = 1, with_year: bool = True) -> list[Held]:
    """All figures of one house."""
    plan = plan_of(number, seed=seed)
    cut = number % 2 == 1
    months = climate_months()
    rows: list[Held] = []

    def add(what: str, truth: float, estimate: object) -> None:
        if estimate is not None:
            rows.append(
                Held(
                    house=number,
                    what=what,
                    truth=truth,
                    low=estimate.low,
                    value=estimate.value,
                    high=estimate.high,
                )
            )

    with tempfile.TemporaryDirectory() as name:
        house, saved_w, at = made(Path(name) / "house", plan, cut=cut)
        runs = {}
        for circuit in ("fridge", "television", "heat_pump"):
            try:
                found = verify(house, circuit, months)
            except HouseError as error:
                raise RuntimeError(f"house {number}, {circuit}: {error}") from error
            saved_kwh = saved_w[circuit][at:].sum() / 60000
            add(f"{circuit}: avoided", float(saved_kwh), found.avoided_kwh)
            parts = {part.name: part for part in found.parts}
            runs[circuit] = parts
            if circuit == "fridge":
                whole = house.trace("fridge").watts.astype(np.float64)
                whole[at:] /= 1 - LESS
                per_day = LESS * float(np.nanmean(whole)) * 24 / 1000
                add("fridge: a day", -per_day, found.change.size_kwh)
                cycles = before_cycles(house)
                add("fridge: a run", -LESS * cycles, parts["run_kwh"].difference)
            if circuit == "television":
                rest = saved_w["television"][at:]
                add(
                    "television: at rest",
                    -float(np.mean(rest[rest > 0])) if (rest > 0).any() else 0.0,
                    parts["standby_w"].difference if "standby_w" in parts else None,
                )
                add("television: a day", -float(rest.mean()) * 24 / 1000, found.change.size_kwh)
            if circuit == "heat_pump":
                share = CUT if cut else 0.0
                watts = house.trace("heat_pump").watts.astype(np.float64)
                watts[at:] /= 1 - share
                add(
                    "heat pump: a day",
                    -share * float(np.nanmean(watts)) * 24 / 1000,
                    found.change.size_kwh,
                )
                if with_year and found.year_kwh is not None:
                    add("heat pump: a year", share * year_kwh(plan) if cut else 0.0, found.year_kwh)
    return rows


def before_cycles(house: House) -> float:
    """Mean energy of the refrigerator's runs before the change, of all its runs [kWh]."""
    from homeenergy.cycles import find_cycles

    trace = house.trace("fridge", None, pd.Timestamp(CHANGE, tz=ZONE))
    return float(find_cycles(trace, "thermostatic").complete["energy_wh"].mean()) / 1000


def report(frame: pd.DataFrame) -> str:
    """The table of the page."""
    by_what = frame.groupby("what")["holds"].agg(["sum", "count"])
    lines = ["| Figure | intervals that hold it | of |", "|---|---:|---:|"]
    lines += [f"| {what} | {row['sum']} | {row['count']} |" for what, row in by_what.iterrows()]
    lines += [f"| all | {frame['holds'].sum()} | {len(frame)} |"]
    text = (__doc__ or "").partition("`python")[0].strip()
    made_by = "Made by `python -m tests.accuracy.retrofits`, 14 houses, seed 1."
    return "\n\n".join([text, "\n".join(lines), made_by])


def main() -> None:
    """Write the page and its table."""
    rows = [row for number in range(1, 15) for row in held(number)]
    frame = pd.DataFrame([vars(row) | {"holds": row.holds} for row in rows])
    sys.stdout.write(report(frame))
    keep("retrofits", title="Savings of simulated retrofits", text=report(frame), figures=frame)


if __name__ == "__main__":
    main()
