"""What switching an appliance off between uses would save, and when not to."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from homeenergy.findings.appliance.record import clipped, estimate_text, is_bound
from homeenergy.findings.cost import price_saved
from homeenergy.findings.loads.idle import IdleUse, bound_text
from homeenergy.house.kinds import KINDS, why_named_to_stay_on
from homeenergy.stats.estimate import Estimate
from homeenergy.units import DAYS_PER_YEAR

CLOCK = "Clocks and timers lose their time, and delayed starts are lost."
LEAK_GUARD = (
    "A guard against leaks works only with power: close the tap before switching off a washing "
    "machine or a dishwasher."
)
COOL_DOWN = "Wait until fans that cool it down have stopped."
NETWORK = (
    "What is on a network or records programmes misses updates, recordings and commands while off."
)
# Breakers that switch 120 V and 277 V fluorescent lighting must be marked SWD or HID: U.S. National
# Electrical Code, 240.83(D). Elsewhere other codes hold, so the sentence names none.
BREAKER = (
    "A breaker is no everyday switch: few are made for it, and others wear. Use a switched outlet "
    "or a strip rated for the load. What is wired in is for a licensed electrician, after local "
    "codes."
)
TEST_FIRST = "Never by a breaker that also feeds something that must stay on: see what else stops."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SwitchingOff:
    """What being off for part of the day would save.

    `kwh_per_year` and `cost_per_year` are None where the appliance has to stay on, which `reason`
    then says; `cost_per_year` also without a tariff. `off_h_per_day` lies outside its runs.
    """

    idle_use: IdleUse
    off_h_per_day: float
    kwh_per_year: Estimate | None
    cost_per_year: Estimate | None
    reason: str
    cautions: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The answer in words."""
        name = self.idle_use.finding.appliance
        if self.kwh_per_year is None:
            return f"{name} has to stay on: {self.reason}."
        finding = self.idle_use.finding
        worth = _text(clipped(self.kwh_per_year, finding))
        if self.cost_per_year is not None:
            worth += f" or {_text(clipped(self.cost_per_year, finding))}"
        return (
            f"Switching {name} off for {self.off_h_per_day:.1f} h a day while nobody uses it would "
            f"save {worth} a year."
        )

    def to_frame(self) -> pd.DataFrame:
        """One row; intervals as columns ending in `_low` and `_high`."""
        row: dict[str, object] = {
            "circuit": self.idle_use.finding.circuit,
            "appliance": self.idle_use.finding.appliance,
            "off_h_per_day": self.off_h_per_day,
        }
        for name in ("kwh_per_year", "cost_per_year"):
            estimate: Estimate | None = getattr(self, name)
            known = estimate is not None and estimate.resolved
            row[name] = estimate.value if estimate is not None and known else float("nan")
            row[f"{name}_low"] = float("nan") if estimate is None else estimate.low
            row[f"{name}_high"] = float("nan") if estimate is None else estimate.high
        row["reason"] = self.reason
        row["cautions"] = " ".join(self.cautions)
        return pd.DataFrame([row])


def _text(estimate: Estimate) -> str:
    if is_bound(estimate):
        return f"at most {bound_text(estimate.high)} {estimate.unit}"
    return estimate_text(estimate)


def switching_off(idle_use: IdleUse, *, off_h_per_day: float | None = None) -> SwitchingOff:
    """What switching an appliance off between uses would save in a year.

    Parameters
    ----------
    idle_use : IdleUse
        From `idle_or_use`.
    off_h_per_day : float, optional
        Hours of a day for which it would be off [h], outside its runs. Default, and most: all the
        time outside its runs, as if it were off whenever nobody uses it.

    Returns
    -------
    SwitchingOff
        Only the energy at rest is saved, at the average price outside runs. What runs by
        itself, and what its name says must stay on, saves nothing here: `reason` says why.

    Raises
    ------
    ValueError
        If the hours are not between 0 and 24.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import idle_or_use, switching_off
    >>> house = he.open_house("sample_data/orchard_house")
    >>> oven = idle_or_use(he.house_findings(house, circuits=["range"]).appliances[0])
    >>> f"{switching_off(oven, off_h_per_day=12).kwh_per_year.value:.0f} kWh a year"
    '25 kWh a year'
    """
    if off_h_per_day is not None and not 0 <= off_h_per_day <= 24:
        raise ValueError(f"off_h_per_day must lie between 0 and 24 h, got {off_h_per_day!r}")
    away_h = idle_use.away_h_per_day
    off_h = away_h if off_h_per_day is None else min(off_h_per_day, away_h)
    reason = why_it_stays_on(idle_use)
    if reason:
        return SwitchingOff(
            idle_use=idle_use,
            off_h_per_day=0.0,
            kwh_per_year=None,
            cost_per_year=None,
            reason=reason,
            cautions=(),
        )
    share = off_h / away_h if away_h else 0.0
    saved = idle_use.idle_kwh_per_day.scaled(share * DAYS_PER_YEAR)
    price = price_saved(idle_use.finding, at_rest=True)
    return SwitchingOff(
        idle_use=idle_use,
        off_h_per_day=off_h,
        kwh_per_year=saved,
        cost_per_year=None if price is None else saved.scaled(price[0], unit=price[1]),
        reason="",
        cautions=_cautions(idle_use),
    )


def _cautions(idle_use: IdleUse) -> tuple[str, ...]:
    kind = KINDS[idle_use.finding.kind]
    own = [(kind.guards_leaks, LEAK_GUARD), (kind.networked, NETWORK)]
    return (CLOCK, *(text for holds, text in own if holds), COOL_DOWN, BREAKER, TEST_FIRST)


def why_it_stays_on(idle_use: IdleUse) -> str:
    """Reason why an appliance must not be switched off; empty where none is known."""
    finding = idle_use.finding
    named = why_named_to_stay_on(finding.appliance, finding.circuit)
    return named or KINDS[finding.kind].stays_on
