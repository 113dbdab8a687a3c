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
        Where the multiplier in use stays, how far it lies from the one found is added to it
        (JCGM 100:2008, F.2.4.5).
    """
    half = (multiplier.high - multiplier.low) / 2
    used = stated if agrees else float(f"{multiplier.value:.4g}")
    if not isfinite(half) or used == 0:
        return ""
    share = (half + abs(used - multiplier.value)) / abs(used)
    places = 1 - floor(log10(share)) if share > 0 else 1
    up = ceil(share * 10**places) / 10**places
    return f"clamp = {{ multiplier = {used:g}, uncertainty = {up:.{max(places, 0)}f} }}"
