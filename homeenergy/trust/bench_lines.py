"""What the pairs of a bench comparison tell of a clamp: its line, and how far its offset is known.

How far an offset is known before rests on what is in use and on the resolution of the clamp; the
pairs then tell more, by `homeenergy.stats.lines`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import ceil, floor, inf, isfinite, log10, sqrt
from typing import NamedTuple

import numpy as np

from homeenergy.house.schedule import Clamp, Correction
from homeenergy.stats.coverage import LEVEL, NORMAL, half_width, normal_and_rectangular
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.lines import LinePosterior, Values, line_posterior

OFFSET_LEVEL = 0.99  # an offset taken by chance spoils the multiplier
FEW = 3  # pairs that demand no offset
LARGEST_W = 6.0  # half a step of a clamp of 200 A at 240 V: common practice, no source
TELLS = 0.97  # of what was known of an offset before: less, and the pairs are informative


class OfReference(NamedTuple):
    """Error of the slope by the reference's accuracy: rectangular, or about normal."""

    u: float
    rectangular: bool

    def by(self, factor: float) -> dict[str, float]:
        """That of so many times the slope, as `LinePosterior.half` takes it."""
        u = abs(factor) * self.u
        return {"rectangular": sqrt(3) * u} if self.rectangular else {"normal_u": u}


class BenchLine(NamedTuple):
    """Line of reference on clamp reading, after the offset in use.

    `posterior` is None for one pair, which shows no scatter. `offset_w` is what the data demand to
    be added to the offset in use, None where they do not. `tells` is whether they tell more of the
    offset than was known before. `left_w` is the standard uncertainty before the comparison of an
    offset that a line through the origin leaves out.
    """

    posterior: LinePosterior | None
    offset_w: float | None = None
    tells: bool = False
    left_w: float = 0.0


def bench_line(
    clamp_w: Values,
    reference_w: Values,
    *,
    rounding_w: Values,
    stated_w: float,
    limit_w: float,
    separate: bool = False,
) -> BenchLine:
    """Find the line of a comparison.

    Parameters
    ----------
    clamp_w, reference_w : ndarray, shape (n,)
        Clamp as logged, and reference [W].
    rounding_w : ndarray, shape (n,)
        Standard uncertainty of each pair by rounding of both [W].
    stated_w : float
        Offset in use [W].
    limit_w : float
        Before the comparison, the offset of the clamp has a rectangular prior within this of zero;
        0 where nothing is known of it. An offset in use that lies beyond was found before, so it is
        no limit for it.
    separate : bool
        Whether reference meters have independent errors. Which of them was used at small loads and
        which at large ones would then look like an offset, so pairs show none.

    Returns
    -------
    BenchLine
        With an offset where it differs from 0 at 99 %, if there are four pairs or more whose loads
        differ twofold: pairs nearly at one load show none. Beyond the limit, or where none is
        known, the pairs alone tell of the offset, if they do so to within the limit or `LARGEST_W`.
    """
    n = clamp_w.size
    fit = partial(
        line_posterior, clamp_w, reference_w - stated_w, known_u=rounding_w, scale=reference_w
    )
    if n == 1:
        return BenchLine(None, left_w=limit_w / sqrt(3))
    several = n > FEW and not separate and reference_w.max() >= 2 * reference_w.min()
    several = several and np.ptp(clamp_w) > 0
    free = fit() if several else None
    if free and not _demands_offset(free) and free.half(0.0, offset=1.0) > (limit_w or LARGEST_W):
        free = None
    found_before = abs(stated_w) >= limit_w
    if free and (found_before or _refutes(free, -limit_w - stated_w, limit_w - stated_w)):
        line = free
    elif limit_w > 0:
        about_w = 0.0 if found_before else stated_w
        line = fit(low=-limit_w - about_w, high=limit_w - about_w)
    else:
        return BenchLine(fit(low=0.0, high=0.0))
    if several and _demands_offset(line):
        offset_w = float(line.mean[0])
        return BenchLine(line, offset_w, True)
    tells = line is free or (not separate and line.half(0.0, offset=1.0) < TELLS * LEVEL * limit_w)
    left_w = limit_w / sqrt(3) or sqrt(line.squares(offset=0.0, slope=0.0)[0, 0])
    return BenchLine(line, None, tells, left_w)


def _refutes(line: LinePosterior, low: float, high: float) -> bool:
    """Whether the pairs say that the offset lies beyond its limits."""
    return max(line.below(low), 1 - line.below(high)) > (1 + OFFSET_LEVEL) / 2


def _demands_offset(line: LinePosterior) -> bool:
    """Whether the offset of a line differs from 0 more than chance explains."""
    return _refutes(line, 0.0, 0.0)


class Readings(NamedTuple):
    """How far corrected readings are known: parts that are independent, at 95 %.

    A reading of P watts may be off by `half_at_load` / slope of itself, and by `at_rest_w` times
    1 - P / `compared_at_w`, added in squares. `compared_at_w` is infinite where all of it is left
    everywhere.
    """

    half_at_load: float
    at_rest_w: float
    compared_at_w: float


