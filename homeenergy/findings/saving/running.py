"""How a load runs: too often, far too long, without what it serves, against another load.

Each question is answered by spans of time, and by the share of a load's energy that falls in them:
no saving is measured, and none can be more than that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.loads.heat_pump import LONGEST_HALT_S, compressor
from homeenergy.house.kinds import KINDS, STORES_HEAT, is_named, why_not_moved
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H

Spans = NDArray[np.int64]  # shape (n, 2): begin and end [ns], in order, not touching

# Starts in an hour from which a compressor cycles too often, and the share of its runs that must be
# in such hours: common practice, no source.
MANY_STARTS, MANY_RUNS = 6, 0.1
LEAST_CYCLING_H = 3.0  # one such hour happens after an outage. Own rule, no source.
LONGEST_PERIOD_S = 60.0  # longer samples hide short runs
COMPRESSOR_W = 500.0  # up to here what switches itself is a compressor and no heater. Own rule.
# A pump runs on once its source has rested for so long: common practice, no source.
RUN_ON_H = 1.0
# A run so many times as long as the usual one, and so long, is not a usual one. Own rules.
FAR_LONGER, LONG_RUN_H, LEAST_RUNS = 10.0, 1.0, 20

# Of the hours of a day, those in which a pump for water starts least often; starts in one of them
# from which water is lost, as an hour with closed taps would show. Own rules.
QUIET_HOURS, LEAST_REFILLS = 3, 1.0

# Share of the time that the compressor of a refrigerator is counted on (US Department of Energy,
# Energy Saver), and that from which it is on for too long: twice that, own rule.
USUAL_ON, LONG_ON = 1 / 3, 2 / 3

LONG_REST = 0.8  # of the longest rests: nobody draws hot water in them. Own rule.
MOST_ALIKE = 0.5  # of all rests: of more, none is known to be without use. Own rule.
# What is made up after rests without use differs by no more than this from the usual. Own rule.
SAME_LOSS = 0.25
SAME_CLOCK_MIN = 5.0  # a start by a clock comes back a day later as exactly. Own rule.
LEAST_RESTS, LEAST_REST_H = 8, 2.0
BY_CHANCE = 0.05  # share of starts that may come back at the same time of the next day

# Words in names of loads. Own lists: English, and some German, Dutch and French.
COMPRESSORS = "heat.?pump|air.?con|refrigerat|fridge|freez|dehumid|chiller|compressor|klima|airco"
COLD_STORES = (
    "refrigerat|fridge|freez|wine cool|kühlschrank|kühltruhe|gefrier|koelkast|vriez|réfrig|frigo|"
    "congél"
)
PUMPS = r"pump|pomp|circulat"
OTHER_PUMPS = "heat.?pump|wärmepumpe|warmtepomp|pompe à chaleur"
SUPPLIES = "well|brunnen|bron|puits|booster|pressure"
WATER_PUMPS = f"{SUPPLIES}|sump|sewage|lift"
SOURCES = f"{OTHER_PUMPS}|boiler|furnace|burner|heizkessel|cv.?ketel|chaudière"
CIRCULATORS = (
    "heating.?pump|circulat|umwälz|heizungspumpe|heizkreis|zirkulation|cv.?pomp|"
    "pompe de (chauffage|circul)"
)
HEATERS = (
    "radiator|convector|room heat|space heat|electric heat|floor heat|underfloor|baseboard|"
    "heizkörper|fussbodenheizung|fußbodenheizung|vloerverwarming|radiateur"
)
COOLERS = "air.?con|cooling|chiller|klimaanlage|klimagerät|airco|climatis"
HUMIDIFIERS, DRIERS = r"\bhumidif|luftbefeuchter", "dehumidif|luftentfeuchter"
FIGHTING = ((HEATERS, COOLERS), (HUMIDIFIERS, DRIERS))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortCycling:
    """Hours in which a compressor starts too often.

    `hours` of short cycling, `starts_per_hour` and median `run_min` in them, `usual_min` of other
    runs (NaN without any), and the `share` of the energy.
    """

    hours: float
    starts_per_hour: float
    run_min: float
    usual_min: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LongRuns:
    """Runs far longer than the usual one: `number`, of `runs`; `usual_min`, `longest_h`, `share`.

    `share` is that of the energy.
    """

    number: int
    runs: int
    usual_min: float
    longest_h: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Refills:
    """Runs of a pump for water at hours when next to nobody draws any.

    `starts_per_hour` at the quietest hours, and the `share` of the energy at that rate all day.
    """

    starts_per_hour: float
    share: float


def named(finding: ApplianceFinding, words: str) -> bool:
    """Whether a load or its circuit is called so."""
    return is_named(words, finding.appliance, finding.circuit)


def can_wait(finding: ApplianceFinding, timezone: tzinfo | str) -> bool:
    """Whether its runs can be moved: a person starts them, and they serve nothing else.

    So can those of a tank that a clock heats.
    """
    if heats_by_clock(finding, timezone):
        return True
    serves = named(finding, f"{SOURCES}|{CIRCULATORS}")
    why_not = why_not_moved(finding.kind, finding.appliance, finding.circuit)
    return not why_not and not serves


def is_compressor(finding: ApplianceFinding) -> bool:
    """Whether a load works by a compressor, as far as its name, kind and power tell.

    What works at varying power may as well be an element behind a controller, so a guess at that
    kind is not enough.
    """
    kind, runs = KINDS[finding.kind], finding.cycles.complete
    if named(finding, f"{COMPRESSORS}|{OTHER_PUMPS}"):
        return True
    if kind.varying:
        return finding.kind_sure >= 1 and not named(finding, PUMPS)
    small = len(runs) > 0 and float(runs["mean_w"].median()) < COMPRESSOR_W
    return kind.bridging.by_itself and small


def working(finding: ApplianceFinding) -> Spans:
    """When a load works: its runs or, where power varies, stretches of its compressor."""
    if KINDS[finding.kind].varying:
        machine = compressor(finding.cycles)
        p = machine.plateaus
        halt = int(LONGEST_HALT_S * NS_PER_S)  # a defrost is no stop
        return joined(_instants(finding, np.c_[p.first, p.stop][machine.running]), within_ns=halt)
    table = finding.cycles.table
    start, end = (pd.DatetimeIndex(table[c]).as_unit("ns").asi8 for c in ("start", "end"))
    return joined(np.c_[start, end])


def joined(spans: Spans, *, within_ns: int = 0) -> Spans:
    """Spans in order, those that touch or lie within `within_ns` of each other as one."""
    if not len(spans):
        return np.empty((0, 2), dtype=np.int64)
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    latest = np.maximum.accumulate(spans[:, 1])
    first = np.flatnonzero(np.r_[True, spans[1:, 0] - latest[:-1] > within_ns])
    return np.c_[spans[first, 0], latest[np.r_[first[1:] - 1, len(spans) - 1]]]


def common(one: Spans, other: Spans) -> Spans:
    """Spans that lie in both."""
    found = []
    for start, end in one:
        near = other[(other[:, 1] > start) & (other[:, 0] < end)]
        found.append(np.c_[np.maximum(near[:, 0], start), np.minimum(near[:, 1], end)])
    return np.concatenate(found) if found else np.empty((0, 2), dtype=np.int64)


def outside(one: Spans, other: Spans) -> Spans:
    """What of `one` lies in no span of `other`."""
    limits = np.iinfo(np.int64)
    edges = np.r_[limits.min, other.ravel(), limits.max].reshape(-1, 2)
    return common(one, edges[edges[:, 0] < edges[:, 1]])


def hours(spans: Spans) -> float:
    """Length of all spans [h]."""
    return float((spans[:, 1] - spans[:, 0]).sum()) / NS_PER_S / S_PER_H


def energy_share(finding: ApplianceFinding, spans: Spans) -> float:
    """Share of a load's energy that falls in spans."""
    p, total_wh = finding.cycles.plateaus, finding.cycles.total_wh
    if not total_wh > 0 or not len(spans):
        return 0.0
    edges = np.c_[p.first, p.stop].ravel()
    wh = p.sum_w * p.period_s / S_PER_H
    reached = np.c_[np.r_[0.0, np.cumsum(wh)[:-1]], np.cumsum(wh)].ravel()
    begin = p.start.as_unit("ns").value
    at = (spans - begin) / (p.period_s * NS_PER_S)
    inside = np.interp(at[:, 1], edges, reached) - np.interp(at[:, 0], edges, reached)
    return float(inside.sum()) / total_wh


