"""A survey on two processes against the same on one.

Run with HOMEENERGY_HOUSES=100 for as many houses; what is compared is a ratio.
"""

import os

import psutil
import pytest

from homeenergy.findings.many import find_houses, survey_houses
from homeenergy.simulate import write_street

from .timing import once_s, share_on_two

HOUSES = int(os.environ.get("HOMEENERGY_HOUSES", "40"))
AIM, ABOVE = 0.6, 0.45  # with few houses the start of the processes counts
MOST_BYTES = 2**30  # of one process


@pytest.mark.slow
@pytest.mark.study
@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="needs two cores")
def test_two_processes_share_the_work(tmp_path, capsys):
    write_street(tmp_path, houses=HOUSES, days=14)
    houses = find_houses(tmp_path)
    survey_houses(houses, workers=2)  # logs imported and kernels compiled
    greatest = 0

    def watch(*_):
        nonlocal greatest
        for child in psutil.Process().children():
            try:
                greatest = max(greatest, child.memory_info().rss)
            except psutil.NoSuchProcess:
                continue

    def survey(workers):
        found = survey_houses(houses, workers=workers, progress=watch)
        assert found.table["house"].nunique() == HOUSES

    share, counting = share_on_two(
        lambda: once_s(lambda: survey(1)),
        lambda: once_s(lambda: survey(2)),
        aim=AIM,
        most_above=ABOVE,
    )
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            f"\nsurvey of {HOUSES} house-fortnights at 60 s: two processes by one {share:.2f} (aim "
            f"{AIM}), of plain counting {counting:.2f}; {greatest / 2**20:.0f} MiB each"
        )
    assert share <= max(AIM, counting + ABOVE)
    assert greatest < MOST_BYTES
