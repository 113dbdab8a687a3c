"""Simulate: houses, appliances, clamps and meters with known truth."""

from homeenergy.simulate.build import SimulatedHouse, simulate_house
from homeenergy.simulate.canal_flat import write_canal_flat
from homeenergy.simulate.catalogue import appliance_names, simulate_appliance
from homeenergy.simulate.circuit import SimulatedCircuit
from homeenergy.simulate.clamp import ClampFaults, read_clamp
from homeenergy.simulate.logger import logged_series
from homeenergy.simulate.orchard_house import write_orchard_house
from homeenergy.simulate.plan import CircuitPlan, Hole, HousePlan, MainsPlan

__all__ = [
    "CircuitPlan",
    "ClampFaults",
    "Hole",
    "HousePlan",
    "MainsPlan",
    "SimulatedCircuit",
    "SimulatedHouse",
    "appliance_names",
    "logged_series",
    "read_clamp",
    "simulate_appliance",
    "simulate_house",
    "write_canal_flat",
    "write_orchard_house",
]
