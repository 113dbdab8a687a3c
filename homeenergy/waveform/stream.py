"""Hours of samples, chunk by chunk, to volts, amps, watts, volt-amperes and var of every second."""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numba
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.readings import Trace
from homeenergy.waveform.align import aligned_chunks
from homeenergy.waveform.samples import Samples, checked_rate

Values = NDArray[np.float64]
# Sums may be reordered, so that several samples are taken at once; NaN stay NaN.
_compile = numba.njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})


@_compile
def add_products(sums: Values, v: Values, i: Values) -> None:
    """Add sums of v i, v v, i i and the number of samples to `sums`, shape (4,)."""
    vi, vv, ii = 0.0, 0.0, 0.0
    for k in range(v.size):
        vi += v[k] * i[k]
        vv += v[k] * v[k]
        ii += i[k] * i[k]
    sums[0] += vi
    sums[1] += vv
    sums[2] += ii
    sums[3] += v.size


@_compile
def add_shared(
    now: Values, later: Values, v: Values, i: Values, first_share: float, step: float
) -> None:
    """Share samples between two periods: sample k gives `first_share + k step` to the later one."""
    vi, vv, ii = 0.0, 0.0, 0.0
    later_vi, later_vv, later_ii, shares = 0.0, 0.0, 0.0, 0.0
    for k in range(v.size):
        share = min(max(first_share + k * step, 0.0), 1.0)
        vi += v[k] * i[k]
        vv += v[k] * v[k]
        ii += i[k] * i[k]
        later_vi += share * v[k] * i[k]
        later_vv += share * v[k] * v[k]
        later_ii += share * i[k] * i[k]
        shares += share
    later[0] += later_vi
    later[1] += later_vv
    later[2] += later_ii
    later[3] += shares
    now[0] += vi - later_vi
    now[1] += vv - later_vv
    now[2] += ii - later_ii
    now[3] += v.size - shares


LEAST_PERIOD_CYCLES = 2
Pair = tuple[ArrayLike, ArrayLike]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreamedPower:
    """Traces of one circuit on one grid; each trace's `watts` hold the quantity its name says.

    Attributes
    ----------
    real_w, apparent_va, nonactive_var : Trace
        P, S = V I and sqrt(S^2 - P^2) of each period. Nonactive power is reactive only where
        neither volts nor amps are distorted.
    volts_v, amps_a : Trace
        RMS of each period.
    """

    real_w: Trace
    apparent_va: Trace
    nonactive_var: Trace
    volts_v: Trace
    amps_a: Trace

    def to_frame(self) -> pd.DataFrame:
        """One row a period, on a UTC index."""
        names = ("real_w", "apparent_va", "nonactive_var", "volts_v", "amps_a")
        columns = {name: getattr(self, name).watts for name in names}
        return pd.DataFrame(columns, index=self.real_w.times())