def readings_known(
    line: LinePosterior, *, slope: float, offset_w: float, used_w: float, of_reference: OfReference
) -> Readings:
    """How far readings are known that are multiplied by `slope`, with `used_w` added [W].

    `offset_w` is the part of `used_w` that the line has. A reading of nothing is one of
    -`used_w` / `slope` of the clamp, where an error of the slope counts too.
    """
    lean = used_w / slope
    squares = line.squares(offset=offset_w, slope=slope)
    squares[1, 1] += of_reference.u**2
    at_rest = np.array([[1.0, -lean], [0.0, 1.0]])
    squares = at_rest @ squares @ at_rest.T
    together = squares[0, 1] * np.sign(slope)
    at = float(-squares[0, 0] / squares[0, 1]) if together < 0 else inf
    steep = 1 - lean / at
    return Readings(
        line.half(
            steep * slope + offset_w / at, offset=1 / at, slope=steep, **of_reference.by(steep)
        ),
        line.half(offset_w - used_w, offset=1.0, slope=-lean, **of_reference.by(lean)),
        abs(slope * at),
    )


def clamp_line(
    clamp: Clamp,
    multiplier: Estimate,
    *,
    half: float,
    compared_at_w: float | None = None,
    offset_w: Estimate | None = None,
    offset_uncertainty_w: float | None = None,
) -> str:
    """Write "clamp = { multiplier = 1.02, uncertainty = 0.012 }", and more where it is known.

    Parameters
    ----------
    clamp : Clamp
        As stated now; what else it says is kept. Of dated corrections the last is changed.
    multiplier : Estimate
        As found on the bench.
    half : float
        Half width of its interval, at `compared_at_w` where that is given.
    compared_at_w : float, optional
        Load at which an unseen offset makes no difference [W].
    offset_w : Estimate, optional
        As found there [W]. None: the one in use stays.
    offset_uncertainty_w : float, optional
        Of the offset written [W]. None: the one in use stays.

    Returns
    -------
    str
        Empty where one pair shows no scatter, or the pairs leave 100 % or more open. Uncertainties
        are rounded up, that of the multiplier is a share. The multiplier in use stays where the
        interval holds it; its uncertainty is then that about it and not about the one found: see
        `_half_about`.
    """
    stays = multiplier.low <= clamp.multiplier <= multiplier.high
    used = clamp.multiplier if stays else float(f"{multiplier.value:.4g}")
    if not isfinite(half) or used == 0:
        return ""
    share = _rounded_up(_half_about(abs(used - multiplier.value), half) / abs(used))
    if share >= 1:
        return ""
    found = Correction(
        value=used,
        uncertainty=share,
        offset_w=clamp.offset_w if offset_w is None else _rounded(offset_w),
        offset_uncertainty_w=clamp.offset_uncertainty_w
        if offset_uncertainty_w is None
        else _rounded_up(offset_uncertainty_w),
        compared_at_w=None if compared_at_w is None else float(f"{compared_at_w:.2g}"),
    )
    if clamp.corrections:
        last = replace(found, start=clamp.corrections[-1].start)
        rows = ", ".join(_row(one) for one in (*clamp.corrections[:-1], last))
        parts = [f"multiplier = [{rows}]"]
    else:
        parts = [f"multiplier = {used:g}", *_further(found)]
    if clamp.rating_a is not None:
        parts.insert(0, f"rating_a = {clamp.rating_a:g}")
    if clamp.conductors:
        listed = ", ".join(f'"{one}"' for one in clamp.conductors)
        parts.append(f"conductors = [{listed}]")
    if clamp.volts_leg is not None:
        parts.append(f'volts_leg = "{clamp.volts_leg}"')
    return f"clamp = {{ {', '.join(parts)} }}"


def _row(correction: Correction) -> str:
    parts = [f"value = {correction.value:g}"]
    if correction.start is not None:
        parts.append(f'from = "{correction.start:%Y-%m-%d %H:%M}"')
    return f"{{ {', '.join([*parts, *_further(correction)])} }}"


def _further(correction: Correction) -> list[str]:
    parts = []
    if correction.offset_w:
        parts.append(f"offset_w = {correction.offset_w:g}")
    if correction.uncertainty is not None:
        parts.append(f"uncertainty = {correction.uncertainty:.3g}")
    if correction.offset_uncertainty_w is not None:
        parts.append(f"offset_uncertainty_w = {correction.offset_uncertainty_w:.3g}")
    if correction.compared_at_w is not None:
        parts.append(f"compared_at_w = {correction.compared_at_w:g}")
    return parts


def _rounded_up(uncertainty: float) -> float:
    """Rounded up to two digits, to three where the first is 1, so by a twentieth at most."""
    places = 1 - floor(log10(uncertainty / 2)) if uncertainty > 0 else 1
    return ceil(uncertainty * 10**places) / 10**places


def _rounded(offset_w: Estimate) -> float:
    """Offset to the digit at which half its interval has two."""
    half = (offset_w.high - offset_w.low) / 2
    places = 1 - floor(log10(half)) if half > 0 else 2
    return round(offset_w.value, places)


def _half_about(distance: float, half: float) -> float:
    """Half width about a value `distance` from the middle that holds 95 % of a normal distribution.

    `half` is the half width about its middle. Where a known difference is not corrected, adding it
    to the half width (JCGM 100:2008, F.2.4.5) would hold more than 95 %.
    """
    if not half or distance < 1e-6 * half:
        return half + distance
    u = half / NORMAL

    def inside(at: float) -> float:
        below, above = normal_and_rectangular([-at - distance, at - distance], u=u)
        return float(above - below)

    return half_width(inside, least=half, most=half + distance)
