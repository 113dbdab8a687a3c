"""Figures and pages that a person reads. Nothing here decides what is true."""

from homeenergy.show.aligned import plot_aligned_runs
from homeenergy.show.baseload import plot_baseload
from homeenergy.show.before_after import plot_before_after
from homeenergy.show.between_houses import plot_between_houses
from homeenergy.show.clamp_drawing import plot_clamps
from homeenergy.show.compare_panel import compare_panel
from homeenergy.show.comparison import plot_comparison
from homeenergy.show.costs import plot_price_shares, plot_run_costs
from homeenergy.show.differences import plot_differences
from homeenergy.show.energy import plot_daily_energy, plot_house_energy
from homeenergy.show.hours_of_use import plot_hours_of_use
from homeenergy.show.idle import plot_idle_use
from homeenergy.show.idle_panel import idle_panel
from homeenergy.show.load_duration import plot_load_duration
from homeenergy.show.overview import plot_overview
from homeenergy.show.page import findings_page
from homeenergy.show.periods import plot_periods
from homeenergy.show.power_triangle import plot_power_triangle
from homeenergy.show.run_distribution import plot_run_distribution
from homeenergy.show.run_explorer import run_explorer
from homeenergy.show.runs import plot_run_energies, plot_runs
from homeenergy.show.savings import plot_savings
from homeenergy.show.sliders import sliders
from homeenergy.show.span_table import span_table
from homeenergy.show.thermostat import plot_cabinet, plot_duty_cycle
from homeenergy.show.trace_viewer import trace_viewer
from homeenergy.show.traces import plot_traces
from homeenergy.show.waves import plot_currents, plot_harmonics, plot_waves
from homeenergy.show.weather import plot_load, plot_weather
from homeenergy.show.week_map import plot_week_map
from homeenergy.show.writeup import WriteUp, visit_up, write_up

__all__ = [
    "WriteUp",
    "compare_panel",
    "findings_page",
    "idle_panel",
    "plot_aligned_runs",
    "plot_baseload",
    "plot_before_after",
    "plot_between_houses",
    "plot_cabinet",
    "plot_clamps",
    "plot_comparison",
    "plot_currents",
    "plot_daily_energy",
    "plot_differences",
    "plot_duty_cycle",
    "plot_harmonics",
    "plot_hours_of_use",
    "plot_house_energy",
    "plot_idle_use",
    "plot_load",
    "plot_load_duration",
    "plot_overview",
    "plot_periods",
    "plot_power_triangle",
    "plot_price_shares",
    "plot_run_costs",
    "plot_run_distribution",
    "plot_run_energies",
    "plot_runs",
    "plot_savings",
    "plot_traces",
    "plot_waves",
    "plot_weather",
    "plot_week_map",
    "run_explorer",
    "sliders",
    "span_table",
    "trace_viewer",
    "visit_up",
    "write_up",
]
