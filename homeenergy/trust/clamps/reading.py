"""What a clamp reads of its conductors, and what its readings are multiplied with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from homeenergy.house.schedule import Clamp, Correction
from homeenergy.readings.trace import Trace, in_force

System = Literal["single-phase", "split-phase", "three-phase"]

# Angle of each leg's voltage to neutral.
LEG_DEGREES: dict[str, dict[str, float]] = {
    "single-phase": {"L1": 0.0},
    "split-phase": {"L1": 0.0, "L2": 180.0},
    "three-phase": {"L1": 0.0, "L2": -120.0, "L3": 120.0},
}
SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductor:
    """A conductor through the window of a clamp.

    `direction` is 1 where it runs as the arrow on the clamp says, towards the load, and -1 where it
    runs against it. `passes` counts how often it goes through.
    """

    leg: str
    direction: Literal[1, -1] = 1
    passes: int = 1

    def __post_init__(self) -> None:
        if self.direction not in (1, -1):
            raise ValueError(f"direction must be 1 or -1, got {self.direction!r}")
        if self.passes < 1:
            raise ValueError(
                f"passes must be 1 or more, got {self.passes!r}; leave the conductor out"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampSetting:
    """How a clamp is mounted, and what the meter behind it does.

    Attributes
    ----------
    conductors : tuple of Conductor
        What runs through the window.
    volts_leg : str
        Leg whose voltage to neutral the meter multiplies the current with.
    turns, turns_set : float
        Turns that the transformer has, and turns that the meter is set to.
    ratio : float
        Reading over truth of transformer and meter otherwise; 1.02 reads 2 % high.
    """

    conductors: tuple[Conductor, ...]
    volts_leg: str = "L1"
    turns: float = 1.0
    turns_set: float = 1.0
    ratio: float = 1.0

    @property
    def gain(self) -> float:
        """Amperes that the meter takes for one ampere through the window."""
        return self.ratio * self.turns_set / self.turns


@dataclass(frozen=True, slots=True, kw_only=True)
class MultiplierAnswer:
    """The multiplier that makes a clamp right, or why there is none.

    Attributes
    ----------
    multiplier : float or None
        What every reading must be multiplied with; None where no number can do it.
    read_per_watt : dict of float
        What the clamp reads for one watt in each kind of load.
    sentence : str
        The same in words.
    """

    multiplier: float | None
    read_per_watt: dict[str, float]
    sentence: str

    def to_frame(self) -> pd.DataFrame:
        """One row a kind of load: what is read for each watt, and the multiplier it would need."""
        read = pd.Series(self.read_per_watt, name="read_per_watt")
        needed = pd.Series(np.where(read == 0, np.nan, 1 / read.replace(0, np.nan)), read.index)
        return pd.DataFrame({"read_per_watt": read, "multiplier_needed": needed})


def leg_amps(
    loads_va: Mapping[str, complex], *, system: System, volts_v: float
) -> dict[str, complex]:
    """Find the current in each leg.

    Parameters
    ----------
    loads_va : mapping of str to complex
        Loads: "L1" from a leg to neutral, "L1-L2" between two legs, "L1-L2-L3" balanced on three.
        Each is its complex power [VA]: watts, plus j times vars where it has a power factor.
    system : str
        Kind of supply.
    volts_v : float
        One leg to neutral [V].

    Returns
    -------
    dict of str to complex
        Current away from the panel in each leg [A], as a phasor whose reference is leg L1.

    Raises
    ------
    ValueError
        If a load names a leg that the supply does not have.
    """
    volts = _leg_volts(system, volts_v=volts_v)
    amps = dict.fromkeys(volts, 0j)
    for between, power_va in loads_va.items():
        legs = between.split("-")
        if len(set(legs)) != len(legs) or any(leg not in volts for leg in legs):
            raise ValueError(
                f"load {between!r} is not possible on a {system} supply; "
                f"write a leg ({', '.join(volts)}) or legs joined by '-'"
            )
        if len(legs) == 2:
            current = (power_va / (volts[legs[0]] - volts[legs[1]])).conjugate()
            amps[legs[0]] += current
            amps[legs[1]] -= current
        else:
            for leg in legs:
                amps[leg] += (power_va / len(legs) / volts[leg]).conjugate()
    return amps


def clamp_reading_w(
    setting: ClampSetting, loads_va: Mapping[str, complex], *, system: System, volts_v: float
) -> float:
    """Give the power that the meter shows for these loads [W], before any multiplier.

    Parameters
    ----------
    setting : ClampSetting
    loads_va, system, volts_v
        As in `leg_amps`.

    Notes
    -----
    Real part of the reference voltage times the conjugate of the current through the window; each
    conductor counts with its direction and its passes. Textbook phasors, for example Kuphaldt,
    Lessons In Electric Circuits, vol. II, chapters 10 and 11.
    """
    volts = _leg_volts(system, volts_v=volts_v)
    _check_legs(setting, volts, system)
    amps = leg_amps(loads_va, system=system, volts_v=volts_v)
    window = sum((c.direction * c.passes * amps[c.leg] for c in setting.conductors), start=0j)
    return float((volts[setting.volts_leg] * (setting.gain * window).conjugate()).real)


def right_multiplier(
    setting: ClampSetting,
    load_kinds: Sequence[str],
    *,
    system: System,
    power_factor: float = 1.0,
) -> MultiplierAnswer:
    """Find the one number that makes every reading right, or say that there is none.

    Parameters
    ----------
    setting : ClampSetting
    load_kinds : sequence of str
        Kinds of load that occur on the circuit, as in `leg_amps`: ("L1-L2",) for a water heater,
        ("L1-L2", "L1") for a range with lamp and controls on one leg.
    system : str
    power_factor : float
        Of every load, lagging.

    Returns
    -------
    MultiplierAnswer
    """
    if not load_kinds:
        raise ValueError("load_kinds is empty; name at least one, for example 'L1'")
    if not 0 < power_factor <= 1:
        raise ValueError(f"power_factor must be in (0, 1], got {power_factor!r}")
    watt = complex(1.0, np.tan(np.arccos(power_factor)))
    read = {
        kind: clamp_reading_w(setting, {kind: watt}, system=system, volts_v=1.0)
        for kind in load_kinds
    }
    values = np.array(list(read.values()))
    if np.abs(values).max() < SAME:
        text = (
            "The clamp reads nothing: the currents through it cancel, or it misses the conductors."
        )
        return MultiplierAnswer(multiplier=None, read_per_watt=read, sentence=text)
    if np.ptp(values) > SAME * np.abs(values).max():
        parts = ", ".join(f"{value:.2f} W a watt of {kind}" for kind, value in read.items())
        text = f"No multiplier can make it right: the clamp reads {parts}. {_REMEDY}"
        return MultiplierAnswer(multiplier=None, read_per_watt=read, sentence=text)
    multiplier = float(1 / values.mean())
    text = f"The clamp reads {values.mean():.3g} W for each watt: multiplier {multiplier:.4g}."
    if multiplier < 0:
        text += " It is on backwards, or the meter multiplies by the voltage of the other leg."
    return MultiplierAnswer(multiplier=multiplier, read_per_watt=read, sentence=text)


_REMEDY = "Have each leg measured by a clamp of its own, or pass one leg through it in reverse."


def split_error(
    setting: ClampSetting,
    shares: Sequence[float],
    *,
    system: System = "split-phase",
    whole: str = "L1-L2",
    part: str = "L1",
    multiplier: float = 2.0,
) -> pd.DataFrame:
    """Relative error of a clamp on a load of two kinds, as a function of how it is split.

    Parameters
    ----------
    setting : ClampSetting
    shares : sequence of float
        Share of the power that is of the kind `part`, 0 to 1.
    whole, part : str
        Kinds of load as in `leg_amps`: across both legs, and from one leg to neutral.
    multiplier : float
        What the readings are multiplied with.

    Returns
    -------
    pandas.DataFrame
        share; error, as a share of the true power: 0.1 reads 10 % high.
    """
    share = np.asarray(shares, dtype=np.float64)
    if share.size and not (share.min() >= 0 and share.max() <= 1):
        raise ValueError("shares must lie between 0 and 1")
    one, other = (
        multiplier * clamp_reading_w(setting, {kind: 1.0}, system=system, volts_v=1.0)
        for kind in (whole, part)
    )
    return pd.DataFrame({"share": share, "error": one * (1 - share) + other * share - 1})


def _leg_volts(system: str, *, volts_v: float) -> dict[str, complex]:
    if system not in LEG_DEGREES:
        raise ValueError(f"system must be one of {', '.join(LEG_DEGREES)}, got {system!r}")
    if not volts_v > 0:
        raise ValueError(f"volts_v must be positive, got {volts_v!r}")
    angles = LEG_DEGREES[system]
    return {leg: complex(volts_v * np.exp(1j * np.deg2rad(deg))) for leg, deg in angles.items()}


def _check_legs(setting: ClampSetting, volts: Mapping[str, complex], system: str) -> None:
    for leg in (setting.volts_leg, *(c.leg for c in setting.conductors)):
        if leg not in volts:
            raise ValueError(
                f"the clamp names leg {leg!r}; a {system} supply has {', '.join(volts)}"
            )


def correction_words(clamp: Clamp) -> str:
    """Say in short how readings are corrected: "none", "x 2, from 2026-03-02 x 1.02 + 0.8 W"."""
    parts = []
    for c in clamp.in_order:
        when = ""
        if c.start is not None:
            clock = "" if (c.start.hour, c.start.minute) == (0, 0) else f" {c.start:%H:%M}"
            when = f"from {c.start:%Y-%m-%d}{clock} "
        parts.append(f"{when}x {c.value:g}{_offset_words(c)}")
    return "none" if parts == ["x 1"] else ", ".join(parts)


def correction_text(clamp: Clamp) -> str:
    """Say which correction readings carry, and how far it is known."""
    if clamp.corrections:
        parts = [
            f"{c.value:g}{_offset_words(c)}"
            + (f" from {c.start:%Y-%m-%d %H:%M}" if c.start else "")
            for c in clamp.corrections
        ]
        text = f"multiplied by {', then '.join(parts)}"
    elif clamp.multiplier != 1 or clamp.offset_w:
        text = f"multiplied by {clamp.multiplier:g}{_offset_words(clamp.in_order[0])}"
    else:
        text = "as logged"
    if clamp.uncertainty is None:
        return f"{text}; the clamp's uncertainty is not stated"
    text = f"{text}; the clamp is known to {100 * clamp.uncertainty:.2g} %"
    if clamp.compared_at_w is not None:
        text += f" at {clamp.compared_at_w:g} W"
    if clamp.offset_uncertainty_w is None:
        return text
    return f"{text}, its offset to {clamp.offset_uncertainty_w:.2g} W"


def _offset_words(correction: Correction) -> str:
    if not correction.offset_w:
        return ""
    return f" {'+' if correction.offset_w > 0 else '-'} {abs(correction.offset_w):g} W"


def clamp_over(trace: Trace, clamp: Clamp) -> Clamp:
    """Give a clamp the uncertainty that its readings have as a whole.

    Parameters
    ----------
    trace : Trace
        Corrected readings.
    clamp : Clamp
        As stated; corrections may differ in their uncertainty.

    Returns
    -------
    Clamp
        `uncertainty` is that of each dated correction, weighted by its share of the energy. The
        parts are added as they are and not in squares: it is the same clamp, most often compared
        with the same reference meter, so errors are taken as fully correlated (JCGM 100:2008,
        5.2.2, with a correlation of 1). A time for which none is stated gets the greatest
        that is; None where none is stated at all.
    """
    if not clamp.corrections:
        return clamp
    first = trace.start.value // trace.period_ns
    pieces = in_force(clamp, first=first, stop=first + len(trace), period_ns=trace.period_ns)
    stated = [c.uncertainty for _, _, c in pieces if c.uncertainty is not None]
    if not stated:
        return replace(clamp, uncertainty=None)
    shares = [max(stated) if c.uncertainty is None else c.uncertainty for _, _, c in pieces]
    weights = [
        float(np.nansum(np.abs(trace.watts[lo - first : hi - first]), dtype=np.float64))
        for lo, hi, _ in pieces
    ]
    if len(set(shares)) == 1 or not any(weights):
        return replace(clamp, uncertainty=max(shares))
    return replace(clamp, uncertainty=float(np.average(shares, weights=weights)))
