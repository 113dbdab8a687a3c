"""All checks and tests that guard a change: `python -m tests`; the long studies: `... studies`.

Every part runs, whatever an earlier one found, and a table of the parts ends it. What follows the
name of a single part goes to its program: `python -m tests tests -k kettle`.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

from .browser import found_browser

ROOT = Path(__file__).parents[1]
PYTEST = ("pytest", "-q")
# One more than there are cores: that with the browser mostly waits for it.
WORKERS = (os.cpu_count() or 1) + 1
ON_ALL_CORES = ("-n", f"{WORKERS}", "--dist", "loadfile", "--no-loadscope-reorder")
NOTEBOOKS = ("--nbval-lax", "--nbval-current-env", "notebooks")
# In a browser some are run as people see them; all of them in the studies.
WITHOUT_BROWSER = () if found_browser() else NOTEBOOKS
PARTS: dict[str, tuple[tuple[str, ...], ...]] = {
    "checks": (
        ("ruff", "check", "."),
        ("ruff", "format", "--check", "."),
        ("lint-imports",),
        ("mypy",),
    ),
    # Rooms, notebooks and pages in a browser.
    "tests": (
        (*PYTEST, *ON_ALL_CORES, "-m", "not alone and not study", "tests", *WITHOUT_BROWSER),
    ),
    # Ratios of times mean something only where nothing else of ours runs.
    "benchmarks": ((*PYTEST, "-m", "alone and not study", "tests/benchmarks"),),
    "studies": (
        (*PYTEST, *ON_ALL_CORES, "-m", "study and not alone", "tests"),
        (*PYTEST, "-m", "study and alone", "tests/benchmarks"),
        (*PYTEST, *ON_ALL_CORES, *NOTEBOOKS),
    ),
}
GUARDING = ("checks", "tests", "benchmarks")


def run(command: tuple[str, ...]) -> tuple[int, float, float]:
    """Run a program of this environment; give its exit code, and clock and core time [s]."""
    program, *given = command
    print("+", *command, flush=True)
    # Each worker, command and kernel would compile the whole package again.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    begun, used = time.perf_counter(), os.times()
    code = subprocess.run(
        [Path(sys.executable).parent / program, *given], cwd=ROOT, env=environment
    ).returncode
    after = os.times()
    cores_s = after.children_user + after.children_system
    cores_s -= used.children_user + used.children_system
    return code, time.perf_counter() - begun, cores_s


def main(arguments: list[str]) -> int:
    """Run the parts that are named, or those that guard a change."""
    name, *more = arguments or [""]
    if name and name not in PARTS:
        print(f"no part is called {name!r}; there are: {', '.join(PARTS)}")
        return 2
    commands = [command for part in ([name] if name else GUARDING) for command in PARTS[part]]
    rows = [(command, *run((*command, *more))) for command in commands]
    print()
    for command, code, clock_s, cores_s in rows:
        verdict = "passed" if code == 0 else f"FAILED ({code})"
        print(f"{verdict:<12} {clock_s:6.0f} s, of cores {cores_s:6.0f} s   {' '.join(command)}")
    print(f"{sum(row[2] for row in rows):19.0f} s, of cores {sum(row[3] for row in rows):6.0f} s")
    return int(any(row[1] for row in rows))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
