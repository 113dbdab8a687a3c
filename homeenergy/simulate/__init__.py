"""Simulate: houses, appliances, clamps and meters with known truth."""

from homeenergy.simulate.appliances.catalogue import simulate_appliance
from homeenergy.simulate.bench.conductors import ClampCase, Conductor, clamp_cases
from homeenergy.simulate.bench.loads import (
    BenchMains,
    capacitor_amps,
    converter_readings,
    dimmer_amps,
    heater_amps,
    motor_amps,
    rectifier_amps,
    saturating_clamp_amps,
)
from homeenergy.simulate.bench.thermostat import CabinetModel, run_cabinet
from homeenergy.simulate.houses.street import write_street

__all__ = [
    "BenchMains",
    "CabinetModel",
    "ClampCase",
    "Conductor",
    "capacitor_amps",
    "clamp_cases",
    "converter_readings",
    "dimmer_amps",
    "heater_amps",
    "motor_amps",
    "rectifier_amps",
    "run_cabinet",
    "saturating_clamp_amps",
    "simulate_appliance",
    "write_street",
]
