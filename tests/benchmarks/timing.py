"""Times of pieces of work, for ratios within one run: the machine may be slow, or busy."""

import subprocess
import sys
import time
from functools import partial

LEAST_ROUNDS = 2


def once_s(work, *, clock=time.perf_counter):
    """Time that the work takes [s]."""
    begun = clock()
    work()
    return clock() - begun


def best_s(work, *, times=3):
    """Least of several times that the work takes [s]: other programs only make it longer."""
    return min(once_s(work) for _ in range(times))


def by_turns(work, reference, *, aim, rounds=8, clock=time.perf_counter, before=lambda: None):
    """Least times of the work and of what it is measured by [s]; `before` the work is not timed.

    They are taken in turns, so that other programs disturb both; and again, for at most `rounds`
    rounds, until the work takes at most `aim` times what the reference takes.
    """
    work_s = reference_s = float("inf")
    for number in range(rounds):
        reference_s = min(reference_s, once_s(reference, clock=clock))
        before()
        work_s = min(work_s, once_s(work, clock=clock))
        if number + 1 >= LEAST_ROUNDS and work_s <= aim * reference_s:
            break
    return work_s, reference_s


COUNTING = "for n in range({}): pass"
COUNTS = 20_000_000


def count_in(processes):
    """Count in so many processes of Python at once, all of them together as far as one would."""
    code = COUNTING.format(COUNTS // processes)
    running = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(processes)]
    assert [process.wait() for process in running] == [0] * processes


def share_on_two(on_one, on_two, *, aim, most_above, rounds=6):
    """What work takes on two cores by what it takes on one, and the same of plain counting.

    Both ways of working return how long they took [s]. Where other programs use a core, counting
    in two processes shows what two cores are worth now. Rounds end when the work's share is at most
    `aim`, or `most_above` more than counting's.
    """
    least = dict.fromkeys(("one", "two", "count one", "count two"), float("inf"))
    works = (
        on_one,
        on_two,
        partial(once_s, lambda: count_in(1)),
        partial(once_s, lambda: count_in(2)),
    )
    for _ in range(rounds):
        for name, work in zip(least, works, strict=True):
            least[name] = min(least[name], work())
        share, counted = least["two"] / least["one"], least["count two"] / least["count one"]
        if share <= aim or share <= counted + most_above:
            break
    return share, counted
