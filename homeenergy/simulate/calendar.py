"""Local days of a simulated household, and when in them things happen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Span = tuple[float, float, float]
"""From hour, to hour of the local day, and the weight with which something falls there."""

WAKING: tuple[Span, ...] = ((6.5, 9.0, 3.0), (9.0, 17.0, 4.0), (17.0, 22.5, 5.0))
MEALS: tuple[Span, ...] = ((6.5, 8.5, 2.0), (11.5, 13.5, 2.0), (17.0, 19.5, 3.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Calendar:
    """Whole local days, counted in seconds from the first local midnight.

    Attributes
    ----------
    start : pandas.Timestamp
        First local midnight (UTC).
    midnights_s : numpy.ndarray, shape (days + 1,), int64
        Each local midnight, the closing one included [s from start]; a day may have 23 or 25 h.
    weekdays : numpy.ndarray, shape (days,), int64
        0 is Monday.
    timezone : str
        Zone of the household.
    """

    start: pd.Timestamp
    midnights_s: NDArray[np.int64]
    weekdays: NDArray[np.int64]
    timezone: str

    @property
    def days(self) -> int:
        """Number of local days."""
        return int(self.midnights_s.size) - 1

    @property
    def n_s(self) -> int:
        """Length of the whole calendar [s]."""
        return int(self.midnights_s[-1])

    def moments(
        self, rng: np.random.Generator, *, per_day: float, spans: Sequence[Span] = WAKING
    ) -> NDArray[np.int64]:
        """Poisson moments, `per_day` on average, spread over the day as `spans` say [s], sorted."""
        lows, highs, weights = np.array(spans, dtype=np.float64).T
        found = []
        for day in range(self.days):
            n = int(rng.poisson(per_day))
            which = rng.choice(weights.size, size=n, p=weights / weights.sum())
            hours = rng.uniform(lows[which], highs[which])
            found.append(self.midnights_s[day] + (hours * 3600).astype(np.int64))
        moments = np.sort(np.concatenate(found)) if found else np.empty(0, dtype=np.int64)
        return moments[moments < self.n_s]

    def daily(
        self,
        rng: np.random.Generator,
        *,
        hour: float,
        spread_h: float = 0.5,
        chance: float = 1.0,
        weekdays: Sequence[int] = range(7),
    ) -> list[int]:
        """Draw a habit: about the same hour, on days drawn with `chance` among the weekdays [s]."""
        found = []
        for day in range(self.days):
            jitter, luck = rng.normal(0.0, spread_h), rng.random()
            if luck < chance and int(self.weekdays[day]) in weekdays:
                at_s = int(self.midnights_s[day] + (hour + jitter) * 3600)
                if 0 <= at_s < self.n_s:
                    found.append(at_s)
        return found


def make_calendar(start: str, *, days: int, timezone: str) -> Calendar:
    """Local days from the midnight that begins date `start`.

    Raises
    ------
    ValueError
        If `days` is not positive.
    """
    if days < 1:
        raise ValueError(f"days must be 1 or more, got {days!r}")
    first = pd.Timestamp(start).normalize()
    dates = [first + pd.Timedelta(days=d) for d in range(days + 1)]
    local = [pd.Timestamp(d.date(), tz=timezone).tz_convert("UTC") for d in dates]
    seconds = [round((t - local[0]).total_seconds()) for t in local]
    return Calendar(
        start=local[0],
        midnights_s=np.array(seconds, dtype=np.int64),
        weekdays=np.array([d.weekday() for d in dates[:-1]], dtype=np.int64),
        timezone=timezone,
    )
