"""Idle or use: what an appliance takes waiting and what working, and which is more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, inf, isfinite, isinf, isnan, log, nan

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    clipped,
    estimate_text,
    interval_text,
    is_bound,
    percent_text,
    value_text,
)
from homeenergy.findings.days import day_parts, energy_per_day
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import (
    Estimate,
    measured,
    number_text,
    rounded_up,
    upper_bound,
)
from homeenergy.stats.means import ratio_of_days
from homeenergy.stats.parts import Parts
from homeenergy.stats.propagation import time_to_reach
from homeenergy.units import DAYS_PER_YEAR, S_PER_H, WH_PER_KWH
from homeenergy.words import two_digits

WEEKS_PER_YEAR = DAYS_PER_YEAR / 7
SELDOM_PER_WEEK = 0.2  # below, uses are counted by the year


def idle_sentence(idle_use: IdleUse) -> str:
    """Say what an appliance takes while idle and in use, and which is more."""
    finding, name = idle_use.finding, idle_use.finding.appliance
    week = clipped(idle_use.idle_kwh_per_week, finding)
    use = estimate_text(clipped(idle_use.use_kwh_per_week, finding))
    if KINDS[finding.kind].never_off:
        return f"{name} is never off, so none of its {use} a week is idle."
    if not isfinite(week.value):
        return f"{name} was never seen at rest, so what it takes while idle is not known."
    if not KINDS[finding.kind].by_hand:
        return (
            f"{name} takes {_amount(week)} a week between its runs, "
            f"{_share(idle_use.idle_share)} of its energy; it starts by itself and has to stay on."
        )
    if not len(finding.cycles.table):
        return (
            f"{name} was not used in these {finding.days:.1f} days: idling took {_amount(week)} "
            "a week."
        )
    return (
        f"{name} idles {_amount(week)} a week and takes {use} for its "
        f"{plural(idle_use.use_name)}: {_break_even_words(idle_use)}. {_verdict(idle_use)}"
    )


def _amount(estimate: Estimate) -> str:
    return (
        f"at most {bound_text(estimate.high)} {estimate.unit}"
        if is_bound(estimate)
        else estimate_text(estimate)
    )


def bound_text(bound: float) -> str:
    """Write an upper bound with two decimals below ten, rounded up so that it stays true."""
    return rounded_up(bound) if bound >= 10 else number_text(ceil(bound * 100 - 1e-9) / 100, 2)


def _share(share: Estimate) -> str:
    if is_bound(share):
        return f"at most {ceil(100 * share.high - 1e-9)} %"
    return "less than 1 %" if share.value < 0.005 else percent_text(share.value)


def _break_even_words(idle_use: IdleUse) -> str:
    uses, least, span = plural(idle_use.use_name), idle_use.break_even_per_week, "week"
    if (least.high if is_bound(least) else least.value) < SELDOM_PER_WEEK:
        least, span = least.scaled(WEEKS_PER_YEAR), "year"
    if is_bound(least):
        few = bound_text(least.high)
        return f"idling can take more than using it only with fewer than {few} {uses} a {span}"
    if not isfinite(least.value):
        return f"without a complete {idle_use.use_name} the break-even is not known"
    number, interval = value_text(least), interval_text(least, of=uses)
    return f"with fewer than {number} {uses} a {span} ({interval}), idling takes more than using it"


def _verdict(idle_use: IdleUse) -> str:
    share, often = idle_use.idle_share, idle_use.uses_per_week
    seen = f"There were {value_text(often)} a week ({interval_text(often)})"
    if share.high < 0.5:
        return f"{seen}: using it takes more."
    if share.resolved and share.low > 0.5:
        return f"{seen}: idling takes more."
    return f"{seen}: these days do not show which takes more."


def plural(noun: str) -> str:
    """More than one of it: "uses", "washes"."""
    return noun + ("es" if noun.endswith(("s", "sh", "ch", "x")) else "s")


DAYS_PER_WEEK, H_PER_WEEK = 7.0, 168.0
# With no event in n days, upper end of the two-sided 95 % interval times n: -ln 0.025, exact for a
# Poisson count. The "rule of three" (Hanley & Lippman-Hand 1983) is its one-sided counterpart.
NONE_SEEN = -log(0.025)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IdleUse:
    """What an appliance takes while it waits, and while it works.

    Attributes
    ----------
    finding : ApplianceFinding
        What it rests on.
    parts : pandas.DataFrame
        Energy of each local day, from `day_parts`: idle_kwh, use_kwh and other_kwh add up to it.
    idle_kwh_per_day, use_kwh_per_day, other_kwh_per_day : Estimate
        At rest between runs, in runs, and what is neither [kWh]. Idle is a bound where the draw at
        rest is below the resolution.
    idle_w : Estimate
        Mean draw at rest, the day being the unit of spread; without the clamp's multiplier [W].
    idle_share : Estimate
        Share of all energy that is idle. The clamp's multiplier is in both and drops out.
    uses_per_week : Estimate
        Runs begun.
    waiting_h_per_use : Estimate
        Hours of waiting that take as much energy as one use [h].
    break_even_per_week : Estimate
        Uses a week below which more is taken waiting than working. Unknown where the appliance
        runs by itself, and where no complete use.
    use_name : str
        What a use is called: "bake".
    """

    finding: ApplianceFinding
    parts: pd.DataFrame
    idle_kwh_per_day: Estimate
    use_kwh_per_day: Estimate
    other_kwh_per_day: Estimate
    idle_w: Estimate
    idle_share: Estimate
    uses_per_week: Estimate
    waiting_h_per_use: Estimate
    break_even_per_week: Estimate
    use_name: str = "use"

    @property
    def idle_kwh_per_week(self) -> Estimate:
        """Energy at rest in a week [kWh]."""
        return self.idle_kwh_per_day.scaled(DAYS_PER_WEEK)

    @property
    def use_kwh_per_week(self) -> Estimate:
        """Energy of its runs in a week [kWh]."""
        return self.use_kwh_per_day.scaled(DAYS_PER_WEEK)

    @property
    def idle_kwh_per_year(self) -> Estimate:
        """Energy at rest in a year like these days [kWh]."""
        return self.idle_kwh_per_day.scaled(DAYS_PER_YEAR)

    @property
    def use_kwh_per_year(self) -> Estimate:
        """Energy of its runs in a year like these days [kWh]."""
        return self.use_kwh_per_day.scaled(DAYS_PER_YEAR)

    @property
    def away_h_per_day(self) -> float:
        """Hours of a day outside runs [h]."""
        covered_h = float(self.parts["covered_h"].sum())
        return 24 * float(self.parts["away_h"].sum()) / covered_h

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return idle_sentence(self)

    def to_frame(self) -> pd.DataFrame:
        """One row; intervals as columns ending in `_low` and `_high`.

        `idle_resolved` is False where only the upper end of what it takes at rest is known.
        """
        row: dict[str, object] = {
            "circuit": self.finding.circuit,
            "appliance": self.finding.appliance,
            "kind": self.finding.kind,
            "idle_resolved": self.idle_kwh_per_day.resolved,
        }
        for name in (
            "idle_w",
            "idle_kwh_per_day",
            "idle_kwh_per_week",
            "idle_kwh_per_year",
            "use_kwh_per_day",
            "use_kwh_per_week",
            "use_kwh_per_year",
            "other_kwh_per_day",
            "idle_share",
            "uses_per_week",
            "waiting_h_per_use",
            "break_even_per_week",
        ):
            estimate: Estimate = getattr(self, name)
            row[name] = estimate.value if estimate.resolved else nan
            row[f"{name}_low"], row[f"{name}_high"] = estimate.low, estimate.high
        return pd.DataFrame([row])


def idle_or_use(finding: ApplianceFinding, *, use_name: str = "use") -> IdleUse:
    """Split what an appliance takes into waiting and working.

    Parameters
    ----------
    finding : ApplianceFinding
        From `house_findings` or `appliance_finding`.
    use_name : str
        What one run is called in words: "bake", "wash".

    Returns
    -------
    IdleUse
        Intervals come from how days differ. What all days share (the clamp's multiplier, its
        offset and step) is in `systematic`, and offsets in the draw at rest go on into the share
        and the break-even. An appliance that is never off has no idle energy.

    Raises
    ------
    HouseError
        Without readings, or where the energy is below zero.

    Notes
    -----
    With P drawn at rest, E for a use of h hours, N uses a week take N E, and what is left of the
    week takes P (168 - N h). They are equal at N = 168 / (E / P + h); own derivation. The interval
    is that of E / P (`Estimate.over`); h counts as exact.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import idle_or_use
    >>> house = he.open_house("sample_data/orchard_house")
    >>> oven = idle_or_use(he.house_findings(house, circuits=["range"]).appliances[0])
    >>> f"{oven.idle_kwh_per_week.value:.2f} kWh a week at {oven.idle_w.value:.1f} W"
    '0.94 kWh a week at 5.7 W'
    """
    _refuse(finding)
    parts = day_parts(finding.cycles, finding.daily)
    if KINDS[finding.kind].never_off:
        parts = _as_use(parts)
    idle_w = _idle_w(finding, parts)
    idle = _idle_kwh_per_day(finding, parts)
    waiting_h = _waiting_h_per_use(finding, idle_w)
    return IdleUse(
        finding=finding,
        parts=parts,
        idle_kwh_per_day=idle,
        use_kwh_per_day=_use_kwh_per_day(finding, parts),
        other_kwh_per_day=_per_day(parts, "other_kwh"),
        idle_w=idle_w,
        idle_share=_idle_share(finding, parts, idle),
        uses_per_week=_uses_per_week(parts),
        waiting_h_per_use=waiting_h,
        break_even_per_week=_break_even(finding, waiting_h),
        use_name=use_name,
    )


def _refuse(finding: ApplianceFinding) -> None:
    if not finding.days:
        raise HouseError(
            f"{finding.appliance} ({finding.circuit}) has no readings, so nothing can be split",
            fix="Check its column in house.toml, then run: homeenergy import FOLDER",
        )
    if finding.cycles.total_wh < 0:
        raise HouseError(
            f"the energy of {finding.appliance} ({finding.circuit}) is below zero",
            fix="If its clamp is on backwards, set multiplier = -1 in house.toml and import again.",
        )


def _as_use(parts: pd.DataFrame) -> pd.DataFrame:
    """What is never off is in use all the time."""
    total = parts["idle_kwh"] + parts["use_kwh"] + parts["other_kwh"]
    return parts.assign(use_kwh=total, idle_kwh=0.0, other_kwh=0.0, away_h=0.0)


def _per_day(parts: pd.DataFrame, name: str) -> Estimate:
    return energy_per_day(parts[["day", "covered_h", "day_h"]].assign(kwh=parts[name]))


def _idle_w(finding: ApplianceFinding, parts: pd.DataFrame) -> Estimate:
    standby = finding.cycles.standby
    if KINDS[finding.kind].never_off:
        basis = "never off, so never idle"
        return measured(nan, unit="W", n=0, basis=basis)
    if not standby.resolved or not isfinite(standby.value):
        return standby
    days = parts[parts["whole"] & (parts["away_h"] > 0)]
    if not len(days):
        return standby
    watts = ratio_of_days(
        days["idle_kwh"].to_numpy(np.float64) * WH_PER_KWH,
        days["away_h"].to_numpy(np.float64),
        unit="W",
        basis="mean draw at rest",
    )
    constant = standby.parts.chosen(observed=False)
    return watts.with_parts(constant, basis=f"{watts.basis}, and a step of it")


def _idle_kwh_per_day(finding: ApplianceFinding, parts: pd.DataFrame) -> Estimate:
    away_h = 24 * float(parts["away_h"].sum()) / float(parts["covered_h"].sum())
    standby = finding.standby_w
    if not KINDS[finding.kind].never_off and not isfinite(standby.value):
        known = _per_day(parts, "idle_kwh")
        return measured(nan, unit="kWh", n=known.n, basis=known.basis)
    if KINDS[finding.kind].never_off or standby.resolved:
        per_day = _per_day(parts, "idle_kwh")
        constant = standby.parts.chosen(observed=False).scaled(away_h / WH_PER_KWH)
        never_off = KINDS[finding.kind].never_off
        return per_day.with_parts(
            Parts() if never_off else constant, basis=f"{per_day.basis}, at rest"
        )
    high = standby.high * away_h / WH_PER_KWH
    if isfinite(finding.kwh_per_day.high):
        high = min(high, max(finding.kwh_per_day.high, 0.0))  # a part is no more than all of it
    basis = f"at most {two_digits(standby.high)} W for {away_h:.1f} h a day"
    return upper_bound(high, unit="kWh", n=standby.n, basis=basis)


def _use_kwh_per_day(finding: ApplianceFinding, parts: pd.DataFrame) -> Estimate:
    per_day = _per_day(parts, "use_kwh")
    used_h = 24 * (1 - float(parts["away_h"].sum()) / float(parts["covered_h"].sum()))
    clamp = finding.clamp_parts(per_day.value, hours=used_h, rounding=True)
    return per_day.with_parts(clamp, basis=f"{per_day.basis}, in use")


def _idle_share(finding: ApplianceFinding, parts: pd.DataFrame, idle: Estimate) -> Estimate:
    days = parts[parts["whole"]] if parts["whole"].any() else parts
    working = days["use_kwh"] + days["other_kwh"]
    if not isfinite(idle.value):
        return replace(idle, unit="")
    never_off = KINDS[finding.kind].never_off
    if len(finding.cycles.table) and not never_off and isnan(finding.idle_share):
        basis = "power flows both ways, so there are no shares"
        return measured(nan, unit="", n=idle.n, basis=basis)
    if not idle.resolved:
        others = 24 * float(working.sum()) / float(days["covered_h"].sum())
        high = idle.high / (idle.high + max(others, 0.0))
        return upper_bound(high, unit="", n=len(days), basis="bound")
    total = (working + days["idle_kwh"]).to_numpy(np.float64)
    share = ratio_of_days(
        days["idle_kwh"].to_numpy(np.float64), total, unit="", basis="share of all energy"
    )
    if never_off or not isfinite(share.value):
        return share
    share_per_w = float(days["away_h"].sum()) / WH_PER_KWH / float(total.sum()) * (1 - share.value)
    constant = finding.cycles.standby.parts.chosen(observed=False)
    return share.with_parts(constant.scaled(share_per_w)).within(least=0.0, most=1.0)


def _uses_per_week(parts: pd.DataFrame) -> Estimate:
    days = parts[parts["whole"]] if parts["whole"].any() else parts
    hours = days["covered_h"].to_numpy(np.float64)
    rate = ratio_of_days(
        days["starts"].to_numpy(np.float64), hours, unit="a week", basis="runs begun"
    )
    found = rate.scaled(H_PER_WEEK)
    if found.value == 0:
        most = NONE_SEEN * H_PER_WEEK / float(hours.sum())
        return found.between(0.0, most, basis=found.basis)
    return found.within(least=0.0)


def _waiting_h_per_use(finding: ApplianceFinding, idle_w: Estimate) -> Estimate:
    use, basis = finding.run_kwh, "one use over the draw at rest"
    if idle_w.resolved:
        # The clamp's multiplier is in both, and cancels.
        kw = finding.clamp_errors.with_ratio(idle_w).scaled(1 / WH_PER_KWH, unit="kW")
    else:
        use = use.made(use.value, use.parts.chosen(observed=True))
        kw = idle_w.scaled(1 / WH_PER_KWH, unit="kW")
    found = time_to_reach(use, kw, unit="h", basis=basis, positive=True).within(least=0.0)
    if idle_w.resolved:
        return replace(found, n=min(use.n, idle_w.n))
    return replace(found, value=nan, n=use.n)


def _break_even(finding: ApplianceFinding, waiting_h: Estimate) -> Estimate:
    runs = finding.cycles.complete
    unknown = measured(nan, unit="a week", n=len(runs), basis="")
    if not KINDS[finding.kind].by_hand:
        return replace(unknown, basis=f"{finding.kind}: nobody starts its runs")
    if not len(runs):
        return replace(unknown, basis="no complete use")
    use_h = float(runs["duration_s"].mean()) / S_PER_H
    basis = f"168 h / ({waiting_h.basis} + {use_h:.2g} h)"
    between_h = replace(waiting_h.within(least=0.0).plus(use_h), n=len(runs))
    found = between_h.inverse(H_PER_WEEK, unit="a week", basis=basis)
    of_one_use = isfinite(waiting_h.value) and isinf(waiting_h.high) and waiting_h.low <= 0
    return found.between(0.0, inf, basis=basis) if of_one_use else found
