"""What a bench comparison asks for, in words."""

from __future__ import annotations

from homeenergy.estimate import Estimate

# Multipliers that come from how a clamp sits rather than from its error.
WIRING = {
    2.0: "it sees half of the load: one leg of two",
    0.5: "it sees the load twice: the conductor passes through it twice, or both legs do",
    3.0: "it sees a third of the load: one leg of three",
    1 / 3: "it sees the load three times: the conductor passes through it three times",
}
WIRING_TOLERANCE = 0.1


def bench_verdict(
    multiplier: Estimate, *, circuit: str, stated: float, offset_w: float | None
) -> str:
    """What a bench comparison asks for, in one sentence.

    `stated` is the multiplier in use, `offset_w` what is to be added where the data demand another
    offset than house.toml states [W].
    """
    m, name = multiplier.value, circuit or "this clamp"
    apart = stated / m - 1
    high = "high" if apart > 0 else "low"
    if multiplier.n == 1:
        return (
            f"{name}: with multiplier {stated:g} it reads {_away(apart, high)}, by one pair only, "
            "which tells no scatter: compare at least four times before correcting."
        )
    if offset_w is not None:
        return (
            f"{name}: the pairs ask for an offset of {offset_w:+.2g} W beside a multiplier of "
            f"{m:.4g}; see what draws or is missing while the load is off, and state it as the "
            "clamp's if nothing is."
        )
    known = (multiplier.high - multiplier.low) / 2 / abs(m)
    if multiplier.low <= stated <= multiplier.high:
        return (
            f"{name}: leave the multiplier at {stated:g}: the difference of {abs(apart):.1%} is "
            f"within what the two instruments can know ({known:.1%})."
        )
    cause = _cause(m / stated)
    text = f"{name}: set its multiplier to {m:.4g} (± {known:.1%})"
    return f"{text}: {cause}." if cause else f"{text}: it reads {_away(apart, high)}."


def _cause(ratio: float) -> str:
    """Wiring that explains a ratio of right to stated multiplier; empty where only error does."""
    turned = "it sits backwards, or its meter takes the other leg's voltage" if ratio < 0 else ""
    for factor, words in WIRING.items():
        if abs(abs(ratio) / factor - 1) < WIRING_TOLERANCE:
            return f"{turned}, and {words}" if turned else words
    return turned


def _away(apart: float, word: str) -> str:
    return f"{abs(apart):.1%} {word}" if abs(apart) < 1 else f"{abs(1 + apart):.3g} times the truth"
