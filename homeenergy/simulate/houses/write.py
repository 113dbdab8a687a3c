"""Write the logs of a simulated house: wide daily files, or long monthly ones."""

from __future__ import annotations

import gzip
import shutil
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.house import Tariff
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import LogColumn
from homeenergy.house.schedule import Circuit, Clamp, Schedule, Supply
from homeenergy.house.toml_file import house_toml
from homeenergy.simulate.houses.build import HousePlan, SimulatedHouse
from homeenergy.units import NS_PER_S

TIME = "%Y-%m-%dT%H:%M:%SZ"


def write_folder(
    house: SimulatedHouse,
    folder: Path,
    *,
    logs: tuple[LogLayout, ...],
    log_remarks: Sequence[str] = (),
    made_by: str = "",
) -> None:
    """Write all but the logs; folders of an earlier version are replaced.

    `made_by` is the command that made the house.
    """
    made_by = made_by or f"python -m homeenergy.simulate sample_data --only {house.plan.name}"
    text = house_toml(
        schedule_of(house.plan, logs),
        head=f"An invented house, made by `{made_by}`.",
        log_remarks=log_remarks,
    )
    for old in ("logs", "truth", "store"):
        shutil.rmtree(folder / old, ignore_errors=True)
    (folder / "truth").mkdir(parents=True)
    (folder / "house.toml").write_text(text, encoding="utf-8", newline="\n")
    _csv(_meter_readings(house), folder / "meter_readings.csv")
    _csv(house.bench, folder / "bench.csv")
    _csv(_outdoor(house), folder / "outdoor.csv")
    _write_truth(house, folder / "truth")


def _csv(frame: pd.DataFrame, path: Path) -> None:
    path.write_bytes(frame.to_csv(index=False, lineterminator="\n").encode("utf-8"))


def schedule_of(plan: HousePlan, logs: tuple[LogLayout, ...]) -> Schedule:
    """What a careful person writes into house.toml."""
    mains = [
        Circuit(
            name=one.name,
            appliance=f"Supply {one.leg}",
            role="mains",
            legs=(one.leg,),
            breaker_a=one.rating_a // 2,
            clamp=Clamp(rating_a=one.rating_a),
        )
        for one in plan.mains
    ]
    loads = [
        Circuit(
            name=one.name,
            appliance=one.appliance,
            kind=one.kind,
            season=one.season,
            legs=one.legs,
            breaker_a=one.breaker_a,
            clamp=Clamp(rating_a=one.rating_a, multiplier=one.multiplier),
        )
        for one in plan.circuits
    ]
    return Schedule(
        folder=Path(),
        name=plan.title,
        timezone=ZoneInfo(plan.timezone),
        supply=Supply(system=plan.system, volts_v=plan.volts_v, frequency_hz=plan.frequency_hz),
        tariff=Tariff(
            currency=plan.currency,
            price_per_kwh=plan.price_per_kwh,
            standing_per_day=plan.standing_per_day,
        ),
        circuits=(*mains, *loads),
        logs=logs,
    )


def own_columns(plan: HousePlan, unit: str = "W") -> dict[str, LogColumn]:
    """Columns of a log in which every circuit goes by its own name."""
    names = [m.name for m in plan.mains] + [c.name for c in plan.circuits]
    return {name: LogColumn(names=(name,), unit=unit) for name in names}


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
    """Gaps and spikes, with the instants between which they lie."""
    found = [("gap", "", lo, hi) for lo, hi in house.gaps]
    found += [("gap", circuit, lo, hi) for circuit, lo, hi in house.missing]
    for circuit, at in zip(house.spikes["circuit"], house.spikes["sample"], strict=True):
        found.append(("spike", str(circuit), int(at), int(at) + 1))
    rows = [
        (what, circuit, house.instant(lo).strftime(TIME), house.instant(hi).strftime(TIME))
        for what, circuit, lo, hi in found
    ]
    return pd.DataFrame(rows, columns=["what", "circuit", "start", "end"])


