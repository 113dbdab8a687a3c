"""Bench comparison: a clamp against a reference meter, and the multiplier that follows."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.schedule import Clamp
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.lines import Values
from homeenergy.trust.bench_lines import (
    OfReference,
    Readings,
    bench_line,
    clamp_line,
    readings_known,
)
from homeenergy.trust.bench_pairs import OddPair, checked_pairs, one_sign, split_odd
from homeenergy.words import three_digits

# Multipliers that come from how a clamp sits rather than from its error.
WIRING = {
    2.0: "it measures half of the load: one leg of two",
    0.5: "it measures the load twice: the conductor passes through it twice, or both legs do",
    3.0: "it measures a third of the load: one leg of three",
    1 / 3: "it measures the load three times: the conductor passes through it three times",
}
WIRING_TOLERANCE = 0.1
MOST_UNSURE = 0.2  # relative half-width; pairs that leave more open contradict each other


def bench_verdict(
    multiplier: Estimate, *, circuit: str, stated: float, offset_w: float | None
) -> str:
    """What to do after a bench comparison, in one sentence.

    `stated` is the multiplier in use, `offset_w` what is to be added where the data demand another
    offset than house.toml states [W].
    """
    m, name = multiplier.value, circuit or "this clamp"
    error = stated / m - 1
    high = "high" if error > 0 else "low"
    if multiplier.n == 1:
        return (
            f"{name}: with multiplier {stated:g} it reads {_away(error, high)}, by one pair only, "
            "which shows no scatter: compare at least four times before correcting."
        )
    if offset_w is not None:
        return (
            f"{name}: the pairs need an offset of {offset_w:+.2g} W as well as a multiplier of "
            f"{m:.4g}; check whether anything draws power while the load is off, and if nothing "
            "does, set the offset as the clamp's."
        )
    known = (multiplier.high - multiplier.low) / 2 / abs(m)
    if known > MOST_UNSURE:
        return (
            f"{name}: the pairs contradict each other: they leave the multiplier open by "
            f"{known:.0%}, and nothing can be concluded."
        )
    if multiplier.low <= stated <= multiplier.high:
        return (
            f"{name}: leave the multiplier at {stated:g}: the difference of {abs(error):.1%} is "
            f"within the uncertainty of the two instruments ({known:.1%})."
        )
    cause = _cause(m / stated)
    text = f"{name}: set its multiplier to {m:.4g} (± {known:.1%})"
    return f"{text}: {cause}." if cause else f"{text}: it reads {_away(error, high)}."


def _cause(ratio: float) -> str:
    """Wiring that explains a ratio of right to stated multiplier; empty where only error does."""
    turned = "it is backwards, or its meter takes the other leg's voltage" if ratio < 0 else ""
    for factor, words in WIRING.items():
        if abs(abs(ratio) / factor - 1) < WIRING_TOLERANCE:
            return f"{turned}, and {words}" if turned else words
    return turned


def _away(error: float, word: str) -> str:
    if abs(error) < 1:
        return f"{abs(error):.1%} {word}"
    return f"{three_digits(abs(1 + error))} times the truth"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A reference meter.

    `accuracy` is the limit of its relative error as its maker states it, 0.01 for 1 %; `step_w`
    the last digit that it shows [W].
    """

    accuracy: float
    step_w: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchResult:
    """What a bench comparison says of a clamp.

    Attributes
    ----------
    circuit : str
    multiplier : Estimate
        Number that brings the clamp's readings to the reference, with its expanded uncertainty.
    u_scatter, u_rounding, u_offset, u_reference : float
        Parts of its standard uncertainty: what the pairs most likely scatter beyond rounding,
        rounding of both displays, an offset that a line through the origin leaves out, and the
        reference meter's accuracy, which no number of pairs makes smaller.
    offset_w : Estimate or None
        Reference at a clamp reading of 0 [W], where the data demand another one than is in use;
        then `multiplier` is the slope of that line.
    offset_uncertainty_w : float or None
        How far corrected readings of nothing may be off at 95 % [W], by the offset in use, or that
        demanded, and by the multiplier of it; None where the pairs do not show it.
    compared_at_w : float or None
        Load at which an unseen offset makes no difference to readings with this multiplier [W];
        None where nothing is known of offsets.
    half_at_load : float
        Half width of the multiplier's interval at that load. Without one, as everywhere.
    stated, stated_offset_w : float
        Multiplier and offset [W] in use.
    agrees : bool
        Whether the interval holds the multiplier in use, and the data demand no other offset.
    verdict : str
        What to do, in one sentence.
    odd : tuple of OddPair
        Pairs that do not belong with the others and were left out.
    """

    circuit: str
    multiplier: Estimate
    u_scatter: float
    u_rounding: float
    u_reference: float
    offset_w: Estimate | None
    stated: float
    agrees: bool
    verdict: str
    stated_offset_w: float = 0.0
    u_offset: float = 0.0
    offset_uncertainty_w: float | None = None
    compared_at_w: float | None = None
    half_at_load: float = nan
    odd: tuple[OddPair, ...] = ()

    @property
    def tells(self) -> bool:
        """Whether the pairs agree well enough with each other to tell a multiplier."""
        m = self.multiplier
        return (m.high - m.low) / 2 <= MOST_UNSURE * abs(m.value)

    @property
    def clamp_line(self) -> str:
        """What to write in house.toml; see `homeenergy.trust.bench_lines`."""
        return self.line_for(Clamp(multiplier=self.stated, offset_w=self.stated_offset_w))

    def line_for(self, clamp: Clamp) -> str:
        """What to write in house.toml for a clamp of which more is stated; see `clamp_line`."""
        if not self.tells:
            return ""
        return clamp_line(
            clamp,
            self.multiplier,
            half=self.half_at_load,
            compared_at_w=self.compared_at_w,
            offset_w=self.offset_w,
            offset_uncertainty_w=self.offset_uncertainty_w,
        )

    def to_frame(self) -> pd.DataFrame:
        """One row with the multiplier, its interval, the parts of its uncertainty, the verdict."""
        m = self.multiplier
        row = {
            "circuit": self.circuit,
            "pairs": m.n,
            "multiplier": m.value,
            "multiplier_low": m.low,
            "multiplier_high": m.high,
            "u_scatter": self.u_scatter,
            "u_rounding": self.u_rounding,
            "u_offset": self.u_offset,
            "u_reference": self.u_reference,
            "offset_w": self.offset_w.value if self.offset_w else self.stated_offset_w,
            "offset_uncertainty_w": self.offset_uncertainty_w,
            "compared_at_w": self.compared_at_w,
            "stated": self.stated,
            "agrees": self.agrees,
            "odd_pairs": "; ".join(pair.text for pair in self.odd),
            "verdict": self.verdict,
            "clamp_line": self.clamp_line,
        }
        return pd.DataFrame([row])


