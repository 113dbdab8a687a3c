"""Whether a circuit that is said to feed one appliance looks like several: a question, no claim."""

from __future__ import annotations

from homeenergy.cycles.shared.split import LEAST_DAYS, QUESTION_ODDS, SharedClamp, split_loads
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_DAY

# So much of a log is asked: more days would say the same.
ASKED_DAYS = 14
# A use of part of a longer sample looks like another load.
LONGEST_PERIOD_S = 10.0
# Electronics at rest stay below the first [W]: a lesser draw is a state of the other. Equal loads
# cannot be told from two settings of one. Common practice and own rule.
LEAST_W, SAME = 20.0, 0.15


def several_loads(trace: Trace) -> SharedClamp | None:
    """Divide the last days of a circuit in two, if it looks like several loads; else None.

    At odds above `QUESTION_ODDS`, with four days at the least and readings every 10 s or oftener.
    """
    if trace.period_s > LONGEST_PERIOD_S:
        return None
    recent = trace.samples(len(trace) - round(ASKED_DAYS * S_PER_DAY / trace.period_s), len(trace))
    if recent.covered_s < LEAST_DAYS * S_PER_DAY:
        return None
    shared = split_loads(recent, n=2)
    return shared if looks_like_two(shared) else None


def looks_like_two(shared: SharedClamp) -> bool:
    """Whether what was divided in two is to be asked about."""
    low, high = sorted(shared.usual_w.values())
    clear = low >= LEAST_W and high >= (1 + SAME) * low
    return clear and shared.odds_of_several > QUESTION_ODDS


def question(trace: Trace) -> str | None:
    """Ask whether a circuit feeds two appliances, with the evidence and what to do; or None."""
    shared = several_loads(trace)
    if shared is None:
        return None
    first, second = shared.usual_w.values()
    return (
        f"this looks like two appliances, of about {first:,.0f} and {second:,.0f} W, used "
        f"independently of each other (odds {shared.odds_of_several:.0f} to 1): is it? If so, "
        "write loads = 2 into its [[circuit]], or a [[circuit.load]] for each; if not, leave it"
    )
