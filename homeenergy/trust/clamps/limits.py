"""What a clamp can carry, and what the panel schedule says against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import acos, cos, isfinite, radians, sqrt

from homeenergy.house.schedule import Circuit, Clamp, Supply
from homeenergy.trust.clamps.reading import (
    ClampSetting,
    Conductor,
    System,
    leg_amps,
    right_multiplier,
)
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import WIRING
from homeenergy.units import DAYS_PER_YEAR, S_PER_DAY, S_PER_H, WH_PER_KWH

CONTINUOUS_SHARE = 0.8  # NEC 210.19(A), 210.20(A): 125 % of continuous load, inverted
MINUTES_PER_DEGREE = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentRange:
    """What current a clamp and a breaker leave room for, in one leg of the circuit [A].

    `clamp_a` is where the clamp's rating is reached, `breaker_a` where the breaker trips in time,
    `continuous_a` what may flow for three hours or more. NaN where it was not stated.
    """

    clamp_a: float
    breaker_a: float
    continuous_a: float
    sentence: str


def current_range(
    setting: ClampSetting,
    load_kind: str,
    *,
    rating_a: float | None,
    breaker_a: float | None = None,
    system: System = "single-phase",
) -> CurrentRange:
    """Find the current in the circuit at which clamp and breaker are reached.

    Parameters
    ----------
    setting : ClampSetting
    load_kind : str
        Kind of load, as in `leg_amps`.
    rating_a, breaker_a : float or None
        Ratings [A]. None: not stated, and said so.

    Notes
    -----
    A 50 A clamp with both legs of a 240 V circuit led through it so that they add serves 25 A
    (common practice, no source). The breaker must be sized for 125 % of a load that lasts three
    hours or more, so 80 % of it is left for such a load: NEC 210.19(A), 210.20(A).
    """
    for name, value in (("rating_a", rating_a), ("breaker_a", breaker_a)):
        if value is not None and not (isfinite(value) and value > 0):
            raise ValueError(f"{name} must be a positive number of amperes, got {value!r}")
    amps = leg_amps({load_kind: 1.0}, system=system, volts_v=1.0)
    through = abs(sum(c.direction * c.passes * amps[c.leg] for c in setting.conductors))
    one_leg = max(abs(current) for current in amps.values())
    nan = float("nan")
    clamp_a = nan if rating_a is None else (rating_a * one_leg / through if through else nan)
    breaker = nan if breaker_a is None else float(breaker_a)
    continuous = CONTINUOUS_SHARE * breaker
    if rating_a is None:
        text = (
            "The clamp's rating is not stated, so the current at which it saturates is not known."
        )
    elif not through:
        text = "The currents through the clamp cancel: it has no range at all."
    else:
        text = f"The {rating_a:g} A clamp serves {clamp_a:.3g} A in each leg of the circuit."
        if clamp_a < breaker:
            text += f" It is full before the {breaker:g} A breaker trips."
    if breaker_a is not None:
        text += f" Loads of three hours or more may draw {continuous:.3g} A (80 % rule)."
    return CurrentRange(clamp_a=clamp_a, breaker_a=breaker, continuous_a=continuous, sentence=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolution:
    """The smallest power that a clamp and its converter tell.

    Attributes
    ----------
    count_a : float
        One step of the converter [A].
    blind_w : float
        Power below which a clean sine never leaves the middle step, so that zero is read [W].
    noise_w : float
        Standard deviation of one logged value [W].
    smallest_w : float
        Smallest power that can be distinguished from zero: the greater of resolution and twice
        the noise; where noise of half a step or more dithers the steps, the noise alone [W].
    kwh_per_year : float
        What a standby draw of `smallest_w` uses in a year, and may so be missed.
    """

    count_a: float
    blind_w: float
    noise_w: float
    smallest_w: float
    kwh_per_year: float
    sentence: str


def resolution(
    *,
    rating_a: float | None,
    bits: int,
    volts_v: float,
    noise_counts: float = 0.0,
    samples: int = 1000,
) -> Resolution:
    """Find the smallest watts step of a clamp behind an analogue-to-digital converter.

    Parameters
    ----------
    rating_a : float
        Current at which the converter is full [A rms]; its range is taken to be twice the peak.
    bits : int
        Of the converter.
    volts_v : float
        Voltage that the current is multiplied with [V rms].
    noise_counts : float
        Noise of a sample, standard deviation [steps of the converter].
    samples : int
        Samples averaged into one logged value.

    Notes
    -----
    Own derivation. A step is 2 sqrt(2) rating / 2**bits. A sine whose peak stays under half a step
    is read as zero: below rating / 2**bits amperes rms. The mean of `samples` products of voltage
    and a current with noise s has the standard deviation V s / sqrt(samples); rounding itself adds
    a twelfth of a step squared. That noise of about half a step makes the mean follow the signal is
    the theory of dither (Widrow & Kollar 2008).
    """
    if rating_a is None:
        raise ValueError(
            "rating_a is missing: without the clamp's rating its resolution is not known"
        )
    if not (rating_a > 0 and volts_v > 0 and noise_counts >= 0):
        raise ValueError("rating_a and volts_v must be positive, noise_counts not negative")
    if bits < 1 or samples < 1:
        raise ValueError(f"bits and samples must be 1 or more, got {bits!r} and {samples!r}")
    count_a = 2 * sqrt(2) * rating_a / 2**bits
    blind_w = volts_v * rating_a / 2**bits
    noise_w = volts_v * count_a * sqrt(noise_counts**2 + 1 / 12) / sqrt(samples)
    smallest_w = 2 * noise_w if noise_counts >= 0.5 else max(blind_w, 2 * noise_w)
    hours_per_year = DAYS_PER_YEAR * S_PER_DAY / S_PER_H
    kwh = smallest_w * hours_per_year / WH_PER_KWH
    text = (
        f"A {rating_a:g} A clamp with {bits} bits at {volts_v:g} V can distinguish "
        f"{smallest_w:.2g} W from nothing; a standby below that, up to {kwh:.2g} kWh a year, "
        "can be missed."
    )
    return Resolution(
        count_a=count_a,
        blind_w=blind_w,
        noise_w=noise_w,
        smallest_w=smallest_w,
        kwh_per_year=kwh,
        sentence=text,
    )


def phase_error(*, power_factor: float, displacement_min: float, lagging: bool = True) -> float:
    """Relative error of the power through a transformer's phase displacement.

    Parameters
    ----------
    power_factor : float
        Of the load, in (0, 1].
    displacement_min : float
        Displacement [minutes of angle], positive where the secondary current leads. Data sheets
        differ: some count it positive where the primary leads.
    lagging : bool
        Whether the load's current lags its voltage.

    Returns
    -------
    float
        0.01 reads 1 % high: cos(phi - d) / cos(phi) - 1.
    """
    if not 0 < power_factor <= 1:
        raise ValueError(f"power_factor must be in (0, 1], got {power_factor!r}")
    shift = radians(displacement_min / MINUTES_PER_DEGREE) * (1 if lagging else -1)
    return cos(acos(power_factor) - shift) / power_factor - 1


def clamp_setting(circuit: Circuit) -> ClampSetting | None:
    """How a circuit's clamp is mounted, from its `conductors`; None where they are not stated."""
    clamp: Clamp = circuit.clamp
    if not clamp.conductors:
        return None
    conductors = tuple(_conductor(text) for text in clamp.conductors)
    return ClampSetting(conductors=conductors, volts_leg=clamp.volts_leg or conductors[0].leg)


