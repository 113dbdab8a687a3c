"""Circuits that hold what several others hold as well, as totals and the feeders of panels do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Own choices: steps that are looked at, and that each part must have made; how far a factor may lie
# off 1, and its doubled standard error; and steps so alike that no factor parts them.
LEAST_STEPS, LEAST_MOVES, OFF_ONE, ALIKE = 50, 6, 0.05, 0.98
LEAST_KNOWN = 0.5
SEEN = 0.2  # of each of its steps in the other circuit, on average, or it is not asked
MOST_STEPS = 20_000
_MOVED = 0.1  # of the farthest step

_Numbers = NDArray[np.float64]


def find_sums(steps: _Numbers) -> dict[int, tuple[int, ...]]:
    """Which circuits rise and fall with several others by as much as these do.

    Parameters
    ----------
    steps : numpy.ndarray, shape (circuits, n)
        By how much power, or its mean, changes between the same instants. Rows that are NaN (not
        known) half of the time are not asked, and only steps count that all others have.

    Returns
    -------
    dict
        Row of each circuit that holds others, and the rows of these; sums of sums are told by the
        circuits that are none themselves.

    Notes
    -----
    Own method. The steps of a circuit are fitted by least squares to those of the circuits that
    move less, then to all: it holds those whose factor is 1 to 5 %, with a doubled standard error
    of at most that. Two at least are asked, since the legs of one load also move alike; what else
    it may hold does not matter. Circuits that are fed apart have factors near 0. O(n circuits^2).
    """
    if steps.shape[1] <= LEAST_STEPS:
        return {}
    there = np.isfinite(steps)
    known = np.flatnonzero(there.mean(axis=1) >= LEAST_KNOWN)
    steps = steps[:, there[known].all(axis=0)]
    if known.size <= 2 or steps.shape[1] <= LEAST_STEPS:
        return {}
    far = np.abs(steps)
    moves = (far > _MOVED * far.max(axis=1, keepdims=True)).sum(axis=1)
    products = steps @ steps.T
    asks = [row for row in known if moves[row] >= LEAST_MOVES]
    order = [int(row) for row in sorted(asks, key=lambda row: products[row, row])]
    alike = _alike(order, products)
    sums: dict[int, tuple[int, ...]] = {}
    for whole in (False, True):
        for at, row in enumerate(order):
            asked = set(order if whole else order[:at]) - sums.keys() - {row}
            asked = {one for one in asked if products[one, row] > SEEN * products[one, one]}
            groups = [some for group in alike if (some := [one for one in group if one in asked])]
            if row not in sums and 2 <= len(groups) <= steps.shape[1] // 2:
                sums |= _held(products, row, groups, steps.shape[1])
    return sums


def _held(
    products: _Numbers, row: int, groups: list[list[int]], number: int
) -> dict[int, tuple[int, ...]]:
    """A circuit and which of some it holds, as it steps by as much with each; two at least."""
    member = np.zeros((len(groups), len(products)))
    for at, group in enumerate(groups):
        member[at, group] = 1.0
    among, with_row = member @ products @ member.T, member @ products[row]
    try:
        inverse = np.linalg.inv(among)
    except np.linalg.LinAlgError:
        return {}
    factors = inverse @ with_row
    left = max(float(products[row, row] - factors @ with_row), 0.0) / (number - len(groups))
    error = 2 * np.sqrt(left * np.maximum(np.diag(inverse), 0.0))
    held = (np.abs(factors - 1) <= OFF_ONE) & (error <= OFF_ONE)
    if held.sum() < 2:
        return {}
    return {row: tuple(sorted(one for at in np.flatnonzero(held) for one in groups[at]))}


def _alike(rows: list[int], products: _Numbers) -> list[list[int]]:
    """Circuits one by one, but those together that always step together."""
    groups: list[list[int]] = []
    scale = np.sqrt(np.diag(products))
    for one in rows:
        for group in groups:
            if products[one, group[0]] >= ALIKE * scale[one] * scale[group[0]]:
                group.append(one)
                break
        else:
            groups.append([one])
    return groups
