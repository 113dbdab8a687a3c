"""Small houses on disk, for tests."""

import numpy as np
import pandas as pd

CIRCUITS = ("fridge", "oven")


def house_toml(log, *, circuits=CIRCUITS, timezone="UTC"):
    lines = [f'timezone = "{timezone}"']
    lines += [f'[[circuit]]\nname = "{name}"' for name in circuits]
    return "\n".join(lines) + "\n" + log


WIDE = """
[[log]]
files = "logs/*.csv"
[log.columns]
fridge = "fridge"
oven = "oven"
"""


def make_house(folder, logs, *, log=WIDE, **settings):
    """Write a house; `logs` maps names of log files to their text or bytes."""
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(house_toml(log, **settings), encoding="utf-8")
    for name, content in logs.items():
        path = folder / "logs" / name
        if isinstance(content, bytes):
            path.write_bytes(content)
        else:
            path.write_text(content, encoding="utf-8", newline="")
    return folder


def frame(start, number, *, period_s=10, seed=0, circuits=CIRCUITS):
    """Watts of circuits on a regular UTC index."""
    rng = np.random.default_rng(seed)
    index = pd.date_range(start, periods=number, freq=f"{period_s}s", tz="UTC")
    return pd.DataFrame(
        {name: np.round(rng.uniform(-5, 2000, number), 1) for name in circuits}, index=index
    )


def iso_csv(frame):
    """Plain CSV with ISO times in UTC."""
    return frame.to_csv(index_label="time", date_format="%Y-%m-%dT%H:%M:%SZ")


def store_bytes(folder):
    """All month files of a store."""
    store = folder / "store"
    return {
        path.relative_to(store).as_posix(): path.read_bytes()
        for path in sorted(store.glob("[!.]*/*.parquet"))
    }
