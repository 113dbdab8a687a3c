"""Circuits whose energy others hold as well: totals, feeders and copies that would count twice."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from homeenergy.readings.house import House
from homeenergy.readings.sums import LEAST_STEPS, MOST_STEPS, SEEN, find_sums
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.log_facts import Facts, aligned_blocks


def counted_twice(
    _: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Loads that hold other loads, or all mains, and mains that hold the other mains."""
    out_already = set(held_out(found))
    there = [one for one in facts if one.circuit.name not in out_already and one.load.blocks_w.size]
    mains = [one for one in there if one.circuit.role == "mains"]
    loads = [one for one in there if one.circuit.role == "load"]
    out = [_holds(*one) for some in (loads, mains) for one in _sums(some)]
    known = {name for one in out for name in one.circuits}
    if len(mains) > 1:
        for load in loads:
            if load.circuit.name not in known:
                held = [parts for one, parts in _sums([*mains, load]) if one is load]
                others = [one for one in loads if one is not load]
                out += [_holds(load, parts) for parts in held if _sees(load, others)]
    return out + [_is_copy(*pair) for pair in _copies(loads)]


def _sees(load: Facts, others: Sequence[Facts]) -> bool:
    """Whether a load moves with any of others, as a total does; the greatest moves as mains do."""
    aligned = aligned_blocks([load, *others])
    if aligned is None or not others:
        return True
    moves = np.nan_to_num(np.diff(aligned[0], axis=1))
    own, square = moves[1:] @ moves[0], (moves[1:] ** 2).sum(axis=1)
    return bool((own > SEEN * square)[square > 0].any())


def _copies(some: Sequence[Facts]) -> list[tuple[Facts, Facts]]:
    """Pairs of circuits that read the same at all times, though they vary."""
    aligned = aligned_blocks(some)
    if aligned is None:
        return []
    blocks_w, order = aligned[0], np.argsort([np.nanmean(row) for row in aligned[0]])
    return [
        (some[one], some[other])
        for one, other in (sorted(pair) for pair in pairwise(order.tolist()))
        if np.array_equal(blocks_w[one], blocks_w[other], equal_nan=True)
        and np.unique(blocks_w[one]).size > LEAST_STEPS
    ]


def _is_copy(one: Facts, other: Facts) -> Implausible:
    return Implausible(
        weight="doubtful",
        circuits=(one.circuit.name, other.circuit.name),
        what="read the same to the last digit at all times, though they vary, as one circuit does "
        "that is logged twice",
        do="If they are one circuit, take one of them out of house.toml.",
    )


def _sums(some: Sequence[Facts]) -> list[tuple[Facts, list[Facts]]]:
    """Circuits that hold others, with these."""
    aligned = aligned_blocks(some)
    if aligned is None:
        return []
    blocks_w = aligned[0]
    if (each := blocks_w.shape[1] // MOST_STEPS) > 1:
        cut = blocks_w[:, : blocks_w.shape[1] // each * each]
        blocks_w = cut.reshape(len(some), -1, each).mean(axis=2)
    return [
        (some[row], [some[part] for part in parts])
        for row, parts in find_sums(np.diff(blocks_w, axis=1)).items()
    ]


def _holds(one: Facts, parts: Sequence[Facts]) -> Implausible:
    names = ", ".join(part.circuit.name for part in parts)
    mains = one.circuit.role == "mains"
    return Implausible(
        weight="wrong",
        circuits=(one.circuit.name,),
        what=f"rises and falls as {names} together do, so that what these draw counts twice",
        explains=True,
        do="Take its [[circuit]] and its line in [log.columns] out of house.toml."
        if mains
        else 'If it is the incoming supply, write role = "mains" there; else take its [[circuit]] '
        "and its line in [log.columns] out of house.toml.",
    )
