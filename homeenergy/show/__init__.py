"""Figures and pages that a person reads. Nothing here decides what is true."""

from homeenergy.show.energy import plot_daily_energy, plot_house_energy
from homeenergy.show.page import findings_page
from homeenergy.show.runs import plot_run_energies, plot_runs
from homeenergy.show.traces import plot_traces

__all__ = [
    "findings_page",
    "plot_daily_energy",
    "plot_house_energy",
    "plot_run_energies",
    "plot_runs",
    "plot_traces",
]
