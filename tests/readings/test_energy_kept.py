"""Energy of random logs against an independent sum, row by row, whatever their layout."""

import gzip
import itertools
import json

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import import_logs, open_house

from .folders import make_house

PERIODS_S = (1, 2, 5, 10, 15, 30, 60, 300, 900)
ZONES = ("Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "UTC")
LAYOUTS = ("iso", "local", "epoch_ms", "kilowatts", "energy", "semicolons", "gzip", "parquet")


def random_rows(rng):
    """Instants [ms] and watts of a logger with a constant pace, holes and missing values."""
    period_ms = int(rng.choice(PERIODS_S)) * 1000
    number = int(rng.integers(20, 700))
    start = pd.Timestamp(f"2026-{rng.integers(1, 13):02d}-{rng.integers(1, 28):02d}T21:00Z")
    offset_ms = int(rng.choice([0, rng.integers(0, period_ms)]))
    times = start.value // 1_000_000 // period_ms * period_ms + offset_ms
    times = times + period_ms * np.arange(number)
    kept = rng.random(number) > rng.choice([0.0, 0.0, 0.05])
    for _ in range(int(rng.integers(0, 4))):
        at, length = rng.integers(0, number), rng.integers(1, number // 3)
        kept[at : at + length] = False
    kept[:3] = True  # the pace is seen
    watts = np.round(rng.choice([0.0, 2.5, 130.0, 2000.0], number) + rng.uniform(0, 9, number), 1)
    watts[rng.random(number) < rng.choice([0.0, 0.02])] = np.nan
    return times[kept], watts[kept], period_ms


def expected_wh(times_ms, watts, period_ms, *, hold_ms, ends, energies):
    """Each row's value times its own length; a row with an energy has that energy."""
    total = 0.0
    for n, (at, value) in enumerate(zip(times_ms, watts, strict=True)):
        other = n - 1 if ends else n + 1
        length = period_ms
        if 0 <= other < len(times_ms) and abs(times_ms[other] - at) <= hold_ms:
            length = abs(times_ms[other] - at)
        if not np.isnan(value):
            total += value * (period_ms if energies else length) / 3.6e6
    return total


def write(folder, rng, times_ms, watts, period_ms, *, ends, hold_ms):
    """A house with these rows in one to five files that overlap, in a random layout."""
    layout = str(rng.choice(LAYOUTS))
    zone = str(rng.choice(ZONES))
    keys = {"hold_s": hold_ms / 1000, "time_zone": "UTC"}
    if ends:
        keys["time_marks"] = "end"
    instants = pd.to_datetime(times_ms, unit="ms", utc=True)
    stamps = instants.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
    values = watts
    if layout == "local":
        # With its offset, as local times alone come twice where clocks are put back.
        stamps = [t.isoformat(timespec="milliseconds") for t in instants.tz_convert(zone)]
    if layout == "epoch_ms":
        stamps, keys["time_format"] = [str(t) for t in times_ms], "epoch_ms"
    if layout == "kilowatts":
        values, keys["unit"] = watts / 1000, "kW"
    if layout == "energy":
        values, keys["unit"], keys["quantity"] = watts * period_ms / 3.6e6, "Wh", "energy"
    cells = ["" if np.isnan(v) else repr(float(v)) for v in values]
    mark = ";" if layout == "semicolons" else ","
    if layout == "semicolons":
        keys["delimiter"], keys["decimal"] = ";", ","
        cells = [cell.replace(".", ",") for cell in cells]
    keys["files"] = "logs/*"
    if layout == "parquet":
        keys["format"] = "parquet"
    text = "\n".join(f"{key} = {json.dumps(value)}" for key, value in keys.items())
    make_house(
        folder, {}, log=f'[[log]]\n{text}\n[log.columns]\noven = "oven"\n', circuits=("oven",)
    )
    cuts = np.sort(rng.integers(0, len(cells) + 1, int(rng.integers(0, 5))))
    edges = [0, *(int(cut) for cut in cuts), len(cells)]
    for n, (low, high) in enumerate(itertools.pairwise(edges)):
        part = slice(max(low - 3, 0), max(high, low + 4))
        path = folder / "logs" / f"{n}.csv"
        if layout == "parquet":
            table = pd.DataFrame({"time": instants[part], "oven": values[part]})
            table.to_parquet(path)
            continue
        rows = [f"{t}{mark}{v}\n" for t, v in zip(stamps[part], cells[part], strict=True)]
        rng.shuffle(rows)
        content = f"time{mark}oven\n" + "".join(rows)
        path.write_bytes(gzip.compress(content.encode()) if layout == "gzip" else content.encode())
    return layout


def check(folder, seed):
    rng = np.random.default_rng(seed)
    times_ms, watts, period_ms = random_rows(rng)
    hold_ms, ends = int(rng.choice([1, 2, 3, 10])) * period_ms, bool(rng.random() < 0.4)
    layout = write(folder, rng, times_ms, watts, period_ms, ends=ends, hold_ms=hold_ms)
    import_logs(folder)
    trace = open_house(folder).trace("oven")
    right = expected_wh(
        times_ms, watts, period_ms, hold_ms=hold_ms, ends=ends, energies=layout == "energy"
    )
    scale = expected_wh(
        times_ms, np.abs(watts), period_ms, hold_ms=hold_ms, ends=ends, energies=layout == "energy"
    )
    return abs(trace.energy_wh - right) / max(scale, 1e-9), layout


@pytest.mark.parametrize("seed", range(60))
def test_energy_of_a_random_log_is_kept(tmp_path, seed):
    off, layout = check(tmp_path, seed)
    assert off <= 1e-6, layout


@pytest.mark.study
@pytest.mark.parametrize("hundred", range(20))
def test_energy_of_many_random_logs_is_kept(tmp_path, hundred):
    off = {seed: check(tmp_path / str(seed), seed) for seed in range(1000, 3000)[hundred::20]}
    assert {seed: one for seed, one in off.items() if one[0] > 1e-6} == {}
