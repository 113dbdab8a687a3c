"""One circuit, judged by the mains as they would be without fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import inf, nan

import numpy as np

from homeenergy.house.schedule import Circuit
from homeenergy.stats.coverage import NORMAL
from homeenergy.trust.bench import BenchResult
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import (
    CircuitBalance,
    Steps,
    at_least,
    families,
    least_u,
    on_one_leg,
    ratio_estimates,
)
from homeenergy.trust.panel.ends import Ending
from homeenergy.trust.panel.explain import LEAST_SHARE, Explanation, Reading, Seen, leg_shares
from homeenergy.trust.panel.matched import Matched, answer_to_lower, is_high
from homeenergy.trust.panel.slow import Slow
from homeenergy.trust.panel.told import AGREES, verdict


def seen_of(
    circuit: Circuit,
    matched: Matched,
    legs: Sequence[str],
    bench: Sequence[BenchResult],
    endings: Mapping[str, Ending],
    rounding_w: float,
    *,
    flat: bool,
) -> Seen:
    """What is known of a circuit from its steps and the bench."""
    name = circuit.name
    compared = next((b for b in bench if b.circuit == name), None)
    reads, reads_u = 1.0, inf
    if compared is not None and np.isfinite(compared.multiplier.high):
        width = compared.multiplier.high - compared.multiplier.low
        reads = compared.stated / compared.multiplier.value
        reads_u = abs(reads) * width / (4 * abs(compared.multiplier.value))
    return Seen(
        name=name,
        families=families(
            matched.ratios[name],
            matched.heights_w[name],
            matched.noise[name],
            beside=matched.beside[name],
            rounding_w=rounding_w,
        ),
        legs=tuple(i for i, leg in enumerate(legs) if leg in circuit.legs),
        reads=reads,
        reads_u=reads_u,
        ceiling=endings[name] == "ends",
        flat=flat and endings[name] == "not shown",
    )


def judge(
    circuit: Circuit,
    seen: Seen,
    steps: Steps,
    mean_w: float,
    matched: Matched,
    found: Explanation,
    legs: Sequence[str],
    *,
    rounding_w: float,
    known: bool,
    may_end: bool,
    clipped: Callable[[], str],
    slow: Slow | None,
) -> tuple[CircuitBalance, Concern | None]:
    """Ratio, legs, answer and concern of a circuit; `slow` is what its slow changes tell."""
    name = circuit.name
    high = matched.high[name]
    ratios, heights_w = found.inverse @ matched.ratios[name][:, high], matched.heights_w[name][high]
    noise = np.abs(found.inverse) @ matched.noise[name][:, high]
    total, *each = ratio_estimates(ratios, heights_w)
    least = least_u(ratios, heights_w, noise, rounding_w=rounding_w)
    total = at_least(total, NORMAL * float(np.sqrt((least**2).sum())))
    each = [at_least(one, NORMAL * u) for one, u in zip(each, least, strict=True)]
    beside = matched.beside[name]
    total = replace(total, low=total.low - max(beside, 0.0), high=total.high - min(beside, 0.0))
    compared = total.n
    if slow is not None:
        slowly = slow.estimates(found.inverse)
        width, of_slow = (one.high - one.low for one in (total, slowly[0]))
        if width < max(of_slow, 2 * AGREES):  # its steps tell
            slow = None
        else:
            total, *each = slowly
    read = found.circuits.get(name, Reading(kind="right"))
    stated = np.array([float(leg in circuit.legs) for leg in legs]) / max(1, len(circuit.legs))
    on: tuple[str, ...] = ()
    shares, odds, mixed = stated, 1.0, False
    shown = np.abs(found.matrix).sum(axis=0) > 0  # the mains may not show a leg at all
    told = [f for f in seen.families if np.isfinite(f.u).all()]
    if told and read.kind != "not fed":
        shares, odds = leg_shares(replace(seen, families=tuple(told)), read, found.matrix)
        on = tuple(
            leg
            for leg, share, there in zip(legs, shares, shown, strict=True)
            if share > LEAST_SHARE and there
        )
        shares = np.where(shares > LEAST_SHARE, shares, 0.0)
        shares = shares / shares.sum() if shares.sum() > 0 else stated
        sorts = sum(not family.slowly for family in told)
        mixed = len(legs) > 1 and len(on) > 1 and sorts > 1
    balance = CircuitBalance(
        circuit=name,
        steps=compared,
        slow_changes=0 if slow is None else slow.n,
        switched_on=int(max((steps.watts > 0).sum(), (steps.watts < 0).sum())),
        mean_w=mean_w,
        step_w=float(np.median(np.abs(steps.watts[is_high(steps)]))) if steps.watts.size else nan,
        ratio=total,
        leg_ratio=dict(zip(legs, each, strict=True)),
        legs_found=on,
        leg_shares=dict(zip(legs, map(float, shares), strict=True)),
        mixed=mixed,
        on_one_leg=on_one_leg(matched.ratios[name], matched.noise[name]),
        legs_stated=tuple(circuit.legs),
        leg_odds=odds,
        may_end=may_end and slow is None,
        answer="cannot be told",
        verdict="",
    )
    if not known:
        text = f"{name}: one leg of a load whose other leg is a column of its own."
        return replace(balance, verdict=text, answer="agrees"), None
    hidden = [leg for leg, there in zip(legs, shown, strict=True) if not there]
    answer, text, concern = verdict(
        circuit,
        balance,
        read,
        rival=found.rival is not None,
        hidden=[leg for leg in hidden if leg in (circuit.legs or legs)],
        clipped=clipped() if read.kind == "clipped" else "",
        lower=answer_to_lower(matched, name, found.inverse),
    )
    return replace(balance, answer=answer, verdict=text), concern
