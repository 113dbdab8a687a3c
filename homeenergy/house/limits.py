"""Limits of what is read, so that damage or a slip is refused at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from homeenergy.house.schema import Key


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What is far beyond any log of a house; own choices."""

    gap_years: Annotated[
        float,
        Key(
            help="between one reading and the next; more is a wrong date",
            example=20,
            positive=True,
            most=500,
        ),
    ] = 3.0
    line_letters: Annotated[
        int,
        Key(
            help="in a line of a log",
            example=5_000_000,
            positive=True,
            check=lambda letters: letters == int(letters),
            must="be a whole number of letters",
        ),
    ] = 1_000_000
    log_gb: Annotated[
        float,
        Key(
            help="in one log file, unpacked",
            unit="GB",
            example=100,
            positive=True,
            most=1e6,
        ),
    ] = 20.0
