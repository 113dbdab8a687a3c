"""Time of a piece of work, for ratios within one run."""

import time


def best_s(work, *, times=3):
    """Least of several times that the work takes [s]: other programs only make it longer."""
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        took.append(time.perf_counter() - begun)
    return min(took)