def _conductor(text: str) -> Conductor:
    passes, _, leg = text.lstrip("-").rpartition("*")
    return Conductor(
        leg=leg, direction=-1 if text.startswith("-") else 1, passes=int(passes) if passes else 1
    )


def load_kind(circuit: Circuit) -> str:
    """Kind of load that a circuit's legs suggest: "L1", or "L1-L2" across both."""
    return "-".join(circuit.legs) or "L1"


def schedule_concerns(circuits: Sequence[Circuit], supply: Supply) -> list[Concern]:
    """Find what the panel schedule says that cannot be right together.

    Parameters
    ----------
    circuits : sequence of Circuit
    supply : Supply

    Returns
    -------
    list of Concern
    """
    concerns: list[Concern] = []
    for circuit in circuits:
        concerns += _wiring(circuit, supply)
        concerns += _range(circuit, supply)
    unrated = [circuit.name for circuit in circuits if circuit.clamp.rating_a is None]
    if unrated:
        concerns.append(
            Concern(
                weight="note",
                subject="clamps",
                what=f"The rating of the clamp is not stated for {', '.join(unrated)}, so its "
                "range and smallest step are not known.",
                do="Write rating_a, as printed on the clamp.",
            )
        )
    return concerns


def _wiring(circuit: Circuit, supply: Supply) -> list[Concern]:
    setting = clamp_setting(circuit)
    if setting is None:
        return []
    answer = right_multiplier(setting, (load_kind(circuit),), system=supply.system)
    stated = circuit.clamp.multiplier
    if answer.multiplier is not None and abs(stated / answer.multiplier - 1) < WIRING:
        return []
    right = "none" if answer.multiplier is None else f"{answer.multiplier:.3g}"
    return [
        Concern(
            weight="wrong",
            subject=circuit.name,
            what=f"{circuit.name}: with its conductors as stated its multiplier should be {right}, "
            f"and house.toml says {stated:g}.",
            do="Correct the conductors or the multiplier, whichever is wrong.",
            share=1.0 if answer.multiplier is None else abs(stated / answer.multiplier - 1),
        )
    ]


def _range(circuit: Circuit, supply: Supply) -> list[Concern]:
    clamp, breaker_a = circuit.clamp, circuit.breaker_a
    if clamp.rating_a is None or breaker_a is None:
        return []
    setting = clamp_setting(circuit)
    if setting is None:
        leg = circuit.legs[0] if circuit.legs else "L1"
        setting = ClampSetting(conductors=(Conductor(leg=leg),), volts_leg=leg)
    found = current_range(
        setting,
        load_kind(circuit),
        rating_a=clamp.rating_a,
        breaker_a=breaker_a,
        system=supply.system,
    )
    if not found.clamp_a < found.continuous_a:
        return []
    return [
        Concern(
            weight="note",
            subject=circuit.name,
            what=f"{circuit.name}: {found.sentence}",
            do="A larger clamp would follow the circuit to its breaker.",
        )
    ]
