"""The errors that make up an interval, by their sources."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from hashlib import blake2b
from math import hypot, inf, isfinite, isinf, isnan, sqrt
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from homeenergy.stats.coverage import LEVEL, SQRT_3, coverage_factor, half_of_sum


class Source(NamedTuple):
    """What an error comes from. The same source is the same error, wherever it counts.

    Attributes
    ----------
    name : str
        In words: "scatter of days", "clamp fridge: ratio".
    key : str
        Distinguishes sources of one name: what was observed.
    number : int
        Of several independent errors of one source, as in means that are correlated.
    case : str
        Of several cases of which only one holds, that counts which is widest.
    """

    name: str
    key: str = ""
    number: int = 0
    case: str = ""


def source_of(name: str, *values: ArrayLike) -> Source:
    """Source of the scatter of some observations: the same only for the same values."""
    digest = blake2b(digest_size=8)
    for one in values:
        digest.update(np.ascontiguousarray(one, dtype=np.float64).tobytes())
    return Source(name, digest.hexdigest())


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The error that one source makes in a value.

    Attributes
    ----------
    at_low, at_high : float
        What it adds to the value where the source is at the lower end of its interval, and at the
        upper end. Of a rectangular distribution, these ends are its limits.
    rectangular : bool
        Whether the source lies anywhere between its limits with the same density (JCGM 100:2008,
        4.3.7), and not in a normal or Student's t distribution.
    freedom : float
        Degrees of freedom of its standard uncertainty.
    observed : bool
        Whether it was evaluated from the scatter of observations (type A of JCGM 100, 4.2), so that
        more of them make it smaller, and not otherwise (type B): by what they have in common.
    """

    at_low: float
    at_high: float
    rectangular: bool = False
    freedom: float = inf
    observed: bool = False

    @property
    def below(self) -> float:
        """How far it reaches below the value."""
        return max(0.0, -self.at_low, -self.at_high)

    @property
    def above(self) -> float:
        """How far it reaches above the value."""
        return max(0.0, self.at_low, self.at_high)

    @property
    def effect(self) -> float:
        """Half-width or limit; negative where the value falls as the source rises."""
        return (self.at_high - self.at_low) / 2

    def standard_uncertainty(self, *, level: float = LEVEL) -> float:
        """Standard deviation of the error (JCGM 100:2008, 4.3.7 and G.3)."""
        half = (self.below + self.above) / 2
        return half / (SQRT_3 if self.rectangular else coverage_factor(self.freedom, level=level))

    def scaled(self, factor: float) -> Part:
        """The part that it is of a value times `factor`."""
        at_low, at_high = _times(self.at_low, factor), _times(self.at_high, factor)
        return replace(self, at_low=at_low, at_high=at_high)

    def plus(self, other: Part) -> Part:
        """The part that one source is of a sum of two values, in both of which it is."""
        return Part(
            at_low=_sum(self.at_low, other.at_low, -inf),
            at_high=_sum(self.at_high, other.at_high, inf),
            rectangular=self.rectangular and other.rectangular,
            freedom=min(self.freedom, other.freedom),
            observed=self.observed and other.observed,
        )

    def stretched(self, below: float, above: float) -> Part:
        """The same with what it adds below and above the value multiplied."""
        low, high = (_times(x, below if x < 0 else above) for x in (self.at_low, self.at_high))
        return replace(self, at_low=low, at_high=high)


def part(
    effect: float, *, rectangular: bool = False, freedom: float = inf, observed: bool = False
) -> Part:
    """A part that reaches as far below as above; see `Part`."""
    return Part(
        at_low=-effect,
        at_high=effect,
        rectangular=rectangular,
        freedom=freedom,
        observed=observed,
    )


