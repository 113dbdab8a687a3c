"""Houses to record, and a recording that runs in a thread."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from homeenergy.record.recorder import Counts, record

LONG = """
[[log]]
files = "logs/recorded/{name}/*.csv*"
layout = "long"
circuit_column = "circuit"
value_column = "value"
{more}
[log.columns]
{columns}
"""


def write_house(
    folder: Path,
    source: str,
    *,
    circuits: tuple[str, ...] = ("fridge", "oven"),
    name: str = "pipe",
    more: str = "",
) -> Path:
    """Write a house.toml with one source, and the [[log]] of what it records."""
    folder.mkdir(parents=True, exist_ok=True)
    heads = "".join(f'[[circuit]]\nname = "{one}"\n' for one in circuits)
    columns = "\n".join(f'{one} = "{one}"' for one in circuits)
    text = f'name = "Recorded"\ntimezone = "Europe/Berlin"\n{heads}\n[[source]]\nname = "{name}"\n'
    text += source + LONG.format(name=name, columns=columns, more=more)
    (folder / "house.toml").write_text(text)
    return folder


def rows(folder: Path, name: str = "pipe") -> pd.DataFrame:
    """All that was recorded of a source, packed or not, in the order of its files."""
    files = sorted((folder / "logs" / "recorded" / name).glob("*.csv*"))
    return pd.concat([pd.read_csv(file) for file in files], ignore_index=True)


class Recording:
    """A recording in a thread, as a context; what it told is in `told`."""

    def __init__(self, folder: Path, **options: object) -> None:
        self.told: list[str] = []
        self.readings: list[tuple[str, float, int]] = []
        self.counts: dict[str, Counts] = {}
        self.error: Exception | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(folder, options))

    def _run(self, folder: Path, options: dict) -> None:
        try:
            self.counts = record(
                folder,
                stop=self._stop,
                tell=self.told.append,
                watch=lambda _, readings: self.readings.extend(readings),
                **options,
            )
        except Exception as error:
            self.error = error

    def __enter__(self) -> "Recording":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(timeout=30)
        assert not self._thread.is_alive()
        if self.error is not None:
            raise self.error

    def until(self, holds: Callable[[], object], *, within_s: float = 20) -> None:
        """Wait until something holds; fail where it does not."""
        end = time.monotonic() + within_s
        while not holds():
            assert self.error is None, self.error
            assert time.monotonic() < end, f"waited in vain; told {self.told}"
            time.sleep(0.02)
