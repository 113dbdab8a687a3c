"""Figures and pages that a person reads. Nothing here decides what is true."""

from homeenergy.show.document.page import findings_page
from homeenergy.show.explorer.explorer import run_explorer
from homeenergy.show.figures.comparison import (
    plot_before_after,
    plot_between_houses,
    plot_comparison,
)
from homeenergy.show.figures.energy import (
    plot_daily_energy,
    plot_house_energy,
    plot_load,
    plot_weather,
)
from homeenergy.show.figures.idle import plot_baseload, plot_idle_use
from homeenergy.show.figures.money import plot_price_shares, plot_run_costs, plot_savings
from homeenergy.show.figures.runs import (
    plot_aligned_runs,
    plot_run_distribution,
    plot_run_energies,
    plot_runs,
)
from homeenergy.show.figures.teaching import (
    plot_cabinet,
    plot_clamps,
    plot_currents,
    plot_duty_cycle,
    plot_harmonics,
    plot_power_triangle,
    plot_waves,
)
from homeenergy.show.figures.times import (
    plot_hours_of_use,
    plot_periods,
    plot_traces,
    plot_week_map,
)
from homeenergy.show.panels.compare import compare_panel
from homeenergy.show.panels.idle import idle_panel
from homeenergy.show.panels.widgets import sliders
from homeenergy.show.viewer.span import span_table
from homeenergy.show.viewer.trace_viewer import plot_overview, trace_viewer
from homeenergy.show.writeup import visit_up, write_up

__all__ = [
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
    "plot_duty_cycle",
    "plot_harmonics",
    "plot_hours_of_use",
    "plot_house_energy",
    "plot_idle_use",
    "plot_load",
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
