"""What the viewer makes of a span of time: a table of its energy, a file of its readings."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Circuit
from homeenergy.house.tariff import constant_price
from homeenergy.house.zones import read_zone
from homeenergy.readings.house import House
from homeenergy.readings.store.bins import WIDTHS
from homeenergy.show.viewer.others import Other
from homeenergy.show.viewer.view import circuit_labels, span_text
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

MOST_ROWS = 1_000_000
MINUTE_NS = 60 * NS_PER_S  # prices change on whole minutes


def file_stem(house: House, start_ns: int, end_ns: int) -> str:
    """Name for files of a span: the house, and from when to when in local time."""
    edges = (
        f"{pd.Timestamp(at, unit='ns', tz='UTC').tz_convert(house.timezone):%Y-%m-%d_%H%M%S}"
        for at in (start_ns, end_ns)
    )
    name = re.sub(r"\W+", "_", house.name).strip("_").lower() or "house"
    return "_".join((name, *edges))


def readings_csv(
    house: House,
    circuits: Sequence[str],
    *,
    start_ns: int,
    end_ns: int,
    written: Mapping[str, Other] | None = None,
    most_rows: int = MOST_ROWS,
) -> tuple[bytes, float]:
    """Write the readings of circuits between two instants as CSV.

    Parameters
    ----------
    house : House
    circuits : sequence of str
        Or other quantities that logs hold; those without readings are left out.
    start_ns, end_ns : int
        UTC, ns since 1970.
    written : mapping of str to Other, optional
        What a person wrote down, by name: the outdoor temperature, the utility meter.
    most_rows : int
        Above so many rows, means of 60 or of 3600 samples are written instead of each sample.

    Returns
    -------
    text, period_s : bytes, float
        In UTF-8, and how much time one row covers [s].

    Notes
    -----
    Columns: `time`, the local time with its offset from UTC at which a row begins; and a column
    `<circuit>_w` for each circuit, empty where nothing was logged; other quantities end in their
    unit. A circuit with a period of its own longer than the shortest one has a row only where its
    samples begin.
    """
    units, others = house.other_units, house.others()
    there = [
        (f"{name}_{units.get(name, 'w')}", source, name)
        for name in circuits
        if (source := others if name in units else house).has_readings(name)
    ]
    written = written or {}
    if not there and not written:
        raise HouseError("there are no readings to save", fix="Choose a circuit that has some.")
    periods_ns = [source.overview.period_ns(name) for _, source, name in there]
    period_ns = min(periods_ns, default=MINUTE_NS)
    samples = max((end_ns - start_ns) // period_ns, 1)
    width = next((w for w in (1, *WIDTHS) if samples // w <= most_rows), None)
    if width is None:
        raise HouseError(
            f"{samples:,} samples are too many for one file", fix="Select a shorter span."
        )
    columns = {c: _mean_w(source, n, start_ns, end_ns, width) for c, source, n in there}
    for name, other in written.items():
        column = f"{name.replace(' ', '_')}_{other.unit.strip('°').lower()}"
        columns[column] = _written(other, start_ns, end_ns, width * period_ns)
    table = pd.DataFrame(columns)
    local = pd.DatetimeIndex(table.index.to_numpy(np.int64).view("M8[ns]")).tz_localize("UTC")
    table.index = pd.Index([t.isoformat() for t in local.tz_convert(house.timezone)], name="time")
    return table.to_csv(float_format="%.6g").encode(), width * period_ns / NS_PER_S


def _mean_w(house: House, name: str, start_ns: int, end_ns: int, width: int) -> pd.Series:
    """Means of stretches of `width` samples, by the instant [ns] at which they begin."""
    overview = house.overview
    step_ns = overview.period_ns(name) * width
    first, stop = -(-start_ns // step_ns), -(-end_ns // step_ns)
    if width == 1:
        watts: np.ndarray = overview.samples(name, first, stop)
    else:
        watts = overview.bins(name, WIDTHS.index(width), first, stop).mean_w
    return pd.Series(watts, index=np.arange(first, max(stop, first), dtype=np.int64) * step_ns)


def _written(other: Other, start_ns: int, end_ns: int, row_ns: int) -> pd.Series:
    """Means of what was written down, in rows or longer stretches, by where they begin [ns]."""
    lane = other.read(start_ns, end_ns, max((end_ns - start_ns) // row_ns, 1))
    at_ns = lane.first_ns + lane.step_ns * np.arange(lane.planes.shape[1], dtype=np.int64)
    inside = (at_ns >= start_ns) & (at_ns < end_ns)
    return pd.Series(lane.planes[2, inside], index=at_ns[inside])


def span_cost(house: House, circuit: Circuit, start_ns: int, end_ns: int) -> float | None:
    """Cost of the samples of a circuit that begin in [start, end) (UTC, ns since 1970).

    Returns
    -------
    float or None
        In the tariff's currency, without its standing charge. None without a tariff, and where
        it has steps: what a kWh of one circuit costs then depends on all others. NaN where nothing
        was logged.

    Notes
    -----
    Each sample costs what holds when it begins. O(1) for a flat tariff, O(minutes) for any other.
    """
    tariff, overview = house.tariff, house.overview
    start, end = (pd.Timestamp(at, unit="ns", tz="UTC") for at in (start_ns, end_ns))
    prices = None if tariff is None else tariff.prices(start, end, timezone=house.timezone)
    if tariff is None or prices is None:
        return None
    if not house.has_readings(circuit):
        return float("nan")
    price = constant_price(prices)
    if price is not None:
        totals = overview.totals(circuit, start_ns, end_ns)
        energy_kwh = totals.energy_wh / WH_PER_KWH
        return energy_kwh * price if totals.covered_s else float("nan")
    period = overview.period_ns(circuit)
    extent = overview.extent_ns(circuit) or (0, 0)
    low = max(-(-start_ns // period), extent[0] // period)
    high = min(-(-end_ns // period), extent[1] // period)
    if low >= high:
        return float("nan")
    sums, count = 0.0, 0
    for first, watts, there in _pieces(house, circuit, low, high):
        begins = pd.DatetimeIndex(first.view("M8[ns]")).tz_localize("UTC")
        sums += float(watts @ tariff.price_at(begins, house.timezone))
        count += there
    return sums * period / NS_PER_S / S_PER_H / WH_PER_KWH if count else float("nan")


def _pieces(
    house: House, circuit: Circuit, low: int, high: int
) -> list[tuple[NDArray[np.int64], NDArray[np.float64], int]]:
    """Samples [low, high) as (when they begin, sums of watts, how many): minutes, samples at ends.

    A bin has one price if it is no longer than a minute and minutes are whole numbers of it.
    """
    period, width = house.overview.period_ns(circuit), WIDTHS[0]
    if MINUTE_NS % (period * width):
        return [_samples(house, circuit, low, high)]
    first, stop = -(-low // width), high // width
    if first >= stop:
        return [_samples(house, circuit, low, high)]
    bins = house.overview.bins(circuit, 0, first, stop)
    begins = np.arange(first, stop, dtype=np.int64) * width * period
    return [
        _samples(house, circuit, low, first * width),
        (begins, bins.sum_w, int(bins.count.sum())),
        _samples(house, circuit, stop * width, high),
    ]


def _samples(
    house: House, circuit: Circuit, low: int, high: int
) -> tuple[NDArray[np.int64], NDArray[np.float64], int]:
    watts = house.overview.samples(circuit, low, high).astype(np.float64)
    there = ~np.isnan(watts)
    begins = np.arange(low, high, dtype=np.int64) * house.overview.period_ns(circuit)
    return begins, np.where(there, watts, 0.0), int(there.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanRow:
    """One circuit in a span; NaN where nothing was logged, `cost` None without a tariff.

    `cost` leaves the standing charge out, and is None as well where the tariff has steps: a kWh of
    one circuit then has no price of its own. `missing` is the share of the span without readings:
    what was used then is in no figure.
    """

    circuit: str
    appliance: str
    role: str
    energy_kwh: float
    cost: float | None
    mean_w: float
    highest_w: float
    missing: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpanTable:
    """What circuits used between `start` and `end`, the greatest user first."""

    start: pd.Timestamp
    end: pd.Timestamp
    timezone: str
    currency: str | None
    rows: tuple[SpanRow, ...]

    @property
    def loads_kwh(self) -> float:
        """Energy of all rows that are loads; the mains would count it twice."""
        return float(np.nansum([row.energy_kwh for row in self.rows if row.role == "load"]))

    @property
    def loads_cost(self) -> float | None:
        """Cost of all rows that are loads."""
        costs = [row.cost for row in self.rows if row.role == "load" and row.cost is not None]
        return float(np.nansum(costs)) if costs else None

    def to_frame(self) -> pd.DataFrame:
        """One row a circuit, with its unit in the name of every column."""
        names = ("circuit", "appliance", "energy_kwh", "cost", "mean_w", "highest_w", "missing")
        rows = [{name: getattr(row, name) for name in names} for row in self.rows]
        return pd.DataFrame(rows, columns=list(names))

    def to_markdown(self) -> str:
        """A Markdown table, with its span above it."""
        heading, *rows = self.cells()
        lines = [f"**{self.span}**", "", _line(heading), "|---|" + "---:|" * (len(heading) - 1)]
        return "\n".join([*lines, *map(_line, rows)])

    def _repr_html_(self) -> str:
        heading, *rows = self.cells()
        head = "".join(f"<th scope='col'>{escape(text)}</th>" for text in heading)
        body = "".join(
            f"<tr><th scope='row' style='text-align: left'>{escape(row[0])}</th>"
            + "".join(f"<td>{escape(text)}</td>" for text in row[1:])
            + "</tr>"
            for row in rows
        )
        caption = f"<caption style='text-align: left'>{escape(self.span)}</caption>"
        return (
            "<table style='text-align: right; border-spacing: 1em 0.15em; "
            f"border-collapse: separate'>{caption}<thead><tr>{head}</tr></thead>"
            f"<tbody>{body}</tbody></table>"
        )

    @property
    def span(self) -> str:
        """From when to when, in local time."""
        return span_text(self.start.value, self.end.value, read_zone(self.timezone))

    def cells(self) -> list[list[str]]:
        """Texts of the table: a heading, a row a circuit, and the sum of several loads."""
        money = [f"cost ({self.currency})"] if self.currency else []
        table = [["circuit", "energy (kWh)", *money, "mean (W)", "highest (W)", "missing"]]
        for row in self.rows:
            cost = [_number(row.cost, 2)] if self.currency else []
            figures = [_number(row.mean_w, 1), _number(row.highest_w, 0)]
            missing = "none" if row.missing == 0 else f"{100 * row.missing:.2g} %"
            table.append([row.appliance, _number(row.energy_kwh, 3), *cost, *figures, missing])
        if sum(row.role == "load" for row in self.rows) > 1:
            cost = [_number(self.loads_cost, 2)] if self.currency else []
            table.append(["sum of these loads", _number(self.loads_kwh, 3), *cost, "", "", ""])
        return table


def span_table(
    house: House, circuits: Sequence[str] | None = None, *, start: object, end: object
) -> SpanTable:
    """What circuits used in a span of time.

    Parameters
    ----------
    house : House
    circuits : sequence of str, optional
        Default: all.
    start, end : timestamp or text
        Samples that begin in [start, end); local times of the house, or instants.

    Returns
    -------
    SpanTable
        Energies are plain sums of the samples that are there. They carry the clamp's error, which
        no span makes smaller.

    Raises
    ------
    HouseError
        If there is no such circuit, or no time between `start` and `end`.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import span_table
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> day = span_table(house, ["fridge"], start="2026-03-02", end="2026-03-03")
    >>> round(day.rows[0].energy_kwh / 24 * 1000, 2) == round(day.rows[0].mean_w, 2)
    True
    """
    low, high = house.instant_ns(start), house.instant_ns(end)
    if low is None or high is None or low >= high:
        raise HouseError(
            f"there is no time between {start} and {end}", fix="Let the span end after it begins."
        )
    chosen = house.circuits if circuits is None else tuple(map(house.circuit, circuits))
    labels = circuit_labels(house)
    rows = [_row(house, circuit, labels[circuit.name], low, high) for circuit in chosen]
    rows.sort(key=lambda row: -np.nan_to_num(row.energy_kwh, nan=-np.inf))
    return SpanTable(
        start=pd.Timestamp(low, unit="ns", tz="UTC"),
        end=pd.Timestamp(high, unit="ns", tz="UTC"),
        timezone=str(house.timezone),
        currency=house.tariff.currency if house.tariff else None,
        rows=tuple(rows),
    )


def _row(house: House, circuit: Circuit, label: str, low: int, high: int) -> SpanRow:
    energy_kwh = mean_w = highest_w = float("nan")
    missing = 1.0
    if house.has_readings(circuit):
        totals = house.overview.totals(circuit, low, high)
        if totals.span_s:
            missing = 1 - totals.covered_s / totals.span_s
        if totals.covered_s:
            energy_kwh, mean_w = totals.energy_wh / WH_PER_KWH, totals.mean_w
            highest_w = totals.greatest_w
    return SpanRow(
        circuit=circuit.name,
        appliance=label,
        role=circuit.role,
        energy_kwh=energy_kwh,
        cost=span_cost(house, circuit, low, high),
        mean_w=mean_w,
        highest_w=highest_w,
        missing=missing,
    )


def _number(value: float | None, places: int) -> str:
    return "–" if value is None or np.isnan(value) else f"{value:,.{places}f}"


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"
