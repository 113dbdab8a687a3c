"""Hashes of all that the figures of a house rest on."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path


def house_hashes(folder: str | Path) -> dict[str, str]:
    """SHA-256 of house.toml, of every CSV beside it and of every month of the store.

    Parameters
    ----------
    folder : path
        The house's folder, imported.

    Returns
    -------
    dict of str to str
        Path relative to the folder ("house.toml", "store/fridge/2026-03.parquet"), in order, and
        its hash. The same logs give the same bytes in the store, so the same hashes; the logs
        themselves are not read again.
    """
    root = Path(folder)
    files = [root / "house.toml", *root.glob("*.csv")]
    files += root.glob("store/*/????-??.parquet")
    return {
        path.relative_to(root).as_posix(): _sha256(path) for path in sorted(files) if path.is_file()
    }


def house_fingerprint(folder: str | Path) -> str:
    """One hash for all of `house_hashes`."""
    return hashlib.sha256(json.dumps(house_hashes(folder)).encode()).hexdigest()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
