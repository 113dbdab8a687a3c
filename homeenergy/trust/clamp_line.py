"""The line of house.toml that states what a bench comparison found."""

from __future__ import annotations

from math import ceil, floor, isfinite, log10

from homeenergy.estimate import Estimate


def clamp_line(multiplier: Estimate, *, stated: float, agrees: bool) -> str:
    """Write "clamp = { multiplier = 1.02, uncertainty = 0.012 }".

    Parameters
    ----------
    multiplier : Estimate
        As found on the bench.
    stated : float
        Multiplier in use.
    agrees : bool
        Whether that one may stay.

    Returns
    -------
    str
        Empty where one pair tells no scatter. The uncertainty is a share, rounded up to two digits.
        Where the multiplier in use stays, its uncertainty is that about it and not about the one
        found: see `_half_about`.
    """
    half = (multiplier.high - multiplier.low) / 2
    used = stated if agrees else float(f"{multiplier.value:.4g}")
    if not isfinite(half) or used == 0:
        return ""
    share = _half_about(abs(used - multiplier.value), half) / abs(used)
    places = 1 - floor(log10(share)) if share > 0 else 1
    up = ceil(share * 10**places) / 10**places
    return f"clamp = {{ multiplier = {used:g}, uncertainty = {up:.{max(places, 0)}f} }}"


def _half_about(apart: float, half: float) -> float:
    """Half width about a value `apart` from the middle that holds 95 % of a normal distribution.

    `half` is the half width about its middle. Where a known difference is not corrected, adding it
    to the half width (JCGM 100:2008, F.2.4.5) would hold more than 95 %.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri

    if not half or not apart:
        return half + apart
    spread = half / float(ndtri(0.975))

    def short(at: float) -> float:
        return float(ndtr((at - apart) / spread) - ndtr((-at - apart) / spread)) - 0.95

    return float(brentq(short, half, half + apart, xtol=1e-9 * half))
