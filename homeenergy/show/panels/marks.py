"""Figures of panels that the browser draws: marks placed in per cent fit any width."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.findings.appliance.record import is_bound, value_and_interval
from homeenergy.findings.change import Change
from homeenergy.findings.comparison.comparison import Comparison
from homeenergy.findings.comparison.times import Comparisons
from homeenergy.findings.loads.idle import IdleUse
from homeenergy.show.figures.comparison import differences_of, same_words
from homeenergy.show.figures.idle import COLUMNS, cells_of, parts_of
from homeenergy.stats.estimate import Estimate

TICKS, DATES = 6, 6
STYLE = Path(__file__).parent / "web" / "marks.css"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Values along a figure, from `low` to `high`, with round ones to write."""

    low: float
    high: float

    def at(self, value: float) -> float:
        """Place of a value [% of the width]."""
        return 100 * (value - self.low) / (self.high - self.low)

    def ticks(self, most: int = TICKS) -> list[float]:
        """Round values inside, in steps of 1, 2 or 5 times a power of ten."""
        rough = (self.high - self.low) / most
        size = 10.0 ** math.floor(math.log10(rough))
        step = next(one * size for one in (1, 2, 5, 10) if one * size >= rough * (1 - 1e-9))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [round(k * step, 12) for k in range(first, last + 1)]


def scale_of(values: Sequence[float]) -> Scale:
    """Give a scale that holds zero and all finite values, with a little room."""
    finite = [value for value in values if math.isfinite(value)]
    low, high = min([0.0, *finite]), max([0.0, *finite])
    if low == high:
        return Scale(low=0, high=1)
    room = 0.05 * (high - low)
    return Scale(low=low - room * (low < 0), high=high + room * (high > 0))


def comparison_marks(found: Comparison, words: str) -> str:
    """Draw two means and their difference."""
    shown = "shown" if found.differs else "open"
    rows = [(found.name_a, found.a, "first"), (found.name_b, found.b, "second")]
    return _estimates(
        [*rows, ("difference", found.difference, shown)], f"kWh per {found.per}", words
    )


def differences_marks(found: Comparisons, words: str) -> str:
    """Draw by how much each hour, or day of the week, differs from the others."""
    rows, what = differences_of(found.all)
    marks = [(name, one, "shown" if full else "open") for name, one, _, full in rows]
    return _estimates(marks, f"{what} (kWh per {found.all[0].per})", words)


def _estimates(rows: Sequence[tuple[str, Estimate, str]], label: str, words: str) -> str:
    every = [end for _, one, _ in rows for end in (one.low, one.value, one.high)]
    scale, body = scale_of(every), []
    for name, one, look in rows:
        marks = _within(scale, one.low, one.high, look)
        marks += f'<i class="he-dot he-{look}" style="left:{scale.at(one.value):.2f}%"></i>'
        body.append(_row(name, scale, marks, [("", value_and_interval(one))]))
    key = [("he-within", "95 % interval")]
    if any(look == "open" for *_, look in rows):
        key.append(("he-dot he-open", "not significant"))
    return _rows(body, scale, label, heads=("",), key=key, words=words)


def idle_marks(rows: Sequence[IdleUse], words: str) -> str:
    """Draw how the energy of appliances is divided between waiting and working."""
    scale, body = Scale(low=0, high=100), []
    bound = False
    for row in rows:
        share, parts, marks = row.idle_share, parts_of(row), ""
        if parts is not None:
            idle, working = parts
            marks = _bar(0, idle, "idle") + _bar(idle, working, "use")
            if is_bound(share):
                bound = True
                marks += _bar(0, 100 * share.high, "most")
            else:
                marks += _within(scale, 100 * max(share.low, 0), 100 * min(share.high, 1), "")
        cells = list(zip(COLUMNS, cells_of(row), strict=True))
        body.append(_row(row.finding.appliance, scale, marks or "not known", cells, rule=50))
    key = [("he-bar-of he-idle", "idle"), ("he-bar-of he-use", "in use")]
    key += [("he-bar-of he-most", "idle, at most")] if bound else []
    key += [("he-within", "95 % interval"), ("he-rule", "half")]
    return _rows(body, scale, "share of its energy (%)", heads=COLUMNS, key=key, words=words)


