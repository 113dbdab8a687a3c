"""A comparison in words: one sentence, and a small table."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING

from homeenergy.estimate import Estimate, decimals, number_text
from homeenergy.findings.wording import interval_text, value_text

if TYPE_CHECKING:
    from homeenergy.findings.comparison import Comparison


def comparison_sentence(found: Comparison) -> str:
    """Say whether, and by how much, the first uses more than the second."""
    if not found.differs:
        return _nothing_seen(found)
    less = found.difference.value < 0
    amount = _amount(found.difference)
    text = f"{_subject(found.name_a)} uses {amount[0]} {'less' if less else 'more'} per "
    text += f"{found.per} than {found.name_b} ({amount[1]})"
    money = found.cost_per_year
    if money is not None and isfinite(money.value):
        same = (money.value < 0) == less
        value, interval = _amount(money)
        saved = "a year" if same else "a year the other way, as its hours are dearer or cheaper,"
        text += f", {value} {saved}{_how_often(found)} ({interval})"
    return f"{text}."


def _subject(name: str) -> str:
    """A name as part of a sentence: what follows a comma in it ends with one."""
    return f"{name}," if "," in name else name


def _amount(estimate: Estimate) -> tuple[str, str]:
    """An estimate without its sign: "0.31 kWh", "0.25 to 0.37"."""
    if estimate.value < 0:
        estimate = replace(estimate, value=-estimate.value, low=-estimate.high, high=-estimate.low)
    places = decimals(estimate.low, estimate.high, value=estimate.value, unit=estimate.unit)
    value = f"{number_text(estimate.value, places)} {estimate.unit}"
    ends = [number_text(end, places) for end in (estimate.low, estimate.high)]
    return value, " to ".join(ends)


def _how_often(found: Comparison) -> str:
    if found.per == "day":
        return ""
    # As seen they are known roughly; what a person gives stays as it was given.
    weekly = float(found.weekly)
    tenths = weekly < 3 or (10 * weekly).is_integer()
    places = 1 if tenths and not weekly.is_integer() else 0
    return f" at {number_text(weekly, places)} {found.per}s a week"


def _nothing_seen(found: Comparison) -> str:
    share = f"{100 * found.worth_seeing:.3g} %"
    text = (
        f"{_subject(found.name_a)} and {found.name_b}: no difference that these data can show per "
    )
    places = decimals(
        found.difference.low, found.difference.high, value=found.difference.value, unit="kWh"
    )
    ends = [number_text(end, places) for end in (found.difference.low, found.difference.high)]
    text += f"{found.per} ({ends[0]} to {ends[1]} kWh); "
    paired = found.method.startswith("mean of the differences")
    seen = min(found.a.n, found.b.n)
    counted = found.counted or found.per
    if found.needed is None:
        return f"{text}no number of {counted}s would most likely show one of {share}."
    if found.needed <= seen:
        return f"{text}one of {share} would most likely have shown."
    more = found.needed - seen
    plural = counted if more == 1 else f"{counted}s"
    of_each = "" if paired else " of each"
    would = "would be needed to see one of"
    return f"{text}about {_rounded(more)} more {plural}{of_each} {would} {share}."


def _rounded(count: int) -> str:
    """A count that is known roughly, with two significant digits at most."""
    if count < 100:
        return str(count)
    scale = 10 ** (len(str(count)) - 2)
    return f"{-(-count // scale) * scale:,}"


def comparison_lines(found: Comparison) -> list[str]:
    """The sentence and a table in Markdown, with method and remarks below it."""
    rows = [
        ("", "n", f"kWh per {found.per}", "95 % interval"),
        ("---", "---:", "---:", "---:"),
        (found.name_a, f"{found.a.n:,}", value_text(found.a), interval_text(found.a)),
        (found.name_b, f"{found.b.n:,}", value_text(found.b), interval_text(found.b)),
        ("difference", "", value_text(found.difference), interval_text(found.difference)),
        ("ratio", "", value_text(found.ratio), interval_text(found.ratio)),
    ]
    lines = [found.sentence, ""]
    lines += ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in rows]
    lines += ["", f"Method: {found.method}; p = {found.p:.2g}{_corrected(found)}."]
    return [*lines, *found.remarks]


def _corrected(found: Comparison) -> str:
    return f" ({found.correction})" if found.correction else ""
