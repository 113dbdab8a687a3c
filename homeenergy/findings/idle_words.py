"""Idle or use, in words."""

from __future__ import annotations

from math import ceil, isfinite
from typing import TYPE_CHECKING

from homeenergy.estimate import number_text, rounded_up
from homeenergy.findings.mean_price import scaled
from homeenergy.findings.wording import (
    clipped,
    estimate_text,
    interval_text,
    is_bound,
    percent_text,
    value_text,
)
from homeenergy.house.kinds import KINDS
from homeenergy.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from homeenergy.estimate import Estimate
    from homeenergy.findings.idle import IdleUse

WEEKS_PER_YEAR = DAYS_PER_YEAR / 7
SELDOM_PER_WEEK = 0.2  # below, uses are counted by the year


def idle_sentence(idle_use: IdleUse) -> str:
    """Say what an appliance takes waiting and working, and which is more."""
    finding, name = idle_use.finding, idle_use.finding.appliance
    week = clipped(idle_use.idle_kwh_per_week, finding)
    use = estimate_text(clipped(idle_use.use_kwh_per_week, finding))
    if KINDS[finding.kind].never_off:
        return f"{name} is never off, so nothing of its {use} a week is idle."
    if not isfinite(week.value):
        return f"{name} was never seen at rest, so what it takes while idle is not known."
    if not KINDS[finding.kind].by_hand:
        return (
            f"{name} takes {_amount(week)} a week between its runs, "
            f"{_share(idle_use.idle_share)} of its energy; it starts by itself and has to stay on."
        )
    if not len(finding.cycles.table):
        return (
            f"{name} was not used in these {finding.days:.1f} days: waiting took {_amount(week)} "
            "a week."
        )
    return (
        f"{name} idles {_amount(week)} a week and takes {use} for its "
        f"{plural(idle_use.use_name)}: {_break_even(idle_use)}. {_verdict(idle_use)}"
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


def _break_even(idle_use: IdleUse) -> str:
    uses, least, span = plural(idle_use.use_name), idle_use.break_even_per_week, "week"
    if (least.high if is_bound(least) else least.value) < SELDOM_PER_WEEK:
        least, span = scaled(least, WEEKS_PER_YEAR), "year"
    if is_bound(least):
        return f"it can wait more than it works only below {bound_text(least.high)} {uses} a {span}"
    if not isfinite(least.value):
        return f"no {idle_use.use_name} was seen whole, so how many outweigh the waiting is unknown"
    number, interval = value_text(least), interval_text(least, of=uses)
    return f"it waits more than it works below {number} {uses} a {span} ({interval})"


def _verdict(idle_use: IdleUse) -> str:
    share, often = idle_use.idle_share, idle_use.uses_per_week
    seen = f"There were {value_text(often)} a week ({interval_text(often)})"
    if share.high < 0.5:
        return f"{seen}: it works more than it waits."
    if share.resolved and share.low > 0.5:
        return f"{seen}: it waits more than it works."
    return f"{seen}: these days do not show which takes more."


def plural(noun: str) -> str:
    """More than one of it: "uses", "washes"."""
    return noun + ("es" if noun.endswith(("s", "sh", "ch", "x")) else "s")