def short_cycling(finding: ApplianceFinding, house: House) -> ShortCycling | None:
    """Hours in which a compressor starts six times or more; None where there are next to none.

    Notes
    -----
    Own method. Six starts that follow each other within an hour make a span of short cycling. It
    counts from `LEAST_CYCLING_H` hours and a tenth of all runs on, in logs of a sample a minute or
    shorter. That more than six starts an hour are too many is common practice, no source. Starts
    are read from the samples, since runs of few samples may be one plateau.
    """
    if finding.cycles.plateaus.period_s > LONGEST_PERIOD_S or not is_compressor(finding):
        return None
    trace = house.trace(finding.circuit)
    runs = _above(trace, _working_w(finding, trace))
    if len(runs) < MANY_STARTS:
        return None
    starts = runs[:, 0]
    ahead = MANY_STARTS - 1
    close = np.flatnonzero(starts[ahead:] - starts[:-ahead] <= S_PER_H * NS_PER_S)
    spans = joined(np.c_[starts[close], runs[close + ahead, 1]])
    if not len(spans):
        return None
    at = np.searchsorted(spans[:, 0], starts, side="right") - 1
    inside = (at >= 0) & (starts < spans[np.maximum(at, 0), 1])
    length_h = hours(spans)
    if length_h < LEAST_CYCLING_H or inside.mean() < MANY_RUNS:
        return None
    run_min = (runs[:, 1] - runs[:, 0]) / NS_PER_S / 60
    return ShortCycling(
        hours=length_h,
        starts_per_hour=float(inside.sum()) / length_h,
        run_min=float(np.median(run_min[inside])),
        usual_min=float(np.median(run_min[~inside])) if not inside.all() else float("nan"),
        share=energy_share(finding, spans),
    )