def write_gzip(path: Path, text: str) -> None:
    """Write compressed text whose bytes depend on nothing but the text."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
        packed.write(text.encode("utf-8"))


def write_wide(house: SimulatedHouse, folder: Path, *, csv_dates: tuple[str, ...]) -> None:
    """One file a local day, a row a sample, a column a circuit.

    The days in `csv_dates` are CSV with local times that do not tell summer from winter time; the
    others are Parquet with seconds since 1970. Empty cells are missing readings.
    """
    values, present = _table(house)
    rows = house.rows
    stamp_s = house.calendar.start.value // NS_PER_S + rows * house.plan.period_s
    days = np.searchsorted(house.calendar.midnights_s, rows * house.plan.period_s, side="right")
    date = pd.Timestamp(house.plan.start)
    for day in range(1, house.calendar.days + 1):
        name = (date + pd.Timedelta(days=day - 1)).strftime("%Y-%m-%d")
        of_day = days == day
        part = {c: values[c][rows[of_day]] for c in values}
        there = {c: present[c][rows[of_day]] for c in present}
        if name in csv_dates:
            _wide_csv(folder / f"{name}.csv.gz", stamp_s[of_day], part, there, house)
        else:
            _wide_parquet(folder / f"{name}.parquet", stamp_s[of_day], part, there)


def _table(
    house: SimulatedHouse,
) -> tuple[dict[str, NDArray[np.int64]], dict[str, NDArray[np.bool_]]]:
    """Whole watts of every circuit, and for those with gaps of their own which are there."""
    values = {c: np.round(w).astype(np.int64) for c, w in house.readings_w.items()}
    present: dict[str, NDArray[np.bool_]] = {}
    for circuit, lo, hi in house.missing:
        keep = present.setdefault(circuit, np.ones(values[circuit].size, dtype=bool))
        keep[lo:hi] = False
    return values, present


def _wide_csv(
    path: Path,
    stamp_s: NDArray[np.int64],
    part: dict[str, NDArray[np.int64]],
    there: dict[str, NDArray[np.bool_]],
    house: SimulatedHouse,
) -> None:
    local = _local(stamp_s, house.plan.timezone)
    frame = pd.DataFrame({"time": local.strftime("%Y-%m-%d %H:%M:%S")} | part)
    for circuit, keep in there.items():
        frame[circuit] = frame[circuit].astype("Int32").where(pd.Series(keep))
    write_gzip(path, frame.to_csv(index=False, lineterminator="\n"))


def _wide_parquet(
    path: Path,
    stamp_s: NDArray[np.int64],
    part: dict[str, NDArray[np.int64]],
    there: dict[str, NDArray[np.bool_]],
) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = {"time": pa.array(stamp_s, type=pa.int64())}
    for circuit, watts in part.items():
        mask = ~there[circuit] if circuit in there else None
        columns[circuit] = pa.array(watts.astype(np.int32), mask=mask)
    pq.write_table(
        pa.table(columns),
        path,
        compression="zstd",
        compression_level=19,
        use_dictionary=[c for c in columns if c != "time"],
        column_encoding={"time": "DELTA_BINARY_PACKED"},
        write_statistics=False,
    )


def write_long(house: SimulatedHouse, folder: Path) -> None:
    """One file a local month: a row per instant and circuit, semicolons, kW with decimal commas.

    The stamp is the local time at which the period of the row ends.
    """
    plan = house.plan
    values, present = _table(house)
    stamp_s = house.calendar.start.value // NS_PER_S + (house.rows + 1) * plan.period_s
    local = _local(stamp_s, plan.timezone)
    text = local.strftime("%d.%m.%Y %H:%M:%S").to_numpy()
    month = local.strftime("%Y-%m").to_numpy()
    names = list(values)
    table = np.stack([values[c][house.rows] for c in names], axis=1)
    there = np.ones(table.shape, dtype=bool)
    for circuit, keep in present.items():
        there[:, names.index(circuit)] = keep[house.rows]
    for one in np.unique(month):
        of_month = np.flatnonzero(month == one)
        lines = ["tijd;groep;kW"]
        for row in of_month:
            lines += [
                f"{text[row]};{name};{_kilowatts(watts)}"
                for name, watts, ok in zip(names, table[row].tolist(), there[row], strict=True)
                if ok
            ]
        write_gzip(folder / f"{one}.csv.gz", "\n".join(lines) + "\n")


def _kilowatts(watts: int) -> str:
    sign = "-" if watts < 0 else ""
    return f"{sign}{abs(watts) // 1000},{abs(watts) % 1000:03d}"


def _local(stamp_s: NDArray[np.int64], timezone: str) -> pd.DatetimeIndex:
    instants = pd.DatetimeIndex((stamp_s * NS_PER_S).view("M8[ns]")).tz_localize("UTC")
    return instants.tz_convert(timezone).tz_localize(None)
