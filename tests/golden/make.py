"""Freeze the figures: `python -m tests.golden.make` writes all files, or those that are named.

Figures may change only where they were wrong: every one that does is printed.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.golden.figures import FILES
from tests.golden.plain import differences, read, write
from tests.golden.public import public_names

FOLDER = Path(__file__).parent
NAMES = "public_names"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="*", help=f"of {', '.join([*FILES, NAMES])}; default: all")
    for name in parser.parse_args().files or [*FILES, NAMES]:
        began = time.perf_counter()
        if name == NAMES:
            found = public_names()
        else:
            with tempfile.TemporaryDirectory() as folder:
                found = FILES[name](Path(folder))
        path = FOLDER / f"{name}.json"
        changed = list(differences(read(path), found, name)) if path.is_file() else []
        write(path, found)
        took_s = time.perf_counter() - began
        print(f"{name}: {took_s:.1f} s, {len(changed)} changed", *changed, sep="\n  ")  # noqa: T201


if __name__ == "__main__":
    main()
