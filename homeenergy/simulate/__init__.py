"""Simulate: houses, appliances, clamps and meters with known truth."""

from homeenergy.simulate.catalogue import appliance_names, simulate_appliance
from homeenergy.simulate.circuit import SimulatedCircuit

__all__ = ["SimulatedCircuit", "appliance_names", "simulate_appliance"]
