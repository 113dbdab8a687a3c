"""Simulate: houses, appliances, clamps and meters with known truth."""

from homeenergy.simulate.appliances.catalogue import appliance_names, simulate_appliance
from homeenergy.simulate.appliances.circuit import SimulatedCircuit
from homeenergy.simulate.bench.conductors import ClampCase, Conductor, clamp_cases
from homeenergy.simulate.bench.loads import (
    BenchMains,
    capacitor_amps,
    clamp_lead_deg,
    converter_readings,
    dimmer_amps,
    half_wave_amps,
    heater_amps,
    motor_amps,
    pulse_amps,
    rectifier_amps,
    resonant_amps,
    saturating_clamp_amps,
)
from homeenergy.simulate.bench.thermostat import CabinetModel, CabinetRecord, run_cabinet
from homeenergy.simulate.houses.build import (
    CircuitPlan,
    Hole,
    HousePlan,
    MainsPlan,
    SimulatedHouse,
    simulate_house,
)
from homeenergy.simulate.houses.canal_flat import write_canal_flat
from homeenergy.simulate.houses.orchard_house import write_orchard_house
from homeenergy.simulate.houses.street import write_street
from homeenergy.simulate.logger import ClampFaults, logged_series, read_clamp

__all__ = [
    "BenchMains",
    "CabinetModel",
    "CabinetRecord",
    "CircuitPlan",
    "ClampCase",
    "ClampFaults",
    "Conductor",
    "Hole",
    "HousePlan",
    "MainsPlan",
    "SimulatedCircuit",
    "SimulatedHouse",
    "appliance_names",
    "capacitor_amps",
    "clamp_cases",
    "clamp_lead_deg",
    "converter_readings",
    "dimmer_amps",
    "half_wave_amps",
    "heater_amps",
    "logged_series",
    "motor_amps",
    "pulse_amps",
    "read_clamp",
    "rectifier_amps",
    "resonant_amps",
    "run_cabinet",
    "saturating_clamp_amps",
    "simulate_appliance",
    "simulate_house",
    "write_canal_flat",
    "write_orchard_house",
    "write_street",
]
