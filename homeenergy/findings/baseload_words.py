"""The baseload of a house, in words."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Any

from homeenergy.estimate import Estimate, number_text
from homeenergy.findings.wording import estimate_text, interval_text, percent_text, value_text

if TYPE_CHECKING:
    from homeenergy.findings.baseload import Baseload

# Lawrence Berkeley National Laboratory, ten houses in California (buildings.lbl.gov): what a whole
# house draws on standby, least, mean and most [W].
LBNL_W = (14.0, 67.0, 169.0)
NAMED = 3  # parts named in the sentence
LEAST_NAMED = 0.02  # of the level: smaller parts are not named
NOT_TOLD = (
    "What never pauses for {minutes:.0f} minutes counts as always on, whatever it is; what is on "
    "no measured circuit is one sum, to which the errors of the clamps of the mains belong."
)


def baseload_sentence(found: Baseload) -> str:
    """Say how much is always on, what it takes in a year and who draws it."""
    least = "" if found.mains_logged else "at least "
    text = (
        f"At the quietest {found.window_s / 60:.0f} minutes of a day {found.house_name} draws "
        f"{least}{estimate_text(found.level_w)}"
    )
    running_w = found.level_w.value - found.always_w.value
    if running_w > LEAST_NAMED * found.level_w.value:
        text += f", {running_w:.0f} W of it for what happens to run just then"
    text += f". What is always on takes {estimate_text(found.kwh_per_year)} a year"
    day = found.kwh_per_day
    if day is not None and isfinite(day.value) and day.value > 0:
        text += f", {percent_text(found.always_w.value * 0.024 / day.value)} of all energy"
    return f"{text}: {_who(found)}. {_context()}"


def _who(found: Baseload) -> str:
    parts = found.parts[~found.parts["state"].isin(["running by itself", "in use just then"])]
    named = parts[parts["watts_w"] >= LEAST_NAMED * found.level_w.value].head(NAMED)
    words = [
        f"{row.appliance} {value_text(part_w(row))} W"
        if row.circuit
        else f"{value_text(part_w(row))} W {row.appliance}"
        for row in named.itertuples()
    ]
    rest_w = found.always_w.value - float(named["watts_w"].sum())
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
        systematic=row.systematic_w,
    )


def baseload_markdown(found: Baseload) -> str:
    """A table of the parts, and below it what cannot be told."""
    lines = ["| what | how | W | share | kWh per year |", "| --- | --- | --- | --- | --- |"]
    lines += [_line(row) for row in found.parts.itertuples()]
    lines += [
        "",
        found.sentence,
        "",
        NOT_TOLD.format(minutes=found.window_s / 60),
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
