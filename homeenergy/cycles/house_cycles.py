"""The runs of a circuit of a house, as its house.toml and its run_decisions.csv have them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.decisions import Decision, read_decisions
from homeenergy.cycles.rest import idle_standby
from homeenergy.cycles.runs.find import cycles_of_plateaus, find_cycles
from homeenergy.cycles.runs.result import ByHand, Cycles, make_cycles, turned_round
from homeenergy.cycles.segment.plateaus import Chunks, Plateaus, consecutive, some
from homeenergy.cycles.shared.house_loads import as_divided
from homeenergy.house.clamp_errors import UNKNOWN_ERRORS, ClampErrors, clamp_errors
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.units import NS_PER_S

# A line means the run with which it shares at least this part of the time of both together, so that
# it still does when readings that came later move the ends of the run a little. Own rule.
LEAST_SHARED = 0.5


def decided(
    cycles: Cycles,
    decisions: Iterable[Decision],
    *,
    trace: Chunks,
    floor: ClampErrors = UNKNOWN_ERRORS,
) -> Cycles:
    """Apply what a person decided to runs that were found.

    Parameters
    ----------
    cycles : Cycles
        From `find_cycles`.
    decisions : iterable of Decision
        Of this circuit; applied in their order. Settings are noted, not applied: they must have
        been given to `find_cycles`.
    trace : Trace, pandas.Series of watts, or a list of consecutive Traces (months)
        In which the runs were found.
    floor : ClampErrors
        As for `find_cycles`.

    Returns
    -------
    Cycles
        With the energies of the new runs from the samples, so that the total stays; `by_hand` says
        what was done, and which decisions fit no run. Energy of a discarded run counts among
        `other_wh`, but for the standby level. Where a run has a name, `table` has a column `label`.

    Notes
    -----
    A discarded run is no run, but no rest either: the standby is not taken from it. O(runs) for
    each decision; the samples are passed over once where any run was changed.
    """
    given = list(decisions)
    if not given:
        return cycles
    pieces = consecutive(trace)
    plateaus = cycles.plateaus
    backwards = bool(cycles.settings["backwards"])
    if backwards:
        cycles, plateaus = turned_round(cycles), plateaus.turned()
    runs = _Runs(
        plateaus=plateaus,
        pieces=pieces,
        first=plateaus.numbers(cycles.table["start"]),
        stop=plateaus.numbers(cycles.table["end"]),
        labels=[""] * len(cycles.table),
        sure=cycles.table["sure"].tolist(),
    )
    applied: list[Decision] = []
    unmatched: list[Decision] = []
    for one in given:
        (applied if runs.apply(one) else unmatched).append(one)
    by_hand = ByHand(applied=tuple(applied), unmatched=tuple(unmatched))
    if any(one.decision in ("split", "merge", "discard") for one in applied):
        cycles = _made_again(cycles, runs, floor=floor)
    if any(runs.labels):
        cycles = replace(cycles, table=cycles.table.assign(label=runs.labels))
    cycles = replace(cycles, by_hand=by_hand)
    return turned_round(cycles) if backwards else cycles


def _made_again(cycles: Cycles, runs: _Runs, *, floor: ClampErrors) -> Cycles:
    rest = cycles.rest
    if rest.hours:
        # Discarded runs are no rest.
        spans = np.r_[np.c_[runs.first, runs.stop], np.array(runs.away).reshape(-1, 2)]
        spans = spans[np.argsort(spans[:, 0], kind="stable")].astype(np.int64)
        rest = idle_standby(
            runs.pieces,
            runs.plateaus,
            spans[:, 0].copy(),
            spans[:, 1].copy(),
            on_w=cycles.settings["on_w"],
            floor=floor,
        )
    return make_cycles(
        runs.plateaus,
        runs.first,
        runs.stop,
        sure=np.array(runs.sure),
        rest=rest,
        settings=cycles.settings,
        kind=cycles.kind,
        kind_sure=cycles.kind_sure,
        label=cycles.label,
    )


@dataclass(slots=True, kw_only=True)
class _Runs:
    """Runs [first, stop) of samples while decisions are applied, in order of time."""

    plateaus: Plateaus
    pieces: list[Trace]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    labels: list[str]
    sure: list[float]
    away: list[tuple[int, int]] = field(default_factory=list)

    def apply(self, one: Decision) -> bool:
        """Apply a decision; tell whether there was a run that it fits."""
        if one.decision == "setting":
            return True
        if one.decision == "split":
            return self.split(self.number(one.start))
        span = self.number(one.start), self.number(one.end)
        if one.decision == "own":  # heeded where its circuit was divided
            return bool(((self.first < span[1]) & (self.stop > span[0])).any())
        if one.decision == "merge":
            return self.merge(*span)
        run = self.alike(*span)
        if run is None:
            return False
        if one.decision == "discard":
            self.away.append((int(self.first[run]), int(self.stop[run])))
            self.put(run, run + 1, [])
        else:
            self.labels[run] = one.value
        return True

    def number(self, instant: pd.Timestamp | None) -> int:
        """Number of the first sample that begins at or after an instant."""
        if instant is None:
            raise ValueError("a decision about a run needs its start, and but for a split its end")
        ns = instant.as_unit("ns").value - self.plateaus.start.value
        return int(-(-ns // round(self.plateaus.period_s * NS_PER_S)))

    def alike(self, first: int, stop: int) -> int | None:
        """Run that shares most with [first, stop), if that is at least `LEAST_SHARED`."""
        shared = np.minimum(self.stop, stop) - np.maximum(self.first, first)
        if not shared.size or shared.max() <= 0:
            return None
        run = int(shared.argmax())
        both = max(self.stop[run], stop) - min(self.first[run], first)
        return run if shared[run] >= LEAST_SHARED * both else None

    def split(self, at: int) -> bool:
        run = int(np.searchsorted(self.first, at, side="right")) - 1
        if run < 0 or not self.first[run] < at < self.stop[run]:
            return False
        self.plateaus, before, after = cut(self.plateaus, at, self.pieces)
        if not self.first[run] < before <= after < self.stop[run]:
            return False
        self.put(run, run + 1, [(int(self.first[run]), before), (after, int(self.stop[run]))])
        return True

    def merge(self, first: int, stop: int) -> bool:
        inside = np.minimum(self.stop, stop) - np.maximum(self.first, first)
        which = np.flatnonzero(2 * inside >= self.stop - self.first)
        if which.size < 2:
            return False
        a, b = int(which[0]), int(which[-1]) + 1
        self.put(a, b, [(int(self.first[a]), int(self.stop[b - 1]))])
        return True

    def put(self, a: int, b: int, runs: Sequence[tuple[int, int]]) -> None:
        """Put other runs in place of the runs [a, b)."""
        new = np.array(runs, np.int64).reshape(-1, 2)
        self.first = np.r_[self.first[:a], new[:, 0], self.first[b:]]
        self.stop = np.r_[self.stop[:a], new[:, 1], self.stop[b:]]
        named = next((label for label in self.labels[a:b] if label), "")
        self.labels[a:b] = [named] * len(runs)
        self.sure[a:b] = [1.0] * len(runs)


def cut(plateaus: Plateaus, at: int, pieces: list[Trace]) -> tuple[Plateaus, int, int]:
    """Plateaus of which none reaches across sample `at`, and where they end before and begin after.

    Sums of the two parts of a plateau come from its samples in `pieces`; the second part begins
    with a sample that is there.
    """
    i = int(np.searchsorted(plateaus.first, at, side="right")) - 1
    if i < 0:
        return plateaus, at, int(plateaus.first[0])
    if plateaus.first[i] == at:
        return plateaus, int(plateaus.stop[i - 1]) if i else at, at
    if plateaus.stop[i] <= at:
        after = int(plateaus.first[i + 1]) if i + 1 < len(plateaus) else at
        return plateaus, int(plateaus.stop[i]), after
    first, stop = int(plateaus.first[i]), int(plateaus.stop[i])
    watts = _samples(pieces, first, stop)
    there = np.flatnonzero(~np.isnan(watts))
    ends, begins = there[there < at - first][-1] + 1, there[there >= at - first][0]
    sign = -1.0 if plateaus.settings["backwards"] else 1.0
    parts = [sign * watts[there[there < begins]], sign * watts[there[there >= begins]]]
    new = {
        "first": [first, first + begins],
        "stop": [first + ends, stop],
        "n": [part.size for part in parts],
        "sum_w": [part.sum() for part in parts],
        "mean_w": [part.mean() for part in parts],
        "std_w": [part.std() for part in parts],
        "least_w": [part.min() for part in parts],
        "greatest_w": [part.max() for part in parts],
    }
    arrays = {}
    for name, values in new.items():
        old = getattr(plateaus, name)
        arrays[name] = np.r_[old[:i], np.array(values, old.dtype), old[i + 1 :]]
    return replace(plateaus, **arrays), first + int(ends), first + int(begins)


def _samples(pieces: list[Trace], first: int, stop: int) -> NDArray[np.float64]:
    """Samples [first, stop) of consecutive pieces [W]."""
    found, origin = [np.empty(0)], 0
    for piece in pieces:
        low, high = max(first - origin, 0), min(stop - origin, len(piece))
        if low < high:
            found.append(piece.watts[low:high].astype(np.float64))
        origin += len(piece)
    return np.concatenate(found)


def house_cycles(
    house: House,
    circuit: str | Circuit,
    *,
    trace: Trace | None = None,
    decisions: Iterable[Decision] | None = None,
    step_w: float = 0.0,
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
    step_w : float
        Step of its readings where the other circuits of its log show one (`coarse_steps_w`) [W].

    Returns
    -------
    Cycles
        Of the kind that house.toml states, with what the clamp makes of small powers, with the
        settings that a person saved, and with the runs that a person split, merged, discarded or
        relabelled; `by_hand` lists these.

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
    floor = clamp_errors(as_divided(house, found), house.supply).in_steps(step_w)
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
    floor: ClampErrors = UNKNOWN_ERRORS,
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
    floor : ClampErrors
        As for `find_cycles`.
    most : int, optional
        Of longer traces, runs are looked for among about so many plateaus. None: among all.

    Returns
    -------
    Cycles
        Where the plateaus of the trace are no more than `most`, the same that `find_cycles` gives
        for the whole; else what it gives for a part, at the levels of the whole. Its runs can
        differ from those of the whole where breaks are in doubt.
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
    part = some(plateaus, near)
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
    cycles: Cycles, *, trace: Trace, start: object, end: object, floor: ClampErrors = UNKNOWN_ERRORS
) -> Estimate:
    """Draw between runs in [start, end) [W].

    Parameters
    ----------
    cycles : Cycles
    trace : Trace
        In which the runs were found.
    start, end : timestamp
        Instants.
    floor : ClampErrors
        As for `find_cycles`.
    """
    cut_out = trace.between(start, end)
    if not cycles.rest.hours or not cut_out.covered_s:
        return measured(float("nan"), unit="W", n=0, basis="not seen at rest here")
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
    part = some(plateaus, slice(int(a), int(b)))
    if not len(part):
        part = plateaus
    part = _from_sample(part, lead, lead + len(trace))
    for at in (first - lead, stop - lead):
        part, _, _ = cut(part, at, [trace])
    inside = (part.first >= first - lead) & (part.stop <= stop - lead)
    part = _from_sample(some(part, inside), first - lead, stop - lead)
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
        return rest - 2 * rest.value  # an offset of the clamp keeps its sign
    return rest


def _from_sample(plateaus: Plateaus, first: int, stop: int) -> Plateaus:
    """The same plateaus, with samples counted from another."""
    return replace(
        plateaus,
        start=plateaus.instants(np.array([first]))[0],
        length=stop - first,
        first=plateaus.first - first,
        stop=plateaus.stop - first,
    )
