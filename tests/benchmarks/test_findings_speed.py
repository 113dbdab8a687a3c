"""`homeenergy findings` on the sample house for the first time: no store, nothing compiled."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_data" / "orchard_house"
LIMIT_S, LIMIT_BYTES = 20.0, 2**30

# One child runs the command and tells how long it took and how much memory its own child held.
MEASURE = """
import json, resource, subprocess, sys, time
begun = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
took_s = time.perf_counter() - begun
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
peak_bytes = peak if sys.platform == "darwin" else peak * 1024
print(json.dumps({"code": done.returncode, "took_s": took_s, "peak_bytes": peak_bytes}))
"""


def measured(command, environment):
    # Two cores, where the system lets a process be bound to some.
    can_bind = hasattr(os, "sched_setaffinity")
    cores = sorted(os.sched_getaffinity(0))[:2] if can_bind else []
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, *command],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
        preexec_fn=(lambda: os.sched_setaffinity(0, cores)) if can_bind else None,
    )
    assert done.stderr == ""
    return json.loads(done.stdout)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="measures memory by a POSIX call")
def test_first_findings_within_twenty_seconds_and_a_gibibyte(tmp_path, capsys):
    house = tmp_path / "orchard_house"
    shutil.copytree(SAMPLE, house, ignore=shutil.ignore_patterns("store"))
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "compiled")}
    command = [sys.executable, "-m", "homeenergy.cli", "findings", str(house)]
    begun = time.perf_counter()
    first = measured(command, environment)
    assert first["took_s"] <= time.perf_counter() - begun
    again = measured(command, environment)
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            f"\nfindings of 21 days of 14 circuits at 1 s: first run {first['took_s']:.1f} s, "
            f"{first['peak_bytes'] / 2**20:.0f} MiB; with nothing new {again['took_s']:.1f} s, "
            f"{again['peak_bytes'] / 2**20:.0f} MiB"
        )
    assert (first["code"], again["code"]) == (0, 0)
    assert (house / "store").is_dir()
    assert list((tmp_path / "compiled").rglob("*.nbi")), "the first run compiled nothing"
    assert first["took_s"] < LIMIT_S
    assert max(first["peak_bytes"], again["peak_bytes"]) < LIMIT_BYTES
