"""Make the sample houses: `python -m homeenergy.simulate sample_data [--only NAME]`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from homeenergy.simulate.houses.samples import write_canal_flat, write_orchard_house

HOUSES = {"orchard_house": write_orchard_house, "canal_flat": write_canal_flat}


def main(arguments: list[str] | None = None) -> int:
    """Write the sample houses into a folder; the same version gives the same bytes."""
    parser = argparse.ArgumentParser(
        prog="python -m homeenergy.simulate",
        description="Make the invented sample houses, with their truth, from their seeds.",
    )
    parser.add_argument("folder", type=Path, help="where to write, for example sample_data")
    parser.add_argument("--only", choices=sorted(HOUSES), help="make one house only")
    chosen = parser.parse_args(arguments)
    for name, write in HOUSES.items():
        if chosen.only in (None, name):
            write(chosen.folder / name)
            size = sum(f.stat().st_size for f in (chosen.folder / name).rglob("*") if f.is_file())
            sys.stdout.write(f"{chosen.folder / name}: {size / 1e6:.2f} MB\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