def _working_w(finding: ApplianceFinding, trace: Trace) -> float:
    """Power above which it works: half of what it usually takes then, where that does not vary."""
    if KINDS[finding.kind].varying:
        return compressor(finding.cycles).on_w
    on = trace.watts[trace.watts > finding.cycles.settings["on_w"]]
    return float(np.median(on)) / 2 if on.size else float("inf")


def _above(trace: Trace, watts_w: float) -> Spans:
    """Stretches of samples above a power; what is missing ends one."""
    on = np.r_[False, trace.watts > watts_w, False]
    edges = np.flatnonzero(on[1:] != on[:-1]).reshape(-1, 2)
    return np.asarray(trace.start.value + edges * trace.period_ns, dtype=np.int64)


def long_runs(finding: ApplianceFinding) -> LongRuns | None:
    """Runs of a pump for water that last far longer than its usual ones; None without any.

    Notes
    -----
    Own rules: of 20 runs or more, those of an hour or more and of ten times the median.
    """
    if not named(finding, PUMPS) or not named(finding, WATER_PUMPS):
        return None
    runs = working(finding)
    if len(runs) < LEAST_RUNS:
        return None
    run_h = (runs[:, 1] - runs[:, 0]) / NS_PER_S / S_PER_H
    usual_h = float(np.median(run_h))
    long = run_h >= max(FAR_LONGER * usual_h, LONG_RUN_H)
    if not long.any():
        return None
    return LongRuns(
        number=int(long.sum()),
        runs=len(runs),
        usual_min=60 * usual_h,
        longest_h=float(run_h.max()),
        share=energy_share(finding, runs[long]),
    )


