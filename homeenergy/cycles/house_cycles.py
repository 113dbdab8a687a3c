"""The runs of a circuit of a house, as its house.toml and its run_decisions.csv have them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, cast

from homeenergy.cycles.by_hand import decided
from homeenergy.cycles.decision_lines import Decision
from homeenergy.cycles.decisions import read_decisions
from homeenergy.cycles.result import Cycles
from homeenergy.cycles.runs import find_cycles
from homeenergy.house.clamp_floor import clamp_floor
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace


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
