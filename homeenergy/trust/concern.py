"""Concern: one thing about an installation that a person should know, and what to do about it."""

from __future__ import annotations

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
