"""What each appliance uses: per run, per day, while idle, in a year."""

from homeenergy.findings.annual import AnnualEnergy, annual_energy
from homeenergy.findings.appliance import ApplianceFinding, appliance_finding
from homeenergy.findings.asked import compare_named
from homeenergy.findings.baseload import Baseload, house_baseload
from homeenergy.findings.before_after import before_after
from homeenergy.findings.carbon import carbon_of, carbon_table
from homeenergy.findings.change import Change
from homeenergy.findings.combined import Savings, combine_savings
from homeenergy.findings.compare_circuits import (
    compare_appliances,
    compare_houses,
    compare_programmes,
)
from homeenergy.findings.compare_times import (
    Comparisons,
    compare_hours,
    compare_weekdays,
    compare_weekend,
)
from homeenergy.findings.compared_clamps import Clamps
from homeenergy.findings.comparison import Comparison, Worth, compare
from homeenergy.findings.cost import EnergyCost, energy_cost, run_costs
from homeenergy.findings.daily import daily_energy, energy_per_day
from homeenergy.findings.degree_days import degree_days, degree_days_in_hours, mean_of_extremes
from homeenergy.findings.heat_pump import HeatPumpUse, heat_pump_use
from homeenergy.findings.house_findings import Findings, house_findings
from homeenergy.findings.idle import IdleUse, idle_or_use
from homeenergy.findings.label import LabelEnergy, label_cycles, label_energy
from homeenergy.findings.lighting import HoursOfUse, hours_of_use
from homeenergy.findings.many_houses import Survey, find_houses, survey_houses
from homeenergy.findings.nameplate import (
    annual_energy_of_uses,
    nameplate_energy_kwh,
    refrigerator_annual_cost,
)
from homeenergy.findings.new_unit import replace_unit
from homeenergy.findings.normal_year import NormalYear, normal_year, read_normal_months
from homeenergy.findings.outdoor_days import daily_temperature
from homeenergy.findings.programmes import ProgrammeUse, ProgrammeUses, programme_uses
from homeenergy.findings.saving import Saving, payback
from homeenergy.findings.several_changes import Changes, find_changes
from homeenergy.findings.shifting import Shift, shift_to_cheap_hours, shifting_table
from homeenergy.findings.stepped import SteppedCost, block_cost, stepped_cost
from homeenergy.findings.switching_off import SwitchingOff, switching_off
from homeenergy.findings.weather import weather_dependence
from homeenergy.findings.weather_fit import WeatherFit
from homeenergy.findings.what_if import (
    change_lamps,
    shift_in_time,
    switch_off_when_idle,
    switch_programme,
)

__all__ = [
    "AnnualEnergy",
    "ApplianceFinding",
    "Baseload",
    "Change",
    "Changes",
    "Clamps",
    "Comparison",
    "Comparisons",
    "EnergyCost",
    "Findings",
    "HeatPumpUse",
    "HoursOfUse",
    "IdleUse",
    "LabelEnergy",
    "NormalYear",
    "ProgrammeUse",
    "ProgrammeUses",
    "Saving",
    "Savings",
    "Shift",
    "SteppedCost",
    "Survey",
    "SwitchingOff",
    "WeatherFit",
    "Worth",
    "annual_energy",
    "annual_energy_of_uses",
    "appliance_finding",
    "before_after",
    "block_cost",
    "carbon_of",
    "carbon_table",
    "change_lamps",
    "combine_savings",
    "compare",
    "compare_appliances",
    "compare_hours",
    "compare_houses",
    "compare_named",
    "compare_programmes",
    "compare_weekdays",
    "compare_weekend",
    "daily_energy",
    "daily_temperature",
    "degree_days",
    "degree_days_in_hours",
    "energy_cost",
    "energy_per_day",
    "find_changes",
    "find_houses",
    "heat_pump_use",
    "hours_of_use",
    "house_baseload",
    "house_findings",
    "idle_or_use",
    "label_cycles",
    "label_energy",
    "mean_of_extremes",
    "nameplate_energy_kwh",
    "normal_year",
    "payback",
    "programme_uses",
    "read_normal_months",
    "refrigerator_annual_cost",
    "replace_unit",
    "run_costs",
    "shift_in_time",
    "shift_to_cheap_hours",
    "shifting_table",
    "stepped_cost",
    "survey_houses",
    "switch_off_when_idle",
    "switch_programme",
    "switching_off",
    "weather_dependence",
]