def bench_comparison(
    pairs: pd.DataFrame,
    *,
    references: dict[str, Reference] | Reference,
    clamp_step_w: float = 1.0,
    correlation: float = 1.0,
    circuit: str = "",
    stated: float = 1.0,
    stated_offset_w: float = 0.0,
    resolution_w: float = 0.0,
) -> BenchResult:
    """Find a clamp's multiplier from pairs of readings.

    Parameters
    ----------
    pairs : pandas.DataFrame
        Columns reference_w and clamp_w [W]; `reference` names the meter where there are several.
        `clamp_w` is as logged, before any multiplier.
    references : Reference or dict of Reference
        The reference meter, or each by its name in `pairs`.
    clamp_step_w : float
        Step of the clamp's readings [W].
    correlation : float
        Of the errors of different reference meters. 1, the default, takes them as fully correlated,
        as meters with the same kind of chip do: that several agree with each other then makes the
        result no surer. 0 takes them as independent.
    circuit : str
        For the text.
    stated, stated_offset_w : float
        Multiplier and offset [W] in use.
    resolution_w : float
        Least power that the clamp resolves [W], before any multiplier, if known: its offset lies
        within half of that. What the pairs tell of it is then part of the result.

    Returns
    -------
    BenchResult

    Raises
    ------
    HouseError
        Where no pair is left that tells of a multiplier, or clamp readings are of both signs in
        more than odd pairs.

    Notes
    -----
    Pairs that tell nothing (of 0 W, or no more than the offset in use), or do not belong with the
    others (`split_odd`), are left out, and named. Weighted
    regression through the origin of reference on clamp reading; a line with an offset is
    taken where that is significant at 99 % and there are four pairs or more. Each pair has the
    variance of rounding (a uniform error of half width a has the standard uncertainty a / sqrt(3),
    JCGM 100:2008, 4.3.7), of a scatter in proportion to the load, and of an offset that is left
    out, which shifts small loads more than large ones. The interval is that of
    `homeenergy.stats.lines`, in which the scatter is estimated from the pairs:
    Student's where they show nothing else. It is convolved with the uniform error of the reference
    (G.1.4), or with a normal one of several independent references.
    """
    table, without = checked_pairs(pairs, circuit=circuit, least_w=stated_offset_w)
    table, odd = split_odd(table, rounding_w=clamp_step_w / 2)
    odd = without + odd
    table = one_sign(table, circuit=circuit)
    c = table["clamp_w"].to_numpy(dtype=np.float64)
    load = table["reference_w"].to_numpy(dtype=np.float64)
    r = load - stated_offset_w
    meters = _meters(table, references)
    names = list(table["reference"]) if "reference" in table else [""] * len(table)
    half_r = np.array([meter.step_w for meter in meters]) / 2
    first = float(np.median(r / c))
    half_c = abs(first) * clamp_step_w / 2
    rounding_w = np.sqrt((half_r**2 * _equal(load) + half_c**2 * _equal(c)) / 3)
    rounding_w = np.maximum(rounding_w, 1e-9 * load)  # displays without steps
    limit_w = abs(first) * resolution_w / 2
    one_error = correlation == 1 or len(set(names)) == 1
    line = bench_line(
        c,
        load,
        rounding_w=rounding_w,
        stated_w=stated_offset_w,
        limit_w=limit_w,
        separate=not one_error,
    )
    found, off_w = line.posterior, line.offset_w or 0.0
    scatter_w = (found.scatter if found else 0.0) * load
    # An offset that the line leaves out shifts small loads more than large ones.
    weight = 1 / (rounding_w**2 + scatter_w**2 + line.left_w**2)
    cc = float((weight * c * c).sum())
    slope = float((weight * c * (r - off_w)).sum()) / cc
    seen_w = load if line.offset_w is None else r - off_w
    u_reference = _u_of_references(weight * c * seen_w / cc, meters, names, correlation)
    of_reference = OfReference(u_reference, one_error)
    used_w = stated_offset_w + off_w
    half, known, unseen_w = inf, Readings(inf, inf, inf), line.left_w
    if found:
        half = found.half(slope, slope=1.0, **of_reference.by(1.0))
        known = Readings(half, inf, inf)
        if line.tells or limit_w > 0:
            known = readings_known(
                found, slope=slope, offset_w=off_w, used_w=used_w, of_reference=of_reference
            )
        unseen_w = sqrt(found.squares(offset=off_w, slope=slope)[0, 0])
    offset = None
    if found and line.offset_w is not None:
        offset = measured(
            used_w,
            found.half(off_w, offset=1.0),
            unit="W",
            n=c.size,
            basis="offset of the weighted line",
        )
    multiplier = measured(
        slope,
        half,
        unit="",
        n=c.size,
        basis=_basis(c.size, offset is not None, len(set(names)), unseen=line.left_w > 0),
    )
    return BenchResult(
        circuit=circuit,
        multiplier=multiplier,
        u_scatter=sqrt(float((weight**2 * c**2 * scatter_w**2).sum())) / cc,
        u_rounding=sqrt(float((weight**2 * c**2 * rounding_w**2).sum())) / cc,
        u_reference=u_reference,
        offset_w=offset,
        stated=stated,
        agrees=offset is None and multiplier.low <= stated <= multiplier.high,
        verdict=bench_verdict(
            multiplier,
            circuit=circuit,
            stated=stated,
            offset_w=offset.value if offset else None,
        ),
        stated_offset_w=stated_offset_w,
        u_offset=unseen_w * abs(float((weight * c).sum())) / cc,
        offset_uncertainty_w=known.at_rest_w
        if line.tells or inf > known.at_rest_w > limit_w > 0
        else None,
        compared_at_w=known.compared_at_w if known.compared_at_w < inf else None,
        half_at_load=known.half_at_load,
        odd=odd,
    )


