"""Small panels with known wiring, written straight into a store."""

import shutil

import numpy as np
import pandas as pd

from homeenergy.readings import open_house
from homeenergy.readings.store.store import MonthInfo, Store

START = pd.Timestamp("2026-03-02", tz="UTC")
HEAD = 'name = "Quay house"\ntimezone = "UTC"\n[supply]\nsystem = "split-phase"\nvolts_v = 120\n'
BOTH = ("L1", "L2")


def switched(seed, *, on_w, n=86_400, runs=40, lasts=(60, 900), rest_w=0.0):
    """A load that is on now and then, with a level of its own each time."""
    rng = np.random.default_rng(seed)
    watts = np.full(n, rest_w)
    for at in rng.integers(100, n - 1000, runs):
        watts[at : at + int(rng.integers(*lasts))] = on_w * rng.uniform(0.8, 1.2)
    return watts


def store_watts(store, name, watts, *, start=START, period_s=1):
    ns = round(period_s * 1e9)
    info = MonthInfo(
        circuit=name,
        month=f"{start:%Y-%m}",
        first_slot=start.value // ns,
        samples=watts.size,
        period_ns=ns,
        signature="made",
        rows=watts.size,
    )
    store.write(info, np.ascontiguousarray(watts, dtype=np.float32))


def circuit_toml(name, *, role="load", legs=(), multiplier=1.0, more=""):
    listed = ", ".join(f'"{leg}"' for leg in legs)
    clamp = f"{{ rating_a = 50, multiplier = {multiplier} }}"
    return (
        f'[[circuit]]\nname = "{name}"\nrole = "{role}"\nlegs = [{listed}]\nclamp = {clamp}\n{more}'
    )


def make_panel(folder, *, readings, legs_w, stated, mains=None, period_s=1, noise_w=0.5, head=HEAD):
    """Write a house.

    `readings` is what each clamp reads, `legs_w` the true power of each leg, `stated` what
    house.toml says of a circuit, `mains` of a mains clamp (leg, multiplier, factor it reads with).
    """
    rng = np.random.default_rng(11)
    store = Store(folder / "store")
    text = head
    for leg, watts in legs_w.items():
        said = {"leg": leg, "multiplier": 1.0, "reads": 1.0} | (mains or {}).get(leg, {})
        name = f"mains_{leg.lower()}"
        text += circuit_toml(name, role="mains", legs=(said["leg"],), multiplier=said["multiplier"])
        noisy = said["reads"] * watts + rng.normal(0, noise_w, watts.size)
        store_watts(store, name, np.round(noisy), period_s=period_s)
    for name, watts in readings.items():
        text += circuit_toml(name, **stated.get(name, {}))
        noisy = watts + rng.normal(0, noise_w, watts.size)
        store_watts(store, name, np.round(noisy), period_s=period_s)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(text)
    return open_house(folder)


def plain_panel(folder, *, stated=None, clamps=None, mains=None, unmonitored_w=80.0):
    """Six circuits that are wired as `true` says; `clamps` changes what a clamp reads of it."""
    true = {
        "kettle": (switched(1, on_w=1500), 0.0),
        "iron": (switched(2, on_w=1000), 0.0),
        "lamp": (switched(3, on_w=150, lasts=(600, 3000)), 0.0),
        "toaster": (0.0, switched(4, on_w=900)),
        "heater": (0.0, switched(5, on_w=700)),
        "drill": (0.0, switched(6, on_w=500)),
        "kiln": (switched(7, on_w=2500), None),
    }
    kiln = true["kiln"][0]
    true["kiln"] = (kiln / 2, kiln / 2)
    n = kiln.size
    base = {leg: unmonitored_w + 40 * np.sin(np.arange(n) / 9000) for leg in BOTH}
    legs_w = {
        leg: base[leg] + sum(np.broadcast_to(pair[i], n) for pair in true.values())
        for i, leg in enumerate(BOTH)
    }
    right = {name: np.broadcast_to(a + b, n) for name, (a, b) in true.items()}
    readings = {name: right[name] * (clamps or {}).get(name, 1.0) for name in right}
    said = {
        name: {"legs": tuple(leg for leg, w in zip(BOTH, pair, strict=True) if np.any(w))}
        for name, pair in true.items()
    }
    for name, change in (stated or {}).items():
        said[name] = said[name] | change
    return make_panel(folder, readings=readings, legs_w=legs_w, stated=said, mains=mains)


def as_logged(house):
    """Put a house's readings into a log, so that it can be imported; multipliers must be 1."""
    frame = pd.DataFrame({c.name: house.trace(c).watts for c in house.circuits})
    frame.insert(0, "time", START.value // 10**9 + np.arange(len(frame)))
    (house.path / "logs").mkdir()
    frame.to_parquet(house.path / "logs" / "log.parquet")
    shutil.rmtree(house.path / "store")
    log = '[[log]]\nfiles = "logs/*.parquet"\nformat = "parquet"\ntime_format = "epoch_s"\n'
    columns = "".join(f'{c.name} = "{c.name}"\n' for c in house.circuits)
    with (house.path / "house.toml").open("a") as file:
        file.write(f"{log}period_s = 1\n[log.columns]\n{columns}")
    return house
