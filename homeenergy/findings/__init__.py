"""What each appliance uses: per run, per day, while idle, in a year."""

from homeenergy.findings.appliance import ApplianceFinding, appliance_finding
from homeenergy.findings.baseload import Baseload, house_baseload
from homeenergy.findings.before_after import before_after
from homeenergy.findings.carbon import carbon_of, carbon_table
from homeenergy.findings.change import Change
from homeenergy.findings.cost import EnergyCost, energy_cost, run_costs
from homeenergy.findings.daily import daily_energy, energy_per_day
from homeenergy.findings.degree_days import degree_days, degree_days_in_hours, mean_of_extremes
from homeenergy.findings.house_findings import Findings, house_findings
from homeenergy.findings.idle import IdleUse, idle_or_use
from homeenergy.findings.lighting import HoursOfUse, hours_of_use
from homeenergy.findings.many_houses import Survey, find_houses, survey_houses
from homeenergy.findings.normal_year import NormalYear, normal_year, read_normal_months
from homeenergy.findings.outdoor_days import daily_temperature
from homeenergy.findings.several_changes import Changes, find_changes
from homeenergy.findings.shifting import Shift, shift_to_cheap_hours, shifting_table
from homeenergy.findings.stepped import SteppedCost, block_cost, stepped_cost
from homeenergy.findings.switching_off import SwitchingOff, switching_off
from homeenergy.findings.weather import weather_dependence
from homeenergy.findings.weather_fit import WeatherFit

__all__ = [
    "ApplianceFinding",
    "Baseload",
    "Change",
    "Changes",
    "EnergyCost",
    "Findings",
    "HoursOfUse",
    "IdleUse",
    "NormalYear",
    "Shift",
    "SteppedCost",
    "Survey",
    "SwitchingOff",
    "WeatherFit",
    "appliance_finding",
    "before_after",
    "block_cost",
    "carbon_of",
    "carbon_table",
    "daily_energy",
    "daily_temperature",
    "degree_days",
    "degree_days_in_hours",
    "energy_cost",
    "energy_per_day",
    "find_changes",
    "find_houses",
    "hours_of_use",
    "house_baseload",
    "house_findings",
    "idle_or_use",
    "mean_of_extremes",
    "normal_year",
    "read_normal_months",
    "run_costs",
    "shift_to_cheap_hours",
    "shifting_table",
    "stepped_cost",
    "survey_houses",
    "switching_off",
    "weather_dependence",
]
