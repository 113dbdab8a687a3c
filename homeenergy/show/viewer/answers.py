"""What the viewer's page may ask, and what it is told: the same in a notebook and over HTTP.

A question is a dict with its `kind`; an answer is a dict and little-endian float32 arrays. Power
comes as least, greatest and mean of equal stretches of time that begin at whole multiples of their
length since 1970, of which the store keeps minutes and hours (`Overview`). Instants are in seconds.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, cast

import pandas as pd

from homeenergy.cycles import house_cycles
from homeenergy.cycles.decisions import FILE_NAME as DECISIONS_FILE
from homeenergy.cycles.decisions import Act, Decision, add_decisions, read_decisions
from homeenergy.cycles.programmes import find_programmes
from homeenergy.cycles.runs.result import Cycles
from homeenergy.cycles.shared.house_loads import division_of
from homeenergy.errors import HouseError
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.record.link import now_ms
from homeenergy.record.recorder import is_recording
from homeenergy.record.watch import Live
from homeenergy.show.figures.style import instants_ns
from homeenergy.show.panels.widgets import sentence
from homeenergy.show.viewer.others import METER, OUTDOOR, Lane, Other, lane_of, others_of
from homeenergy.show.viewer.span import file_stem, readings_csv, span_cost, span_table
from homeenergy.show.viewer.view import (
    SHOWN_FIRST,
    circuit_labels,
    circuits_to_begin_with,
    energies_kwh,
    highest_peaks_ns,
    log_extent_ns,
    span_text,
)
from homeenergy.stats.estimate import number_text
from homeenergy.units import NS_PER_S, WH_PER_KWH

BASE_POINTS = 1500  # stretches of the whole log that a page keeps of each lane
MOST_POINTS = 20_000
READERS = 2
MOST_COPIED = 60  # lanes that a page without a kernel carries, if it is not to become too large
Answer = tuple[dict[str, Any], list[bytes]]


def clock_offsets(house: House, start_ns: int, end_ns: int) -> list[tuple[float, float, str]]:
    """From when on local time is how far from UTC [s], with the zone's short name."""
    zone = house.timezone

    def offset(at_s: int) -> tuple[float, str]:
        local = pd.Timestamp(at_s, unit="s", tz="UTC").tz_convert(zone)
        return cast("Any", local.utcoffset()).total_seconds(), local.tzname() or ""

    day_s = 86_400
    at_s, last_s = start_ns // NS_PER_S - day_s, end_ns // NS_PER_S + day_s
    found = [(float(at_s), *offset(at_s))]
    while at_s < last_s:
        later_s = at_s + day_s
        if offset(later_s)[0] != found[-1][1]:
            low, high = at_s, later_s
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if offset(middle)[0] == found[-1][1] else (low, middle)
            found.append((float(high), *offset(high)))
        at_s = later_s
    return found


