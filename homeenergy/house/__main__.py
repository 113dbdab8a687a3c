"""Write what documents house.toml: `python -m homeenergy.house shared`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from homeenergy.house.reference import write_documents


def main(arguments: list[str] | None = None) -> int:
    """Write the reference of house.toml and the starter house from the declared keys."""
    parser = argparse.ArgumentParser(prog="python -m homeenergy.house", description=__doc__)
    parser.add_argument("folder", type=Path, help="the repository's shared")
    for path in write_documents(parser.parse_args(arguments).folder):
        sys.stdout.write(f"{path}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
