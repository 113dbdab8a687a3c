"""Figures and pages that a person reads. Nothing here decides what is true."""

from homeenergy.show.clamp_drawing import plot_clamps
from homeenergy.show.energy import plot_daily_energy, plot_house_energy
from homeenergy.show.page import findings_page
from homeenergy.show.periods import plot_periods
from homeenergy.show.power_triangle import plot_power_triangle
from homeenergy.show.runs import plot_run_energies, plot_runs
from homeenergy.show.sliders import sliders
from homeenergy.show.thermostat import plot_cabinet, plot_duty_cycle
from homeenergy.show.traces import plot_traces
from homeenergy.show.waves import plot_currents, plot_harmonics, plot_waves

__all__ = [
    "findings_page",
    "plot_cabinet",
    "plot_clamps",
    "plot_currents",
    "plot_daily_energy",
    "plot_duty_cycle",
    "plot_harmonics",
    "plot_house_energy",
    "plot_periods",
    "plot_power_triangle",
    "plot_run_energies",
    "plot_runs",
    "plot_traces",
    "plot_waves",
    "sliders",
]
