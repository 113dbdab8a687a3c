"""The baseload of a house: what it draws when nobody does anything, and who makes it up."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.shared.house_loads import as_divided
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.house import house_findings
from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    estimate_text,
    interval_text,
    percent_text,
    value_text,
)
from homeenergy.findings.appliance.table import Findings
from homeenergy.house.clamp_errors import CLAMP_LIMIT, clamp_errors
from homeenergy.house.kinds import KINDS
from homeenergy.readings.house import House
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.stats.means import mean_of_days
from homeenergy.stats.parts import Parts
from homeenergy.trust.concern import held_out
from homeenergy.trust.panel.quiet_times import (
    FED_BACK_W,
    WINDOW_S,
    least_of_days,
    lows_of_days,
    whole_days,
    window_means,
)
from homeenergy.units import DAYS_PER_YEAR, NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

# Lawrence Berkeley National Laboratory, ten houses in California (buildings.lbl.gov): what a whole
# house draws on standby, least, mean and most [W].
LBNL_W = (14.0, 67.0, 169.0)
NAMED = 3  # parts named in the sentence
LEAST_NAMED = 0.02  # of the level: smaller parts are not named
LIMITS = (
    "Whatever does not pause for {minutes:.0f} minutes counts as never off; loads on no measured "
    "circuit are one sum, which carries the errors of the mains clamps."
)


def baseload_sentence(found: Baseload) -> str:
    """Say how much a house draws constantly, what that comes to in a year and what draws it."""
    least = "" if found.mains_logged else "at least "
    text = (
        f"At the quietest {found.window_s / 60:.0f} minutes of a day {found.house_name} draws "
        f"{least}{estimate_text(found.level_w)}"
    )
    running_w = found.level_w.value - found.constant_w.value
    if running_w > LEAST_NAMED * found.level_w.value:
        text += f", {running_w:.0f} W of it for what happens to be running"
    text += f". The constant draw comes to {estimate_text(found.kwh_per_year)} a year"
    day = found.kwh_per_day
    if day is not None and isfinite(day.value) and day.value > 0:
        text += f", {percent_text(found.constant_w.value * 0.024 / day.value)} of all energy"
    return f"{text}: {_who(found)}. {_context()}"


def _who(found: Baseload) -> str:
    parts = found.parts[~found.parts["state"].isin(["running by itself", "in use at the time"])]
    named = parts[parts["watts_w"] >= LEAST_NAMED * found.level_w.value].head(NAMED)
    words = [
        f"{row.appliance} {value_text(part_w(row))} W"
        if row.circuit
        else f"{value_text(part_w(row))} W {row.appliance}"
        for row in named.itertuples()
    ]
    rest_w = found.constant_w.value - float(named["watts_w"].sum())
    if len(named) < len(parts):
        words.append(f"all others {number_text(rest_w, 0)} W")
    return ", ".join(words)


def _context() -> str:
    least, mean, most = LBNL_W
    return (
        f"Ten houses in California drew {least:.0f} to {most:.0f} W on standby, {mean:.0f} W on "
        "average (Lawrence Berkeley National Laboratory)."
    )


def part_w(row: Any) -> Estimate:
    """One part of the baseload, a row of its table, as an Estimate [W]."""
    return Estimate(
        value=row.watts_w,
        low=row.low_w,
        high=row.high_w,
        unit="W",
        n=0,
        basis="",
    )


def baseload_markdown(found: Baseload) -> str:
    """A table of the parts, and its limits below."""
    lines = ["| what | how | W | share | kWh per year |", "| --- | --- | --- | --- | --- |"]
    lines += [_line(row) for row in found.parts.itertuples()]
    lines += [
        "",
        found.sentence,
        "",
        LIMITS.format(minutes=found.window_s / 60),
    ]
    return "\n".join(lines)


def _line(row: Any) -> str:
    watts = part_w(row)
    cells = [
        row.appliance.replace("|", "\\|"),
        row.state,
        f"{value_text(watts)} ({interval_text(watts)})",
        percent_text(row.share),
        number_text(row.kwh_per_year, 0),
    ]
    return "| " + " | ".join(cells) + " |"


UNMEASURED = "unmeasured"
STANDBY, NEVER_OFF, REST = "standby", "never off", "not known"
BY_ITSELF, IN_USE = "running by itself", "in use at the time"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Baseload:
    """What a house draws at the quietest time of its days.

    Attributes
    ----------
    level_w : Estimate
        Mean over days of the quietest window of each [W]: the sum of all parts.
    constant_w : Estimate
        The same less what appliances that happened to be running drew above standby, and what is
        unmeasured above its own low [W].
    parts : pandas.DataFrame
        One row a part, the greatest first: circuit, appliance, state ("standby", "never off";
        "running by itself" or "in use at the time" above standby; "not known" for what is on no
        measured circuit, "in use at the time" above its low), watts_w, low_w, high_w, systematic_w,
        share (of level_w), kwh_per_year.
    windows : pandas.DataFrame
        The window of each day: day, start (UTC), level_w.
    mains_logged : bool
        Where False, only measured circuits count, and the house draws at least this.
    window_s : float
        Length of a window [s].
    kwh_per_day : Estimate or None
        What goes through the mains, or through all measured circuits, to compare with.
    """

    house_name: str
    level_w: Estimate
    constant_w: Estimate
    parts: pd.DataFrame
    windows: pd.DataFrame
    mains_logged: bool
    window_s: float
    kwh_per_day: Estimate | None

    @property
    def kwh_per_year(self) -> Estimate:
        """What `constant_w` takes in a year [kWh]."""
        factor = DAYS_PER_YEAR * S_PER_DAY / S_PER_H / WH_PER_KWH
        return self.constant_w.scaled(factor, unit="kWh")

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return baseload_sentence(self)

    def to_frame(self) -> pd.DataFrame:
        """A copy of `parts`."""
        return self.parts.copy()

    def to_markdown(self) -> str:
        """The parts as a Markdown table, with its limits below."""
        return baseload_markdown(self)


def house_baseload(
    house: House,
    *,
    findings: Findings | None = None,
    window_s: float = WINDOW_S,
    hours: tuple[int, int] | None = None,
) -> Baseload:
    """Find what a house draws at its quietest, and which circuits draw it.

    Parameters
    ----------
    house : House
    findings : Findings, optional
        Of all its loads, so that they are not worked out again. Default: `house_findings(house)`.
    window_s : float
        Length of the windows into which time is cut [s].
    hours : (int, int), optional
        Only windows that begin at these local hours, half-open: (1, 5) is 1:00 to 5:00. Needed
        where power from a circuit that is not measured feeds back by day.

    Returns
    -------
    Baseload

    Raises
    ------
    HouseError
        Without a whole day on which all circuits have readings, or where power is fed back.
    ValueError
        If `findings` leaves out circuits that are measured, or `hours` are not in order.

    Notes
    -----
    Own method. Time is cut into windows of ten minutes; of each local day the window with the
    least power through the mains (the sum of the circuits, where the mains are not logged) is
    taken, and what each circuit drew in that very window, so that the parts add up. The interval
    of the mean has days as its units. The resolution of the readings and the errors of the clamps
    are systematic. A load that does not pause for a whole window, as a heat pump in the cold or
    two compressors that take turns, cannot be distinguished from one that is never off. A minimum
    is below the mean of whatever comes and goes. Of a house with a circuit that feeds power back,
    the times in which it feeds less than 50 W are looked at. O(samples).

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import house_baseload
    >>> found = house_baseload(he.open_house("sample_data/canal_flat"))
    >>> first = found.parts.iloc[0]
    >>> f"{found.level_w.value:.0f} W, of which {first['appliance']} {first['watts_w']:.0f} W"
    '46 W, of which Ventilation 27 W'
    """
    if not window_s > 0:
        raise ValueError(f"window_s must be positive, got {window_s!r}")
    if hours is not None and not 0 <= hours[0] < hours[1] <= 24:
        raise ValueError(f"hours must lie in order within a day, as (1, 5), got {hours!r}")
    known = house_findings(house) if findings is None else findings
    house = house.without(held_out(known.implausible))
    loads = [f for f in known.appliances if f.days]
    _refuse_some(house, loads)
    mains = house.mains
    windows = pd.concat(
        [
            *(window_means(house.trace(c).sure(), window_s).rename(c.name) for c in mains),
            *(
                window_means(house.trace(f.circuit).sure(), window_s).rename(f.circuit)
                for f in loads
            ),
        ],
        axis=1,
        join="inner",
    )
    names = [c.name for c in mains] or [f.circuit for f in loads]
    table = whole_days(windows, timezone=house.timezone, window_s=window_s, hours=hours)
    # What makes power is no load: only times count in which it rests. What a battery feeds back
    # comes in as what the mains carry does.
    makers = [f.circuit for f in loads if f.kwh_per_day.value < 0]
    table = table[(table[makers] > -FED_BACK_W).all(axis=1)]
    givers = [f.circuit for f in loads if (table[f.circuit] < -FED_BACK_W).any()]
    givers += [name for name in makers if name not in givers]
    made_w = table[givers].clip(upper=0.0).sum(axis=1)
    table = table.assign(**{name: table[name].clip(lower=0.0) for name in givers})
    level_w = table[names].sum(axis=1) - (made_w if mains else 0.0)
    table = table.assign(level_w=level_w)
    quiet = _quietest(table, house)
    level = _mean_w(quiet["level_w"], _clamps(house, names, quiet))
    above_w = pd.DataFrame({f.circuit: _above_standby_w(f, quiet, window_s) for f in loads})
    above_w = above_w.assign(**dict.fromkeys(givers, 0.0))
    if mains:
        above_w[""] = _above_low_w(table, quiet, [f.circuit for f in loads])
    unused_w = quiet["level_w"] - above_w.sum(axis=1).to_numpy(np.float64)
    constant = _mean_w(unused_w, level.parts.chosen(observed=False))
    parts = _parts(house, loads, quiet, above_w, with_mains=bool(mains))
    parts = parts.assign(share=parts["watts_w"] / level.value)
    parts = parts.sort_values("watts_w", ascending=False, ignore_index=True)
    return Baseload(
        house_name=house.name,
        level_w=level,
        constant_w=constant,
        parts=parts,
        windows=pd.DataFrame(
            {"day": quiet["day"], "start": quiet.index, "level_w": quiet["level_w"]}
        ).reset_index(drop=True),
        mains_logged=bool(mains),
        window_s=window_s,
        kwh_per_day=known.mains_kwh_per_day,
    )


def _refuse_some(house: House, loads: list[ApplianceFinding]) -> None:
    names = {f.circuit for f in loads}
    left = [
        c.name
        for c in house.circuits
        if c.role == "load" and c.name not in names and house.has_readings(c)
    ]
    if left:
        raise ValueError(
            f"findings leave out measured circuits: {', '.join(left)}. Give house_findings(house) "
            "of all loads, or none."
        )


def _quietest(table: pd.DataFrame, house: House) -> pd.DataFrame:
    """The quietest window of each day, or why there is none."""
    if not len(table):
        raise HouseError(
            "there is no whole day on which all circuits have readings, so no quietest time of a "
            "day can be found",
            path=house.path,
            fix="Import longer logs, or leave circuits without readings out of house.toml.",
        )
    if table["level_w"].min() < -FED_BACK_W:
        raise HouseError(
            f"power flows out through the mains (down to {table['level_w'].min():.0f} W), so the "
            "least power of a day is not its baseload",
            path=house.path,
            fix="Look at the night only, for example hours=(1, 5); if nothing feeds power back, a "
            "clamp of the mains sits backwards: give it multiplier = -1.",
        )
    return least_of_days(table, "level_w")


def _above_standby_w(
    finding: ApplianceFinding, quiet: pd.DataFrame, window_s: float
) -> NDArray[np.float64]:
    """Power above standby in the windows in which a run of this circuit falls; else nothing."""
    begin_ns = pd.DatetimeIndex(quiet.index).as_unit("ns").asi8
    end_ns = begin_ns + round(window_s * NS_PER_S)
    runs = finding.cycles.table
    first = pd.DatetimeIndex(runs["start"]).as_unit("ns").asi8
    last = pd.DatetimeIndex(runs["end"]).as_unit("ns").asi8
    begun = np.searchsorted(first, end_ns, side="left")
    running = begun > np.searchsorted(last, begin_ns, side="right")
    standby_w = finding.cycles.rest.measured_w
    base_w = standby_w if isfinite(standby_w) else 0.0
    return np.where(running, quiet[finding.circuit].to_numpy(np.float64) - base_w, 0.0)


def _above_low_w(table: pd.DataFrame, quiet: pd.DataFrame, loads: list[str]) -> NDArray[np.float64]:
    """What no circuit accounts for, above what is left over when the circuits of a day draw least.

    See `unmonitored_baseload`: what is unmeasured may be in use in the house's quietest window.
    """
    low_w = lows_of_days(table, ["level_w"], loads).set_index("day")["left_w"]
    left_w = quiet["level_w"] - quiet[loads].sum(axis=1)
    above_w: NDArray[np.float64] = left_w.to_numpy() - low_w[quiet["day"]].to_numpy()
    return above_w.clip(min=0.0)


def _mean_w(watts: pd.Series, clamps: Parts) -> Estimate:
    found = mean_of_days(watts.to_numpy(np.float64), unit="W")
    basis = found.basis.replace("whole days", "quietest times of days")
    return found.with_parts(clamps, basis=basis)


def _clamps(
    house: House, names: list[str], quiet: pd.DataFrame, *, usual_limit: float = 0.0
) -> Parts:
    """What the clamps of these circuits make of the sum of their powers [W]."""
    found = Parts()
    for name in names:
        clamp = clamp_errors(as_divided(house, house.circuit(name)), house.supply)
        kwh = float(quiet[name].mean()) / WH_PER_KWH  # of an hour
        found = found.plus(clamp.parts(kwh, hours=1.0, usual_limit=usual_limit))
    return found.scaled(WH_PER_KWH)


def _parts(
    house: House,
    loads: list[ApplianceFinding],
    quiet: pd.DataFrame,
    above_w: pd.DataFrame,
    *,
    with_mains: bool,
) -> pd.DataFrame:
    rows = []
    for finding in loads:
        above = above_w[finding.circuit].set_axis(quiet.index)
        clamp = _clamps(house, [finding.circuit], quiet)
        state = NEVER_OFF if KINDS[finding.kind].never_off else STANDBY
        name = (finding.circuit, finding.appliance)
        rows.append(_part(*name, state, quiet[finding.circuit] - above, clamp))
        if above.any():
            started = IN_USE if KINDS[finding.kind].by_hand else BY_ITSELF
            rows.append(_part(*name, started, above, Parts()))
    if with_mains:
        names = [f.circuit for f in loads]
        legs = [c.name for c in house.circuits if c.role == "mains" and c.name in quiet]
        of_legs, of_loads = (
            _clamps(house, some, quiet, usual_limit=CLAMP_LIMIT) for some in (legs, names)
        )
        above = above_w[""].set_axis(quiet.index)
        left = quiet["level_w"] - quiet[names].sum(axis=1) - above
        rows.append(_part("", UNMEASURED, REST, left, of_legs.plus(of_loads, -1.0)))
        if above.any():
            rows.append(_part("", UNMEASURED, IN_USE, above, Parts()))
    return pd.DataFrame(rows)


def _part(
    circuit: str, appliance: str, state: str, watts: pd.Series, clamps: Parts
) -> dict[str, object]:
    found = _mean_w(watts, clamps)
    if found.value >= 0 > found.low and state != REST:
        found = found.within(least=0.0)  # nothing here feeds power back
    return {
        "circuit": circuit,
        "appliance": appliance,
        "state": state,
        "watts_w": found.value,
        "low_w": found.low,
        "high_w": found.high,
        "systematic_w": found.systematic,
        "kwh_per_year": found.value * DAYS_PER_YEAR * S_PER_DAY / S_PER_H / WH_PER_KWH,
    }
