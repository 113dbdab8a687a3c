"""Compare what two programmes, appliances, houses or kinds of day use: how much, how sure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite, sqrt
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import SMALLEST_SPREAD, interval_text, value_text
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.stats.coverage import LEVEL
from homeenergy.stats.differences import mean_with_gaps, runs_needed, two_means
from homeenergy.stats.estimate import Estimate, decimals, number_text
from homeenergy.stats.means import mean_of_runs
from homeenergy.stats.parts import Parts
from homeenergy.units import DAYS_PER_YEAR
from homeenergy.words import in_words


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
        saved = (
            "a year"
            if same
            else "a year the other way, as its hours are more expensive or cheaper,"
        )
        text += f", {value} {saved}{_how_often(found)} ({interval})"
    return f"{text}."


def _subject(name: str) -> str:
    """A name as part of a sentence: what follows a comma in it ends with one."""
    return f"{name}," if "," in name else name


def _amount(estimate: Estimate) -> tuple[str, str]:
    """An estimate without its sign: "0.31 kWh", "0.25 to 0.37"."""
    if estimate.value < 0:
        estimate = -estimate
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
    text = f"{_subject(found.name_a)} and {found.name_b}: no significant difference per "
    places = decimals(
        found.difference.low, found.difference.high, value=found.difference.value, unit="kWh"
    )
    ends = [number_text(end, places) for end in (found.difference.low, found.difference.high)]
    text += f"{found.per} ({ends[0]} to {ends[1]} kWh); "
    paired = found.method.startswith("mean of the differences")
    seen = min(found.a.n, found.b.n)
    counted = found.counted or found.per
    if found.needed is None:
        return f"{text}no number of {counted}s would be likely to show one of {share}."
    if found.needed <= seen:
        return f"{text}one of {share} would very likely have shown."
    more = found.needed - seen
    plural = counted if more == 1 else f"{counted}s"
    of_each = "" if paired else " of each"
    would = "would be needed to detect one of"
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
    lines += ["", f"Method: {found.method}; p = {found.p:.2g}{p_remark(found)}."]
    return [*lines, *found.remarks]


def p_remark(found: Comparison) -> str:
    """How p was corrected, or why one so small is no difference; what follows the number."""
    if found.correction:
        return f" ({found.correction})"
    if found.p < 1 - LEVEL and not found.differs:
        return " by their spread alone, without what the clamps may be off"
    return ""


Per = Literal["run", "load", "use", "day", "hour"]
LEAST_VALUES = 3
LEAST_OF_CLAMP = 1e-9  # of a value: less is the rounding of what cancels
WORTH_SEEING = 0.1  # of the second mean: what a person would want to know of. Own rule.


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What a difference is worth: a price [currency a kWh], and runs a week that it applies to.

    `a`, `b` hold what single runs, or days, cost [currency], where that is known; they go before
    the price.
    """

    currency: str
    price_per_kwh: float = float("nan")
    a: tuple[float, ...] = ()
    b: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Two means, and whether they differ.

    Attributes
    ----------
    name_a, name_b : str
        What is compared.
    per : str
        What a mean is of: "run", "load", "use", "day" or "hour".
    a, b : Estimate
        The two means [kWh].
    difference : Estimate
        First less second [kWh]; the clamps' error is its `systematic` part.
    ratio : Estimate
        First over second; an error of the multiplier of a clamp that both share cancels.
    p : float
        Probability of a difference at least as large if there were none, after `correction`.
    counted : str
        What `n` of the means and `needed` count, where it is not `per`: "week".
    correction : str
        How p allows for several comparisons at once; empty where there is one.
    differs : bool
        Whether the data show a difference at 5 %, errors of the clamps allowed for.
    method : str
        How the intervals were obtained.
    weekly : float
        Runs a week (7 for days) that `cost_per_year` counts.
    cost_per_year : Estimate or None
        What the difference is worth in a year [currency].
    worth_seeing : float
        Difference [share of the second mean] that `needed` is about.
    needed : int or None
        Runs of each, or days, that would most likely show such a difference, those seen included.
    remarks : tuple of str
        What a reader must know.
    """

    name_a: str
    name_b: str
    per: Per
    a: Estimate
    b: Estimate
    difference: Estimate
    ratio: Estimate
    p: float
    differs: bool
    method: str
    weekly: float
    cost_per_year: Estimate | None
    worth_seeing: float
    needed: int | None
    counted: str = ""
    correction: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        return comparison_sentence(self)

    def to_frame(self) -> pd.DataFrame:
        """One row: names, means, difference and ratio with `_low` and `_high`, p, worth."""
        row: dict[str, object] = {"a": self.name_a, "b": self.name_b, "per": self.per}
        figures = {
            "a_kwh": self.a,
            "b_kwh": self.b,
            "difference_kwh": self.difference,
            "ratio": self.ratio,
            "cost_per_year": self.cost_per_year,
        }
        for name, estimate in figures.items():
            if estimate is not None:
                row |= {
                    name: estimate.value,
                    f"{name}_low": estimate.low,
                    f"{name}_high": estimate.high,
                }
        row |= {"n_a": self.a.n, "n_b": self.b.n, "p": self.p, "differs": self.differs}
        return pd.DataFrame([row | {"method": self.method}])

    def to_markdown(self) -> str:
        """The sentence, and a table of the figures behind it."""
        return "\n".join(comparison_lines(self))

    def _repr_html_(self) -> str:
        return f"<p>{self.sentence}</p>{in_words(self.to_frame()).to_html(index=False)}"


def compare(
    a: ArrayLike,
    b: ArrayLike,
    *,
    day_a: ArrayLike | None = None,
    day_b: ArrayLike | None = None,
    names: tuple[str, str] = ("the first", "the second"),
    per: Per = "run",
    paired: bool | None = None,
    weekly: float | None = None,
    worth: Worth | None = None,
    clamps: tuple[ClampErrors, ClampErrors] | None = None,
    hours: tuple[float, float] = (0.0, 0.0),
    worth_seeing: float = WORTH_SEEING,
) -> Comparison:
    """Compare two lots of energies.

    Parameters
    ----------
    a, b : array_like, shapes (n,) and (m,)
        Energies [kWh] in order of time; NaN are left out.
    day_a, day_b : array_like of int, optional
        Number of the local day of each. Without them all are taken to be independent.
    names : tuple of str
        What the two are, as the sentence has them.
    per : str
        What one energy is of: "run", "load", "use", "day" or "hour".
    paired : bool, optional
        Whether to compare day with day; see `homeenergy.stats.differences.two_means`, which
        also says which method is used when.
    weekly : float, optional
        Runs a week for the worth in a year. Default: as many as both sides had, where days are
        given; 7 for days.
    worth : Worth, optional
        Price and currency, or what each run cost.
    clamps : (ClampErrors, ClampErrors), optional
        How far the clamp of either side is known; those of one name are one clamp, whose ratio
        error cancels in the ratio. Default: nothing is said of them.
    hours : (float, float)
        That a mean of either side lasts [h], which its clamp's offset counts by.
    worth_seeing : float
        Share of the second mean that would be worth seeing, for the number of runs it takes.

    Returns
    -------
    Comparison

    Raises
    ------
    HouseError
        If a side has fewer than 3 values.
    ValueError
        If days do not belong to the values one by one.

    Examples
    --------
    >>> from homeenergy.findings import compare
    >>> cotton, quick = [0.81, 0.78, 0.85, 0.80], [0.31, 0.29, 0.34, 0.30]
    >>> compare(cotton, quick, names=("cotton", "quick")).sentence
    'cotton uses 0.500 kWh more per run than quick (0.454 to 0.546).'
    """
    if (day_a is None) != (day_b is None):
        raise ValueError("days are given for one side only; give day_a and day_b, or neither")
    x, days_x = _values(a, day_a, names[0], per)
    y, days_y = _values(b, day_b, names[1], per)
    found = two_means(x, y, day_a=days_x, day_b=days_y, paired=paired)
    if found.method == "paired days" and days_x is not None and days_y is not None:
        keep_x, keep_y = np.isin(days_x, days_y), np.isin(days_y, days_x)
        x, days_x, y, days_y = x[keep_x], days_x[keep_x], y[keep_y], days_y[keep_y]
    mean_a, mean_b = _mean(x, days_x, per), _mean(y, days_y, per)
    of_a, of_b = Parts(), Parts()
    if clamps is not None:
        of_a = clamps[0].parts(mean_a.value, hours=hours[0])
        of_b = clamps[1].parts(mean_b.value, hours=hours[1])
    mean_a, mean_b = _with_clamp(mean_a, of_a), _with_clamp(mean_b, of_b)
    difference = _with_clamp(found.difference, of_a.plus(of_b, -1.0), words="s as stated")
    ratio = found.ratio
    if isfinite(ratio.value) and mean_b.value:
        of_ratio = of_a.plus(of_b, -ratio.value).scaled(1 / mean_b.value)
        ratio = _with_clamp(ratio, of_ratio, words="s as stated")
    weekly = _weekly(days_x, days_y, per) if weekly is None else weekly
    # What the clamps may be off does not shrink with the number of runs.
    worth_seen = worth_seeing * abs(mean_b.value)
    worth_seen = sqrt(max(worth_seen**2 - difference.systematic**2, 0.0))
    return Comparison(
        name_a=names[0],
        name_b=names[1],
        per=per,
        a=mean_a,
        b=mean_b,
        difference=difference,
        ratio=ratio,
        p=found.p,
        differs=_differs(difference, mean_a, mean_b),
        method=found.words,
        weekly=weekly,
        cost_per_year=_worth(
            worth,
            difference,
            weekly,
            (day_a, day_b),
            paired,
            clamps_kwh=(of_a, of_b),
            means_kwh=(mean_a.value, mean_b.value),
        ),
        worth_seeing=worth_seeing,
        needed=runs_needed(worth_seen, found.spread, paired=found.method == "paired days"),
        remarks=_remarks(clamps),
    )


def _differs(difference: Estimate, a: Estimate, b: Estimate) -> bool:
    """Whether the interval leaves zero out, and not by the rounding of sums alone."""
    least = SMALLEST_SPREAD * max(abs(a.value), abs(b.value))
    outside = difference.low > 0 or difference.high < 0
    return bool(outside and abs(difference.value) > least)


def _values(
    values: ArrayLike, days: ArrayLike | None, name: str, per: str
) -> tuple[NDArray[np.float64], NDArray[np.int64] | None]:
    x = np.asarray(values, dtype=np.float64)
    there = np.isfinite(x)
    if int(there.sum()) < LEAST_VALUES:
        raise HouseError(
            f"{name}: {int(there.sum())} {per}s with readings; "
            f"a comparison needs at least {LEAST_VALUES} on each side",
            fix="Log for longer, or compare something that was used more often.",
        )
    if days is None:
        return x[there], None
    day = np.asarray(days, dtype=np.int64)
    if day.shape != x.shape:
        raise ValueError(f"{name}: {x.size} values but {day.size} days")
    order = np.argsort(day[there], kind="stable")
    return x[there][order], day[there][order]


def _mean(x: NDArray[np.float64], day: NDArray[np.int64] | None, per: str) -> Estimate:
    if day is not None and per in ("run", "load", "use"):
        return mean_of_runs(x, day)
    return mean_with_gaps(x, day, unit="kWh", basis=f"mean of {x.size} {per}s, t interval")


def _with_clamp(found: Estimate, parts: Parts, *, words: str = "") -> Estimate:
    """An estimate with errors of clamps, if they do not cancel."""
    reach = parts.half(above=True)
    if not reach > LEAST_OF_CLAMP * abs(found.value):
        return found
    return found.with_parts(parts, basis=f"{found.basis}; error of the clamp{words}")


def _remarks(clamps: tuple[ClampErrors, ClampErrors] | None) -> tuple[str, ...]:
    if clamps is None or clamps[0].name == clamps[1].name:
        return ()
    if all(clamp.uncertainty is not None for clamp in clamps):
        return ()
    return (
        "Two clamps are compared, and the uncertainty of at least one is not stated in "
        "house.toml: a difference of a few percent may be theirs.",
    )


def _weekly(day_a: NDArray[np.int64] | None, day_b: NDArray[np.int64] | None, per: str) -> float:
    """Runs a week of both sides together, from the first to the last day that either has."""
    if per == "day":
        return 7.0
    if day_a is None or day_b is None:
        return float("nan")
    both = np.r_[day_a, day_b]
    return float(both.size / (both.max() - both.min() + 1) * 7)


def _worth(
    worth: Worth | None,
    difference: Estimate,
    weekly: float,
    days: tuple[ArrayLike | None, ArrayLike | None],
    paired: bool | None,
    *,
    clamps_kwh: tuple[Parts, Parts],
    means_kwh: tuple[float, float],
) -> Estimate | None:
    """What the difference is worth in a year.

    What the clamps are off by is paid at each side's own price.
    """
    if worth is None or not isfinite(weekly):
        return None
    a_year = DAYS_PER_YEAR / 7 * weekly
    if worth.a and worth.b:
        day_a, day_b = (None if d is None else np.asarray(d, dtype=np.int64) for d in days)
        costs = two_means(
            np.array(worth.a),
            np.array(worth.b),
            day_a=day_a,
            day_b=day_b,
            paired=paired,
            unit=worth.currency,
        )
        of_a, of_b = (
            parts.scaled(float(np.mean(paid)) / kwh if kwh else 0.0)
            for parts, paid, kwh in zip(clamps_kwh, (worth.a, worth.b), means_kwh, strict=True)
        )
        each = costs.difference.with_parts(of_a.plus(of_b, -1.0))
        return replace(each.scaled(a_year), n=difference.n)
    if not isfinite(worth.price_per_kwh):
        return None
    return difference.scaled(a_year * worth.price_per_kwh, unit=worth.currency)
