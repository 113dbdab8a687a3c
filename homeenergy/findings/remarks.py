"""What a reader must know about the figures of one circuit."""

from __future__ import annotations

import numpy as np

from homeenergy.cycles import Cycles
from homeenergy.estimate import Estimate
from homeenergy.findings.wording import kind_words, percent_text
from homeenergy.house.schedule import Circuit
from homeenergy.readings.trace import Trace
from homeenergy.trust.systematic import correction_text, correction_words
from homeenergy.units import S_PER_DAY, S_PER_H, WH_PER_KWH


def remarks_on(
    trace: Trace, circuit: Circuit, cycles: Cycles, per_day: Estimate
) -> tuple[str, ...]:
    """Say what the runs, gaps, samples and corrections behind a finding were like."""
    if not cycles.covered_s:
        return ("no readings: no log names this circuit, or its columns are empty",)
    remarks = []
    if circuit.clamp.uncertainty is not None or correction_words(circuit.clamp) != "none":
        remarks.append(f"readings {correction_text(circuit.clamp)}")
    if circuit.kind is None:
        words = kind_words(
            cycles.kind,
            cycles.kind_sure,
            runs=len(cycles.complete),
            days=trace.covered_s / S_PER_DAY,
            period_s=trace.period_s,
        )
        remarks.append(f"{words}; house.toml can say otherwise")
    cut = len(cycles.table) - len(cycles.complete)
    if cut:
        remarks.append(f"{_count(cut, 'run')} cut by a gap or an end of the data")
    if len(cycles.complete) == 1:
        remarks.append("one complete run: its spread is not known")
    if cycles.kind == "modulating" and len(cycles.table):
        remarks.append("its runs last as long as the weather: look at kWh a day, not kWh a run")
    if np.isinf(per_day.high):
        remarks.append("too few whole days: the spread between days is not known")
    returned_wh = float(-cycles.plateaus.sum_w[cycles.plateaus.mean_w < 0].sum())
    returned_wh *= trace.period_s / S_PER_H
    if returned_wh > 0.03 * max(cycles.total_wh + returned_wh, returned_wh):
        remarks.append(
            f"{returned_wh / WH_PER_KWH:.2g} kWh below zero: "
            "a clamp on backwards, or power fed back"
        )
    missing = 1 - trace.covered_s / trace.span_s
    if missing > 0.05:
        remarks.append(f"{percent_text(missing)} of the time has no readings")
    if trace.period_s >= 10:
        remarks.append(
            f"samples of {trace.period_s:g} s: uses shorter than {2 * trace.period_s:g} s, or as "
            "close together, cannot be told apart"
        )
    return tuple(remarks)


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