class Answers:
    """Answers what the page of one house asks.

    Several threads may ask at once: whatever reads the store waits for its turn, and looking for
    runs, which takes seconds, keeps nobody waiting who looks at power.
    """

    def __init__(
        self,
        house: House,
        circuits: Sequence[str] | None = None,
        *,
        start: object = None,
        end: object = None,
    ) -> None:
        self.house = house
        self.others, self._remarks = others_of(house)
        begin = circuits_to_begin_with(house) or tuple(self.others)[:SHOWN_FIRST]
        self.shown = begin if circuits is None else tuple(circuits)
        self._reading, self._finding = threading.Lock(), threading.Lock()
        self._readers = ThreadPoolExecutor(READERS, "lanes")
        self._looking = threading.Lock()
        self._live: Live | None = None
        self._cycles: dict[str, tuple[object, Cycles]] = {}
        self._programmes: dict[str, list[str]] = {}
        self._decided: list[Decision] = []
        self._labels = circuit_labels(house)
        low, high = house.instant_ns(start), house.instant_ns(end)
        first, last = self.log_ns
        low, high = first if low is None else low, last if high is None else high
        if low >= high:
            raise ValueError(f"start must come before end, got {start} and {end}")
        self.view = low, high

    def answer(self, question: Mapping[str, Any]) -> Answer:
        """Answer a question; what goes wrong is an answer of the kind "error" with one sentence."""
        kinds: dict[str, Callable[[Mapping[str, Any]], Answer]] = {
            "open": self._open,
            "window": self._window,
            "span": self._span,
            "runs": self._runs,
            "run": self._run,
            "decide": self._decide,
            "undo": self._undo,
            "highest": self._highest,
            "seen": self._seen,
            "readings": self._readings,
            "now": self._now,
        }
        try:
            said, buffers = kinds[str(question.get("kind"))](question)
        except KeyError as error:
            said, buffers = {"kind": "error", "text": f"the question lacks or misnames {error}"}, []
        except (ValueError, OSError, TypeError) as error:
            said, buffers = {"kind": "error", "text": sentence(error)}, []
        return {**said, "id": question.get("id")}, buffers

    @property
    def log_ns(self) -> tuple[int, int]:
        """First and last instant of all readings; an hour from now on where there is none."""
        return log_extent_ns(self.house, *(one.extent_ns for one in self.others.values()))

    def _open(self, question: Mapping[str, Any]) -> Answer:
        house = self.house
        with self._reading:
            log = self.log_ns
            energies = energies_kwh(house)
            lanes = [self._about(c, energies) for c in house.circuits if c.name not in self.others]
            lanes += [_about_other(name, other) for name, other in self.others.items()]
            said = {
                "kind": "open",
                "house": house.name,
                "stem": file_stem(house, *log).rsplit("_", 4)[0],
                "log": [at / NS_PER_S for at in log],
                "view": [at / NS_PER_S for at in self.view],
                "clock": clock_offsets(house, *log),
                "lanes": lanes,
                "shown": list(self.shown),
                "remarks": self._remarks,
            }
            points = min(int(question.get("points", BASE_POINTS)), MOST_POINTS)
            names = self.shown
            if question.get("all") and len(lanes) <= MOST_COPIED:
                names = tuple(lane["name"] for lane in lanes)
            base, buffers = self._lanes(names, *log, points=points)
        return {**said, "base": base}, buffers

    def _about(self, circuit: Circuit, energies: Mapping[str, float]) -> dict[str, Any]:
        shared = circuit.part_of and circuit.name in energies
        return {
            "name": circuit.name,
            "label": self._labels[circuit.name],
            "unit": "W",
            "power": True,
            "legs": list(circuit.legs),
            "role": circuit.role,
            "of": circuit.part_of or None,
            "told": not shared or division_of(self.house, circuit).told,
            "kwh": energies.get(circuit.name),
            "period": self._period_s(circuit),
        }

    def _period_s(self, circuit: Circuit) -> float | None:
        there = self.house.has_readings(circuit)
        return self.house.overview.period_ns(circuit) / NS_PER_S if there else None

    def _lanes(
        self, names: Sequence[str], start_ns: int, end_ns: int, *, points: int
    ) -> tuple[list[dict[str, Any]], list[bytes]]:
        def read(name: str) -> Lane | None:
            if name in self.others:
                return self.others[name].read(start_ns, end_ns, points)
            if not self.house.has_readings(name):
                return None
            overview = self.house.overview
            return lane_of(overview.envelope(name, start_ns, end_ns, points=points))

        # Most of it is unpacking, which runs beside the interpreter.
        lanes = zip(names, self._readers.map(read, names), strict=True)
        found = [(name, lane) for name, lane in lanes if lane is not None]
        told = [lane.told(name) for name, lane in found]
        return told, [lane.planes.tobytes() for _, lane in found]

    def _window(self, question: Mapping[str, Any]) -> Answer:
        start_ns, end_ns = _span_ns(question)
        points = min(max(int(question["points"]), 1), MOST_POINTS)
        with self._reading:
            lanes, buffers = self._lanes(question["lanes"], start_ns, end_ns, points=points)
            log = [at / NS_PER_S for at in self.log_ns]
        return {"kind": "window", "lanes": lanes, "log": log}, buffers

    def _span(self, question: Mapping[str, Any]) -> Answer:
        start_ns, end_ns = _span_ns(question)
        names = [name for name in question["lanes"] if name not in self.others]
        start, end = (pd.Timestamp(at, unit="ns", tz="UTC") for at in (start_ns, end_ns))
        with self._reading:
            table = span_table(self.house, names, start=start, end=end)
        return {"kind": "span", "span": table.span, "cells": table.cells()}, []

    def _known_cycles(self, name: str) -> Cycles:
        decided = self.house.path / DECISIONS_FILE
        written_ns = decided.stat().st_mtime_ns if decided.is_file() else 0
        state = (written_ns, self.house.overview.extent_ns(name))
        with self._finding:
            known = self._cycles.get(name)
            if known is None or known[0] != state:
                known = self._cycles[name] = (state, house_cycles(self.house, name))
                self._programmes.pop(name, None)
            return known[1]

    def _runs(self, question: Mapping[str, Any]) -> Answer:
        name = question["lane"]
        house = self.house
        other = name in self.others or house.circuit(name).role == "mains"
        if other or not house.has_readings(name):
            return {"kind": "runs", "lane": name, "runs": []}, []
        table = self._known_cycles(name).table
        starts, ends = instants_ns(table["start"]), instants_ns(table["end"])
        runs = [
            [start / NS_PER_S, end / NS_PER_S, bool(complete)]
            for start, end, complete in zip(starts, ends, table["complete"], strict=True)
        ]
        return {"kind": "runs", "lane": name, "runs": runs}, []

    def _run(self, question: Mapping[str, Any]) -> Answer:
        name, number = question["lane"], int(question["number"])
        table = self._known_cycles(name).table
        row = table.iloc[number]
        start_ns, end_ns = int(row["start"].value), int(row["end"].value)
        tariff, circuit = self.house.tariff, self.house.circuit(name)
        facts = [
            ("when", span_text(start_ns, end_ns, self.house.timezone)),
            ("energy", f"{number_text(row['energy_wh'] / WH_PER_KWH, 3)} kWh"),
        ]
        with self._reading:
            cost = span_cost(self.house, circuit, start_ns, end_ns)
        if tariff is not None:
            told = "has no price of its own under these steps" if cost is None else f"{cost:.2f}"
            facts.append(("cost", told if cost is None else f"{told} {tariff.currency}"))
        facts += [
            ("mean", f"{row['mean_w']:,.0f} W"),
            ("highest", f"{row['peak_w']:,.0f} W"),
            ("programme", self._programme(name, number)),
        ]
        if not row["complete"]:
            facts.append(("note", "incomplete: it starts or ends in a gap or at an end of the log"))
        title = f"{self._labels[name]}, run {number + 1} of {len(table)}"
        return {"kind": "run", "title": title, "facts": facts}, []

    def _programme(self, name: str, number: int) -> str:
        if name not in self._programmes:
            names = [one for one in self.house.schedule.programmes if one.circuit == name]
            try:
                found = find_programmes(self._known_cycles(name), names=names)
                of_run = [one if isinstance(one, str) else "" for one in found.of_run]
            except HouseError:
                of_run = []
            self._programmes[name] = of_run
        of_run = self._programmes[name]
        return (of_run[number] if number < len(of_run) else "") or "not known"

    def _decide(self, question: Mapping[str, Any]) -> Answer:
        act, name = question["act"], self.house.circuit(question["lane"]).name
        if act not in ("split", "merge", "discard"):
            raise ValueError(f"act must be split, merge or discard, got {act!r}")
        start, end = (_instant(question.get(key)) for key in ("start", "end"))
        decision = Decision(
            circuit=name,
            decision=cast("Act", act),
            start=start,
            end=None if act == "split" else end,
            note="in the viewer",
        )
        before = set(read_decisions(self.house))
        written = add_decisions(self.house, [decision])
        new = [one for one in written if one not in before]
        unmatched = self._known_cycles(name).by_hand.unmatched
        if any(one in unmatched for one in new):
            add_decisions(self.house, (), instead_of=new)
            raise ValueError(f"this changes nothing here: {decision.words(self.house.timezone)}")
        self._decided += new
        said, _ = self._runs({"lane": name})
        return {**said, "done": decision.words(self.house.timezone), "undo": len(self._decided)}, []

    def _undo(self, question: Mapping[str, Any]) -> Answer:  # noqa: ARG002
        if not self._decided:
            raise ValueError("there is nothing to undo: nothing was decided in this viewer")
        last = self._decided[-1]
        same = [
            one
            for one in read_decisions(self.house)
            if (one.circuit, one.decision, one.start, one.end)
            == (last.circuit, last.decision, last.start, last.end)
        ]
        add_decisions(self.house, (), instead_of=same[-1:])
        self._decided.pop()
        said, _ = self._runs({"lane": last.circuit})
        done = f"undone: {last.words(self.house.timezone)}"
        return {**said, "done": done, "undo": len(self._decided)}, []

    def _seen(self, question: Mapping[str, Any]) -> Answer:  # noqa: ARG002
        """Take note of where a person looks: a panel that holds the viewer does."""
        return {"kind": "seen"}, []

    def _highest(self, question: Mapping[str, Any]) -> Answer:
        name = question["lane"]
        if name in self.others or not self.house.has_readings(name):
            raise ValueError("this lane has no power to step through")
        with self._reading:
            peaks_ns = highest_peaks_ns(self.house, name)
        return {"kind": "highest", "lane": name, "at": (peaks_ns / NS_PER_S).tolist()}, []

    def _readings(self, question: Mapping[str, Any]) -> Answer:
        start_ns, end_ns = _span_ns(question)
        lanes = question["lanes"]
        written = {n: self.others[n] for n in (OUTDOOR, METER) if n in lanes and n in self.others}
        names = [name for name in lanes if name not in (OUTDOOR, METER)]
        with self._reading:
            data, period_s = readings_csv(
                self.house, names, start_ns=start_ns, end_ns=end_ns, written=written
            )
        name = f"{file_stem(self.house, start_ns, end_ns)}.csv"
        return {"kind": "readings", "file": name, "period_s": period_s}, [data]

    def _now(self, question: Mapping[str, Any]) -> Answer:
        """What a recorder of this house has written since an instant, of the last ten minutes."""
        schedule, at_ms = self.house.schedule, now_ms()
        since_ms, lanes = float(question.get("since", 0)), []
        with self._looking:
            recording = bool(schedule.sources) and is_recording(self.house.path)
            if not recording:
                self._live = None
            else:
                self._live = self._live or Live(schedule)
                for name, readings in self._live.look(at_ms).items():
                    new = [one for one in readings if one[0] > since_ms]
                    watts = [round(power, 1) for _, power in new]
                    lanes.append({"lane": name, "at": [at for at, _ in new], "watts": watts})
                at_ms = self._live.clock(at_ms)
        told = {"sources": bool(schedule.sources), "recording": recording, "now": at_ms}
        return {"kind": "now", **told, "lanes": lanes}, []


def _about_other(name: str, other: Other) -> dict[str, Any]:
    about = {"name": name, "label": other.label, "unit": other.unit, "period": other.period_s}
    return {**about, "power": False, "legs": [], "role": "other", "kwh": None}


def _instant(at_s: Any) -> pd.Timestamp | None:
    if at_s is None:
        return None
    return pd.Timestamp(round(float(at_s) * NS_PER_S), unit="ns", tz="UTC")


def _span_ns(question: Mapping[str, Any]) -> tuple[int, int]:
    start_ns, end_ns = (round(float(question[key]) * NS_PER_S) for key in ("t0", "t1"))
    if not start_ns < end_ns:
        raise ValueError("there is no time between the two instants asked for")
    return start_ns, end_ns
