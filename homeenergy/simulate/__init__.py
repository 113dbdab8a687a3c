"""Simulate: houses, appliances, clamps and meters with known truth."""

from homeenergy.simulate.bench_loads import (
    BenchMains,
    capacitor_amps,
    dimmer_amps,
    half_wave_amps,
    heater_amps,
    motor_amps,
    pulse_amps,
    rectifier_amps,
    resonant_amps,
)
from homeenergy.simulate.bench_sensors import (
    clamp_lead_deg,
    converter_readings,
    saturating_clamp_amps,
)
from homeenergy.simulate.build import SimulatedHouse, simulate_house
from homeenergy.simulate.canal_flat import write_canal_flat
from homeenergy.simulate.catalogue import appliance_names, simulate_appliance
from homeenergy.simulate.circuit import SimulatedCircuit
from homeenergy.simulate.clamp import ClampFaults, read_clamp
from homeenergy.simulate.conductors import ClampCase, Conductor, clamp_cases
from homeenergy.simulate.logger import logged_series
from homeenergy.simulate.orchard_house import write_orchard_house
from homeenergy.simulate.plan import CircuitPlan, Hole, HousePlan, MainsPlan
from homeenergy.simulate.street import write_street
from homeenergy.simulate.thermostat_model import CabinetModel, CabinetRecord, run_cabinet

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
