"""Plateaus: the piecewise-constant levels of a trace, by penalised least squares."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.atoms import BLOCK, compress, merge_alike
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.cycles.segment.levels import count_levels, smallest_step_w
from homeenergy.readings.trace import Trace, sure_trace
from homeenergy.units import S_PER_DAY

# Noise-free readings still have a noise: this share of the greatest of them.
LEAST_NOISE_SHARE = 1e-4
# Coarse atoms part where Ward's criterion exceeds this share of the penalty.
ATOM_SHARE = 0.3
COARSE_SHARE, FINE_SHARE = 0.35, 0.08
# A change of d watts cannot be placed better than to a few penalty / d² samples: so far about each
# coarse change, single samples are searched again.
WINDOW_PENALTIES = 3.0
LEAST_WINDOW_N, GREATEST_WINDOW_N = 2, 32
LONG_GAP_S = 60.0

Chunks = Trace | pd.Series | Iterable[Trace]
Block = tuple[int, NDArray[np.float32]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class Plateaus:
    """Consecutive stretches of constant level, as arrays of one entry a plateau.

    `usual_w` is the level at or below which the trace is for half of the time [W].
    `first` and `stop` number samples of the trace (half-open); `sum_w` and `n` cover the samples
    that are there, so `n < stop - first` where some are missing. `hole_follows` says whether a gap
    in the data lies between each plateau and the next, shape (m - 1,).
    """

    start: pd.Timestamp
    period_s: float
    length: int
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    n: NDArray[np.int64]
    sum_w: NDArray[np.float64]
    mean_w: NDArray[np.float64]
    std_w: NDArray[np.float64]
    least_w: NDArray[np.float64]
    greatest_w: NDArray[np.float64]
    usual_w: float
    settings: dict[str, Any]
    hole_follows: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        long_n = self.settings["long_gap_s"] / self.period_s
        object.__setattr__(self, "hole_follows", self.first[1:] - self.stop[:-1] > long_n)

    def __len__(self) -> int:
        return self.first.size

    def instants(self, index: NDArray[np.int64]) -> pd.DatetimeIndex:
        """UTC instants at which the samples `index` begin."""
        ns = self.start.value + np.asarray(index) * round(self.period_s * 1e9)
        return pd.DatetimeIndex(ns.astype(np.int64).view("M8[ns]")).tz_localize("UTC")

    def turned(self) -> Plateaus:
        """The plateaus of the same trace with its sign turned."""
        return replace(
            self,
            sum_w=-self.sum_w,
            mean_w=-self.mean_w,
            least_w=-self.greatest_w,
            greatest_w=-self.least_w,
            usual_w=-self.usual_w,
            settings=self.settings | {"backwards": not self.settings["backwards"]},
        )

    def numbers(self, instants: pd.Series) -> NDArray[np.int64]:
        """Numbers of the samples that begin at UTC instants; undoes `instants`."""
        ns = pd.DatetimeIndex(instants).as_unit("ns").asi8 - self.start.value
        return ns // round(self.period_s * 1e9)

    def to_frame(self) -> pd.DataFrame:
        """Columns start, end, mean_w, std_w, n; one row a plateau."""
        return pd.DataFrame(
            {
                "start": self.instants(self.first),
                "end": self.instants(self.stop),
                "mean_w": self.mean_w,
                "std_w": self.std_w,
                "n": self.n,
            }
        )


def find_plateaus(
    trace: Chunks,
    *,
    penalty_w2: float | None = None,
    noise_w: float | None = None,
    min_length_s: float | None = None,
    long_gap_s: float | None = None,
) -> pd.DataFrame:
    """Split a trace into its piecewise-constant levels.

    Parameters
    ----------
    trace : Trace, pandas.Series of watts, or a list of consecutive Traces (months)
        What is split, shape (n,) [W]. Given in pieces or whole, the answer is the same.
    penalty_w2 : float, optional
        What one more change must save in the sum of squares [W²]. Default: see Notes.
    noise_w : float, optional
        Standard deviation of one sample about its level [W]. Default: from the differences of
        neighbouring samples (median absolute difference), at idle or at work, the larger.
    min_length_s : float, optional
        Least length of a plateau [s]. Default: one sample.
    long_gap_s : float, optional
        A plateau may go on across a gap of at most this length [s]; it then counts fewer samples
        than its length. Default: one minute, or three samples if that is longer.

    Returns
    -------
    pandas.DataFrame
        One row a plateau: start, end (UTC, half-open), mean_w, std_w, n (samples that are there).

    Raises
    ------
    ValueError
        If a setting is not positive, or pieces do not follow one another on one grid.

    Notes
    -----
    Minimises the sum of squares about the levels plus a penalty for each change. The default
    penalty is 3 sigma² ln(n), the leading term of the modified Bayes information criterion for
    changes of a mean in normal noise (Zhang & Siegmund 2007), with n the samples of a day (or of
    the trace, if shorter), so that a longer log does not change what is found on any of its days.

    One pass compresses the trace to atoms (O(n)); the pruned exact search of Killick, Fearnhead &
    Eckley 2012 then runs on the atoms. Memory beyond the trace: 56 bytes an atom.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from homeenergy import Trace, find_plateaus
    >>> watts = np.full(1440, 2.0)  # a day in minutes: 2 W, and two boils
    >>> watts[480:486] = watts[780:789] = 1800.0
    >>> start = pd.Timestamp("2026-03-02T00:00Z")
    >>> kettle = Trace(label="Kettle", start=start, period_s=60, watts=watts)
    >>> find_plateaus(kettle)[["mean_w", "n"]]
       mean_w    n
    0     2.0  480
    1  1800.0    6
    2     2.0  294
    3  1800.0    9
    4     2.0  651
    """
    return segment(
        trace,
        penalty_w2=penalty_w2,
        noise_w=noise_w,
        min_length_s=min_length_s,
        long_gap_s=long_gap_s,
    ).to_frame()


def segment(
    trace: Chunks,
    *,
    penalty_w2: float | None = None,
    noise_w: float | None = None,
    min_length_s: float | None = None,
    long_gap_s: float | None = None,
    fine: bool = True,
    corrections: Sequence[tuple[float, float]] = ((1.0, 0.0),),
) -> Plateaus:
    """As `find_plateaus`, with the result as arrays; for `corrections` see `smallest_step_w`.

    Without `fine` the search runs on coarse atoms only: the steps at which runs begin and end are
    placed as well, slopes are cut a little worse, in half the time.
    """
    for name, value in {
        "penalty_w2": penalty_w2,
        "noise_w": noise_w,
        "min_length_s": min_length_s,
        "long_gap_s": long_gap_s,
    }.items():
        if value is not None and not value > 0:
            raise ValueError(f"{name} must be positive, got {value!r}")
    pieces = consecutive(trace)
    start, period_s = pieces[0].start, pieces[0].period_s
    counts = count_levels(piece.watts for piece in pieces)
    step_w = smallest_step_w([piece.watts for piece in pieces], corrections=corrections)
    if noise_w is None:
        # Rounding is noise too (JCGM 100:2008, F.2.2.1); and without noise each change is real.
        least_w = max(step_w / np.sqrt(12), LEAST_NOISE_SHARE * counts.greatest_w, 1e-9)
        noise_w = max(counts.noise_w(), least_w)
    if penalty_w2 is None:
        n = min(counts.n, S_PER_DAY / period_s) if period_s < S_PER_DAY / 100 else counts.n
        penalty_w2 = 3 * noise_w**2 * float(np.log(max(n, 2)))
    if long_gap_s is None:
        long_gap_s = max(LONG_GAP_S, 3 * period_s)
    min_n = max(1, round((min_length_s or 0.0) / period_s))
    settings: dict[str, Any] = {
        "backwards": False,
        "step_w": step_w,
        "noise_w": float(noise_w),
        "penalty_w2": float(penalty_w2),
        "min_length_s": min_n * period_s,
        "long_gap_s": float(long_gap_s),
    }
    long_gap_n = max(1, int(long_gap_s / period_s))
    atoms = _compressed(pieces, penalty_w2, long_gap_n)
    if fine:
        atoms = _opened(pieces, atoms, penalty_w2, long_gap_n)
    rows = _optimum(atoms, penalty_w2, min_n, long_gap_n)
    count, total = rows[:, 2].copy(), rows[:, 3].copy()
    mean = total / count
    return Plateaus(
        start=start,
        period_s=period_s,
        length=sum(len(piece) for piece in pieces),
        first=rows[:, 0].astype(np.int64),
        stop=rows[:, 1].astype(np.int64),
        n=count.astype(np.int64),
        sum_w=total,
        mean_w=mean,
        std_w=np.sqrt(np.maximum(rows[:, 4] / count - mean**2, 0.0)),
        least_w=rows[:, 5].copy(),
        greatest_w=rows[:, 6].copy(),
        usual_w=weighted_quantile(mean, count, count.sum() / 2),
        settings=settings,
    )


def some(plateaus: Plateaus, which: Any) -> Plateaus:
    """Some of the plateaus; between them is then a hole."""
    names = ("first", "stop", "n", "sum_w", "mean_w", "std_w", "least_w", "greatest_w")
    return replace(plateaus, **{name: getattr(plateaus, name)[which] for name in names})


def within(first: NDArray[np.int64], stop: NDArray[np.int64], number: int) -> NDArray[np.bool_]:
    """Which of `number` plateaus lie in one of the stretches [first, stop)."""
    marks = np.zeros(number + 1, np.int64)
    np.add.at(marks, first, 1)
    np.add.at(marks, stop, -1)
    return np.asarray(np.cumsum(marks)[:-1] > 0)


def consecutive(trace: Chunks) -> list[Trace]:
    """The pieces of a trace, checked to follow one another on one grid; gaps become missing."""
    if isinstance(trace, (Trace, pd.Series)):
        return [sure_trace(trace)]
    given = [sure_trace(piece) for piece in trace]
    if not given:
        raise ValueError("no trace given: the list of pieces is empty")
    pieces = given[:1]
    for after in given[1:]:
        before = pieces[-1]
        hole_n, off_ns = divmod((after.start - before.end).value, before.period_ns)
        if after.period_s != before.period_s or off_ns or hole_n < 0:
            raise ValueError(
                f"pieces of {before.label!r} do not follow one another: one ends {before.end} with "
                f"{before.period_s:g} s, the next starts {after.start} with {after.period_s:g} s"
            )
        if hole_n:
            missing = np.broadcast_to(np.float32(np.nan), hole_n)
            pieces.append(replace(before, start=before.end, watts=missing))
        pieces.append(after)
    return pieces


def _compressed(pieces: list[Trace], penalty_w2: float, long_gap_n: int) -> NDArray[np.float64]:
    """Coarse atoms of the whole trace, shape (m, 7) as `atoms.compress` writes them."""

    def one(block: Block) -> NDArray[np.float64]:
        origin, watts = block
        rows = np.empty((watts.size, 7))
        made = compress(watts, origin, ATOM_SHARE * penalty_w2, rows)
        made = merge_alike(rows, made, COARSE_SHARE * penalty_w2, long_gap_n)
        return rows[:made].copy()

    return _of_blocks(one, pieces)


def _opened(
    pieces: list[Trace], coarse: NDArray[np.float64], penalty_w2: float, long_gap_n: int
) -> NDArray[np.float64]:
    """Atoms with single samples about each coarse change, and one for the quiet between two."""
    step_w = np.diff(coarse[:, 3] / coarse[:, 2])
    with np.errstate(divide="ignore"):
        reach = np.clip(
            WINDOW_PENALTIES * penalty_w2 / step_w**2, LEAST_WINDOW_N, GREATEST_WINDOW_N
        ).astype(np.int64)
    change = coarse[1:, 0].astype(np.int64)
    # Windows that reach into one another are one.
    to = np.maximum.accumulate(change + reach)
    apart = change[1:] - reach[1:] > to[:-1]
    from_ = (change - reach)[np.r_[True, apart][: change.size]]
    to = to[np.r_[apart, True][-change.size :]] if change.size else to

    def one(block: Block) -> NDArray[np.float64]:
        origin, watts = block
        rows = np.empty((watts.size, 7))
        made = kernels.open_windows(watts, origin, from_, to, rows)
        made = merge_alike(rows, made, FINE_SHARE * penalty_w2, long_gap_n)
        return rows[:made].copy()

    return _of_blocks(one, pieces)


def _of_blocks(
    one: Callable[[Block], NDArray[np.float64]], pieces: list[Trace]
) -> NDArray[np.float64]:
    """Atoms of all blocks in order; the kernels let go of the interpreter, so two run at once."""
    with ThreadPoolExecutor(max_workers=2) as pool:
        return np.concatenate([np.empty((0, 7)), *pool.map(one, _blocks(pieces))])


def _optimum(
    atoms: NDArray[np.float64], penalty_w2: float, min_n: int, long_gap_n: int
) -> NDArray[np.float64]:
    """Optimal plateaus, each stretch between long gaps on its own; rows as those of atoms."""
    gap = atoms[1:, 0] - atoms[:-1, 1]
    rows, made = np.empty_like(atoms), 0
    for stretch in np.split(atoms, np.flatnonzero(gap > long_gap_n) + 1):
        ends = kernels.optimal_changes(
            stretch[:, 2], stretch[:, 3], stretch[:, 4], penalty_w2, min_n
        )
        kernels.join_atoms(stretch, ends, rows[made:])
        made += ends.size
    return rows[:made]


def _blocks(pieces: list[Trace]) -> Iterator[Block]:
    """Consecutive blocks of BLOCK samples with the number of their first sample."""
    origin = 0
    rest: NDArray[np.float32] = np.empty(0, np.float32)
    for piece in pieces:
        watts = np.concatenate((rest, piece.watts)) if rest.size else piece.watts
        whole = watts.size - watts.size % BLOCK
        for i in range(0, whole, BLOCK):
            yield origin + i, np.ascontiguousarray(watts[i : i + BLOCK])
        origin += whole
        rest = watts[whole:]
    if rest.size:
        yield origin, np.ascontiguousarray(rest)
