"""Pauses: which breaks belong to a run, and which lie between two runs.

No single bridging time fits all appliances, so the breaks of this appliance decide: whether they
fall into two clearly different families, what the pieces on both sides are worth, and whether what
follows a break begins as a run begins. Own method; its constants are physical (what a compressor,
a thermostat or a programme can do), not fitted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.fragments import Fragments

# Valves, reversal of a motor, a lost second: always inside a run.
ALWAYS_S = 5.0
# A false start or the rhythm of a magnetron; a compressor cannot restart so soon.
SHORT_S = 40.0
# Longest pause inside a programme (drying with the pump off), and between two pulses of keep-warm.
LONGEST_S = 3600.0
# A pause longer than this with a substantial piece on both sides lies between two programmes.
PROGRAMME_PAUSE_S = 360.0
SUBSTANTIAL = 0.25
CLEAR_RATIO = 2.0


def family_limit_s(
    pause_s: NDArray[np.float64], edge_s: NDArray[np.float64], *, covered_s: float
) -> float:
    """Limit between a family of short and a family of long breaks [s]; 0 where there is none.

    Breaks are sorted; the families part where a break is at least `CLEAR_RATIO` times the next
    shorter one, by the greatest ratio. The long family must fill at least half of the time: an
    appliance that is used now and then rests mostly, a compressor does not. The rests at the ends
    of the data (`edge_s`) are at least so long and count among the long ones.
    """
    breaks = np.sort(np.r_[pause_s[pause_s > ALWAYS_S], edge_s[edge_s > LONGEST_S / 4]])
    if breaks.size < 2:
        return 0.0
    ratio = breaks[1:] / breaks[:-1]
    rest_s = np.cumsum(breaks[::-1])[::-1][1:]
    fits = (breaks[:-1] <= LONGEST_S) & (ratio >= CLEAR_RATIO) & (rest_s >= covered_s / 2)
    if not fits.any():
        return 0.0
    k = int(np.argmax(np.where(fits, ratio, 0.0)))
    return float(np.sqrt(breaks[k] * breaks[k + 1]))


def heats_up_first(fragments: Fragments, joins: NDArray[np.bool_]) -> bool:
    """Whether sessions begin with a long piece and go on with shorter ones (keep-warm pulses)."""
    ratios = [
        fragments.excess_wh[a] / np.median(fragments.excess_wh[a + 1 : b])
        for a, b in groups(joins)
        if b - a >= 3
    ]
    return bool(ratios) and float(np.median(ratios)) >= 1.5


def groups(joins: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open ranges of fragments that are joined; `joins[i]` links fragments i and i + 1."""
    cuts = np.flatnonzero(~joins) + 1
    bounds = np.r_[0, cuts, joins.size + 1]
    return list(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True))


def join_fragments(
    fragments: Fragments,
    *,
    limit_s: float,
    mixed: bool,
) -> NDArray[np.bool_]:
    """Which neighbouring fragments belong to one run, shape (m - 1,)."""
    pause_s = fragments.pause_s
    joins = pause_s <= limit_s
    if mixed:
        _attach_tails(fragments, joins)
        for a, b in groups(joins):
            _part_programmes(fragments, joins, a, b)
    else:
        for a, b in groups(joins):
            _part_equals(fragments, joins, a, b)
    return joins


def _attach_tails(fragments: Fragments, joins: NDArray[np.bool_]) -> None:
    """Join a slight last piece (a drain pulse, anti-crease turns) to the programme before it."""
    found = groups(joins)
    energy = np.array([fragments.excess_wh[a:b].sum() for a, b in found])
    usual = np.median(energy[energy >= SUBSTANTIAL * energy.max(initial=0.0)])
    for i in range(1, len(found)):
        (before, _), (a, b) = found[i - 1], found[i]
        slight = energy[i] < 0.05 * usual <= energy[i - 1]
        if slight and fragments.pause_s[a - 1] <= LONGEST_S and before < a < b:
            joins[a - 1] = True


def _part_programmes(fragments: Fragments, joins: NDArray[np.bool_], a: int, b: int) -> None:
    """Cut a group at long pauses between two pieces that are both worth a programme."""
    energy = np.r_[0.0, np.cumsum(fragments.excess_wh[a:b])]
    lasts = np.r_[0.0, np.cumsum(fragments.duration_s[a:b])]
    begin = 0
    for i in range(1, b - a):
        if fragments.pause_s[a + i - 1] <= PROGRAMME_PAUSE_S:
            continue
        parts = (energy[i] - energy[begin], energy[-1] - energy[i])
        times = (lasts[i] - lasts[begin], lasts[-1] - lasts[i])
        if min(parts) >= SUBSTANTIAL * max(parts) and min(times) >= SUBSTANTIAL * max(times):
            joins[a + i - 1] = False
            begin = i


def _part_equals(fragments: Fragments, joins: NDArray[np.bool_], a: int, b: int) -> None:
    """Cut two or three equal uses that follow one another at once (a second round of toast)."""
    if not 2 <= b - a <= 3:
        return
    lasts = fragments.duration_s[a:b]
    pauses = fragments.pause_s[a : b - 1]
    if lasts.min() >= 0.7 * lasts.max() and lasts.min() >= 3 * pauses.max() > 3 * ALWAYS_S:
        joins[a : b - 1] = False