def _meters(
    table: pd.DataFrame, references: dict[str, Reference] | Reference
) -> tuple[Reference, ...]:
    if isinstance(references, Reference):
        return (references,) * len(table)
    if "reference" not in table:
        raise ValueError("several references need a column `reference` that names the meter")
    missing = sorted(set(table["reference"]) - set(references))
    if missing:
        raise ValueError(f"no accuracy is stated for reference {', '.join(map(repr, missing))}")
    return tuple(references[name] for name in table["reference"])


def _equal(readings: Values) -> NDArray[np.int64]:
    """How many readings equal each: they share one rounding error, which no mean reduces."""
    _, which, many = np.unique(readings, return_inverse=True, return_counts=True)
    equal: NDArray[np.int64] = many[which]
    return equal


def _u_of_references(
    share: Values, meters: tuple[Reference, ...], names: list[str], correlation: float
) -> float:
    """What the references' accuracy adds to the uncertainty of the slope.

    The part of each pair in the slope is summed by meter; the meters' errors are then added with
    their correlation, JCGM 100:2008, equation (16).
    """
    each = np.array(
        [
            sum(s * m.accuracy for s, m, n in zip(share, meters, names, strict=True) if n == name)
            for name in dict.fromkeys(names)
        ]
    )
    variance = (correlation * each.sum() ** 2 + (1 - correlation) * (each**2).sum()) / 3
    return sqrt(float(variance))


def _basis(n: int, offset: bool, meters: int, *, unseen: bool) -> str:
    if n == 1:
        return "one pair shows no scatter"
    line = "a weighted line with offset" if offset else "a weighted line through the origin"
    with_ = "the reference's accuracy" if meters == 1 else f"the accuracy of {meters} references"
    parts = "scatter, rounding, an unseen offset" if unseen else "scatter, rounding"
    return f"{line} through {n} pairs; {parts} and {with_}, JCGM 100"
