"""The answer of a comparison of days before and after a change, and how it is worded."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.appliance.record import estimate_text
from homeenergy.findings.weather.models import Balance
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.regression import Regression
from homeenergy.units import H_PER_DAY
from homeenergy.words import two_digits

Array = NDArray[np.float64]
SURE = 0.05  # chance at which a change counts as shown


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeAt:
    """Before, after, their difference [kWh a day] and its share, at one weather."""

    before_kwh: Estimate
    after_kwh: Estimate
    size_kwh: Estimate
    share: Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """Daily energy before and after a day, at the same weather and weekday.

    Attributes
    ----------
    at : pandas.Timestamp
        First day after the change.
    found : bool
        Whether that day was found in the data; else it was given.
    earliest, latest : pandas.Timestamp
        Between these the first day after lies (95 %), where it was found; else both are `at`.
    size_kwh : Estimate
        After less before, a day [kWh], at the mean weather of all days.
    before_kwh, after_kwh : Estimate
        Levels of a mean day [kWh], at that weather.
    share : Estimate
        `size_kwh` as a share of `before_kwh`.
    chance : float
        How often so great a change appears by chance in days like these (p).
    draws : int
        Logs drawn to count that.
    shown : bool
        Whether these data show a change: chance at most 5 %, and no zero in the interval.
    weekday : bool
        Whether weekdays are taken out.
    balance : Balance or None
        Shape of the weather's part, where temperatures were given.
    days : pandas.DataFrame
        day, kwh, celsius (NaN without temperatures), expected_kwh, as_before_kwh (what the day
        would have taken without the change), adjusted_kwh (the day at mean weather and weekday).
    regression : Regression
        The fit behind the figures.
    remarks : tuple of str
        What a reader must know.
    """

    at: pd.Timestamp
    found: bool
    earliest: pd.Timestamp
    latest: pd.Timestamp
    size_kwh: Estimate
    before_kwh: Estimate
    after_kwh: Estimate
    share: Estimate
    chance: float
    draws: int
    shown: bool
    weekday: bool
    balance: Balance | None
    days: pd.DataFrame
    regression: Regression
    remarks: tuple[str, ...]

    @property
    def smallest_kwh(self) -> float:
        """Change that days like these would mostly show [kWh]: 2.8 standard errors.

        With it a test at 5 % succeeds four times in five (common practice, no source).
        """
        return (self.size_kwh.high - self.size_kwh.low) / 2 * 2.8 / 1.96

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return _sentence(self)

    @property
    def responds(self) -> bool:
        """Whether the weather counts differently after the change."""
        terms = 0 if self.balance is None else self.balance.loose_terms(np.zeros(1)).shape[1]
        return self.regression.coefficients.size > 2 + terms + (6 if self.weekday else 0)

    def to_frame(self) -> pd.DataFrame:
        """One row with the figures and their intervals."""
        return pd.DataFrame(
            [
                {
                    "at": self.at,
                    "found": self.found,
                    "before_kwh": self.before_kwh.value,
                    "after_kwh": self.after_kwh.value,
                    "size_kwh": self.size_kwh.value,
                    "low_kwh": self.size_kwh.low,
                    "high_kwh": self.size_kwh.high,
                    "share": self.share.value,
                    "chance": self.chance,
                    "shown": self.shown,
                }
            ]
        )

    def to_markdown(self) -> str:
        """The answer, a table of its figures, and remarks."""
        rows = [
            ("a day before", estimate_text(self.before_kwh)),
            ("a day after", estimate_text(self.after_kwh)),
            ("difference", estimate_text(self.size_kwh)),
            ("difference, share", _percent(self.share)),
            ("p-value", f"{self.chance:.3f}"),
        ]
        table = [f"| {what} | {value} |" for what, value in rows]
        head = [self.sentence, "", "| what | value |", "|---|---|"]
        return "\n".join([*head, *table, "", *self.remarks]).rstrip()


def levels_at(regression: Regression, weather: Array, *, responds: bool) -> ChangeAt:
    """Before and after at one weather, from a fit of base, step, weather, calendar and the rest.

    `responds` says whether the last columns are the weather's part after the step.
    """
    k, terms = regression.coefficients.size, weather.size
    before, step = np.zeros(k), np.zeros(k)
    before[0], before[2 : 2 + terms] = 1.0, weather
    step[1] = 1.0
    if responds:
        step[k - terms :] = weather
    basis = f"regression on {regression.n} days"
    return ChangeAt(
        before_kwh=regression.estimate(before, unit="kWh", basis=basis),
        after_kwh=regression.estimate(before + step, unit="kWh", basis=basis),
        size_kwh=regression.estimate(step, unit="kWh", basis=basis),
        share=regression.ratio(step, before, basis=f"{basis}, difference by before"),
    )


def with_errors(change: Change, clamp: ClampErrors) -> Change:
    """The change with energies that hold what the clamp may be off.

    Its multiplier is common to before and after, so the day, the chance and the share stay. Of
    its offset, the share has what differs between the two powers.
    """
    before, after = change.before_kwh.value, change.after_kwh.value
    of_before = clamp.constant(before, hours=H_PER_DAY)
    of_after = clamp.constant(after, hours=H_PER_DAY)
    share = change.share
    if before and after and of_before:
        left = of_after.plus(of_before, -after / before).scaled(1 / before)
        share = share.with_parts(left, basis=f"{share.basis}; offset of the clamp")
    return replace(
        change,
        share=share,
        size_kwh=clamp.with_errors(change.size_kwh),
        before_kwh=clamp.with_errors(change.before_kwh, hours=H_PER_DAY),
        after_kwh=clamp.with_errors(change.after_kwh, hours=H_PER_DAY),
    )


def _sentence(change: Change) -> str:
    at = f"{change.at.day} {change.at:%B %Y}"
    same = " and ".join(
        word
        for word, used in (("weather", change.balance is not None), ("weekday", change.weekday))
        if used
    )
    same = f" at the same {same}" if same else ""
    by_chance = _chance_words(change)
    size = change.size_kwh
    if change.regression.scatter == 0 and abs(size.value) < 1e-9:
        return "No change: every day takes the same energy."
    if not change.shown:
        where = f"at {at}, where they differ most," if change.found else f"at {at}"
        return (
            f"No significant change: {where} the level moves by "
            f"{estimate_text(size)} a day{same}. {by_chance} The smallest change that days like "
            f"these would show is about {two_digits(change.smallest_kwh)} kWh a day."
        )
    less = size.value < 0
    turned = -size if less else size
    between = ""
    if change.found and change.earliest != change.latest:
        between = f" (between {change.earliest:%d %b} and {change.latest:%d %b %Y})"
    return (
        f"From {at} on{between} a day takes {estimate_text(turned)} {'less' if less else 'more'} "
        f"than before{same}, {_percent(change.share)}. {by_chance}"
    )


def _percent(share: Estimate) -> str:
    if not np.isfinite([share.value, share.low, share.high]).all():
        return "share not known"
    low, high = 100 * share.low, 100 * share.high
    return f"{100 * share.value:+.0f} % ({low:+.0f} to {high:+.0f} %)"


def share_text(share: float) -> str:
    """Write a chance as a percentage, small ones with one digit more."""
    return f"{100 * share:.1f} %" if share < 0.02 else f"{100 * share:.0f} %"


def _chance_words(change: Change) -> str:
    total = change.draws + 1
    number = round(change.chance * total)
    place = "somewhere" if change.found else "on that day"
    if number <= 1:
        return (
            f"By chance, a change this large appears {place} in fewer than 1 of {total} such logs."
        )
    return (
        f"By chance, a change this large appears {place} in {share_text(change.chance)} of such "
        "logs."
    )
