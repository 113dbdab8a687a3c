"""What a log shows of ratings: readings cut off by the clamp, and hours above 80 % of a breaker."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pandas as pd

from homeenergy.house.schedule import Circuit, Supply
from homeenergy.house.zones import country_of
from homeenergy.readings.house import House
from homeenergy.trust.clamps.limits import CONTINUOUS_SHARE
from homeenergy.trust.clamps.logged_load import LoggedLoad, logged_load
from homeenergy.trust.concern import Concern
from homeenergy.trust.log_facts import log_facts

LONG_H = 3  # "continuous load": NEC Art. 100, a rule of design
# A top that is cut off: many readings within half a per cent of the greatest, few just below.
FEWEST = 10
PILE = 3.0
# Where a meter's range ends, over the clamp's rating times its volts: some leave room for peaks.
# Common practice, no source.
RANGE_FROM, RANGE_TO = 0.95, 1.5


def load_volts_v(circuit: Circuit, supply: Supply) -> float | None:
    """Volts by which the watts of a circuit are divided for the amperes in each leg.

    From a leg to neutral, between two legs, or three times the former for a load balanced on three.
    None where the supply's volts, or the legs of a circuit that could have several, are not stated.
    """
    if supply.volts_v is None or (not circuit.legs and supply.system != "single-phase"):
        return None
    if len(circuit.legs) < 2:
        return supply.volts_v
    if len(circuit.legs) == 3:
        return 3 * supply.volts_v
    return supply.volts_v * (2 if supply.system == "split-phase" else sqrt(3))


def load_concerns(house: House) -> list[Concern]:
    """Find clamps at the end of their range and loads above 80 % of their breaker in the log.

    Parameters
    ----------
    house : House

    Returns
    -------
    list of Concern
        What is found is a prompt to check. Amperes are those of a power factor of 1, so there may
        be more.

    References
    ----------
    NEC 210.19(A), 210.20(A): breaker and conductors for 125 % of the continuous load, hence 80 %.
    """
    concerns = []
    for circuit in house.circuits:
        if not house.has_readings(circuit):
            continue
        rated = circuit.clamp.rating_a is not None and house.supply.volts_v is not None
        volts_v = load_volts_v(circuit, house.supply)
        if not rated and (circuit.breaker_a is None or volts_v is None):
            continue
        facts = log_facts(house, circuit)
        if facts is None:
            continue
        # Readings that are cut off are in doubt themselves.
        doubted = facts.doubts.first.size > 0
        whole = logged_load(house.months(circuit)) if doubted else facts.load
        concerns += _cut_off(whole, circuit, house.supply)
        if volts_v is not None:
            concerns += _above_breaker(facts.load, circuit, volts_v, str(house.timezone))
    return concerns


def _cut_off(load: LoggedLoad, circuit: Circuit, supply: Supply) -> list[Concern]:
    clamp = circuit.clamp
    if clamp.rating_a is None or supply.volts_v is None:
        return []
    if load.at_top < FEWEST or load.at_top < PILE * load.below_top:
        return []
    read_w = load.greatest_w / max(abs(one.value) for one in clamp.in_order)
    whole_v = load_volts_v(circuit, supply) or supply.volts_v
    # Meters multiply with a leg's voltage, some with that between legs.
    ends = {clamp.rating_a * volts_v for volts_v in (supply.volts_v, whole_v)}
    at = [end for end in ends if RANGE_FROM * end <= read_w <= RANGE_TO * end]
    if not at:
        return []
    return [
        Concern(
            weight="doubtful",
            subject=circuit.name,
            what=f"{circuit.name}: {load.at_top} readings lie within half a per cent of the "
            f"greatest, {read_w:,.0f} W at the clamp, few just below, and a {clamp.rating_a:g} A "
            f"clamp ends near {min(at, key=lambda end: abs(end - read_w)):,.0f} W: they may be cut "
            "off, and the energy too low.",
            do="Compare it with a reference meter at full load; a larger clamp reaches farther.",
            share=0.02,
        )
    ]


def _above_breaker(
    load: LoggedLoad, circuit: Circuit, volts_v: float, timezone: str
) -> list[Concern]:
    if circuit.breaker_a is None or load.start is None:
        return []
    limit_a = CONTINUOUS_SHARE * circuit.breaker_a
    for hours in (LONG_H, 1):
        amps = np.abs(load.hours_w(hours)) / volts_v
        if not amps.size or not np.nanmax(amps, initial=0.0) > limit_a:
            continue
        at = int(np.nanargmax(amps))
        begins = load.start + pd.Timedelta(seconds=at * load.block_s)
        over = amps[at] / circuit.breaker_a
        days = pd.DatetimeIndex(
            load.start + pd.to_timedelta(np.flatnonzero(amps > limit_a) * load.block_s, unit="s")
        )
        n_days = days.tz_convert(timezone).normalize().nunique()
        span = "hour" if hours == 1 else f"{hours} hours"
        each = " in each leg" if len(circuit.legs) > 1 else ""
        text = (
            f"{circuit.name}: {amps[at]:.3g} A or more{each} on average over the {span} from "
            f"{begins.tz_convert(timezone):%Y-%m-%d %H:%M}, {over:.0%} of its "
            f"{circuit.breaker_a:g} A breaker; above {limit_a:.3g} A (80 %) on "
            f"{n_days} {'day' if n_days == 1 else 'days'} of the log."
        )
        rule = (
            "Loads of three hours or more should leave a fifth of the breaker (NEC 210.19(A), "
            "210.20(A))"
            if country_of(timezone) == "US"
            else "Loads of hours warm a breaker that is nearly full"
        )
        more = " First see whether multiplier and breaker_a are right." if over > 1 else ""
        return [
            Concern(
                weight="doubtful" if hours == LONG_H or over > 1 else "note",
                subject=circuit.name,
                what=text,
                do=f"{rule}: a prompt to check, not proof of a violation; ask a licensed "
                f"electrician.{more}",
                share=max(0.0, float(over) - CONTINUOUS_SHARE),
            )
        ]
    return []
