"""Whether a circuit that is said to feed one appliance looks like several: a question, no claim."""

from __future__ import annotations

from homeenergy.cycles.shared.split import (
    LEAST_DAYS,
    LONGEST_PERIOD_S,
    QUESTION_ODDS,
    odds_of_two,
)
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_DAY
from homeenergy.words import two_digits

# So much of a log is asked: more days would say the same.
ASKED_DAYS = 7


def question(trace: Trace) -> str | None:
    """Ask whether a circuit feeds two appliances, with the evidence and what to do; or None.

    With four days at the least, and readings every 10 s or oftener; of the last week.
    """
    if trace.period_s > LONGEST_PERIOD_S:
        return None
    recent = trace.samples(len(trace) - round(ASKED_DAYS * S_PER_DAY / trace.period_s), len(trace))
    if recent.covered_s < LEAST_DAYS * S_PER_DAY:
        return None
    odds, watts = odds_of_two(recent)
    if odds <= QUESTION_ODDS:
        return None
    return (
        f"this looks like two appliances, of about {watts[0]:,.0f} and {watts[1]:,.0f} W, used "
        f"independently of each other (odds {two_digits(min(odds, 1000))} to 1): is it? If so, "
        "write loads = 2 into its [[circuit]], or a [[circuit.load]] for each; if not, loads = 1"
    )
