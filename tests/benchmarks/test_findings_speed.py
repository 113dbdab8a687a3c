"""`homeenergy findings` on the sample house for the first time: no store, nothing compiled.

Its measure is what this machine needs to read the same logs with pandas and to compile NumPy's
median; both in time of cores, which other programs lengthen little.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_data" / "orchard_house"
AIM_TIMES, AIM_TIMES_AGAIN, LIMIT_BYTES = 6.5, 1.6, 2**30
BUSY = 1.6  # times the aims, which also holds on a busy machine

# One child runs the command, and says how long and how much memory its own child needed.
MEASURE = """
import json, resource, subprocess, sys, time
begun = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
clock_s = time.perf_counter() - begun
used = resource.getrusage(resource.RUSAGE_CHILDREN)
peak_bytes = used.ru_maxrss if sys.platform == "darwin" else used.ru_maxrss * 1024
print(json.dumps({"code": done.returncode, "clock_s": clock_s, "peak_bytes": peak_bytes,
                  "cores_s": used.ru_utime + used.ru_stime}))
"""
REFERENCE = """
import sys
from pathlib import Path
import numba, numpy as np, pandas as pd
for path in sorted(Path(sys.argv[1]).iterdir()):
    pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
assert numba.njit(lambda x: (np.median(x), np.sort(x)[0]))(np.ones(3)) == (1.0, 1.0)
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


def copied_house(folder):
    """The sample house without a store, nothing compiled for it, and what to measure by."""
    house = folder / "orchard_house"
    shutil.copytree(SAMPLE, house, ignore=shutil.ignore_patterns("store"))
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "compiled")}
    return house, environment, [sys.executable, "-c", REFERENCE, str(house / "logs")]


def in_words(what, run, unit_s):
    times, mib = run["cores_s"] / unit_s, run["peak_bytes"] / 2**20
    return f"{what} {times:.1f} times ({run['clock_s']:.1f} s by the clock), {mib:.0f} MiB"


@pytest.mark.slow
@pytest.mark.study  # nothing but compiling takes a minute of it
@pytest.mark.skipif(os.name == "nt", reason="measures memory by a POSIX call")
def test_first_findings_by_reading_and_compiling_and_within_a_gibibyte(tmp_path, capsys):
    house, environment, reference = copied_house(tmp_path)
    command = [sys.executable, "-m", "homeenergy.cli", "findings", str(house)]
    references = [measured(reference, environment)]
    first = measured(command, environment)
    references.append(measured(reference, environment))
    again = measured(command, environment)
    unit_s = min(one["cores_s"] for one in references)
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            "\nfindings of 21 days of 14 circuits at 1 s, by reading them with pandas and "
            f"compiling a median ({unit_s:.1f} s of cores): "
            f"{in_words('first run', first, unit_s)}, aim {AIM_TIMES}; "
            f"{in_words('nothing new', again, unit_s)}, aim {AIM_TIMES_AGAIN}"
        )
    assert {one["code"] for one in (first, again, *references)} == {0}
    assert (house / "store").is_dir()
    assert list((tmp_path / "compiled").rglob("*.nbi")), "the first run compiled nothing"
    assert first["cores_s"] < BUSY * AIM_TIMES * unit_s
    assert again["cores_s"] < BUSY * AIM_TIMES_AGAIN * unit_s
    assert max(first["peak_bytes"], again["peak_bytes"]) < LIMIT_BYTES