class Parts(Mapping[Source, Part]):
    """All parts of a value, by source; immutable. A name alone finds the part of that name.

    `of` are value, low and high of the estimate whose parts they are, None before there is one.
    """

    __slots__ = ("_by_source", "of")

    def __init__(
        self,
        by_source: Mapping[Any, Part] | None = None,
        *,
        of: tuple[float, float, float] | None = None,
    ) -> None:
        found = (by_source or {}).items()
        self._by_source: dict[Source, Part] = {_source(key): one for key, one in found}
        self.of = of

    def __getitem__(self, source: Source | str) -> Part:
        if isinstance(source, Source):
            return self._by_source[source]
        named = [key for key in self._by_source if key.name == source]
        if len(named) != 1:
            raise KeyError(f"{len(named)} sources are called {source!r}: {list(self._by_source)}")
        return self._by_source[named[0]]

    def __iter__(self) -> Iterator[Source]:
        return iter(self._by_source)

    def __len__(self) -> int:
        return len(self._by_source)

    def __repr__(self) -> str:
        return f"Parts({self._by_source!r})"

    def plus(self, other: Parts, factor: float = 1.0) -> Parts:
        """Those of a value plus `factor` times another: equal sources add with their signs."""
        found = dict(self._by_source)
        for source, one in other.items():
            more = one.scaled(factor)
            found[source] = found[source].plus(more) if source in found else more
        return Parts(found)

    def scaled(self, factor: float) -> Parts:
        """Those of a value times `factor`."""
        return Parts({source: one.scaled(factor) for source, one in self.items()})

    def stretched(self, below: float, above: float) -> Parts:
        """The same with what they add below and above the value multiplied."""
        return Parts({source: one.stretched(below, above) for source, one in self.items()})

    def chosen(self, *, observed: bool) -> Parts:
        """Those from the scatter of observations, or all others."""
        return Parts({s: one for s, one in self.items() if one.observed == observed})

    def half(self, *, above: bool, level: float = LEVEL) -> float:
        """Half-width of the interval of the value on one side; see `half_of_sum`.

        Half-widths of normal and t distributions add in squares, each with its own factor, so that
        a few observations of one source do not widen another (Donner & Zou 2012).
        """
        squares: dict[Source, float] = {}
        limits: dict[Source, float] = {}
        for source, one in self.items():
            reach = one.above if above else one.below
            into = limits if one.rectangular else squares
            kept = source._replace(case="")
            into[kept] = max(into.get(kept, 0.0), reach)
        return half_of_sum(hypot(*squares.values()), *limits.values(), level=level)

    def rows(self) -> list[tuple[str, Part]]:
        """One part for each row of a budget, with the name of its source.

        Several independent errors of one source are one row; of cases the widest.
        """
        cases: dict[Source, Part] = {}
        for source, one in self.items():
            kept = source._replace(case="")
            if kept not in cases or abs(cases[kept].effect) < abs(one.effect):
                cases[kept] = one
        found: dict[Source, Part] = {}
        for source, one in cases.items():
            row = source._replace(number=0)
            if row in found:
                below, above = (
                    hypot(found[row].below, one.below),
                    hypot(found[row].above, one.above),
                )
                one = replace(found[row], at_low=-below, at_high=above)
            found[row] = one
        return [(source.name, one) for source, one in found.items()]


def effective_freedom(parts: Parts, *, level: float = LEVEL) -> float:
    """Degrees of freedom of the combined standard uncertainty (JCGM 100:2008, G.4.1).

    Welch-Satterthwaite; infinite where all parts have infinitely many.
    """
    found = [(one.standard_uncertainty(level=level), one.freedom) for _, one in parts.rows()]
    below = sum(u**4 / freedom for u, freedom in found if isfinite(freedom))
    return sum(u**2 for u, _ in found) ** 2 / below if below > 0 else inf


def combined_uncertainty(parts: Parts, *, level: float = LEVEL) -> float:
    """Combined standard uncertainty (JCGM 100:2008, 5.1.2)."""
    return sqrt(sum(one.standard_uncertainty(level=level) ** 2 for _, one in parts.rows()))


def _source(key: Source | str) -> Source:
    return key if isinstance(key, Source) else Source(key)


def _times(effect: float, factor: float) -> float:
    """Product in which nothing times an infinite effect is nothing."""
    return effect * factor if factor and effect else 0.0


def _sum(a: float, b: float, open_: float) -> float:
    """Sum of two effects; of two that are infinite with opposite signs nothing is known."""
    total = a + b
    return open_ if isnan(total) and (isinf(a) or isinf(b)) else total
