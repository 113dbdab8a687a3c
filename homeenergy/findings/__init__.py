"""What each appliance uses: per run, per day, while idle, in a year."""

from homeenergy.findings.appliance.house import house_findings
from homeenergy.findings.appliance.table import Findings
from homeenergy.findings.before_after import before_after
from homeenergy.findings.bill import stepped_cost
from homeenergy.findings.comparison.circuits import (
    compare_appliances,
    compare_houses,
    compare_programmes,
)
from homeenergy.findings.comparison.comparison import compare
from homeenergy.findings.comparison.times import compare_hours, compare_weekdays, compare_weekend
from homeenergy.findings.cost import carbon_of, energy_cost, run_costs
from homeenergy.findings.label import label_cycles, label_energy
from homeenergy.findings.loads.baseload import house_baseload
from homeenergy.findings.loads.heat_pump import heat_pump_use
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.loads.lighting import hours_of_use
from homeenergy.findings.loads.programmes import programme_uses
from homeenergy.findings.many import find_houses, survey_houses
from homeenergy.findings.saving.saving import combine_savings
from homeenergy.findings.saving.shifting import shift_to_cheap_hours
from homeenergy.findings.saving.switching_off import switching_off
from homeenergy.findings.saving.what_if import (
    change_lamps,
    replace_unit,
    shift_in_time,
    switch_off_when_idle,
    switch_programme,
)
from homeenergy.findings.several_changes import find_changes
from homeenergy.findings.weather.fit import weather_dependence
from homeenergy.findings.year import annual_energy, normal_year, read_normal_months

__all__ = [
    "Findings",
    "annual_energy",
    "before_after",
    "carbon_of",
    "change_lamps",
    "combine_savings",
    "compare",
    "compare_appliances",
    "compare_hours",
    "compare_houses",
    "compare_programmes",
    "compare_weekdays",
    "compare_weekend",
    "energy_cost",
    "find_changes",
    "find_houses",
    "heat_pump_use",
    "hours_of_use",
    "house_baseload",
    "house_findings",
    "idle_or_use",
    "label_cycles",
    "label_energy",
    "normal_year",
    "programme_uses",
    "read_normal_months",
    "replace_unit",
    "run_costs",
    "shift_in_time",
    "shift_to_cheap_hours",
    "stepped_cost",
    "survey_houses",
    "switch_off_when_idle",
    "switch_programme",
    "switching_off",
    "weather_dependence",
]
