"""Estimate: a value with its interval, and the errors that make it so wide."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, isclose, isfinite, isinf, isnan, nan
from os import urandom

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from homeenergy.stats.coverage import LEVEL, coverage_factor
from homeenergy.stats.parts import (
    Part,
    Parts,
    Source,
    combined_uncertainty,
    effective_freedom,
    part,
    source_of,
)

DEFAULT_DIGITS = 3  # significant, where no interval says how many mean anything
RECORDED = ("value", "low", "high", "unit", "n", "basis", "level", "resolved", "systematic")
_DOUBLINGS = 80  # of a step, within which the end of a ratio is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured quantity with an interval that covers it at `level`, and what makes it so wide.

    Sums, differences, products and ratios of estimates have intervals that allow for the errors
    they share: what one clamp is off by cancels in a ratio of two of its readings, and adds up in
    their sum (JCGM 100:2008, 5.2).

    Attributes
    ----------
    value, low, high : float
        Best value and the ends of its interval [`unit`]; NaN where it is not known.
    level : float
        Probability with which the interval is meant to cover the true value.
    unit : str
        Unit of value, low and high.
    n : int
        Number of observations behind it.
    basis : str
        How it was obtained, in words.
    resolved : bool
        False where the instrument cannot tell the quantity from nothing: only `high` is known.
    parts : Parts
        The error of each source [`unit`]. Default: one that reaches from `low` to `high`, of a
        source of its own; so too where `dataclasses.replace` moves the value or an end alone.

    Examples
    --------
    >>> wash = measured(0.80, 0.04, unit="kWh", basis="12 runs", source="scatter of washes")
    >>> dry = measured(2.00, 0.10, unit="kWh", basis="9 runs", source="scatter of dryings")
    >>> one_clamp = [e.with_part("clamp: ratio", 0.02 * e.value) for e in (wash, dry)]
    >>> print(one_clamp[0] + one_clamp[1])
    2.80 (2.68 to 2.92) kWh
    >>> print(one_clamp[1] / one_clamp[0])  # the error of the clamp cancels
    2.50 (2.33 to 2.68)
    """

    value: float
    low: float
    high: float
    unit: str
    n: int
    basis: str
    level: float = LEVEL
    resolved: bool = True
    parts: Parts = field(default_factory=Parts, compare=False, repr=False)

    def __post_init__(self) -> None:
        ends = (self.value, self.low, self.high)
        parts = self.parts if self.parts.of in (None, ends) or isnan(self.value) else Parts()
        if not parts and isfinite(self.value) and self.low < self.high:
            own = Source("interval" if self.resolved else "bound", urandom(8).hex())
            whole = Part(
                at_low=self.low - self.value,
                at_high=self.high - self.value,
                rectangular=not self.resolved,
                observed=self.resolved,
            )
            parts = Parts({own: whole})
        object.__setattr__(self, "parts", Parts(parts, of=ends))

    @property
    def spread(self) -> float:
        """Half-width from the scatter of observations alone [`unit`]; NaN for a bound."""
        return self._half_of(observed=True) if self.resolved else nan

    @property
    def systematic(self) -> float:
        """Half-width of what all observations have in common [`unit`]: the clamp's ratio, say.

        More observations do not make it smaller. 0 for a bound.
        """
        return self._half_of(observed=False) if self.resolved else 0.0

    def _half_of(self, *, observed: bool) -> float:
        if isnan(self.value):
            return nan if observed else 0.0
        chosen = self.parts.chosen(observed=observed)
        return sum(chosen.half(above=side, level=self.level) for side in (False, True)) / 2

    def __str__(self) -> str:
        if not np.isfinite(self.value):
            return "not known"
        if not self.resolved:
            return f"below {rounded_up(self.high)} {self.unit}".rstrip()
        places = decimals(self.low, self.high, value=self.value, unit=self.unit)
        text = number_text(self.value, places)
        if np.isfinite(self.high - self.low):
            text += f" ({number_text(self.low, places)} to {number_text(self.high, places)})"
        return f"{text} {self.unit}".rstrip()

    def record(self) -> dict[str, object]:
        """Its figures by name, without the parts."""
        return {name: getattr(self, name) for name in RECORDED}

    def to_frame(self) -> pd.DataFrame:
        """One row with every figure as a column."""
        return pd.DataFrame([self.record()])

    def with_part(
        self,
        source: str | Source,
        effect: float,
        *,
        rectangular: bool = False,
        freedom: float = inf,
        observed: bool = False,
    ) -> Estimate:
        """The same with one error more: see `with_parts` and `Part`.

        Parameters
        ----------
        source : str or Source
            Equal names are one source, whose effects add with their signs.
        effect : float
            Half-width at `level`, or the limit of a rectangular distribution [`unit`]; negative
            where the value falls as the source rises.
        rectangular, observed : bool
        freedom : float
        """
        more = part(effect, rectangular=rectangular, freedom=freedom, observed=observed)
        return self.with_parts(Parts({source: more}))

    def with_parts(self, parts: Parts, *, basis: str | None = None) -> Estimate:
        """The same with more errors [`unit`], and an interval that holds them.

        Parameters
        ----------
        parts : Parts
        basis : str, optional
            Default: as it was.
        """
        words = self.basis if basis is None else basis
        if not parts or isnan(self.value):
            return replace(self, basis=words)
        if not self.resolved:
            high = self.high + parts.half(above=True, level=self.level)
            return replace(self, value=high / 2, high=high, basis=words)
        return self.made(self.value, self.parts.plus(parts), basis=words)

    def merged(self, source: str | Source) -> Estimate:
        """The same with all scatter of observations as one source, to be shared with others."""
        scatter = self.parts.chosen(observed=True)
        one = Part(
            at_low=-scatter.half(above=False, level=self.level),
            at_high=scatter.half(above=True, level=self.level),
            observed=True,
        )
        return replace(self, parts=self.parts.chosen(observed=False).plus(Parts({source: one})))

    def between(self, low: float, high: float, *, basis: str) -> Estimate:
        """The same value with an interval that observations gave in another way: a bootstrap."""
        return replace(self, low=low, high=high, basis=basis, parts=Parts())

    def with_draws(self, draws: ArrayLike, *, basis: str) -> Estimate:
        """The same with the wider of its interval and the middle of what was drawn anew (`level`).

        Parameters
        ----------
        draws : array_like, shape (n,)
            The figure in data as they might have come out [`unit`]: a bootstrap.
        basis : str
        """
        tail = (1 - self.level) / 2
        low, high = np.quantile(np.asarray(draws, dtype=np.float64), [tail, 1 - tail])
        return self.between(min(self.low, float(low)), max(self.high, float(high)), basis=basis)

    def inverse(self, number: float, *, unit: str, basis: str) -> Estimate:
        """A number over this, of which is known that it is positive: exactly, end over end.

        A bound from above where its value is not known.
        """
        low = number / self.high if isfinite(self.high) else 0.0
        high = number / self.low if self.low > 0 else inf
        if isnan(self.value):
            return upper_bound(high, unit=unit, n=self.n, basis=basis)
        value = number / self.value
        return Estimate(value=value, low=low, high=high, unit=unit, n=self.n, basis=basis)

    def within(self, *, least: float = -inf, most: float = inf) -> Estimate:
        """The same with the ends of its interval moved to where the quantity can be."""
        low, high = max(self.low, least), min(self.high, most)
        return replace(self, low=low, high=high, parts=Parts(self.parts))

    def scaled(self, factor: float, *, unit: str | None = None) -> Estimate:
        """An estimate times a number without uncertainty, of any sign."""
        ends = sorted((self.low * factor, self.high * factor)) if factor else [0.0, 0.0]
        return replace(
            self,
            value=self.value * factor,
            low=ends[0],
            high=ends[1],
            unit=self.unit if unit is None else unit,
            parts=self.parts.scaled(factor),
        )

    def plus(self, other: Estimate | float, factor: float = 1.0) -> Estimate:
        """Sum with `factor` times another estimate of the same unit, or a number without error."""
        if not isinstance(other, Estimate):
            moved = factor * other
            value, low, high = self.value + moved, self.low + moved, self.high + moved
            parts = Parts(self.parts)
            return replace(self, value=value, low=low, high=high, resolved=True, parts=parts)
        self._same_level(other)
        if self.unit != other.unit:
            raise ValueError(f"{self.unit!r} and {other.unit!r} do not add: scale one of them")
        found = self.made(
            self.value + factor * other.value,
            self.parts.plus(other.parts, factor),
            n=min(self.n, other.n),
            basis=_both(self, other),
            resolved=True,
        )
        # A sum lies within the sums of the ends, which matters where an end was moved (`within`).
        ends = sorted((factor * other.low, factor * other.high))
        low, high = self.low + ends[0], self.high + ends[1]
        if self.resolved or other.resolved:
            return found.within(least=low, most=high)
        parts = Parts(found.parts)
        return replace(found, low=low, high=high, resolved=factor < 0, parts=parts)

    def times(self, other: Estimate, *, unit: str) -> Estimate:
        """Product with another estimate, its errors to first order (JCGM 100:2008, 5.1.2)."""
        self._same_level(other)
        for bound, known in ((self, other), (other, self)):
            if not bound.resolved:
                high = bound.high * known.high
                return replace(bound, value=high / 2, low=0.0, high=high, unit=unit, parts=Parts())
        return self.made(
            self.value * other.value,
            self.parts.scaled(other.value).plus(other.parts, self.value),
            n=min(self.n, other.n),
            basis=_both(self, other),
            unit=unit,
        )

    def over(self, other: Estimate, *, unit: str, positive: bool = False) -> Estimate:
        """Ratio to another estimate.

        Parameters
        ----------
        other : Estimate
        unit : str
            Of the ratio.
        positive : bool
            Whether `other` is known to be positive. Else both ends are infinite where its interval
            holds zero.

        Notes
        -----
        The ends are the ratios at which `self - ratio x other` is just no longer
        distinguishable from zero (Fieller 1954), with the half-widths of that difference at
        every ratio: shared sources, and halves that differ, are allowed for (of independent ones,
        Donner & Zou 2012, as in `Parts.half`). An error that is the same share of both drops out.
        An upper end is infinite where `other` may be zero. All is NaN where a value is not known.
        """
        self._same_level(other)
        n, basis = min(self.n, other.n), _both(self, other)
        best = self.value / other.value if other.value else nan
        if not (self.resolved and other.resolved) or isnan(best):
            return self._ratio_of_bounds(other, replace(self, unit=unit, n=n, basis=basis))
        a, b = _without_common_share(self, other)
        low, high = (_end_of_ratio(a, b, above=side) for side in (False, True))
        if not positive and b.parts.half(above=b.value < 0, level=b.level) >= abs(b.value):
            low, high = -inf, inf
        first = a.parts.plus(b.parts, -best).scaled(1 / b.value)
        halves = [first.half(above=side, level=self.level) for side in (False, True)]
        parts = first.stretched(_stretch(best - low, halves[0]), _stretch(high - best, halves[1]))
        if isinf(low) > isinf(halves[0]) or isinf(high) > isinf(halves[1]):
            ends = (-inf if isinf(low) else 0.0, inf if isinf(high) else 0.0)
            unbounded = Part(at_low=ends[0], at_high=ends[1], observed=True)
            own = Source("divisor that may be zero", urandom(8).hex())
            parts = parts.plus(Parts({own: unbounded}))
        return replace(
            self,
            value=best,
            low=low,
            high=high,
            unit=unit,
            n=n,
            basis=basis,
            parts=parts,
        )

    def _ratio_of_bounds(self, other: Estimate, found: Estimate) -> Estimate:
        """Ratio where only the upper end of one side is known, or a value is not."""
        if not self.resolved and other.resolved and other.low > 0:
            high = self.high / other.low
            return replace(found, value=high / 2, low=0.0, high=high, parts=Parts())
        if self.resolved and not other.resolved and self.low > 0 and other.high > 0:
            return replace(found, value=nan, low=self.low / other.high, high=inf, parts=Parts())
        return replace(found, value=nan, low=nan, high=nan, resolved=True, parts=Parts())

    def __neg__(self) -> Estimate:
        return self.scaled(-1.0)

    def __add__(self, other: Estimate | float) -> Estimate:
        return self.plus(other)

    def __radd__(self, other: float) -> Estimate:
        return self.plus(other)

    def __sub__(self, other: Estimate | float) -> Estimate:
        return self.plus(other, -1.0)

    def __rsub__(self, other: float) -> Estimate:
        return self.scaled(-1.0).plus(other)

    def __mul__(self, other: Estimate | float) -> Estimate:
        if not isinstance(other, Estimate):
            return self.scaled(float(other))
        return self.times(other, unit=f"{self.unit} {other.unit}".strip())

    def __rmul__(self, other: float) -> Estimate:
        return self.scaled(float(other))

    def __truediv__(self, other: Estimate | float) -> Estimate:
        if not isinstance(other, Estimate):
            return self.scaled(1 / float(other))
        below = f"{self.unit}/{other.unit}" if other.unit else self.unit
        return self.over(other, unit="" if self.unit == other.unit else below)

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty [`unit`] (JCGM 100:2008, 5.1.2)."""
        return combined_uncertainty(self.parts, level=self.level)

    @property
    def effective_freedom(self) -> float:
        """Its effective degrees of freedom (Welch-Satterthwaite; JCGM 100:2008, G.4.1)."""
        return effective_freedom(self.parts, level=self.level)

    def budget(self) -> pd.DataFrame:
        """The uncertainty budget, as JCGM 100:2008, Annex H, sets one out.

        Returns
        -------
        pandas.DataFrame
            One row a source, the widest first, and one of all of them: source, type ("A" from
            observations, "B" otherwise), distribution, half_width (of a rectangular distribution
            its limit) and standard_uncertainty [`unit`], negative half-widths where the value falls
            as the source rises, share_of_variance, degrees_of_freedom.
        """
        total = self.standard_uncertainty
        rows: list[dict[str, object]] = []
        for name, one in self.parts.rows():
            u = one.standard_uncertainty(level=self.level)
            rows.append(
                {
                    "source": name,
                    "type": "A" if one.observed else "B",
                    "distribution": _distribution(one),
                    "half_width": one.effect,
                    "standard_uncertainty": u,
                    "share_of_variance": u**2 / total**2 if 0 < total < inf else nan,
                    "degrees_of_freedom": one.freedom,
                }
            )
        rows.sort(key=lambda row: -float(row["standard_uncertainty"]))  # type: ignore[arg-type]
        combined = {
            "source": "combined",
            "type": "",
            "distribution": "",
            "half_width": (self.high - self.low) / 2,
            "standard_uncertainty": total,
            "share_of_variance": 1.0,
            "degrees_of_freedom": self.effective_freedom,
        }
        return pd.DataFrame([*rows, combined])

    def made(self, value: float, parts: Parts, **changes: object) -> Estimate:
        """An estimate of this value whose interval follows from its parts."""
        below, above = (parts.half(above=side, level=self.level) for side in (False, True))
        low, high = (nan, nan) if isnan(value) else (value - below, value + above)
        own = Parts(parts)
        return replace(self, value=value, low=low, high=high, parts=own, **changes)  # type: ignore[arg-type]

    def _same_level(self, other: Estimate) -> None:
        if self.level != other.level:
            raise ValueError(f"intervals of {self.level:g} and {other.level:g} do not go together")


def measured(
    value: float,
    half: float = 0.0,
    *,
    unit: str,
    basis: str,
    n: int = 1,
    source: str | Source | None = None,
    freedom: float = inf,
    level: float = LEVEL,
) -> Estimate:
    """An estimate from observations, with the half-width of their scatter.

    Parameters
    ----------
    value, half : float
        With the half-width of its interval at `level` [`unit`]; 0 where it is exact.
    source : str or Source, optional
        Of the scatter. Default: one of its own.
    freedom : float
        Degrees of freedom of the half-width.
    unit, basis : str
    n : int
    level : float
    """
    if isnan(value):
        half = nan
    found = Estimate(value=value, low=value, high=value, unit=unit, n=n, basis=basis, level=level)
    if isnan(half):
        return replace(found, low=nan, high=nan)
    if not half:
        return found
    own = Source("scatter", urandom(8).hex()) if source is None else source
    return found.with_part(own, half, freedom=freedom, observed=True)


def upper_bound(high: float, *, unit: str, basis: str, n: int = 0) -> Estimate:
    """An estimate of which only the upper end is known [`unit`]; its value is halfway from zero."""
    return Estimate(value=high / 2, low=0.0, high=high, unit=unit, n=n, basis=basis, resolved=False)


def mean_estimate(
    values: ArrayLike,
    *,
    unit: str,
    basis: str,
    source: str = "scatter",
    level: float = LEVEL,
) -> Estimate:
    """Mean of independent observations with Student's t interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        Observations [`unit`]; NaN are left out and not counted.
    unit, basis : str
        Copied to the result.
    source : str
        What the observations scatter by: "scatter of days".
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        With one observation the interval is unbounded (infinite ends); with none all is NaN.

    References
    ----------
    JCGM 100:2008 (GUM), 4.2.3 and G.3: standard uncertainty of a mean and the t factor.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    n = int(x.size)
    if n < 2:
        value, half = (float(x[0]), inf) if n else (nan, nan)
    else:
        value = float(x.mean())
        half = coverage_factor(n - 1, level=level) * float(x.std(ddof=1)) / n**0.5
    return measured(
        value,
        half,
        unit=unit,
        basis=basis,
        n=n,
        source=source_of(source, x),
        freedom=n - 1 if n > 1 else inf,
        level=level,
    )


