"""The bill and the peaks: bills against the log, when the house draws most, own power, carbon."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from homeenergy.errors import HouseError
from homeenergy.findings.billed import FILE_NAME, Billed, reconcile_bills
from homeenergy.findings.days import SATURDAY
from homeenergy.findings.peaks import Peaks, house_peaks
from homeenergy.show.document.blocks import Block, Heading, Prose, Table
from homeenergy.show.writeup.basis import even_ticks, picture
from homeenergy.show.writeup.client import Told

VERDICTS = {
    "agrees": "agrees",
    "differs": "differs",
    "amount differs": "the amount differs",
    "estimated": "estimated",
    "not logged": "not logged",
}
LEAST_KW = 0.005  # is written as nothing
# What is said of bills that do not agree, by verdict.
DIFFERENCES = {
    "estimated": "Differ, but rest on an estimated reading: {number}. The next real reading "
    "settles it.",
    "differs": "Differ though the meter was read: {number}. Ask the utility, or look at the clamps "
    "of the mains.",
    "amount differs": "The kWh agree and the amount does not: {number}. Prices in house.toml, "
    "taxes or charges differ.",
}


def bill_part(told: Told) -> tuple[Block, ...]:
    """What bills say, when the house draws most, and what follows; nothing where none is known."""
    words = told.words
    blocks = [*_bills(told), *_peaks(told), *_own_power(told), *_carbon(told)]
    if not blocks:
        return ()
    return (Heading(text=words.say("The bill and the peaks")), *blocks)


def _bills(told: Told) -> list[Block]:
    words, house = told.words, told.basis.house
    if not (house.path / FILE_NAME).is_file():
        return []
    try:
        billed = reconcile_bills(told.basis.past)
    except HouseError as error:
        if error.path is not None and str(error.path).endswith(FILE_NAME):
            raise
        text = "Bills cannot be compared: no readings of the mains can be used."
        return [Prose(text=words.say(text))]
    return [_bill_table(told, billed), Prose(text=" ".join(_bill_words(told, billed)))]


def _bill_table(told: Told, billed: Billed) -> Table:
    words = told.words

    def money(value: float) -> str:
        known = math.isfinite(value) and billed.currency
        return words.amount(value, currency=billed.currency) if known else ""

    rows = []
    bills: Any = billed.table.itertuples(index=False)
    for row in bills:
        logged = ""
        if math.isfinite(row.logged_kwh):
            low, high = words.number(row.low_kwh, 0), words.number(row.high_kwh, 0)
            ends = words.say("{low} to {high}", low=low, high=high)
            logged = f"{words.value('logged_kwh', row.logged_kwh)} ({ends})"
        rows.append(
            (
                words.say("{start} to {end}", start=words.day(row.start), end=words.day(row.end)),
                words.value("billed_kwh", row.kwh),
                logged,
                money(row.amount),
                money(row.expected_amount),
                words.say(VERDICTS[row.verdict]),
            )
        )
    return Table(
        head=tuple(
            map(words.say, ("bill", "billed", "logged", "amount", "by the tariff", "verdict"))
        ),
        rows=tuple(rows),
        caption=words.say(
            "Bills against the log. In brackets: what a bill may say if both are right, as the "
            "hour of its reading is not known."
        ),
        numeric=frozenset({1, 2, 3, 4}),
        sheet=words.say("bills"),
        data=billed.to_frame(),
    )


def _bill_words(told: Told, billed: Billed) -> list[str]:
    words, table = told.words, billed.table
    count = table["verdict"].value_counts()
    said = []
    if not len(billed.compared):
        return [words.say("No bill lies within the log, so none can be compared.")]
    said.append(
        words.say(
            "{agreeing} of {compared} bills that the log covers agree with it.",
            agreeing=int(count.get("agrees", 0)),
            compared=len(billed.compared),
        )
    )
    said += [
        words.say(text, number=int(count[verdict]))
        for verdict, text in DIFFERENCES.items()
        if verdict in count
    ]
    return said


def _peaks(told: Told) -> list[Block]:
    basis = told.basis
    try:
        peaks = house_peaks(basis.house, basis.measured)
    except HouseError:
        return []
    table, words = _peak_table(told, peaks), Prose(text=" ".join(_peak_words(told, peaks)))
    return [table, words, _day_figure(told, peaks)]


def _day_figure(told: Told, peaks: Peaks) -> Block:
    """How the house draws over a mean day, and how often so much."""
    words, kw = told.words, peaks.slots_kw.to_numpy(np.float64)
    local = pd.DatetimeIndex(peaks.slots_kw.index).tz_convert(told.basis.zone)
    hour, weekend = local.hour + local.minute / 60, local.day_of_week >= SATURDAY
    kinds = (("Monday to Friday", ~weekend, "-"), ("Saturday and Sunday", weekend, "--"))

    def draw(axes: list[Axes]) -> None:
        for name, days, style in kinds:
            if days.any():
                mean = pd.Series(kw[days]).groupby(hour[days]).mean()
                axes[0].step(
                    mean.index, mean, style, where="post", color=told.colour, label=words.say(name)
                )
        axes[0].set_xlim(0, 24)
        axes[0].set_xticks([0, 6, 12, 18, 24])
        axes[0].margins(y=0.2)  # room for the legend
        axes[0].legend(fontsize=8, frameon=False, loc="upper left", ncols=2)
        axes[0].set_title(words.say("kW on a mean day"), fontsize=9, loc="left")
        axes[0].set_xlabel(words.say("hour of the day"), fontsize=8)
        axes[1].plot(np.linspace(0, 1, kw.size), np.sort(kw)[::-1], color=told.colour)
        axes[1].set_xlim(0, 1)
        axes[1].xaxis.set_major_formatter(
            lambda x, _: words.percent(x) if x else words.number(0, 0)
        )
        axes[1].set_title(words.say("kW that is reached or exceeded"), fontsize=9, loc="left")
        axes[1].set_xlabel(words.say("share of the time"), fontsize=8)
        for ax in axes:
            ax.set_ylim(bottom=0)
            ax.tick_params(labelsize=8)
            even_ticks(ax.yaxis, words)
            ax.spines[["top", "right"]].set_visible(False)
            ax.grid(axis="y", color="0.9", linewidth=0.6)

    return picture(
        draw,
        caption=words.say(
            "What the house draws from the grid. Left: by the hour, on average. Right: for how "
            "much of the time."
        ),
        alternative=" ".join(_peak_words(told, peaks)),
        height_in=2.6,
        widths=(1.3, 1.0),
    )


def _peak_table(told: Told, peaks: Peaks) -> Table:
    words, basis = told.words, told.basis
    rows = []
    months: Any = peaks.months.itertuples(index=False)
    for row in months:
        at = pd.Timestamp(row.at).tz_convert(basis.zone)
        loads = ", ".join(f"{name} {words.value('load_kw', kw)}" for name, kw in row.loads)
        rows.append((f"{words.day(at)}, {at:%H:%M}", words.value("peak_kw", row.kw), loads))
    return Table(
        head=(words.say("peak of the month"), words.say("power"), words.say("what ran")),
        rows=tuple(rows),
        caption=words.say("The greatest power of each month over a quarter of an hour."),
        numeric=frozenset({1}),
        sheet=words.say("peaks"),
        data=_peak_frame(told, peaks),
    )


def _peak_frame(told: Told, peaks: Peaks) -> pd.DataFrame:
    """The same for a workbook: months by name, instants by the clock of the house."""
    found = peaks.to_frame()
    at = pd.to_datetime(found["at"], utc=True).dt.tz_convert(told.basis.zone)
    month = [str(name)[: len("2026-01")] for name in found["month"]]
    return found.assign(month=month, at=at).rename(columns={"kw": "power_kw"})


def _peak_words(told: Told, peaks: Peaks) -> list[str]:
    words, year = told.words, told.year
    at = peaks.duration.set_index("share")["kw"]
    said = [
        words.say(
            "Half of the time the house draws less than {half_kw}, a tenth of it more than "
            "{tenth_kw}, a hundredth more than {hundredth_kw}; {mean_kw} on average."
            if at[0.5] >= LEAST_KW
            else "Half of the time the house draws nothing from the grid, a tenth of it more than "
            "{tenth_kw}, a hundredth more than {hundredth_kw}; {mean_kw} on average.",
            half_kw=float(at[0.5]),
            tenth_kw=float(at[0.1]),
            hundredth_kw=float(at[0.01]),
            mean_kw=peaks.mean_kw,
        )
    ]
    if peaks.coincidence <= 1:  # more is drawn on circuits not measured
        said.append(
            words.say(
                "Its greatest power is {part_share} of what all measured circuits would draw at "
                "their greatest together.",
                part_share=peaks.coincidence,
            )
        )
    if year.demand and year.energy is not None:
        said.append(
            words.say(
                "Charges for the greatest power come to {demand} a year: running large loads one "
                "after the other lowers them.",
                demand=words.amount(year.demand, currency=year.energy.unit),
            )
        )
    return said


def _own_power(told: Told) -> list[Block]:
    words, year = told.words, told.year
    own = year.own
    if own is None:
        return []
    text = words.say(
        "The house makes {made_kwh} in a year like these days; {self_share} of it is used in the "
        "house, {exported_kwh} is fed back.",
        made_kwh=own.made_kwh,
        self_share=own.self_share,
        exported_kwh=own.exported_kwh,
    )
    if own.earned is not None and year.energy is not None:
        text += " " + words.say(
            "What is fed back earns {earned} a year.",
            earned=words.amount(own.earned, currency=year.energy.unit),
        )
    return [Prose(text=text)]


def _carbon(told: Told) -> list[Block]:
    words, year = told.words, told.year
    factor = told.basis.house.schedule.carbon
    if factor is None:
        return []
    return [
        Prose(
            text=words.say(
                "Carbon dioxide: {carbon_kg} a year, at {factor} kg a kWh ({source}, {year}).",
                carbon_kg=year.kwh.value * factor.kg_per_kwh,
                factor=words.number(factor.kg_per_kwh, 3),
                source=factor.source,
                year=str(factor.year),
            )
        )
    ]
