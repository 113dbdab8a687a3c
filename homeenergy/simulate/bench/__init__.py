"""Loads, conductors and a thermostat for teaching."""