def refills(finding: ApplianceFinding, timezone: tzinfo) -> Refills | None:
    """How a pump for water runs when nobody draws any; None where it then rests.

    Notes
    -----
    Own method. Of the 24 local hours, the three in which it starts least often show what it makes
    up for with no tap open: water that escapes, or flows back. It must start once an hour even
    then, and on half of the days or more.
    """
    runs = finding.cycles.complete
    if not named(finding, PUMPS) or not named(finding, SUPPLIES) or len(runs) < LEAST_RUNS:
        return None
    start = pd.DatetimeIndex(runs["start"]).tz_convert(timezone)
    starts = np.bincount(start.hour, minlength=24)
    quiet = np.isin(start.hour, np.argsort(starts, kind="stable")[:QUIET_HOURS])
    wh = runs["energy_wh"].to_numpy(np.float64)
    days = len(np.unique(start.date))
    per_hour = float(quiet.sum()) / QUIET_HOURS / days
    if per_hour < LEAST_REFILLS or 2 * len(np.unique(start.date[quiet])) < days:
        return None
    share = float(wh[quiet].sum()) * 24 / QUIET_HOURS / float(wh.sum())
    return Refills(starts_per_hour=per_hour, share=min(share, 1.0))


def tank_loss_w(cycles: Cycles) -> Estimate | None:
    """Power with which a heated tank makes up for the heat it loses while nobody draws [W].

    Parameters
    ----------
    cycles : Cycles
        Of a thermostat.

    Returns
    -------
    Estimate or None
        None where no heater is seen, or no rests long and many enough.

    Notes
    -----
    Own method. The thermostat makes up after each rest for what was lost in it, so energy of a run
    over the time since the run before it is mean power. Hot water drawn shortens rests, so those of
    at least 80 % of the longest (their 95 % point), from `LEAST_REST_H` hours on, are of losses
    alone, or nearly so: what is drawn in them still counts as a loss, and the figure is an upper
    one. Where half of them or more are within 25 % of the same power, the median of the half that
    lies closest, only these count: hot water drawn would differ from one to the next. Where most
    rests are as long and their power differs, or a clock starts the heater, so that it starts
    within 5 min of the same time on the next day, nothing tells them from rests with water drawn,
    and nothing is said.
    The interval is from the spread between them.
    """
    table = cycles.table
    if len(table) < LEAST_RESTS + 1 or table["mean_w"].median() < COMPRESSOR_W:
        return None
    start = pd.DatetimeIndex(table["start"]).as_unit("ns").asi8
    end = pd.DatetimeIndex(table["end"]).as_unit("ns").asi8
    whole = table["complete"].to_numpy(bool)
    cycle_h = (end[1:] - end[:-1]) / NS_PER_S / S_PER_H
    wh = table["energy_wh"].to_numpy(np.float64)[1:]
    seen = whole[1:] & whole[:-1] & (table["missing_s"].to_numpy(np.float64)[1:] == 0)
    rest_h = (start[1:] - end[:-1]) / NS_PER_S / S_PER_H
    seen &= rest_h > 0
    if seen.sum() < LEAST_RESTS:
        return None
    longest_h = float(np.quantile(rest_h[seen], 0.95))
    chosen = seen & (rest_h >= LONG_REST * longest_h)
    if longest_h < LEAST_REST_H or chosen.sum() < 3:
        return None
    began, power_w = start[1:][chosen], wh[chosen] / cycle_h[chosen]
    same = np.abs(power_w / np.median(_closest_half(power_w)) - 1) <= SAME_LOSS
    if same.mean() >= 0.5 and not by_clock(began):
        began, power_w = began[same], power_w[same]
    elif chosen.sum() > MOST_ALIKE * seen.sum():
        return None
    day = (began // (S_PER_DAY * NS_PER_S)).astype(np.int64)
    return mean_of_runs(power_w, day, unit="W")


def _closest_half(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The half of the values that lies in the shortest interval."""
    ordered = np.sort(values)
    n = ordered.size // 2 + 1
    at = int(np.argmin(ordered[n - 1 :] - ordered[: ordered.size - n + 1]))
    return ordered[at : at + n]


def by_clock(start_ns: NDArray[np.int64]) -> bool:
    """Whether most starts come back at the same time of the next day."""
    next_day = start_ns + S_PER_DAY * NS_PER_S
    near = SAME_CLOCK_MIN * 60 * NS_PER_S
    after = np.searchsorted(start_ns, next_day - near)
    again = np.searchsorted(start_ns, next_day + near, side="right") > after
    return bool(again.mean() >= 0.5)


def by_local_clock(times: pd.Series, timezone: tzinfo | str) -> bool:
    """The same by the clock on the wall, which may be changed meanwhile."""
    local = pd.DatetimeIndex(times).tz_convert(timezone).tz_localize(None)
    return by_clock(np.asarray(local.as_unit("ns").asi8))


def started_by_clock(finding: ApplianceFinding, timezone: tzinfo | str) -> bool:
    """Whether a clock starts its runs: most begin at the same local time of the next day.

    So few a day that they do not meet by chance: own rule.
    """
    runs = finding.cycles.complete
    few = len(runs) * 2 * SAME_CLOCK_MIN * 60 <= BY_CHANCE * max(finding.days, 1.0) * S_PER_DAY
    if len(runs) < LEAST_RESTS or not few:
        return False
    return by_local_clock(runs["start"], timezone)


def heats_by_clock(finding: ApplianceFinding, timezone: tzinfo | str) -> bool:
    """Whether it stores heat, by its name and its power, and a clock starts it."""
    if not named(finding, STORES_HEAT) or not started_by_clock(finding, timezone):
        return False
    return float(finding.cycles.complete["mean_w"].median()) >= COMPRESSOR_W


def without_source(pump: ApplianceFinding, sources: Sequence[ApplianceFinding]) -> Spans | None:
    """When a heating pump works though every source of heat has rested for an hour.

    None where it is no such pump, or no source has runs to compare with. A pump that rests for
    most of the time in which the sources work carries no heat of theirs: own rule.
    """
    if not named(pump, CIRCULATORS) or named(pump, OTHER_PUMPS):
        return None
    served = [one for one in sources if one is not pump and named(one, SOURCES)]
    if not served or any(KINDS[one.kind].never_off for one in served):
        return None
    seen = common(whole_log(pump), _seen(served))
    own = seen if KINDS[pump.kind].never_off else common(working(pump), seen)
    heat = [working(one) for one in served]
    at_work = common(joined(np.concatenate(heat)), seen)
    if 2 * np.diff(common(at_work, own)).sum() < np.diff(at_work).sum():
        return None
    after = int(RUN_ON_H * S_PER_H * NS_PER_S)
    return outside(own, joined(np.concatenate([one + np.array([0, after]) for one in heat])))


def at_odds(one: ApplianceFinding, other: ApplianceFinding) -> bool:
    """Whether one load undoes what the other does, as far as their names tell."""
    return any((named(one, a) and named(other, b) and not named(one, b)) for a, b in FIGHTING)


def whole_log(finding: ApplianceFinding) -> Spans:
    """All that was logged of a load, without gaps."""
    p = finding.cycles.plateaus
    return joined(_instants(finding, np.c_[p.first, p.stop]))


def _seen(findings: Sequence[ApplianceFinding]) -> Spans:
    spans = whole_log(findings[0])
    for one in findings[1:]:
        spans = common(spans, whole_log(one))
    return spans


def _instants(finding: ApplianceFinding, numbers: NDArray[np.int64]) -> Spans:
    """Numbers of samples as instants [ns]."""
    at_ns = finding.cycles.plateaus.instants(numbers.ravel()).asi8
    return np.asarray(at_ns.reshape(-1, 2), dtype=np.int64)
