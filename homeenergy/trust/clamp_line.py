"""The line of house.toml that states what a bench comparison found."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, floor, isfinite, log10

from homeenergy.estimate import Estimate
from homeenergy.house import Clamp, Correction


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
        Empty where one pair tells no scatter, or the pairs leave 100 % or more open. Uncertainties
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


def _half_about(apart: float, half: float) -> float:
    """Half width about a value `apart` from the middle that holds 95 % of a normal distribution.

    `half` is the half width about its middle. Where a known difference is not corrected, adding it
    to the half width (JCGM 100:2008, F.2.4.5) would hold more than 95 %.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri

    if not half or apart < 1e-6 * half:
        return half + apart
    spread = half / float(ndtri(0.975))

    def short(at: float) -> float:
        return float(ndtr((at - apart) / spread) - ndtr((-at - apart) / spread)) - 0.95

    return float(brentq(short, half, half + apart, xtol=1e-9 * half))
