"""Conductors through a clamp, and what it then reads."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductor:
    """One conductor that goes through a clamp.

    Attributes
    ----------
    label : str
    amps_a : float
        RMS current of its load [A].
    leg : int
        1 or 2: leg of a split-phase supply that feeds it. Volts of leg 2 are those of leg 1 turned
        by half a cycle.
    lag_deg : float
        By which its current lags the volts of its own leg [degrees].
    passes : int
        How often it goes through.
    forward : bool
        Whether the current flows through in the direction of the clamp's arrow.
    """

    label: str
    amps_a: float
    leg: int = 1
    lag_deg: float = 0.0
    passes: int = 1
    forward: bool = True

    @property
    def phasor_a(self) -> complex:
        """Its share of what the clamp senses, relative to the volts of leg 1 [A]."""
        turned = (180.0 if self.leg == 2 else 0.0) - self.lag_deg
        sign = self.passes if self.forward else -self.passes
        return sign * cmath.rect(self.amps_a, math.radians(turned))


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampCase:
    """A clamp with its conductors, and the leg whose volts its logger reckons with.

    `outside` are conductors of the same circuits that do not go through it.
    """

    title: str
    conductors: tuple[Conductor, ...]
    outside: tuple[Conductor, ...] = ()
    reckoned_leg: int = 1
    note: str = ""

    @property
    def reads_a(self) -> float:
        """RMS current that the clamp reads [A]."""
        return abs(self._sum())

    def reads_w(self, *, volts_v: float = 120.0) -> float:
        """Watts that the logger makes of it, with `volts_v` from each leg to neutral [W]."""
        sign = -1.0 if self.reckoned_leg == 2 else 1.0
        return sign * volts_v * self._sum().real

    def true_w(self, *, volts_v: float = 120.0) -> float:
        """Watts that its circuits draw from leg to neutral, each load counted once [W]."""
        wires = (*self.conductors, *self.outside)
        loads = [c for c in wires if not c.label.startswith("neutral")]
        return sum(volts_v * c.amps_a * math.cos(math.radians(c.lag_deg)) for c in loads)

    def _sum(self) -> complex:
        # Ampere's law: a clamp senses the sum of all currents through its window.
        total = sum((c.phasor_a for c in self.conductors), 0j)
        return complex(round(total.real, 12), round(total.imag, 12))


def clamp_cases(*, amps_a: float = 5.0, other_a: float = 3.0) -> Sequence[ClampCase]:
    """Give the ways in which a clamp is put round conductors, right and wrong.

    Parameters
    ----------
    amps_a, other_a : float
        RMS current of the heater, and of the second circuit where there is one [A].
    """
    heater = Conductor(label="heater", amps_a=amps_a)
    neutral = Conductor(label="neutral of the heater", amps_a=amps_a, forward=False)
    twice = Conductor(label="heater", amps_a=amps_a, passes=2)
    back = Conductor(label="heater", amps_a=amps_a, forward=False)
    same = Conductor(label="lamps, L1", amps_a=other_a)
    opposite = Conductor(label="lamps, L2", amps_a=other_a, leg=2)
    turned = Conductor(label="lamps, L2", amps_a=other_a, leg=2, forward=False)
    return (
        ClampCase(title="straight", conductors=(heater,), note="as it should be"),
        ClampCase(title="reversed", conductors=(back,), note="right size, wrong sign"),
        ClampCase(
            title="crossed legs",
            conductors=(heater,),
            reckoned_leg=2,
            note="multiplied by the voltage of L2",
        ),
        ClampCase(title="two turns", conductors=(twice,), note="divide by two"),
        ClampCase(title="line and neutral", conductors=(heater, neutral), note="they cancel"),
        ClampCase(title="two circuits, same leg", conductors=(heater, same), note="they add up"),
        ClampCase(
            title="two circuits, opposite legs",
            conductors=(heater, opposite),
            note="amps and watts subtract",
        ),
        ClampCase(
            title="opposite legs, one reversed",
            conductors=(heater, turned),
            note="they add up again",
        ),
    )
