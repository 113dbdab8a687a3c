"""Local times to UTC across both clock changes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.units import NS_PER_S

_DAY_NS = 86400 * NS_PER_S


@dataclass(frozen=True, slots=True)
class ClockChange:
    """A clock put forward or back: local times [from, till) exist never or twice."""

    from_ns: int
    till_ns: int
    before_ns: int  # offset from UTC before the change
    after_ns: int

    @property
    def back(self) -> bool:
        """Whether the clock is put back, so that the times exist twice."""
        return self.after_ns < self.before_ns


def _offset_ns(utc_s: int, zone: tzinfo) -> int:
    offset = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_s)).astimezone(zone)
    delta = offset.utcoffset()
    return 0 if delta is None else round(delta.total_seconds()) * NS_PER_S


def clock_changes(first_ns: int, last_ns: int, zone: tzinfo) -> tuple[int, list[ClockChange]]:
    """Offset at the beginning and all clock changes near local times [first, last].

    Found by looking at every day and halving: O(days).
    """
    low = first_ns // NS_PER_S - 2 * 86400
    high = last_ns // NS_PER_S + 2 * 86400
    start = offset = _offset_ns(low, zone)
    changes = []
    for day in range(low, high, 86400):
        after = _offset_ns(day + 86400, zone)
        if after == offset:
            continue
        before_s, after_s = day, day + 86400
        while after_s - before_s > 1:
            middle = (before_s + after_s) // 2
            if _offset_ns(middle, zone) == offset:
                before_s = middle
            else:
                after_s = middle
        edges = sorted((after_s * NS_PER_S + offset, after_s * NS_PER_S + after))
        changes.append(ClockChange(edges[0], edges[1], offset, after))
        offset = after
    return start, changes


def local_to_utc(local_ns: NDArray[np.int64], zone: tzinfo) -> NDArray[np.int64]:
    """Instants of local times, the doubtful hour resolved by the order of the rows.

    Parameters
    ----------
    local_ns : numpy.ndarray, shape (n,), int64
        Local clock readings as nanoseconds since 1970-01-01 00:00 on that clock, in the order in
        which one circuit's rows were logged.
    zone : datetime.tzinfo

    Returns
    -------
    numpy.ndarray, shape (n,), int64
        UTC [ns].

    Raises
    ------
    HouseError
        If a time does not exist in the zone, or if the rows do not show whether a time of the
        repeated hour was logged before or after the clock was put back. `line` is then the
        index of the row, for the caller to turn into a place in a file.
    """
    if local_ns.size == 0:
        return local_ns
    start, changes = clock_changes(int(local_ns.min()), int(local_ns.max()), zone)
    offset = np.full(local_ns.size, start, dtype=np.int64)
    for change in changes:
        offset[local_ns >= change.till_ns] = change.after_ns
        doubtful = (local_ns >= change.from_ns) & (local_ns < change.till_ns)
        if not doubtful.any():
            continue
        if not change.back:
            row = int(np.argmax(doubtful))
            raise HouseError(
                f"{_text(local_ns[row])} does not exist in the time zone {zone}: the clock was "
                "put forward then",
                line=row,
                fix="A logger whose clock is never changed keeps a fixed offset; write for "
                f'example time_zone = "{_fixed(change.before_ns)}".',
            )
        offset[doubtful] = _repeated(local_ns, doubtful, change, zone)
    utc: NDArray[np.int64] = local_ns - offset
    return utc


def _repeated(
    local_ns: NDArray[np.int64], doubtful: NDArray[np.bool_], change: ClockChange, zone: tzinfo
) -> NDArray[np.int64]:
    """Offsets of the rows in the hour that the clock showed twice."""
    rows = np.flatnonzero(doubtful)
    steps = np.diff(local_ns[max(rows[0] - 50, 0) : rows[-1] + 50])
    step = int(np.median(steps[steps > 0])) if np.any(steps > 0) else 0
    out = np.empty(rows.size, dtype=np.int64)
    runs = np.split(np.arange(rows.size), np.flatnonzero(np.diff(rows) != 1) + 1)
    for run in runs:
        second = _second_pass(local_ns, rows[run], change, step)
        if second is None:
            row = int(rows[run[0]])
            raise HouseError(
                f"{_text(local_ns[row])} exists twice in the time zone {zone}, and the order of "
                "the rows does not show which of the two is meant",
                line=row,
                fix="If the logger's clock is never changed, write its fixed offset, for example "
                f'time_zone = "{_fixed(change.after_ns)}"; else take these rows out of the log.',
            )
        out[run] = np.where(second, change.after_ns, change.before_ns)
    return out


def _second_pass(
    local_ns: NDArray[np.int64], rows: NDArray[np.intp], change: ClockChange, step_ns: int
) -> NDArray[np.bool_] | None:
    """Which of these neighbouring rows came after the change; None if that cannot be told."""
    width = change.till_ns - change.from_ns
    steps = np.diff(local_ns[rows])
    back = steps <= step_ns - width * 3 // 4
    forward = steps >= max(width * 3 // 4, step_ns * 3 // 2)
    if back.any():
        # A late row may lead back to the first pass for a moment, so jumps both ways are counted.
        forward &= np.cumsum(back) > 0
        level = np.r_[0, np.cumsum(back.astype(int) - forward.astype(int))]
        return level == 1 if level.min() >= 0 and level.max() <= 1 else None
    near = 10 * max(step_ns, NS_PER_S)
    before = local_ns[rows[0] - 1] if rows[0] > 0 else None
    after = local_ns[rows[-1] + 1] if rows[-1] + 1 < local_ns.size else None
    follows = before is not None and 0 <= local_ns[rows[0]] - before <= near
    leads = after is not None and 0 <= after - local_ns[rows[-1]] <= near
    if follows == leads:
        return None
    return np.full(rows.size, leads)


def _text(local_ns: int) -> str:
    return str(np.datetime64(int(local_ns) // NS_PER_S, "s")).replace("T", " ")


def _fixed(offset_ns: int) -> str:
    minutes = offset_ns // NS_PER_S // 60
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def near_change(last_local_ns: int, zone: tzinfo) -> bool:
    """Whether a log cut after this row might part the rows of a repeated hour."""
    _, changes = clock_changes(last_local_ns - _DAY_NS, last_local_ns + _DAY_NS, zone)
    margin = 2 * 3600 * NS_PER_S
    return any(
        change.back and change.from_ns - margin <= last_local_ns <= change.till_ns + margin
        for change in changes
    )
