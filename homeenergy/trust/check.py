"""Check of a house: bench, balance, meter and panel schedule, as concerns, the worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house.clamp_errors import CLAMP_LIMIT, clamp_errors
from homeenergy.readings.house import House
from homeenergy.trust.bench import BenchResult, Reference, bench_comparison
from homeenergy.trust.clamps.limits import schedule_concerns
from homeenergy.trust.clamps.logged_load import load_concerns
from homeenergy.trust.concern import Concern, Implausible
from homeenergy.trust.meter import Fall, MeterAgreement, explain_falls, meter_agreement
from homeenergy.trust.panel.balance import PanelBalance, panel_balance
from homeenergy.trust.panel.explain import WIRING
from homeenergy.trust.panel.mains_energy import logged_energy, mains_trace
from homeenergy.trust.panel.told import AGREES
from homeenergy.trust.plausible import implausible_readings
from homeenergy.trust.typed_readings import read_bench, read_meter

REFERENCE_ACCURACY = 0.01
MOST_BELOW = 0.02  # of the minutes, with what was found corrected
UNIT = (0.2, 5.0)  # a factor beyond these is a unit's and no clamp's
TIME_ERROR_S = 120.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HouseCheck:
    """What a check of a house found.

    Attributes
    ----------
    house_name : str
    implausible : tuple of Implausible
        Readings that cannot be; they are among the concerns as well.
    concerns : tuple of Concern
        The worst first.
    bench : tuple of BenchResult
    balance : PanelBalance or None
        None where the mains are not logged.
    meter : MeterAgreement or None
        None where there are no readings of the utility meter within the log.
    """

    house_name: str
    implausible: tuple[Implausible, ...]
    concerns: tuple[Concern, ...]
    bench: tuple[BenchResult, ...]
    balance: PanelBalance | None
    meter: MeterAgreement | None

    @property
    def contradicts(self) -> bool:
        """Whether anything does not match house.toml, or any reading cannot be."""
        return bool(self.implausible) or any(concern.weight == "wrong" for concern in self.concerns)

    def to_frame(self) -> pd.DataFrame:
        """One row a concern."""
        names = ("weight", "subject", "what", "do", "line")
        rows = [{name: getattr(c, name) for name in names} for c in self.concerns]
        return pd.DataFrame(rows, columns=list(names))


@dataclass(slots=True)
class _Findings:
    concerns: list[Concern] = field(default_factory=list)
    bench: list[BenchResult] = field(default_factory=list)
    balance: PanelBalance | None = None
    meter: MeterAgreement | None = None


def check_house(
    house: House,
    *,
    implausible: Sequence[Implausible] | None = None,
    reference_accuracy: float = REFERENCE_ACCURACY,
    step_kwh: float = 1.0,
    time_error_s: float = TIME_ERROR_S,
) -> HouseCheck:
    """Find what does not match house.toml, and how far the figures of a house can be trusted.

    Parameters
    ----------
    house : House
    implausible : sequence of Implausible, optional
        From `implausible_readings`. Default: found anew.
    reference_accuracy : float
        Stated accuracy of the reference meter of bench.csv, as a share; a column `accuracy` there
        goes before it.
    step_kwh : float
        Last digit of the utility meter [kWh]; it drops the rest.
    time_error_s : float
        How far the times of meter_readings.csv may be off [s].

    Returns
    -------
    HouseCheck

    Raises
    ------
    HouseError
        If bench.csv or meter_readings.csv cannot be used.
    """
    found = _Findings()
    if implausible is None:
        implausible = implausible_readings(house)
    found.concerns += schedule_concerns(house.circuits, house.supply)
    found.concerns += load_concerns(house)
    _bench(house, found, accuracy=reference_accuracy)
    readings = read_meter(house.schedule)
    try:
        found.balance = panel_balance(house, bench=found.bench, meter=readings)
        found.concerns += found.balance.concerns
    except HouseError as error:
        found.concerns.append(_not_done("panel", "The panel cannot be balanced", error))
    if readings is not None:
        _meter(house, found, readings, step_kwh=step_kwh, time_error_s=time_error_s)
    found.concerns = _explained(house, found)
    implausible = _unexplained(implausible, found.balance)
    found.concerns += [one.concern() for one in implausible]
    return HouseCheck(
        house_name=house.name,
        implausible=tuple(implausible),
        concerns=tuple(sorted(found.concerns, key=Concern.rank)),
        bench=tuple(found.bench),
        balance=found.balance,
        meter=found.meter,
    )


def bench_results(house: House, *, accuracy: float = REFERENCE_ACCURACY) -> list[BenchResult]:
    """Bench comparison of every circuit in bench.csv; empty where there is no such file."""
    table = read_bench(house.schedule)
    if table is None:
        return []
    results = []
    for name, pairs in table.groupby("circuit", sort=False):
        circuit = house.circuit(str(name))
        errors = clamp_errors(circuit, house.supply)
        try:
            result = bench_comparison(
                pairs,
                references=_references(pairs, accuracy),
                circuit=circuit.name,
                stated=circuit.clamp.multiplier,
                stated_offset_w=circuit.clamp.offset_w,
                resolution_w=errors.resolution_w / abs(circuit.clamp.multiplier),
            )
        except HouseError as error:
            raise HouseError(
                error.what, path=house.path / "bench.csv", line=error.line, fix=error.fix
            ) from None
        results.append(result)
    return results


def _references(pairs: pd.DataFrame, accuracy: float) -> dict[str, Reference] | Reference:
    names = pairs["reference"] if "reference" in pairs else pd.Series("", index=pairs.index)
    stated = pairs["accuracy"] if "accuracy" in pairs else pd.Series(accuracy, index=pairs.index)
    worst = stated.groupby(names).max()
    if "reference" not in pairs:
        return Reference(accuracy=float(worst.iloc[0]))
    return {str(name): Reference(accuracy=float(value)) for name, value in worst.items()}


def _bench(house: House, found: _Findings, *, accuracy: float) -> None:
    found.bench = bench_results(house, accuracy=accuracy)
    for result in found.bench:
        if not np.isfinite(result.multiplier.high):
            found.concerns.append(_one_pair(result))
            continue
        if result.agrees:
            found.concerns += _unstated(house, result)
            continue
        off = abs(result.multiplier.value / result.stated - 1)
        line = result.line_for(house.circuit(result.circuit).clamp)
        found.concerns.append(
            Concern(
                weight="wrong" if off > WIRING else "doubtful",
                subject=result.circuit,
                what=f"Bench: {result.verdict}",
                do=f"State it for {result.circuit} in house.toml, with a date if the clamp was "
                "moved since the log began.",
                line=line,
                share=off,
            )
        )


def _one_pair(result: BenchResult) -> Concern:
    return Concern(
        weight="note",
        subject=result.circuit,
        what=f"Bench: {result.verdict}",
        do="Add pairs to bench.csv.",
    )


def _unstated(house: House, result: BenchResult) -> list[Concern]:
    """Say how to write the result of a bench comparison into house.toml, where it is missing."""
    clamp = house.circuit(result.circuit).clamp
    line = result.line_for(clamp)
    offset_stated = clamp.offset_uncertainty_w is not None or result.offset_uncertainty_w is None
    if not line or (clamp.uncertainty is not None and offset_stated):
        return []
    return [
        Concern(
            weight="note",
            subject=result.circuit,
            what=f"Bench: {result.verdict}",
            do=f"Give the uncertainty of the clamp of {result.circuit} in house.toml, so that its "
            "figures include it.",
            line=line,
        )
    ]


def _meter(
    house: House,
    found: _Findings,
    readings: pd.DataFrame,
    *,
    step_kwh: float,
    time_error_s: float,
) -> None:
    balance = found.balance
    if balance is not None and not balance.whole:
        text = "The meter cannot be compared: the mains' clamps do not show all of the supply."
        do = "See first what is said of the mains."
        found.concerns.append(Concern(weight="note", subject="meter", what=text, do=do))
        return
    try:
        mends = None if balance is None else balance.explanation.mends
        mains = mains_trace(house, times=mends)
    except HouseError as error:
        found.concerns.append(_not_done("meter", "The meter cannot be compared", error))
        return
    times = pd.DatetimeIndex(readings["time"])
    inside = (times >= mains.start) & (times <= mains.end)
    outside = int((~inside).sum())
    readings = readings[inside].reset_index(drop=True)
    if len(readings) < 2:
        found.concerns.append(
            Concern(
                weight="note",
                subject="meter",
                what=f"{len(readings)} of the meter readings lies within the log.",
                do="Read the meter twice or more while the log runs.",
            )
        )
        return
    logged = logged_energy(mains, pd.DatetimeIndex(readings["time"]), time_error_s=time_error_s)
    falls = explain_falls(readings, logged, step_kwh=step_kwh)
    found.concerns += [_fall(fall) for fall in falls]
    if any(fall.likelier not in ("exchange", "rollover") for fall in falls):
        return
    found.meter = meter_agreement(
        readings, logged, step_kwh=step_kwh, exchanged=[fall.reading for fall in falls]
    )
    found.concerns += _meter_concerns(found.meter, outside)


def _fall(fall: Fall) -> Concern:
    does = {
        "exchange": "Write the last reading of the old meter and the first of the new one as well.",
        "rollover": "Nothing: the register is treated as if it had one more digit.",
        "typing error": "Correct the reading in meter_readings.csv.",
        "not clear": "Read the meter once more; the next reading will show.",
    }
    return Concern(
        weight="note" if fall.likelier == "rollover" else "doubtful",
        subject="meter",
        what=fall.sentence,
        do=does[fall.likelier],
        share=0.1,
    )


def _meter_concerns(meter: MeterAgreement, outside: int) -> list[Concern]:
    ratio = meter.ratio
    within = abs(ratio.low - 1) <= CLAMP_LIMIT and abs(ratio.high - 1) <= CLAMP_LIMIT
    agrees = meter.fits_all and (ratio.low <= 1 <= ratio.high or within)
    off = 0.0 if agrees or not np.isfinite(ratio.value) else abs(ratio.value - 1)
    if agrees:
        do = "Nothing."
    elif meter.fits_all:
        do = (
            "Compare the mains' clamps with a reference, or multiply their multipliers by "
            f"{ratio.value:.3f}."
        )
    elif meter.doubted:
        do = "Look the reading up, and correct it in meter_readings.csv."
    else:
        do = "See whether a clamp of the mains was moved, and when."
    weight = "note" if agrees else "wrong" if off > WIRING else "doubtful"
    concerns = [
        Concern(
            weight=weight,  # type: ignore[arg-type]
            subject="meter",
            what=meter.verdict,
            do=do,
            share=off,
        )
    ]
    if outside:
        concerns.append(
            Concern(
                weight="note",
                subject="meter",
                what=f"{outside} meter readings lie outside the log and were left out.",
                do="Nothing.",
            )
        )
    return concerns


def _explained(house: House, found: _Findings) -> list[Concern]:
    """Leave one line of those that say the same, or of which the panel explains one."""
    if found.balance is None or not found.bench:
        return found.concerns
    panel = {c.subject: c for c in found.balance.concerns if c.weight != "note"}
    results = {one.circuit: one for one in found.bench}
    pairs = read_bench(house.schedule)
    kept, replaced = [], {}
    for concern in found.concerns:
        name = concern.subject
        if not concern.what.startswith("Bench") or concern.weight == "note":
            kept.append(concern)
            continue
        read = found.balance.explanation.circuits.get(name)
        below = found.balance.rest_w.get(name, 0.0) < 0 and name in panel
        if below or (read is not None and read.kind == "clipped"):
            continue
        if read is not None and read.kind == "factor" and name in panel:
            factor = results[name].stated / results[name].multiplier.value
            if abs(factor / read.factor - 1) < WIRING:
                what = f"{panel[name].what} {concern.what}"
                replaced[name] = replace(panel[name], what=what, do=concern.do, line=concern.line)
                continue
        offset = None
        if name not in panel and pairs is not None:
            offset = _offset(pairs[pairs["circuit"] == name], results[name], found.balance)
        kept.append(offset or concern)
    return [replaced.get(c.subject, c) if c is panel.get(c.subject) else c for c in kept]


def _offset(pairs: pd.DataFrame, bench: BenchResult, balance: PanelBalance) -> Concern | None:
    """Offset of a clamp, where the bench says it is off and the mains, which see steps, do not."""
    ratio = next((c.ratio for c in balance.circuits if c.circuit == bench.circuit), None)
    clear = ratio.low >= 1 - AGREES and ratio.high <= 1 + AGREES if ratio is not None else False
    right = bench.stated * ratio.value if ratio is not None else float("nan")
    apart = not bench.multiplier.low <= right <= bench.multiplier.high
    if not (clear and apart) or bench.offset_w is not None:
        return None
    off_w = float(np.median(bench.stated * pairs["clamp_w"] - pairs["reference_w"]))
    if not 0.5 < balance.rest_w[bench.circuit] / off_w < 2:  # at rest it would read the same
        return None
    return Concern(
        weight="doubtful",
        subject=bench.circuit,
        what=f"Bench: {bench.circuit} reads {off_w:+.3g} W against the reference, while its steps "
        "agree with the mains: an offset of its clamp and no wrong multiplier.",
        do="Compare it at rest as well (bench.csv), then state offset_w; leave the multiplier.",
        share=abs(bench.stated / bench.multiplier.value - 1),
    )


def _unexplained(
    implausible: Sequence[Implausible], balance: PanelBalance | None
) -> tuple[Implausible, ...]:
    """Leave out sums that do not fit for a reason that the panel gives."""
    if balance is None:
        return tuple(implausible)
    faults = [c for c in balance.concerns if c.weight == "wrong"]
    known = all(UNIT[0] < abs(f.factor) < UNIT[1] for f in balance.explanation.mains)
    if not faults or not known or balance.below_zero > MOST_BELOW:
        return tuple(implausible)
    return tuple(one for one in implausible if not one.of_sums)


def _not_done(subject: str, what: str, error: HouseError) -> Concern:
    return Concern(
        weight="note", subject=subject, what=f"{what}: {error.what}.", do=error.fix or "See there."
    )
