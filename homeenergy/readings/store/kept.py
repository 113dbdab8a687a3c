"""Arrays that were worked out from a log and are kept next to it, with what they were made from.

What is worked out of a short log in milliseconds is not kept.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from homeenergy.files import replacing

KEPT_FROM = 1 << 18  # samples; own choice
_DIGEST, _LENGTH = 16, 8  # bytes of the hash of all that follows, and of the head's length


def write_kept(path: Path, made_from: str, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write arrays of one dimension, in one stroke.

    Raises
    ------
    OSError
    """
    about = [[name, one.dtype.str, one.size] for name, one in arrays.items()]
    head = json.dumps([made_from, about]).encode()
    parts = [len(head).to_bytes(_LENGTH, "little"), head]
    body = b"".join([*parts, *(np.ascontiguousarray(one).tobytes() for one in arrays.values())])
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path, lasting=False) as temporary:
        temporary.write_bytes(_digest(body) + body)


def read_kept(path: Path, made_from: str) -> dict[str, NDArray[Any]] | None:
    """Arrays of a file; None where it is damaged, not there, or was made from something else."""
    try:
        whole = path.read_bytes()
    except OSError:
        return None
    digest, body = whole[:_DIGEST], whole[_DIGEST:]
    if digest != _digest(body):
        return None
    at = _LENGTH + int.from_bytes(body[:_LENGTH], "little")
    written_from, about = json.loads(body[_LENGTH:at])
    if written_from != made_from:
        return None
    arrays = {}
    for name, kind, size in about:
        arrays[name] = np.frombuffer(body, dtype=kind, count=size, offset=at).copy()
        at += arrays[name].nbytes
    return arrays


def _digest(body: bytes) -> bytes:
    return hashlib.blake2b(body, digest_size=_DIGEST).digest()
