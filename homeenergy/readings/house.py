"""House: a folder with a panel schedule and a store, opened for reading."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from threading import Lock
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house import Tariff
from homeenergy.house.schedule import (
    Circuit,
    Schedule,
    Supply,
    divided_circuits,
    other_units,
    switched,
)
from homeenergy.house.toml_file import read_schedule
from homeenergy.readings.doubt import NO_DOUBTS, Doubts
from homeenergy.readings.quality import circuit_quality, stored_doubts
from homeenergy.readings.store.importing import mending_store
from homeenergy.readings.store.overview import Envelope, Overview
from homeenergy.readings.store.places import overlapping, place_of
from homeenergy.readings.store.store import MonthInfo, Store, anew_if_rewritten
from homeenergy.readings.trace import Trace, correct_in_place
from homeenergy.units import NS_PER_S

# What divides the readings of a shared circuit and keeps those of its loads in the store, which a
# later room does (`homeenergy.cycles.shared.house_loads`): it is called with the house, the circuit
# and the store before a load is read for the first time.
dividers: list[Callable[[House, Circuit, Store], None]] = []


class House:
    """A house on disk. Use `open_house` to get one.

    Attributes
    ----------
    path : Path
        Its folder.
    schedule : Schedule
        All that house.toml says; `name`, `timezone`, `circuits`, `supply` and `tariff` are
        taken from it.
    held_out : frozenset of str
        Circuits that count as having no readings (see `without`).
    """

    def __init__(self, schedule: Schedule, *, held_out: frozenset[str] = frozenset()) -> None:
        self.schedule = schedule
        self.held_out = held_out | without_watts(schedule)
        self.path: Path = schedule.folder
        self._store = mending_store(schedule.folder)
        self._overview: Overview | None = None
        self._circuits = divided_circuits(schedule.circuits)
        self._divided: set[str] = set()
        self._dividing = Lock()

    @property
    def name(self) -> str:
        """Name of the house."""
        return self.schedule.name

    @property
    def timezone(self) -> ZoneInfo:
        """Time zone that says what a day is."""
        return self.schedule.timezone

    @property
    def circuits(self) -> tuple[Circuit, ...]:
        """Circuits of the panel schedule, in its order; loads follow the circuit they share."""
        return self._circuits

    @property
    def supply(self) -> Supply:
        """What the utility brings in."""
        return self.schedule.supply

    @property
    def tariff(self) -> Tariff | None:
        """What energy costs, if house.toml says so."""
        return self.schedule.tariff

    @property
    def switched(self) -> dict[str, str]:
        """Circuits whose logs hold no watts: "state" or "temperature" of each."""
        return switched(self.schedule.logs)

    @property
    def other_units(self) -> dict[str, str]:
        """Units of what its logs hold that is no power, by name: volts, warm wires, on and off."""
        stated = other_units(self.schedule.logs)
        held = {n: q for n, q in self.switched.items() if n in without_watts(self.schedule)}
        return {n: "°C" if q == "temperature" else "on" for n, q in held.items()} | stated

    def others(self) -> House:
        """Give what its logs hold that is no power as circuits, of the role "other"."""
        named = {circuit.name: circuit.appliance for circuit in self.schedule.circuits}
        role: Any = "other"
        circuits = tuple(
            Circuit(name=name, appliance=named.get(name, name.replace("_", " ")), role=role)
            for name in self.other_units
        )
        return House(replace(self.schedule, circuits=circuits, logs=()))

    @property
    def has_store(self) -> bool:
        """Whether any readings have been imported."""
        return any(self._store.months(circuit.name) for circuit in self.circuits)

    def has_readings(self, circuit: str | Circuit) -> bool:
        """Whether any readings of a circuit have been imported, and it is not held out."""
        found = self._circuit(circuit)
        return not {found.name, found.part_of} & self.held_out and self.has_log(circuit)

    def has_log(self, circuit: str | Circuit) -> bool:
        """Whether anything of a circuit has been imported, watts or not, held out or not."""
        return bool(self._store.months(self._measured(circuit)))

    def without(self, circuits: Iterable[str]) -> House:
        """Give the house as if it had no readings of some circuits, which cannot be believed."""
        held_out = self.held_out | frozenset(circuits)
        return self if held_out == self.held_out else House(self.schedule, held_out=held_out)

    def as_clamped(self) -> House:
        """Give the house with a circuit for each clamp: what several loads share is not divided."""
        if not any(circuit.loads for circuit in self.schedule.circuits):
            return self
        whole = tuple(replace(circuit, loads=()) for circuit in self.schedule.circuits)
        return House(replace(self.schedule, circuits=whole), held_out=self.held_out)

    @property
    def mains(self) -> tuple[Circuit, ...]:
        """Circuits of the incoming supply of which there are readings; none if one is held out.

        The others are not what the house takes.
        """
        logged = tuple(c for c in self.circuits if c.role == "mains" and self.has_log(c))
        return () if any(c.name in self.held_out for c in logged) else logged

    def __repr__(self) -> str:
        return f"House({self.name!r}, {len(self.circuits)} circuits, {str(self.path)!r})"

    def circuit(self, name: str) -> Circuit:
        """Give the circuit with a name.

        Raises
        ------
        HouseError
            If there is none; the names that are there are listed.
        """
        for circuit in self.circuits:
            if circuit.name == name:
                return circuit
        names = ", ".join(circuit.name for circuit in self.circuits)
        raise HouseError(f"there is no circuit {name!r}", path=self.path, fix=f"Circuits: {names}.")

    @anew_if_rewritten
    def trace(self, circuit: str | Circuit, start: object = None, end: object = None) -> Trace:
        """Read one circuit.

        Parameters
        ----------
        circuit : str or Circuit
        start, end : timestamp or text, optional
            Samples that begin in [start, end). Without a time zone they are local times of the
            house: "2026-03-01" is midnight there.

        Returns
        -------
        Trace
            Watts with the clamp's multiplier applied, each from its date on; what no month holds is
            NaN. Samples in doubt (see `doubts`) keep their value and are flagged in `doubt`. From
            the first to the last sample that is there, unless cut by `start` and `end`.

        Raises
        ------
        HouseError
            If nothing has been imported for this circuit.

        Notes
        -----
        O(samples); one float32 array is filled in place, month by month.
        """
        found = self._circuit(circuit)
        low, high = self.instant_ns(start), self.instant_ns(end)
        infos, period = self.stored_months(found)
        infos = [info for info in infos if info.samples and _meets(info, low, high)]
        if not infos:
            at = low if low is not None else high if high is not None else 0
            return _trace(found, -(-at // period), period, np.empty(0, dtype=np.float32))
        first = infos[0].first_slot
        watts = np.empty(infos[-1].first_slot + infos[-1].samples - first, dtype=np.float32)
        filled, parts = 0, []
        for info in infos:
            at = info.first_slot - first
            watts[filled:at] = np.nan
            filled = at + info.samples
            parts.append(watts[at:filled])
        if len(infos) == 1:
            self._store.read_into(infos[0], watts)
        else:  # two threads decode at once
            read = partial(self._store.read_into, keep=False)
            with ThreadPoolExecutor(max_workers=2) as pool:
                list(pool.map(read, infos, parts))
        correct_in_place(watts, found.clamp, first_slot=first, period_ns=period)
        trace = _trace(found, first, period, watts, doubts=self.doubts(found))
        lo = 0 if low is None else -(-low // period) - first
        hi = len(trace) if high is None else -(-high // period) - first
        return trace.samples(lo, max(hi, 0))

    def months(self, circuit: str | Circuit) -> Iterator[Trace]:
        """Read one circuit month by month (calendar months in UTC), so that memory stays bounded.

        Yields
        ------
        Trace
            The samples of a month; months without any are passed over. A month's trace begins
            and ends with a sample that is there, so what is missing between two is their distance.
        """
        found = self._circuit(circuit)
        doubts = self.doubts(found)
        stored, period = self.stored_months(found)
        for known in stored:
            if not known.samples:
                continue
            info, watts = self._month(found, known.month)
            correct_in_place(watts, found.clamp, first_slot=info.first_slot, period_ns=period)
            yield _trace(found, info.first_slot, period, watts, doubts=doubts)

    @anew_if_rewritten
    def doubts(self, circuit: str | Circuit) -> Doubts:
        """Which samples of a circuit are in doubt, and why.

        Returns
        -------
        homeenergy.readings.doubt.Doubts
            See `homeenergy.readings.doubt.find_doubts`. O(samples) at the first need; then kept in
            the store.

        Raises
        ------
        HouseError
            If nothing has been imported for this circuit.
        """
        found = self._circuit(circuit)
        # What is no power cannot be a wrong reading of it.
        if found.name in self.switched or str(found.role) == "other":
            return NO_DOUBTS
        return stored_doubts(self, self._store, found)

    @anew_if_rewritten
    def _month(self, circuit: Circuit, month: str) -> tuple[MonthInfo, np.ndarray]:
        info = self._store.known(circuit.name, month)
        watts = np.empty(info.samples, dtype=np.float32)
        self._store.read_into(info, watts)
        return info, watts

    def stored_months(self, circuit: str | Circuit) -> tuple[list[MonthInfo], int]:
        """What the months of a circuit say of themselves, and the length of a sample [ns].

        Raises
        ------
        HouseError
            If nothing has been imported for this circuit, or months differ in that length.
        """
        found = self._circuit(circuit)
        infos = self._infos(found)
        return infos, self._period_ns(found, infos)

    @property
    def overview(self) -> Overview:
        """For looking at long stretches: least, greatest and mean without reading all samples."""
        if self._overview is None:
            self._overview = Overview(self)
        return self._overview

    def envelope(
        self,
        circuit: str | Circuit,
        start: object = None,
        end: object = None,
        *,
        points: int = 1000,
    ) -> Envelope:
        """Least, greatest and mean power of a circuit in about `points` equal stretches.

        Parameters
        ----------
        circuit : str or Circuit
        start, end : timestamp or text, optional
            As for `trace`. Default: the first and the last reading.
        points : int
            Stretches to return at the least, and fewer than twice as many, if there are as many
            samples.

        Returns
        -------
        homeenergy.readings.store.overview.Envelope
            Of whole stretches, from the one that holds `start` to the one that holds `end`. No
            sample in them but those in doubt is left out of least, greatest and mean; where nothing
            was logged they are NaN. Where there are few samples each is a stretch of its own.

        Raises
        ------
        HouseError
            If nothing has been imported for this circuit.

        Notes
        -----
        O(points) once minutes and hours of a month have been summed up, which is done at the first
        need and kept in the store.

        Examples
        --------
        >>> import homeenergy as he
        >>> report = he.import_logs("sample_data/canal_flat")
        >>> house = he.open_house("sample_data/canal_flat")
        >>> week = house.envelope("dryer", "2026-03-02", "2026-03-09", points=84)
        >>> f"{week.width_s:g} s, at most {week.to_frame().greatest_w.max():.0f} W"
        '7200 s, at most 2800 W'
        """
        low, high = self.instant_ns(start), self.instant_ns(end)
        return self.overview.envelope(circuit, low, high, points=points)

    def quality(self) -> pd.DataFrame:
        """Tell how good the readings of each circuit are.

        Returns
        -------
        pandas.DataFrame
            One row a circuit; see `homeenergy.readings.quality.circuit_quality` for the columns.

        Raises
        ------
        HouseError
            If nothing has been imported.
        """
        if not self.has_store:
            raise self._not_imported("the house")
        rows = []
        for circuit in self.schedule.circuits:
            if self._store.months(circuit.name):
                infos = self._infos(circuit)
                rows.append(
                    circuit_quality(
                        circuit.name, infos, self.months(circuit), doubts=self.doubts(circuit)
                    )
                )
        return pd.DataFrame(rows).set_index("circuit")

    def place_of(self, circuit: str | Circuit, instant: pd.Timestamp) -> str:
        """Log file and line of a circuit's first row from an instant on; empty if not known."""
        name = self._measured(circuit)
        return place_of(self.schedule, self._store, name, int(instant.as_unit("ns").value))

    def overlapping(self, circuit: str | Circuit) -> list[str]:
        """Log files of a circuit that cover the same time."""
        return overlapping(self.schedule, self._store, self._measured(circuit))

    def _circuit(self, circuit: str | Circuit) -> Circuit:
        return self.circuit(circuit if isinstance(circuit, str) else circuit.name)

    def store_text(self, name: str) -> str | None:
        """Text that a divider keeps in the store; None if there is none."""
        return self._store.read_text(name)

    def _measured(self, circuit: str | Circuit) -> str:
        """Name of the circuit that was logged: of a load, the one that it shares."""
        found = self._circuit(circuit)
        return found.part_of or found.name

    def _divide(self, circuit: Circuit) -> None:
        with self._dividing:
            if circuit.part_of in self._divided:
                return
            if not dividers:  # the room that divides has not been asked for yet
                import_module("homeenergy.cycles")
            for divide in dividers:
                divide(self, self.circuit(circuit.part_of), self._store)
            self._divided.add(circuit.part_of)

    def _infos(self, circuit: Circuit) -> list[MonthInfo]:
        if circuit.part_of and self.has_log(circuit):
            self._divide(circuit)
        months = self._store.months(circuit.name)
        if not months:
            raise self._not_imported(f"circuit {circuit.name!r}")
        return [self._store.known(circuit.name, month) for month in months]

    def _not_imported(self, what: str) -> HouseError:
        there = [c.name for c in self.circuits if self._store.months(c.name)]
        held = f" Circuits with readings: {', '.join(there)}." if there else ""
        return HouseError(
            f"there are no readings of {what} in the store",
            path=self.path,
            fix=f"Run `homeenergy import {self.path}`, or import_logs(folder).{held}",
        )

    def _period_ns(self, circuit: Circuit, infos: list[MonthInfo]) -> int:
        periods = sorted({info.period_ns for info in infos})
        if len(periods) > 1:
            listed = " and ".join(f"{period / NS_PER_S:g} s" for period in periods)
            raise HouseError(
                f"months of circuit {circuit.name!r} were stored with periods of {listed}",
                path=self.path / "store" / circuit.name,
                fix="Put all logs back and import with rebuild, or state period_s as it was.",
            )
        return periods[0]

    def instant_ns(self, when: object) -> int | None:
        """Instant (UTC, ns since 1970) of a time; without a zone it is local. None stays None."""
        if when is None:
            return None
        instant = pd.Timestamp(when)  # type: ignore[arg-type]
        if instant.tzinfo is None:
            # A midnight that does not exist becomes the first instant after it.
            instant = instant.tz_localize(
                self.timezone, ambiguous=True, nonexistent="shift_forward"
            )
        return int(instant.tz_convert("UTC").as_unit("ns").value)


