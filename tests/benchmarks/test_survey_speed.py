"""A survey on two processes against the same on one.

Run with HOMEENERGY_HOUSES=100 for as many houses; what is compared is a ratio.
"""

import os
import time

import psutil
import pytest

from homeenergy.findings.many.survey import find_houses, survey_houses
from homeenergy.simulate import write_street

HOUSES = int(os.environ.get("HOMEENERGY_HOUSES", "40"))
AIM, CEILING = 0.6, 0.95  # with few houses the start of the processes counts
MOST_BYTES = 2**30  # of one process


@pytest.mark.slow
@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="needs two cores")
def test_two_processes_share_the_work(tmp_path, capsys):
    write_street(tmp_path, houses=HOUSES, days=14)
    houses = find_houses(tmp_path)
    survey_houses(houses, workers=2)  # logs imported and kernels compiled
    took_s, greatest = {}, 0

    def watch(*_):
        nonlocal greatest
        for child in psutil.Process().children():
            try:
                greatest = max(greatest, child.memory_info().rss)
            except psutil.NoSuchProcess:
                continue

    for workers in (1, 2):
        begun = time.perf_counter()
        survey = survey_houses(houses, workers=workers, progress=watch)
        took_s[workers] = time.perf_counter() - begun
        assert survey.table["house"].nunique() == HOUSES
    ratio = took_s[2] / took_s[1]
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            f"\nsurvey of {HOUSES} house-fortnights at 60 s: one process {took_s[1]:.1f} s, two "
            f"{took_s[2]:.1f} s, ratio {ratio:.2f} (aim {AIM}); {greatest / 2**20:.0f} MiB each"
        )
    assert ratio < CEILING
    assert greatest < MOST_BYTES
