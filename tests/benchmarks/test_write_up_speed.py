"""The client's edition of the sample house, by reading its logs, in time of cores."""

import os
import sys

import pytest

from .test_findings_speed import BUSY, copied_house, in_words, measured

AIM_TIMES = 3.0  # 20 s where reading and compiling take 6.4 s
# What was written is said on stderr, which `measured` allows nobody.
QUIET = """
import subprocess, sys
sys.exit(subprocess.run(sys.argv[1:], stderr=subprocess.DEVNULL).returncode)
"""


@pytest.mark.slow
@pytest.mark.study
@pytest.mark.skipif(os.name == "nt", reason="measures memory by a POSIX call")
def test_the_clients_edition_by_reading_and_compiling(tmp_path, capsys):
    house, environment, reference = copied_house(tmp_path)
    command = [sys.executable, "-m", "homeenergy.cli"]
    document = tmp_path / "report.pdf"
    before = measured([*command, "findings", str(house)], environment)  # imports and compiles
    references = [measured(reference, environment)]
    writing = [*command, "writeup", str(house), "--out", str(document)]
    done = measured([sys.executable, "-c", QUIET, *writing], environment)
    references.append(measured(reference, environment))
    unit_s = min(one["cores_s"] for one in references)
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            "\nthe client's edition of 21 days of 14 circuits at 1 s as PDF, logs imported, by "
            f"reading them with pandas and compiling a median ({unit_s:.1f} s of cores): "
            f"{in_words('', done, unit_s)}, aim {AIM_TIMES}"
        )
    assert {one["code"] for one in (before, done, *references)} == {0}
    assert document.stat().st_size > 0
    assert done["cores_s"] < 2 * BUSY * AIM_TIMES * unit_s
