"""The runs of a circuit of a house, as its house.toml and its run_decisions.csv have them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, cast

import numpy as np

from homeenergy.cycles.decisions.apply import cut, decided
from homeenergy.cycles.decisions.lines import Decision, read_decisions
from homeenergy.cycles.rest import idle_standby
from homeenergy.cycles.runs.find import cycles_of_plateaus, find_cycles
from homeenergy.cycles.runs.result import Cycles, turned_round
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.house.clamp_floor import UNKNOWN_FLOOR, ClampFloor, clamp_floor
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate


def house_cycles(
    house: House,
    circuit: str | Circuit,
    *,
    trace: Trace | None = None,
    decisions: Iterable[Decision] | None = None,
) -> Cycles:
    """Find the runs of a circuit, with all that the house's folder says about them.

    Parameters
    ----------
    house : House
    circuit : str or Circuit
    trace : Trace, optional
        Of this circuit, where it has been read already. Default: all that the store holds.
    decisions : iterable of Decision, optional
        Those of other circuits are passed over. Default: what run_decisions.csv holds.

    Returns
    -------
    Cycles
        Of the kind that house.toml states, with what the clamp makes of small powers, with the
        settings that a person saved, and with the runs that a person split, merged, discarded or
        relabelled; `by_hand` tells these.

    Raises
    ------
    HouseError
        If there is no such circuit, nothing has been imported for it, or run_decisions.csv cannot
        be used.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles import house_cycles
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> house_cycles(house, "dryer").kind
    'batch'
    """
    found = house.circuit(circuit if isinstance(circuit, str) else circuit.name)
    every = read_decisions(house) if decisions is None else decisions
    own = [one for one in every if one.circuit == found.name]
    readings = house.trace(found) if trace is None else trace
    floor = clamp_floor(found, house.supply)
    settings: dict[str, Any] = saved_settings(own)
    kind = cast("str | None", settings.pop("kind", found.kind))
    cycles = find_cycles(readings, kind, floor=floor, **settings)
    return decided(cycles, own, trace=readings, floor=floor)


def saved_settings(decisions: Iterable[Decision]) -> dict[str, float | str]:
    """Settings among decisions about one circuit, by name; the last line of a name holds."""
    return dict(one.setting for one in decisions if one.decision == "setting")


# Runs of so many plateaus are found in a twentieth of a second.
QUICK_PLATEAUS = 60_000
LEVELS = ("idle_w", "on_w", "low_w")


def runs_again(
    cycles: Cycles,
    settings: dict[str, Any],
    *,
    trace: Trace,
    first: int,
    stop: int,
    kind: str | None = None,
    floor: ClampFloor = UNKNOWN_FLOOR,
    most: int | None = QUICK_PLATEAUS,
) -> Cycles:
    """Find runs again with other settings, at and around samples [first, stop).

    Parameters
    ----------
    cycles : Cycles
        From `find_cycles` on all of `trace`, without decisions.
    settings : dict
        Of `find_cycles`, those that leave the plateaus as they are: idle_w, on_w, low_w, pause_s.
    trace : Trace
    first, stop : int
        Samples that must be covered.
    kind : str, optional
        Default: inferred again; of a part, that of `cycles`.
    floor : ClampFloor
        As for `find_cycles`.
    most : int, optional
        Of longer traces, runs are looked for among about so many plateaus. None: among all.

    Returns
    -------
    Cycles
        Where the plateaus of the trace are no more than `most`, the same that `find_cycles` gives
        for the whole; else what it gives for a part, at the levels of the whole.
    """
    plateaus = cycles.plateaus
    if most is None or len(plateaus) <= most:
        return cycles_of_plateaus(plateaus, [trace], kind=kind, floor=floor, **settings)
    asked = kind or cycles.kind
    whole = {name: cycles.settings[name] for name in LEVELS if np.isfinite(cycles.settings[name])}
    if asked != cycles.kind or {"on_w", "idle_w"} & settings.keys():
        whole.pop("low_w", None)  # goes by them
    a, b = np.searchsorted(plateaus.first, [first, stop])
    spare = max(0, most - int(b - a)) // 2
    near = slice(max(0, int(a) - spare - 1), int(b) + spare + 1)
    part = _some(plateaus, near)
    low, high = int(part.first[0]), int(part.stop[-1])
    moved = _from_sample(part, low, high)
    return cycles_of_plateaus(
        moved,
        [trace.samples(low, high)],
        kind=asked,
        floor=floor,
        **{**whole, **settings},
    )


def standby_between(
    cycles: Cycles, *, trace: Trace, start: object, end: object, floor: ClampFloor = UNKNOWN_FLOOR
) -> Estimate:
    """Draw between runs in [start, end) [W].

    Parameters
    ----------
    cycles : Cycles
    trace : Trace
        In which the runs were found.
    start, end : timestamp
        Instants.
    floor : ClampFloor
        As for `find_cycles`.
    """
    cut_out = trace.between(start, end)
    if not cycles.rest.hours or not cut_out.covered_s:
        nan = float("nan")
        return Estimate(value=nan, low=nan, high=nan, unit="W", n=0, basis="not seen at rest here")
    backwards = bool(cycles.settings["backwards"])
    plateaus = cycles.plateaus.turned() if backwards else cycles.plateaus
    if backwards:
        cycles = turned_round(cycles)
    first = int((cut_out.start - plateaus.start).as_unit("ns").value // trace.period_ns)
    stop = first + len(cut_out)
    lead = int((trace.start - plateaus.start).as_unit("ns").value // trace.period_ns)
    a, b = (
        np.searchsorted(plateaus.stop, first, side="right"),
        np.searchsorted(plateaus.first, stop),
    )
    part = _some(plateaus, slice(int(a), int(b)))
    if not len(part):
        part = plateaus
    part = _from_sample(part, lead, lead + len(trace))
    for at in (first - lead, stop - lead):
        part, _, _ = cut(part, at, [trace])
    inside = (part.first >= first - lead) & (part.stop <= stop - lead)
    part = _from_sample(_some(part, inside), first - lead, stop - lead)
    runs = np.c_[plateaus.numbers(cycles.table["start"]), plateaus.numbers(cycles.table["end"])]
    runs = runs[(runs[:, 1] > first) & (runs[:, 0] < stop)] - first
    rest = idle_standby(
        [cut_out],
        part,
        runs[:, 0].copy(),
        runs[:, 1].copy(),
        on_w=cycles.settings["on_w"],
        floor=floor,
    ).draw_w
    if backwards and rest.resolved:
        return replace(rest, value=-rest.value, low=-rest.high, high=-rest.low)
    return rest


def _some(plateaus: Plateaus, which: Any) -> Plateaus:
    names = ("first", "stop", "n", "sum_w", "mean_w", "std_w", "least_w", "greatest_w")
    return replace(plateaus, **{name: getattr(plateaus, name)[which] for name in names})


def _from_sample(plateaus: Plateaus, first: int, stop: int) -> Plateaus:
    """The same plateaus, with samples counted from another."""
    return replace(
        plateaus,
        start=plateaus.instants(np.array([first]))[0],
        length=stop - first,
        first=plateaus.first - first,
        stop=plateaus.stop - first,
    )
