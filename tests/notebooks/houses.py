"""Houses that notebooks must survive: both samples, a coarse log, one circuit, real days."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.readings import import_logs, new_house

from ..accuracy.real_days import kept_rows
from ..samples import SAMPLES

ZONE = "Europe/Berlin"


def sample(name: str, folder: Path) -> Path:
    """A copy, with the store of the one that was imported already."""
    import_logs(SAMPLES / name)
    return Path(shutil.copytree(SAMPLES / name, folder))


def of_table(table: pd.DataFrame, folder: Path, **told: object) -> Path:
    """A house of a table of watts by instant, brought in as a person would."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    file = folder.with_suffix(".csv")
    table.rename_axis("time").to_csv(file, date_format="%Y-%m-%dT%H:%M:%S%z")
    new_house(folder, logs=[file], timezone=ZONE, **told)
    import_logs(folder)
    return folder


def coarse(folder: Path) -> Path:
    """Three circuits of 15-minute readings over four weeks, the clocks changing amid them."""
    rng = np.random.default_rng(11)
    at = pd.date_range("2026-03-14", periods=28 * 96, freq="15min", tz="UTC")
    hour = at.tz_convert(ZONE).hour.to_numpy()
    fridge = 45 + 35 * (np.arange(at.size) % 5 < 2) + rng.normal(0, 2, at.size)
    boiler = np.where((hour == 6) | (hour == 21), 1900.0, 0.0) + rng.uniform(0, 1, at.size)
    dishes = np.full(at.size, 2.0)
    for day in range(0, 28, 2):
        first = day * 96 + 75 + int(rng.integers(0, 8))
        dishes[first : first + 5] = [900, 1300, 120, 1100, 60]
    table = pd.DataFrame({"fridge": fridge, "water heater": boiler, "dishwasher": dishes}, index=at)
    return of_table(table.round(1), folder, currency="EUR", price_per_kwh=0.31)


def one_circuit(folder: Path) -> Path:
    """A washing machine at one reading a minute for ten days, no tariff, nothing else."""
    rng = np.random.default_rng(12)
    at = pd.date_range("2026-06-01", periods=10 * 1440, freq="1min", tz="UTC")
    watts = np.full(at.size, 1.5) + rng.uniform(0, 0.2, at.size)
    for day in (0, 2, 4, 5, 7, 9):
        first = day * 1440 + 500 + int(rng.integers(0, 200))
        watts[first : first + 20] = 2050 + rng.normal(0, 10, 20)
        watts[first + 20 : first + 70] = 180 + rng.normal(0, 40, 50)
    return of_table(pd.DataFrame({"washing machine": watts.round(1)}, index=at), folder)


def mains_alone(folder: Path) -> Path:
    """Three days of one circuit that nobody has named, with a gap in it."""
    rng = np.random.default_rng(13)
    at = pd.date_range("2026-01-10", periods=3 * 1440, freq="1min", tz="UTC")
    watts = 300 + 50 * np.sin(np.arange(at.size) / 60) + rng.normal(0, 5, at.size)
    table = pd.DataFrame({"clamp_1": watts.round(1)}, index=at)
    return of_table(table.drop(table.index[1000:1400]), folder)


def real_days(folder: Path, *, appliances: int | None = None) -> Path:
    """Days of real appliances, one plug meter each, put on one date: thirty circuits, one day."""
    logs = folder.parent / "real_logs"
    logs.mkdir(parents=True, exist_ok=True)
    days: dict[str, pd.Series] = {}
    for (appliance, day), watts in kept_rows().items():
        shift = pd.Timestamp("2026-02-04", tz="UTC") - pd.Timestamp(day, tz="UTC")
        days.setdefault(appliance, watts.set_axis(watts.index + shift))
    files = []
    for appliance in list(days)[:appliances]:
        watts = days[appliance]
        watts = watts[~watts.index.duplicated()].rename(f"{appliance} [W]")
        file = logs / f"{appliance}.csv"
        watts.rename_axis("time").to_csv(file, date_format="%Y-%m-%dT%H:%M:%S%z")
        files.append(file)
    new_house(folder, logs=files, timezone="UTC")
    import_logs(folder)
    return folder


def with_mains(folder: Path) -> Path:
    """Two weeks of a house with mains, a kitchen of two loads, and nothing else to compare with.

    The dryer dries for an hour and, now and then, for a quarter of one; the refrigerator rests for
    a day.
    """
    rng = np.random.default_rng(14)
    at = pd.date_range("2026-05-02", periods=14 * 1440, freq="1min", tz="UTC")
    minute = np.arange(at.size)
    dryer, kitchen = np.zeros(at.size), np.zeros(at.size)
    fridge = 1.0 + 80 * (minute % 55 < 18)
    fridge[9 * 1440 : 10 * 1440] = 0.0
    for day in range(14):
        first = day * 1440 + 1000 + int(rng.integers(0, 120))
        dryer[first : first + (60 if day % 3 else 15)] = 2300
        for hour, lasts, watts in ((7, 3, 2000), (7.4, 4, 850), (12, 3, 2000), (19, 3, 2000)):
            begin = day * 1440 + int(hour * 60) + int(rng.integers(0, 15))
            kitchen[begin : begin + lasts] += watts
    table = pd.DataFrame({"dryer": dryer, "fridge": fridge, "kitchen": kitchen}, index=at)
    table["mains"] = table.sum(axis=1) + 140
    table = (table + rng.normal(0, 0.3, table.shape)).round(1)
    of_table(table, folder, currency="EUR", price_per_kwh=0.36)
    toml = folder / "house.toml"
    text = toml.read_text(encoding="utf-8")
    named = 'name = "kitchen"\n'
    assert named in text
    toml.write_text(text.replace(named, f"{named}loads = 2\n"), encoding="utf-8")
    return folder


HOUSES: dict[str, Callable[[Path], Path]] = {
    "orchard house": lambda folder: sample("orchard_house", folder),
    "canal flat": lambda folder: sample("canal_flat", folder),
    "coarse": coarse,
    "one circuit": one_circuit,
    "no runs": mains_alone,
    "with mains": with_mains,
    "real days": real_days,
}