def stream_power(
    chunks: Iterable[Pair],
    *,
    sample_rate_hz: float,
    start: pd.Timestamp | str,
    label: str = "samples",
    period_s: float = 1.0,
    frequency_hz: float = 60.0,
    volts_per_unit: float = 1.0,
    amps_per_unit: float = 1.0,
    skew_s: float = 0.0,
) -> StreamedPower:
    """Power of every second from a stream of samples.

    Parameters
    ----------
    chunks : iterable of (volts, amps)
        Arrays of one length each, of any length, following one another without a gap. Samples
        that are NaN make their period NaN.
    sample_rate_hz : float
        Samples of each channel a second [Hz]; need not be whole.
    start : timestamp or text
        Instant of the first sample, with its time zone.
    label : str
    period_s : float
        Length of a period of the result [s].
    frequency_hz : float
        Nominal line frequency [Hz].
    volts_per_unit, amps_per_unit : float
        What one unit of the samples is, for the numbers of a converter as they are. Their zero
        must have been taken off. A clamp's ratio error belongs here.
    skew_s : float
        By how much later the amps are sampled than the volts [s]; a phase error of d minutes
        that leads is a further d / (60 x 360 x frequency).

    Returns
    -------
    StreamedPower
        A last period that is not whole is left out.

    Raises
    ------
    ValueError
        Chunks of unequal lengths, no voltage in all of the stream, fewer samples than one period,
        too low a sample rate.

    Notes
    -----
    A period rarely holds whole cycles. Its border is therefore a ramp one nominal cycle long, over
    which samples pass from one period to the next; this is a running mean over a cycle, with a zero
    at every harmonic. Every sample counts once in all, so energy is kept. Only the first and the
    last border are sharp. O(n) time; memory for one chunk and 20 bytes a period.
    """
    columns = [array("f") for _ in range(5)]
    seen_v = 0.0
    rows = iter_power(
        chunks,
        sample_rate_hz=sample_rate_hz,
        period_s=period_s,
        frequency_hz=frequency_hz,
        skew_s=skew_s,
    )
    for real, volts, amps in rows:
        v, i = volts * abs(volts_per_unit), amps * abs(amps_per_unit)
        w = real * volts_per_unit * amps_per_unit
        s = v * i
        q = math.sqrt(max(s * s - w * w, 0.0)) if s == s and w == w else math.nan
        for column, value in zip(columns, (w, s, q, v, i), strict=True):
            column.append(value)
        seen_v = max(seen_v, v) if v == v else seen_v
    if not columns[0]:
        raise ValueError(f"the stream is shorter than one period of {period_s:g} s")
    if seen_v == 0 and not all(math.isnan(v) for v in columns[3]):
        raise ValueError("no voltage in the whole stream; check the voltage sensor and its channel")
    first = pd.Timestamp(start)
    kinds = ("real power (W)", "apparent power (VA)", "nonactive power (var)", "volts (V)")
    traces = [
        Trace(label=f"{label}: {kind}", start=first, period_s=period_s, watts=np.array(column))
        for kind, column in zip((*kinds, "amps (A)"), columns, strict=True)
    ]
    return StreamedPower(
        real_w=traces[0],
        apparent_va=traces[1],
        nonactive_var=traces[2],
        volts_v=traces[3],
        amps_a=traces[4],
    )


def iter_power(
    chunks: Iterable[Pair],
    *,
    sample_rate_hz: float,
    period_s: float = 1.0,
    frequency_hz: float = 60.0,
    skew_s: float = 0.0,
) -> Iterator[tuple[float, float, float]]:
    """Mean of volts times amps, rms volts and rms amps of every period, as it is complete.

    Parameters are those of `stream_power`; for streams without an end. Memory: one chunk.
    """
    rate = checked_rate(sample_rate_hz, frequency_hz=frequency_hz)
    ramp = rate / frequency_hz
    period = period_s * rate
    if period < LEAST_PERIOD_CYCLES * ramp:
        raise ValueError(
            f"a period of {period_s:g} s is shorter than {LEAST_PERIOD_CYCLES} cycles of "
            f"{frequency_hz:g} Hz; use a longer one"
        )
    if skew_s:
        chunks = aligned_chunks(chunks, sample_rate_hz=rate, skew_s=skew_s)
    # Sums of v i, v v, i i and the weights, of the period in progress and of the one after it.
    now, later = np.zeros(4), np.zeros(4)
    index, done = 0, 0  # the period in progress, and samples that have been counted
    for volts, amps in chunks:
        v, i = _as_chunk(volts), _as_chunk(amps)
        if v.size != i.size:
            raise ValueError(f"a chunk holds {v.size} samples of volts but {i.size} of amps")
        at = 0
        while at < v.size:
            border = (index + 1) * period
            begins, ends = math.ceil(border - ramp / 2), math.ceil(border + ramp / 2)
            if done < begins:
                stop = min(at + begins - done, v.size)
                add_products(now, v[at:stop], i[at:stop])
            else:
                stop = min(at + ends - done, v.size)
                share = (done - border) / ramp + 0.5
                add_shared(now, later, v[at:stop], i[at:stop], share, 1.0 / ramp)
            done += stop - at
            at = stop
            if done >= ends:
                yield _mean(now)
                now, later, index = later, np.zeros(4), index + 1
    # The last period is whole, though no samples follow it to make its border a ramp.
    if done >= (index + 1) * period:
        yield _mean(now)


def _as_chunk(samples: ArrayLike) -> Samples:
    x = np.asarray(samples)
    if x.ndim != 1:
        raise ValueError(f"a chunk must have one dimension, got shape {x.shape}")
    return np.ascontiguousarray(x, dtype=np.float64)


def _mean(sums: Samples) -> tuple[float, float, float]:
    vi, vv, ii, weight = (float(value) for value in sums)
    return vi / weight, math.sqrt(max(vv / weight, 0.0)), math.sqrt(max(ii / weight, 0.0))
