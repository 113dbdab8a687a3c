"""Figures and pages that a person reads. Nothing here decides what is true."""

from importlib import import_module
from typing import Any

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

# Loaded when a name is first asked for: a table on a terminal needs no drawing and no widgets.
_FILE_OF = {
    "compare_panel": "panels.compare",
    "findings_page": "document.page",
    "idle_panel": "panels.idle",
    "plot_aligned_runs": "figures.runs",
    "plot_baseload": "figures.idle",
    "plot_before_after": "figures.comparison",
    "plot_between_houses": "figures.comparison",
    "plot_cabinet": "figures.teaching",
    "plot_clamps": "figures.teaching",
    "plot_comparison": "figures.comparison",
    "plot_currents": "figures.teaching",
    "plot_daily_energy": "figures.energy",
    "plot_duty_cycle": "figures.teaching",
    "plot_harmonics": "figures.teaching",
    "plot_hours_of_use": "figures.times",
    "plot_house_energy": "figures.energy",
    "plot_idle_use": "figures.idle",
    "plot_load": "figures.energy",
    "plot_overview": "viewer.trace_viewer",
    "plot_periods": "figures.times",
    "plot_power_triangle": "figures.teaching",
    "plot_price_shares": "figures.money",
    "plot_run_costs": "figures.money",
    "plot_run_distribution": "figures.runs",
    "plot_run_energies": "figures.runs",
    "plot_runs": "figures.runs",
    "plot_savings": "figures.money",
    "plot_traces": "figures.times",
    "plot_waves": "figures.teaching",
    "plot_weather": "figures.energy",
    "plot_week_map": "figures.times",
    "run_explorer": "explorer.explorer",
    "sliders": "panels.widgets",
    "span_table": "viewer.span",
    "trace_viewer": "viewer.trace_viewer",
    "visit_up": "writeup",
    "write_up": "writeup",
}


def __getattr__(name: str) -> Any:
    if name not in _FILE_OF:
        raise AttributeError(f"module 'homeenergy.show' has no attribute {name!r}")
    return getattr(import_module(f"homeenergy.show.{_FILE_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