def _end_of_ratio(a: Estimate, b: Estimate, *, above: bool) -> float:
    """Ratio beyond which a - ratio x b differs from zero; infinite where there is none."""
    from scipy.optimize import brentq

    side = 1.0 if above else -1.0
    best = a.value / b.value
    # Of a - ratio x b, which is zero at the best ratio, that half counts which lies towards zero.
    towards = above == (b.value > 0)

    def told(ratio: float) -> float:
        parts = a.parts.plus(b.parts, -ratio)
        return abs(a.value - ratio * b.value) - parts.half(above=towards, level=a.level)

    inside = told(best)
    if inside >= 0:
        return best
    if isinf(inside):  # where b may be anything farther from zero, the ratio tends to nothing
        return 0.0 if (best < 0) == above and told(0.0) >= 0 else side * inf
    inner, step = best, -inside / abs(b.value) / 64
    for _ in range(_DOUBLINGS):
        outer = inner + side * step
        if inner * outer < 0:
            outer = 0.0
        if told(outer) > 0:
            return float(brentq(told, inner, outer, xtol=1e-13 * step, rtol=1e-13))
        inner, step = outer, 2 * step
    return side * inf


def _without_common_share(a: Estimate, b: Estimate) -> tuple[Estimate, Estimate]:
    """Both without the errors that are the same share of either."""

    def same(one: Part, other: Part) -> bool:
        pairs = ((one.at_low, other.at_low), (one.at_high, other.at_high))
        return all(x and isclose(x * b.value, y * a.value, rel_tol=1e-9) for x, y in pairs)

    common = {s for s, one in a.parts.items() if s in b.parts and same(one, b.parts[s])}
    left = [Parts({s: one for s, one in e.parts.items() if s not in common}) for e in (a, b)]
    return a.made(a.value, left[0]), b.made(b.value, left[1])


