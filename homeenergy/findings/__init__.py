"""What each appliance uses: per run, per day, while idle, in a year."""

from homeenergy.findings.appliance import ApplianceFinding, appliance_finding
from homeenergy.findings.daily import daily_energy, energy_per_day
from homeenergy.findings.house_findings import Findings, house_findings
from homeenergy.findings.idle import IdleUse, idle_or_use
from homeenergy.findings.switching_off import SwitchingOff, switching_off

__all__ = [
    "ApplianceFinding",
    "Findings",
    "IdleUse",
    "SwitchingOff",
    "appliance_finding",
    "daily_energy",
    "energy_per_day",
    "house_findings",
    "idle_or_use",
    "switching_off",
]
