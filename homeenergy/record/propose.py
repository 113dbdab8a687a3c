"""Proposes the blocks of house.toml for a source, from listening to it for a while."""

from __future__ import annotations

from homeenergy.house.layouts import LogLayout, layout_toml
from homeenergy.house.log_columns import LogColumn
from homeenergy.house.sources import Source


def log_for(source: Source) -> str:
    """The [[log]] block that describes what a source records, for a person to correct."""
    layout = LogLayout(
        files=f"{source.folder}/*.csv*",
        layout="long",
        circuit_column="circuit",
        value_column="value",
        columns={name: column_for(source, name) for name in source.circuits},
    )
    return layout_toml(layout, comments="none")


def column_for(source: Source, circuit: str) -> LogColumn:
    """What a circuit's readings probably are: what pulses and registers say, else watts."""
    place = source.circuits[circuit]
    energy = [str(code) for code in place.field if ".8." in str(code)]
    if source.lines == "pulses" or (source.lines == "telegram" and energy):
        return LogColumn(names=(circuit,), quantity="energy_counter", unit="Wh")
    return LogColumn(names=(circuit,))