def without_watts(schedule: Schedule) -> frozenset[str]:
    """Circuits of which no log gives watts: their states are no power, nor are temperatures.

    `homeenergy.readings.states.house_states` has their runs and hours.
    """
    watts = {c.name for c in schedule.circuits if c.clamp.multiplier != 1}
    return frozenset(
        name
        for name, quantity in switched(schedule.logs).items()
        if quantity == "temperature" or name not in watts
    )


def _meets(info: MonthInfo, low_ns: int | None, high_ns: int | None) -> bool:
    begins = info.first_slot * info.period_ns
    ends = (info.first_slot + info.samples) * info.period_ns
    return (low_ns is None or ends > low_ns) and (high_ns is None or begins < high_ns)


def _trace(
    circuit: Circuit,
    first_slot: int,
    period_ns: int,
    watts: np.ndarray,
    *,
    doubts: Doubts | None = None,
) -> Trace:
    return Trace(
        label=circuit.appliance,
        start=pd.Timestamp(first_slot * period_ns, unit="ns", tz="UTC"),
        period_s=period_ns / NS_PER_S,
        watts=watts,
        doubt=None if doubts is None else doubts.flags(first_slot, watts.size),
    )


def open_house(path: str | Path) -> House:
    """Open a house.

    Parameters
    ----------
    path : path
        Its folder, with a house.toml.

    Returns
    -------
    House

    Raises
    ------
    HouseError
        If house.toml is missing or says what cannot be meant.

    Examples
    --------
    >>> import homeenergy as he
    >>> house = he.open_house("sample_data/canal_flat")
    >>> house.name, str(house.timezone)
    ('Canal flat', 'Europe/Amsterdam')
    >>> house.circuit("dryer").appliance
    'Tumble dryer'
    """
    return House(read_schedule(path))
