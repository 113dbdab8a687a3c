"""What a write-up rests on: versions, settings, overruled runs and hashes of the data."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from homeenergy.readings.store.store import house_hashes
from homeenergy.show.document.files import read_record
from homeenergy.show.writeup.basis import Basis
from homeenergy.version import __version__

LIBRARIES = ("numpy", "pandas", "numba", "scipy", "scikit-learn", "matplotlib")
HEX_DIGITS = 16  # of a hash that are kept


def versions() -> dict[str, str]:
    """Versions of `homeenergy` and of what its figures depend on."""
    found = {"homeenergy": __version__}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def make_record(basis: Basis) -> dict[str, Any]:
    """Gather what a write-up of a house rests on, in terms that JSON holds."""
    files = file_hashes(basis.house.path)
    return {
        "house": basis.house.name,
        "versions": versions(),
        "settings": {
            f.circuit: {"kind": f.kind, **{k: _plain(v) for k, v in f.cycles.settings.items()}}
            for f in basis.measured
        },
        "overruled": overruled(basis.house.path),
        "files": files,
        "fingerprint": fingerprint(files),
    }


def fingerprint(files: dict[str, str]) -> str:
    """One hash for all files."""
    return hashlib.sha256(json.dumps(files).encode()).hexdigest()


def file_hashes(folder: Path) -> dict[str, str]:
    """The first digits of each hash of `house_hashes`."""
    return {name: found[:HEX_DIGITS] for name, found in house_hashes(folder).items()}


def files_of(folder: str | Path, *, before: str | Path | None = None) -> dict[str, str]:
    """Hashes of a folder, and of an earlier one of the same house."""
    earlier = {} if before is None else file_hashes(Path(before))
    return {f"before/{name}": found for name, found in earlier.items()} | file_hashes(Path(folder))


def overruled(folder: Path) -> list[str]:
    """Lines of run_decisions.csv, without its heading."""
    path = folder / "run_decisions.csv"
    if not path.is_file():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line.strip() and not line.startswith("#")][1:]


def _plain(value: Any) -> Any:
    return value if isinstance(value, str | bool | None) else float(value)


def differences(
    path: str | Path, folder: str | Path, *, before: str | Path | None = None
) -> list[str]:
    """Say what a document was made from that is no longer so.

    Parameters
    ----------
    path : path
        Document that `homeenergy writeup` wrote.
    folder : path
        The house's folder, imported.
    before : path, optional
        The earlier folder, for a document that compares two.

    Returns
    -------
    list of str
        Empty where versions and every file are as they were.

    Raises
    ------
    HouseError
        If the document holds no record.
    """
    record = read_record(path)
    made_with, here = record.get("versions", {}), versions()
    found = [
        f"{name} was {version} and is {here.get(name, 'not installed')}"
        for name, version in made_with.items()
        if here.get(name) != version
    ]
    then, now = record.get("files", {}), files_of(folder, before=before)
    found += [f"{name} is gone" for name in then if name not in now]
    found += [f"{name} is new" for name in now if name not in then]
    found += [f"{name} has changed" for name in then if now.get(name, then[name]) != then[name]]
    return found
