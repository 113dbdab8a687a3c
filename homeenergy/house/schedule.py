"""The panel schedule of a house: circuits, clamps, supply, tariff and how its logs are laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from homeenergy.house.carbon import CarbonFactor
from homeenergy.house.kinds import Seasonality
from homeenergy.house.tariff import Tariff
from homeenergy.house.write_up import WriteUpDetails

Quantity = Literal["power", "energy", "energy_counter", "volts_and_amps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What readings are corrected with from an instant on.

    `value` multiplies them, `offset_w` is then added [W]; the rest is as in `Clamp`. `start` is
    None where it holds from the beginning.
    """

    value: float
    start: datetime | None = None
    uncertainty: float | None = None
    offset_w: float = 0.0
    offset_uncertainty_w: float | None = None
    compared_at_w: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamp:
    """A clamp-on current transformer and what its watts must be multiplied with.

    `multiplier` is 2 where a 240 V circuit is logged on one leg, -1 where the clamp sits backwards,
    1.02 where a bench comparison found it 2 % low; `uncertainty` is how far it may be off at 95 %,
    as a share of it. `offset_w` is added after that: what a reference meter shows where the clamp
    reads nothing [W]; `offset_uncertainty_w` is how far that may be off at 95 % [W],
    `compared_at_w` the load at which the multiplier was found and its uncertainty holds [W]. Where
    a clamp was moved, `corrections` holds all of these in order of time, and those of the clamp are
    the last. `conductors` are what runs through it
    ("L1", "-L2" against its arrow, "2*L1" twice), `volts_leg` the leg whose voltage its meter
    multiplies with.
    """

    rating_a: float | None = None
    multiplier: float = 1.0
    corrections: tuple[Correction, ...] = ()
    uncertainty: float | None = None
    offset_w: float = 0.0
    offset_uncertainty_w: float | None = None
    compared_at_w: float | None = None
    conductors: tuple[str, ...] = ()
    volts_leg: str | None = None

    @property
    def in_order(self) -> tuple[Correction, ...]:
        """Its dated corrections; without any, the one that always holds."""
        always = Correction(
            value=self.multiplier,
            uncertainty=self.uncertainty,
            offset_w=self.offset_w,
            offset_uncertainty_w=self.offset_uncertainty_w,
            compared_at_w=self.compared_at_w,
        )
        return self.corrections or (always,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """One circuit of the panel schedule.

    `kind` is one of `homeenergy.house.KINDS`, inferred where it is None. `season` is how much the
    weather of a year drives what it feeds; None leaves that to the outdoor temperature or the kind.
    """

    name: str
    appliance: str
    kind: str | None = None
    season: Seasonality | None = None
    role: Literal["load", "mains"] = "load"
    legs: tuple[str, ...] = ()
    breaker_a: float | None = None
    clamp: Clamp = field(default_factory=Clamp)


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What the utility brings in. `volts_v` is from a leg to neutral."""

    system: Literal["single-phase", "split-phase", "three-phase"] = "single-phase"
    volts_v: float | None = None
    frequency_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeName:
    """What a person calls the programme of a circuit that takes about so long and so much."""

    circuit: str
    name: str
    minutes: float
    kwh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LogColumn:
    """Where one circuit's readings stand in a log.

    `names` holds one column, or volts then amps for `quantity="volts_and_amps"`. In a long log it
    is the name that the circuit column carries. Without a header, columns are numbers from 1.
    """

    names: tuple[str | int, ...]
    quantity: Quantity = "power"
    unit: str = "W"
    power_factor: float | None = None
    rolls_over_at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLayout:
    """How one family of log files is laid out: a [[log]] of house.toml.

    `missing` holds texts that stand for a missing value, besides the usual ones; `thousands` is the
    mark between the thousands of its numbers, if any.
    """

    files: str
    columns: Mapping[str, LogColumn]
    format: Literal["csv", "parquet"] = "csv"
    layout: Literal["wide", "long"] = "wide"
    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    header: bool = True
    lines_above_header: int = 0
    lines_below_header: int = 0
    missing: tuple[str, ...] = ()
    time_columns: tuple[str | int, ...] = ("time",)
    time_format: str = "iso"
    time_zone: str = "UTC"
    time_marks: Literal["start", "end"] = "start"
    circuit_column: str | int | None = None
    value_column: str | int | None = None
    period_s: float | None = None
    hold_s: float | None = None

    @property
    def lines_before_rows(self) -> int:
        """Lines of a CSV before its first row of readings."""
        return self.lines_above_header + int(self.header) + self.lines_below_header


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """All that house.toml says."""

    folder: Path
    name: str
    timezone: ZoneInfo
    circuits: tuple[Circuit, ...]
    supply: Supply = field(default_factory=Supply)
    tariff: Tariff | None = None
    carbon: CarbonFactor | None = None
    logs: tuple[LogLayout, ...] = ()
    programmes: tuple[ProgrammeName, ...] = ()
    write_up: WriteUpDetails = field(default_factory=WriteUpDetails)