def change_marks(change: Change, words: str) -> str:
    """Draw every day, at the same weather and weekday, with the levels before and after."""
    days = pd.to_datetime(change.days["day"])
    adjusted = change.days["adjusted_kwh"].to_numpy(dtype=float)
    measured = change.days["kwh"].to_numpy(dtype=float)
    numbers = (days - days.iloc[0]).dt.total_seconds().to_numpy() / 86_400
    across = Scale(low=-0.5, high=float(numbers[-1]) + 0.5)
    up = scale_of([*adjusted, *measured])
    at_day = (pd.Timestamp(change.at) - days.iloc[0]).total_seconds() / 86_400
    parts = [
        f'<i class="he-up" style="bottom:{up.at(tick):.2f}%"></i>'
        f'<span class="he-y" style="top:{100 - up.at(tick):.2f}%">{tick:g}</span>'
        for tick in up.ticks()
    ]
    if change.found:
        first, last = (
            across.at((pd.Timestamp(day) - days.iloc[0]).total_seconds() / 86_400 - 0.5)
            for day in (change.earliest, change.latest)
        )
        parts.append(
            f'<i class="he-marks-strip" style="left:{first:.2f}%;width:{last - first:.2f}%"></i>'
        )
    parts.append(f'<i class="he-rule" style="left:{across.at(at_day - 0.5):.2f}%"></i>')
    later = numbers >= at_day
    for part, level, look in (
        (~later, change.before_kwh, "first"),
        (later, change.after_kwh, "shown"),
    ):
        if part.any():
            parts.append(_level(across, up, numbers[part], level, look))
    moved = not np.allclose(measured, adjusted)
    for number, day, raw, same in zip(numbers, days, measured, adjusted, strict=True):
        if moved:
            parts.append(_day(across, up, number, raw, "he-raw", ""))
        look = "he-shown" if number >= at_day else "he-first"
        parts.append(
            _day(across, up, number, same, look, f"{day:%a} {day.day} {day:%b}: {same:.3g} kWh")
        )
    step = max(1, math.ceil(len(set(numbers)) / DATES))
    for k in range(0, int(numbers[-1]) + 1, step):
        day = days.iloc[0] + pd.Timedelta(days=k)
        text = f"{day.day} {day:%b}"
        parts.append(f'<span class="he-marks-at" style="left:{across.at(k):.2f}%">{text}</span>')
    same = same_words(change)
    key = [("he-dot he-first", f"before{same}"), ("he-dot he-shown", f"after{same}")]
    key += [("he-dot he-raw", "as measured")] if moved else []
    body = f'<div>energy of the day (kWh)</div><div class="he-days">{"".join(parts)}</div>'
    return _figure(body + _key(key), words)


def _day(across: Scale, up: Scale, number: float, kwh: float, look: str, title: str) -> str:
    if not math.isfinite(kwh):
        return ""
    place = f"left:{across.at(number):.2f}%;top:{100 - up.at(kwh):.2f}%"
    return f'<i class="he-dot {look}" style="{place}" title="{escape(title)}"></i>'


def _level(across: Scale, up: Scale, numbers: np.ndarray, level: Estimate, look: str) -> str:
    left, right = across.at(float(numbers[0])), across.at(float(numbers[-1]))
    place = f"left:{left:.2f}%;width:{right - left:.2f}%"
    drawn = (
        f'<i class="he-level he-{look}" style="{place};top:{100 - up.at(level.value):.2f}%"></i>'
    )
    if math.isfinite(level.high - level.low):
        top, bottom = 100 - up.at(level.high), up.at(level.low)
        drawn += (
            f'<i class="he-band he-{look}" style="{place};top:{top:.2f}%;bottom:{bottom:.2f}%"></i>'
        )
    return drawn


def _within(scale: Scale, low: float, high: float, look: str) -> str:
    if not math.isfinite(high - low):
        return ""
    left, width = scale.at(low), scale.at(high) - scale.at(low)
    kind = f"he-within he-{look}" if look else "he-within"
    return f'<i class="{kind}" style="left:{left:.2f}%;width:{max(width, 0):.2f}%"></i>'


def _bar(left: float, width: float, look: str) -> str:
    if width <= 0:
        return ""
    return f'<i class="he-bar-of he-{look}" style="left:{left:.2f}%;width:{width:.2f}%"></i>'


def _row(
    name: str,
    scale: Scale,
    marks: str,
    cells: Sequence[tuple[str, str]],
    *,
    rule: float | None = None,
) -> str:
    lines = "".join(
        f'<i class="he-tick{zero}" style="left:{scale.at(tick):.2f}%"></i>'
        for tick in scale.ticks()
        for zero in [" he-zero" if tick == 0 else ""]
    )
    if rule is not None:
        lines += f'<i class="he-rule" style="left:{scale.at(rule):.2f}%"></i>'
    told = "".join(
        f'<span class="he-cell"{f" data-head={chr(34)}{escape(head)}{chr(34)}" if head else ""}>'
        f"{escape(text)}</span>"
        for head, text in cells
    )
    return f'<span>{escape(name)}</span><div class="he-track">{lines}{marks}</div>{told}'


def _rows(
    body: Sequence[str],
    scale: Scale,
    label: str,
    *,
    heads: Sequence[str],
    key: Sequence[tuple[str, str]],
    words: str,
) -> str:
    ticks = "".join(
        f'<span class="he-marks-at" style="left:{scale.at(tick):.2f}%">{tick:g}</span>'
        for tick in scale.ticks()
    )
    top = (
        "".join(f'<span class="he-head">{escape(head)}</span>' for head in ("", "", *heads))
        if any(heads)
        else ""
    )
    empty = '<span class="he-head"></span>' * len(heads)
    axis = f'<span></span><div class="he-track">{ticks}</div>{empty}'
    axis += f"<span></span><span>{escape(label)}</span>{empty}"
    grid = f'<div class="he-rows" style="--cells:{len(heads)}">{top}{"".join(body)}{axis}</div>'
    return _figure(grid + _key(key), words)


def _key(pairs: Sequence[tuple[str, str]]) -> str:
    spans = "".join(f'<span><i class="{look}"></i>{escape(text)}</span>' for look, text in pairs)
    return f'<div class="he-marks-key">{spans}</div>'


def _figure(body: str, words: str) -> str:
    return (
        f'<style>{_style()}</style><div class="he-marks" role="img" aria-label="{escape(words)}">'
        f"{body}</div>"
    )


@cache
def _style() -> str:
    return STYLE.read_text(encoding="utf-8")
