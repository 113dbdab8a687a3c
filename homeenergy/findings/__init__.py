"""What each appliance uses: per run, per day, while idle, in a year."""

from homeenergy.findings.appliance.appliance import ApplianceFinding, appliance_finding
from homeenergy.findings.appliance.house import Findings, house_findings
from homeenergy.findings.change.before_after import before_after
from homeenergy.findings.change.change import Change
from homeenergy.findings.change.several import Changes, find_changes
from homeenergy.findings.comparison.asked import compare_named
from homeenergy.findings.comparison.circuits import (
    compare_appliances,
    compare_houses,
    compare_programmes,
)
from homeenergy.findings.comparison.clamps import Clamps
from homeenergy.findings.comparison.comparison import Comparison, Worth, compare
from homeenergy.findings.comparison.times import (
    Comparisons,
    compare_hours,
    compare_weekdays,
    compare_weekend,
)
from homeenergy.findings.cost.carbon import carbon_of, carbon_table
from homeenergy.findings.cost.cost import EnergyCost, energy_cost, run_costs
from homeenergy.findings.cost.stepped import SteppedCost, block_cost, stepped_cost
from homeenergy.findings.days.daily import daily_energy, energy_per_day
from homeenergy.findings.loads.baseload import Baseload, house_baseload
from homeenergy.findings.loads.heat_pump import HeatPumpUse, heat_pump_use
from homeenergy.findings.loads.idle import IdleUse, idle_or_use
from homeenergy.findings.loads.lighting import HoursOfUse, hours_of_use
from homeenergy.findings.loads.programmes import ProgrammeUse, ProgrammeUses, programme_uses
from homeenergy.findings.many.survey import Survey, find_houses, survey_houses
from homeenergy.findings.saving.combined import Savings, combine_savings
from homeenergy.findings.saving.new_unit import replace_unit
from homeenergy.findings.saving.saving import Saving, payback
from homeenergy.findings.saving.shifting import Shift, shift_to_cheap_hours, shifting_table
from homeenergy.findings.saving.switching_off import SwitchingOff, switching_off
from homeenergy.findings.saving.what_if import (
    change_lamps,
    shift_in_time,
    switch_off_when_idle,
    switch_programme,
)
from homeenergy.findings.weather.days import daily_temperature
from homeenergy.findings.weather.fit import WeatherFit, weather_dependence
from homeenergy.findings.weather.models import degree_days, degree_days_in_hours, mean_of_extremes
from homeenergy.findings.year.annual import AnnualEnergy, annual_energy
from homeenergy.findings.year.label import (
    LabelEnergy,
    annual_energy_of_uses,
    label_cycles,
    label_energy,
    nameplate_energy_kwh,
    refrigerator_annual_cost,
)
from homeenergy.findings.year.normal_year import NormalYear, normal_year, read_normal_months

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