def _both(a: Estimate, b: Estimate) -> str:
    return a.basis if a.basis == b.basis else f"{a.basis}; {b.basis}"


def _distribution(one: Part) -> str:
    if one.rectangular:
        return "rectangular"
    return "normal" if isinf(one.freedom) else "t"


def _stretch(end: float, half: float) -> float:
    """What a half-width to first order is multiplied with to reach the end of an interval."""
    return 1.0 if end == half or isinf(half) or isinf(end) or not half else end / half


def decimals(low: float, high: float, *, value: float = 0.0, unit: str = "") -> int:
    """Decimals at which half the interval has two significant digits, 0 to 4; 0 to 2 for watts.

    Watts have three significant digits before that: no clamp resolves a thousandth of its reading,
    nor of a watt (common practice, no source).
    """
    most = 4
    if unit == "W":
        known = np.isfinite(value) and abs(value) >= 1
        most = max(0, 2 - int(np.floor(np.log10(abs(value))))) if known else 2
    half = (high - low) / 2
    if np.isfinite(half) and half > 1e-9 * abs(value):
        return min(most, max(0, 1 - int(np.floor(np.log10(half)))))
    if np.isfinite(value) and value != 0:
        return min(most, max(0, DEFAULT_DIGITS - 1 - int(np.floor(np.log10(abs(value))))))
    return 0


def number_text(number: float, places: int) -> str:
    """Write a number with so many decimals; what rounds to zero has no sign."""
    return f"{round(number, places) + 0.0:,.{places}f}"


def rounded_up(bound: float) -> str:
    """Write an upper bound rounded up, so that it stays true."""
    if not np.isfinite(bound):
        return str(bound)
    places = 0 if bound >= 1 else 2
    return f"{np.ceil(bound * 10**places - 1e-9) / 10**places + 0.0:,.{places}f}"
