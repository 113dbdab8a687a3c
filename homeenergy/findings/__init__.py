"""What each appliance uses: per run, per day, while idle, in a year."""

from homeenergy.findings.appliance import ApplianceFinding, appliance_finding
from homeenergy.findings.baseload import Baseload, house_baseload
from homeenergy.findings.cost import EnergyCost, energy_cost, run_costs
from homeenergy.findings.daily import daily_energy, energy_per_day
from homeenergy.findings.house_findings import Findings, house_findings
from homeenergy.findings.idle import IdleUse, idle_or_use
from homeenergy.findings.lighting import HoursOfUse, hours_of_use
from homeenergy.findings.stepped import SteppedCost, block_cost, stepped_cost
from homeenergy.findings.switching_off import SwitchingOff, switching_off

__all__ = [
    "ApplianceFinding",
    "Baseload",
    "EnergyCost",
    "Findings",
    "HoursOfUse",
    "IdleUse",
    "SteppedCost",
    "SwitchingOff",
    "appliance_finding",
    "block_cost",
    "daily_energy",
    "energy_cost",
    "energy_per_day",
    "hours_of_use",
    "house_baseload",
    "house_findings",
    "idle_or_use",
    "run_costs",
    "stepped_cost",
    "switching_off",
]
