"""Concern: one thing about an installation that a person should know, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Weight = Literal["wrong", "doubtful", "note"]
WEIGHTS: tuple[Weight, ...] = ("wrong", "doubtful", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class Concern:
    """What was found and what to do.

    Attributes
    ----------
    weight : str
        "wrong" contradicts house.toml; "doubtful" needs a look; "note" is worth knowing.
    subject : str
        Circuit, or what else it is about.
    what, do : str
        Sentences.
    line : str
        What to write in house.toml, to be copied whole; empty where that is nothing.
    share : float
        How far figures are off, as a share, for the order among concerns of one weight.
    """

    weight: Weight
    subject: str
    what: str
    do: str
    line: str = ""
    share: float = 0.0

    def rank(self) -> tuple[int, float]:
        """Order in which concerns are listed, the worst first."""
        return WEIGHTS.index(self.weight), -self.share


@dataclass(frozen=True, slots=True, kw_only=True)
class Implausible:
    """One thing about the readings of a circuit that cannot be.

    Attributes
    ----------
    weight : str
        "wrong": no figure shall rest on the circuit, which is held out. "doubtful": say it.
    circuits : tuple of str
        Names; none for the log of the whole house.
    what, where, do : str
        Sentences; `where` may be empty.
    too_much : bool
        Whether it reads more than it can carry, as with a unit that is too large.
    explains : bool
        Whether it is the reason why its circuits read too much at some time.
    of_sums : bool
        Whether sums of circuits, mains and meter contradict each other: a fault of the panel may
        explain it.
    of_end : bool
        Whether it says that readings seem to be cut off: mains that step farther may confirm it.
    """

    weight: Weight
    circuits: tuple[str, ...]
    what: str
    where: str = ""
    do: str
    too_much: bool = False
    explains: bool = False
    of_sums: bool = False
    of_end: bool = False

    @property
    def sentence(self) -> str:
        """What and where in one."""
        subject = f"{', '.join(self.circuits)}: " if self.circuits else ""
        return f"{subject}{self.what}{f' ({self.where})' if self.where else ''}."

    def concern(self) -> Concern:
        """The same as a concern of `check_house`."""
        return Concern(
            weight=self.weight,
            subject=", ".join(self.circuits) or "log",
            what=self.sentence,
            do=self.do,
            share=10.0 if self.weight == "wrong" else 1.0,
        )


def held_out(found: Sequence[Implausible]) -> Mapping[str, str]:
    """Circuits on which no figure shall rest, and why."""
    out: dict[str, str] = {}
    for one in found:
        for circuit in one.circuits if one.weight == "wrong" else ():
            out.setdefault(circuit, f"{one.what}{f' ({one.where})' if one.where else ''}")
    return out
