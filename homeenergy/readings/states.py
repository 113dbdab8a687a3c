"""When a load was on, where its log holds states or temperatures in place of watts."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Circuit
from homeenergy.readings.body import Body, Numbers, find_switching
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.coverage import NORMAL
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.units import S_PER_H, WH_PER_KWH

NS_PER_MS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SwitchedLoad:
    """Runs of a load that is on or off.

    Attributes
    ----------
    circuit : Circuit
    runs : pandas.DataFrame
        One row a run: start, end (UTC), hours, start_s and end_s (standard uncertainty of either
        instant [s], 0 where it was logged), energy_wh (NaN without watts), complete, in_doubt (of
        temperatures: that it warms the body by more or less than the load does).
    covered_h : float
        Time of which the state is known [h].
    hours : Estimate
        Time on [h], with the uncertainty of the switching instants, and runs in doubt as part of
        it; NaN where a temperature shows no switching, as a load that never ran does too.
    energy : Estimate or None
        Hours times watts, with the uncertainty of both [kWh]; None where no watts are stated, or
        the hours are not known.
    body : Body or None
        What was learned of the warm body; None where states were logged.
    """

    circuit: Circuit
    runs: pd.DataFrame
    covered_h: float
    hours: Estimate
    energy: Estimate | None
    body: Body | None = None

    @property
    def duty(self) -> float:
        """Share of the time of which the state is known in which it was on; NaN of no time."""
        return self.hours.value / self.covered_h if self.covered_h else float("nan")

    def to_frame(self) -> pd.DataFrame:
        """The runs."""
        return self.runs


def switched_load(house: House, circuit: str | Circuit) -> SwitchedLoad:
    """Runs, hours and energy of a circuit whose log holds states or temperatures.

    Parameters
    ----------
    house : House
    circuit : str or Circuit

    Returns
    -------
    SwitchedLoad
        Without `watts` in house.toml it has hours, and no energy.

    Raises
    ------
    HouseError
        If its log holds watts, or nothing has been imported for it.

    Notes
    -----
    A sample of states is the share of its period that was on: where it switched once in it, that
    gives the instant. Energy is hours times watts, each with its uncertainty at 95 %: the share of
    watts, and 1.96 times the root of the summed variances of the switching instants (JCGM
    100:2008, 5.1).
    """
    found = house.circuit(circuit if isinstance(circuit, str) else circuit.name)
    quantity = house.switched.get(found.name)
    if quantity is None:
        raise HouseError(
            f"the log of circuit {found.name!r} holds watts",
            path=house.path,
            fix='Use find_cycles; or write quantity = "state" in its [[log]].',
        )
    trace = house.trace(found)
    body = find_switching(trace) if quantity == "temperature" else None
    if body is None:
        scale = found.clamp.multiplier
        table, covered_h = _of_states(trace, trace.watts / np.float32(scale))
    else:
        table, covered_h = _of_body(trace, body), trace.covered_s / S_PER_H
    variance_s2 = float((table["start_s"] ** 2 + table["end_s"] ** 2).sum())
    in_doubt_h = float(table.loc[table["in_doubt"], "hours"].sum())
    unknown = body is not None and np.isnan(body.rise_c)
    hours = measured(
        nan if unknown else float(table["hours"].sum()),
        NORMAL * sqrt(variance_s2) / S_PER_H + in_doubt_h,
        unit="h",
        basis=f"{len(table)} runs",
        source=f"switching of {found.name}",
        n=len(table),
    )
    energy = None
    table["energy_wh"] = np.nan
    if found.watts is not None and not unknown:
        table["energy_wh"] = table["hours"] * found.watts
        watts = measured(
            found.watts,
            (found.watts_uncertainty or 0.0) * found.watts,
            unit="W",
            basis=f"{found.watts:g} W as stated",
            source=f"watts of {found.name}",
        )
        energy = hours.times(watts, unit="Wh").scaled(1 / WH_PER_KWH, unit="kWh")
    return SwitchedLoad(
        circuit=found, runs=table, covered_h=covered_h, hours=hours, energy=energy, body=body
    )


def house_states(house: House) -> list[SwitchedLoad]:
    """All loads of a house that are known by states or temperatures, where there are readings."""
    there = [c for c in house.circuits if c.name in house.switched]
    return [switched_load(house, c) for c in there if house.has_log(c)]


def _of_states(trace: Trace, on: NDArray[np.floating]) -> tuple[pd.DataFrame, float]:
    """Runs from the share of each sample that was on."""
    known = ~np.isnan(on)
    share: Numbers = np.where(known, on, 0.0).astype(np.float64)
    first, stop = _stretches(share > 0)
    period = trace.period_s
    begin_s = first * period + (1 - share[first]) * period
    end_s = stop * period - np.where(stop - first > 1, (1 - share[stop - 1]) * period, 0.0)
    whole = np.concatenate(([False], known, [False]))
    complete = whole[first] & whole[stop + 1]
    return _table(trace, begin_s, end_s, complete=complete), float(known.sum()) * period / S_PER_H


def _of_body(trace: Trace, body: Body) -> pd.DataFrame:
    table = _table(trace, body.start_s, body.end_s, complete=body.complete)
    return table.assign(
        start_s=body.start_uncertainty_s,
        end_s=body.end_uncertainty_s,
        in_doubt=body.in_doubt,
    )


def _table(
    trace: Trace, begin_s: NDArray[np.floating], end_s: NDArray[np.floating], *, complete: NDArray
) -> pd.DataFrame:
    at = trace.start.as_unit("ns").value
    instants = [
        pd.to_datetime(at + np.round(s * 1000).astype(np.int64) * NS_PER_MS, unit="ns", utc=True)
        for s in (begin_s, end_s)
    ]
    return pd.DataFrame(
        {
            "start": instants[0],
            "end": instants[1],
            "hours": (end_s - begin_s) / S_PER_H,
            "start_s": 0.0,
            "end_s": 0.0,
            "complete": complete,
            "in_doubt": False,
        }
    )


def _stretches(on: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First sample, and the one after the last, of each stretch that is on."""
    edges = np.diff(np.concatenate(([False], on, [False])).astype(np.int8))
    return np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
