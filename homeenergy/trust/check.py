"""Check of a house: bench, balance, meter and panel schedule, as concerns, the worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house.clamp_errors import CLAMP_LIMIT
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.trust.bench import BenchResult
from homeenergy.trust.bench_house import REFERENCE_ACCURACY, bench_concerns, bench_tried
from homeenergy.trust.clamps.highest_loads import load_concerns
from homeenergy.trust.clamps.limits import schedule_concerns
from homeenergy.trust.concern import Concern, Implausible, held_out
from homeenergy.trust.meter import Fall, MeterAgreement, explain_falls, meter_agreement
from homeenergy.trust.panel.balance import PanelBalance, panel_balance
from homeenergy.trust.panel.explain import WIRING
from homeenergy.trust.panel.mains_energy import (
    COUNTS,
    Counts,
    feeds_back,
    logged_energy,
    mains_trace,
)
from homeenergy.trust.panel.told import MAINS_FIRST
from homeenergy.trust.plausible import implausible_readings
from homeenergy.trust.typed_readings import read_meter

MOST_BELOW = 0.02  # of the minutes, with what was found corrected
UNIT = (0.2, 5.0)  # a factor beyond these is a unit's and no clamp's
TIME_ERROR_S = 120.0
SEVERAL = 3  # clamps that agree are not all wrong by one factor
COUNTED: dict[Counts, str] = {
    "all": "",
    "drawn": "What is fed back is taken to count for nothing in the meter's register.",
    "drawn by leg": "The meter is taken to count what each leg draws, and nothing fed back.",
}
ORDINARY = f"The class of ordinary clamps allows them {CLAMP_LIMIT:.1%}."


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
    house = house.as_clamped()
    found = _Findings()
    if implausible is None:
        implausible = implausible_readings(house)
    # What no fault of the panel explains is one concern, and no reason to blame others.
    left_out = held_out([one for one in implausible if not one.of_sums])
    in_place = {circuit.name for circuit in house.mains} - _of_another_unit(implausible)
    measured = house.without(left_out.keys() - in_place)
    found.concerns += schedule_concerns(house.circuits, house.supply)
    found.concerns += load_concerns(house.without(left_out))
    found.bench, refused = bench_tried(house, accuracy=reference_accuracy)
    readings = read_meter(house.schedule)
    try:
        found.balance = panel_balance(measured, bench=found.bench, meter=readings)
    except HouseError as error:
        if measured.mains or not house.mains:  # else what is wrong with the mains is said already
            found.concerns.append(_not_done("panel", "The panel cannot be balanced", error))
    found.concerns += bench_concerns(house, found.bench, refused, found.balance)
    if readings is not None:
        _meter(measured, found, readings, step_kwh=step_kwh, time_error_s=time_error_s)
    implausible = _unexplained(implausible, found.balance)
    found.concerns += _spikes(measured)
    known = held_out(implausible)
    found.concerns = [c for c in found.concerns if c.weight != "note" or c.subject not in known]
    found.concerns += [one.concern() for one in implausible]
    return HouseCheck(
        house_name=house.name,
        implausible=tuple(implausible),
        concerns=tuple(sorted(found.concerns, key=Concern.rank)),
        bench=tuple(found.bench),
        balance=found.balance,
        meter=found.meter,
    )


def _spikes(house: House) -> list[Concern]:
    """Say how many readings stand alone, which figures leave out."""
    counts = {
        circuit.name: house.doubts(circuit).spikes
        for circuit in house.circuits
        if house.has_readings(circuit)
    }
    number, names = sum(counts.values()), ", ".join(name for name, some in counts.items() if some)
    if not number:
        return []
    spikes = (
        "1 lone spike, a reading that nothing before or after it"
        if number == 1
        else f"{number} lone spikes, readings that nothing before or after them"
    )
    return [
        Concern(
            weight="note",
            subject="log",
            what=f"{spikes} bears out: {names}.",
            do="Nothing: they are kept and drawn, and no figure rests on them.",
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
        found.concerns.append(Concern(weight="note", subject="meter", what=text, do=MAINS_FIRST))
        return
    try:
        mends = None if balance is None else balance.explanation.mends
        mains = mains_trace(house, times=mends)
        one_sided = COUNTS if any(feeds_back(house.trace(c)) for c in house.mains) else COUNTS[:1]
    except HouseError as error:
        found.concerns.append(_not_done("meter", "The meter cannot be compared", error))
        return
    times = pd.DatetimeIndex(readings["time"])
    inside = (times >= mains.start) & (times <= mains.end)
    outside = int((~inside).sum())
    readings = readings[inside].reset_index(drop=True)
    if len(readings) < 2:
        one = "1 of the meter readings lies" if len(readings) else "None of the meter readings lies"
        found.concerns.append(
            Concern(
                weight="note",
                subject="meter",
                what=f"{one} within the log.",
                do="Read the meter twice or more while the log runs.",
            )
        )
        return
    tried: list[tuple[Counts, MeterAgreement]] = []
    for counts in one_sided:
        if counts != COUNTS[0]:
            mains = mains_trace(house, times=mends, counts=counts)
        falls, meter = _compared(mains, readings, step_kwh=step_kwh, time_error_s=time_error_s)
        if counts == COUNTS[0]:
            found.concerns += [_fall(fall) for fall in falls]
        if meter is None:
            return
        tried.append((counts, meter))
        if _agrees(meter):
            break
    # Where nothing agrees, the count that fits best is likeliest.
    counts, found.meter = min(tried, key=_misfit)
    if balance is not None and balance.explanation.small and not _agrees(found.meter):
        mended = mains_trace(house, times=balance.explanation.mends_small, counts=counts)
        _, then = _compared(mended, readings, step_kwh=step_kwh, time_error_s=time_error_s)
        if then is not None and _agrees(then):
            found.concerns.append(_confirms(house, balance))
            return
    agreeing = 0 if balance is None else sum(c.answer == "agrees" for c in balance.circuits)
    found.concerns += _meter_concerns(found.meter, outside, counts, agreeing=agreeing)


def _compared(
    mains: Trace, readings: pd.DataFrame, *, step_kwh: float, time_error_s: float
) -> tuple[Sequence[Fall], MeterAgreement | None]:
    """Falls of the readings, and how they agree with the log; None where a fall is a slip."""
    logged = logged_energy(mains, pd.DatetimeIndex(readings["time"]), time_error_s=time_error_s)
    falls = explain_falls(readings, logged, step_kwh=step_kwh)
    if any(fall.likelier not in ("exchange", "rollover") for fall in falls):
        return falls, None
    exchanged = [fall.reading for fall in falls]
    return falls, meter_agreement(readings, logged, step_kwh=step_kwh, exchanged=exchanged)


def _misfit(tried: tuple[Counts, MeterAgreement]) -> tuple[bool, bool, float]:
    """What agrees first, then what fits all readings, then what is nearest to them."""
    _, meter = tried
    off = abs(meter.ratio.value - 1)
    return not _agrees(meter), not meter.fits_all, off if np.isfinite(off) else np.inf


def _agrees(meter: MeterAgreement) -> bool:
    """Whether all readings fit a ratio that the class of ordinary clamps allows the mains."""
    ratio = meter.ratio
    return meter.fits_all and ratio.low <= 1 + CLAMP_LIMIT and ratio.high >= 1 - CLAMP_LIMIT


def _confirms(house: House, balance: PanelBalance) -> Concern:
    faults = balance.explanation.small
    names = [house.mains[fault.clamps[0]].name for fault in faults]
    by = [f"{name} by {1 / f.factor:.3g}" for name, f in zip(names, faults, strict=True)]
    return Concern(
        weight="note",
        subject="meter",
        what=f"The meter does not agree with the log as it is, and does with {' and '.join(names)} "
        "corrected.",
        do=f"Multiply the multiplier of {' and of '.join(by)}.",
    )


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


def _meter_concerns(
    meter: MeterAgreement, outside: int, counts: Counts, *, agreeing: int
) -> list[Concern]:
    """What the meter says of the mains; `agreeing` counts circuits that agree with them."""
    ratio = meter.ratio
    agrees = _agrees(meter)
    off = 0.0 if agrees or not np.isfinite(ratio.value) else abs(ratio.value - 1)
    if agrees:
        do = "Nothing." if ratio.low <= 1 <= ratio.high else f"Nothing. {ORDINARY}"
    elif meter.fits_all and off > WIRING and agreeing >= SEVERAL:
        do = (
            f"{agreeing} circuits agree with the mains as they are: leave the multipliers. See "
            "whether the readings are of this supply, in kWh, and of all its registers."
        )
    elif meter.fits_all:
        do = (
            "Compare the mains' clamps with a reference, or multiply their multipliers by "
            f"{ratio.value:.3f}."
        )
    elif meter.doubted:
        do = "Look the reading up, and correct it in meter_readings.csv."
    else:
        do = "Read the meter anew, and see whether a clamp of the mains was moved, and when."
    weight = "note" if agrees else "wrong" if off > WIRING else "doubtful"
    concerns = [
        Concern(
            weight=weight,  # type: ignore[arg-type]
            subject="meter",
            what=f"{meter.verdict} {COUNTED[counts]}".strip(),
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


def _of_another_unit(implausible: Sequence[Implausible]) -> set[str]:
    """Circuits of which no reading can be used: they are too great, or not all of one unit."""
    return set(held_out([one for one in implausible if one.too_much or one.explains]))


def _unexplained(
    implausible: Sequence[Implausible], balance: PanelBalance | None
) -> tuple[Implausible, ...]:
    """Leave out what the panel knows better: ends of clamps, and why sums do not fit."""
    if balance is None:
        return tuple(implausible)
    implausible = [
        one for one in implausible if not one.of_end or one.circuits[0] not in balance.cut_off
    ]
    faults = [c for c in balance.concerns if c.weight == "wrong"]
    of_clamps = all(UNIT[0] < abs(f.factor) < UNIT[1] for f in balance.explanation.mains)
    if not faults or not of_clamps or balance.below_zero > MOST_BELOW:
        return tuple(implausible)
    return tuple(one for one in implausible if not one.of_sums)


def _not_done(subject: str, what: str, error: HouseError) -> Concern:
    return Concern(
        weight="note", subject=subject, what=f"{what}: {error.what}.", do=error.fix or "See there."
    )
