"""Pairs of a bench comparison: which are refused, and which do not belong with the others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr

from homeenergy.errors import HouseError

Values = NDArray[np.float64]
# Own rules. A pair is odd where it is this far from the line through the others, as a share of its
# load, and a slip where it then lies this near to it.
FAR, NEAR = 0.3, 0.05
BY_CHANCE = 0.001  # probability, over all pairs of a comparison
LEAST_SCATTER = 0.01  # of the load: what careful readings differ by
LEAST_OTHERS = 2
ODD_SHARE = 3  # at most one pair in three is odd; beyond that nobody knows which
SLIPS = {
    10.0: "a slip of ten",
    0.1: "a slip of ten",
    100.0: "a slip of a hundred",
    0.01: "a slip of a hundred",
    1000.0: "kilowatts for watts",
    0.001: "kilowatts for watts",
    -1.0: "a sign",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OddPair:
    """A pair that does not belong with the others: readings [W], line of the file, what it may be.

    `line` counts from 1; 0 where the pairs come from no file. `at_rest` is whether the load is no
    more than the offset in use, so that the pair tells nothing of a multiplier.
    """

    reference_w: float
    clamp_w: float
    line: int = 0
    why: str = ""
    at_rest: bool = False

    @property
    def text(self) -> str:
        """Naming both readings."""
        at = f" in line {self.line} of bench.csv" if self.line else ""
        pair = f"{self.clamp_w:g} W beside a reference of {self.reference_w:g} W{at}"
        if self.at_rest:
            return f"{pair} is at rest, which tells its offset and no multiplier."
        return f"{pair} is far from the other pairs{f': {self.why}?' if self.why else '.'}"


def checked_pairs(
    pairs: pd.DataFrame, *, circuit: str = "", least_w: float = 0.0
) -> tuple[pd.DataFrame, tuple[OddPair, ...]]:
    """Set pairs aside that tell nothing of a multiplier; refuse a comparison without others.

    `line`, if it is a column, is named in the message. Loads up to `least_w` are the clamp's offset
    alone [W].
    """
    who = f" of {circuit}" if circuit else ""
    if not len(pairs):
        raise HouseError(
            f"there are no pairs{who}",
            fix="Read reference and clamp at a steady load at least four times.",
        )
    odd: list[OddPair] = []
    used = []
    for at, row in enumerate(pairs.to_dict("records")):
        line = int(row.get("line", at + 1))
        reference_w, clamp_w = float(row["reference_w"]), float(row["clamp_w"])
        if not np.isfinite([reference_w, clamp_w]).all():
            raise HouseError(
                f"a pair{who} is not made of two numbers",
                line=line,
                fix="Write both readings in watts, or leave the pair out.",
            )
        at_rest = 0 <= reference_w <= max(least_w, 0.0)
        used.append(reference_w > 0 and clamp_w != 0 and not at_rest)
        if not used[-1]:
            why = "was the load on, and the clamp closed" if reference_w > 0 else "a sign"
            odd.append(
                OddPair(
                    reference_w=reference_w,
                    clamp_w=clamp_w,
                    line=line if "line" in row else 0,
                    why="" if at_rest else why,
                    at_rest=at_rest,
                )
            )
    if not any(used):
        raise HouseError(
            f"no pair{who} tells of a multiplier: {odd[0].text}",
            fix="Compare at a load well above the last digit of both and the offset in use.",
        )
    return pairs[used], tuple(odd)


def one_sign(pairs: pd.DataFrame, *, circuit: str = "") -> pd.DataFrame:
    """Refuse readings of both signs, that are more than odd pairs."""
    who = f" of {circuit}" if circuit else ""
    if np.ptp(np.sign(pairs["clamp_w"].to_numpy(dtype=np.float64))):
        raise HouseError(
            f"the clamp{who} reads some loads positive and some negative",
            fix="It was reversed, or put on another leg, between the pairs: compare again.",
        )
    return pairs


def split_odd(
    pairs: pd.DataFrame, *, rounding_w: float = 0.5
) -> tuple[pd.DataFrame, tuple[OddPair, ...]]:
    """Set pairs aside that do not belong with the others.

    Parameters
    ----------
    pairs : pandas.DataFrame
        reference_w, clamp_w [W], and `line` where they come from a file.
    rounding_w : float
        What both displays leave open [W].

    Returns
    -------
    tuple of pandas.DataFrame and tuple of OddPair

    Notes
    -----
    Own method. The pair farthest from a line through the others goes first. It is a slip where
    moving its decimal point, or its sign, brings it to that line; else it is odd where its
    deviation from a line with an offset through the others, with Student's t distribution, would
    come by chance once in a thousand comparisons. The others must outnumber odd pairs by two to
    one.
    """
    odd: list[OddPair] = []
    left = pairs
    most = (len(pairs) - 1) // ODD_SHARE
    if len(pairs) == LEAST_OTHERS + 1:
        most = 1
    while len(odd) < most:
        clamp_w = left["clamp_w"].to_numpy(dtype=np.float64)
        load_w = left["reference_w"].to_numpy(dtype=np.float64)
        at, why = _farthest(clamp_w, load_w, rounding_w)
        if at is None:
            break
        row = left.iloc[at]
        line = int(row["line"]) if "line" in left else 0
        odd.append(
            OddPair(reference_w=float(load_w[at]), clamp_w=float(clamp_w[at]), line=line, why=why)
        )
        left = left.drop(left.index[at])
    return left, tuple(odd)


def _farthest(clamp_w: Values, load_w: Values, rounding_w: float) -> tuple[int | None, str]:
    """Position of the pair that is odd, and why; None where none is."""
    ratio = clamp_w / load_w
    # A pair is judged by the others, so each is left out in turn.
    middle = np.array([float(np.median(np.delete(ratio, i))) for i in range(ratio.size)])
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.where(middle != 0, np.abs(ratio / middle - 1), 0.0)
    for at in np.argsort(-off):
        if off[at] < FAR:
            break
        others = np.delete(ratio, at)
        agree = np.abs(others / middle[at] - 1) < FAR
        if agree.sum() < max(LEAST_OTHERS, 2 * (others.size - agree.sum())):
            continue
        room = NEAR + rounding_w / abs(clamp_w[at])
        for factor, words in SLIPS.items():
            if abs(ratio[at] / factor / middle[at] - 1) < room and _narrow(others, middle[at]):
                return int(at), words
        if _by_chance(clamp_w, load_w, int(at), rounding_w) < BY_CHANCE / ratio.size:
            return int(at), ""
    return None, ""


def _narrow(ratio: Values, middle: float) -> bool:
    return bool(np.median(np.abs(ratio / middle - 1)) < NEAR)


def _by_chance(clamp_w: Values, load_w: Values, at: int, rounding_w: float) -> float:
    """Probability of so large a deviation from a line with offset through the other pairs."""
    others = np.delete(np.arange(load_w.size), at)
    freedom = others.size - 2
    if freedom < 1:
        return 1.0
    u = np.hypot(rounding_w, LEAST_SCATTER * load_w)
    design = np.stack([1 / u, load_w / u], axis=1)
    found, _, rank, _ = np.linalg.lstsq(design[others], (clamp_w / u)[others], rcond=None)
    if rank < 2:
        return 1.0
    residual = (clamp_w / u)[others] - design[others] @ found
    scatter = max(float(residual @ residual) / freedom, 1.0)
    lever = float(design[at] @ np.linalg.pinv(design[others].T @ design[others]) @ design[at])
    off = abs(float(clamp_w[at] / u[at] - design[at] @ found)) / np.sqrt(scatter * (1 + lever))
    return float(2 * stdtr(freedom, -off))
