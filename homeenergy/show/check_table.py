"""A check of a house as a short list for a terminal."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from homeenergy.findings.wording import estimate_text

if TYPE_CHECKING:
    from homeenergy.trust.check import HouseCheck

HEADINGS = {
    "wrong": "Contradicts house.toml",
    "doubtful": "Needs a look",
    "note": "Worth knowing",
}
CAUTION = (
    "Work inside a panel belongs to a licensed electrician where local codes say so. Service "
    "conductors stay live with the main breaker off. Never open the secondary of a current "
    "transformer with a current output while its circuit carries load. These findings prompt a "
    "look; they never prove that wiring is safe."
)


def check_lines(check: HouseCheck, *, width: int = 100) -> list[str]:
    """Lay a check out as text of at most `width` characters; lines of house.toml stay whole.

    Parameters
    ----------
    check : HouseCheck
    width : int
        Characters in a line.

    Returns
    -------
    list of str
    """
    lines = [check.house_name]
    if check.balance is not None:
        base = estimate_text(check.balance.base_w)
        lines += wrap(f"Baseload that no circuit accounts for: {base}", width)
    if not check.contradicts:
        lines += ["", *wrap(f"Nothing contradicts house.toml. {compared_with(check)}", width)]
    for weight, heading in HEADINGS.items():
        concerns = [c for c in check.concerns if c.weight == weight]
        if not concerns:
            continue
        lines += ["", heading]
        for number, concern in enumerate(concerns, start=1):
            lead = f"{number}. "
            indent = " " * len(lead)
            lines += wrap(lead + concern.what, width, subsequent_indent=indent)
            lines += wrap(
                f"-> {concern.do}", width, initial_indent=indent, subsequent_indent=indent + "   "
            )
            if concern.line:  # in one piece, so that it can be copied
                lines.append(f"{indent}   {concern.line}")
    return [*lines, "", *wrap(CAUTION, width)]


def compared_with(check: HouseCheck) -> str:
    """Say what the circuits could be compared with, without which nothing could contradict."""
    had = {
        "a reference meter (bench.csv)": bool(check.bench),
        "the mains": check.balance is not None,
        "the utility meter": check.meter is not None,
    }
    seen = [name for name, there in had.items() if there]
    return (
        f"Compared with: {', '.join(seen)}." if seen else "But there was nothing to compare with."
    )
