"""Importing: months, repetition, interruption, new, changed and vanished logs."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.store import importing
from homeenergy.readings.store import survey as pool_module

from .folders import frame, iso_csv, make_house, store_bytes

ROOT = Path(__file__).parents[2]


def days(number, *, start="2026-01-30", seed=0, period_s=10):
    rows = 86_400 // period_s
    whole = frame(start, number * rows, period_s=period_s, seed=seed)
    return {
        f"day{n:02d}.csv": iso_csv(whole.iloc[n * rows : (n + 1) * rows]) for n in range(number)
    }, whole


def same_trace(house, whole, name):
    trace = open_house(house).trace(name)
    assert trace.start == whole.index[0]
    np.testing.assert_array_equal(trace.watts, whole[name].to_numpy().astype("f4"))


def test_days_across_a_month_come_back_whole(tmp_path):
    logs, whole = days(4)
    report = import_logs(make_house(tmp_path, logs))
    assert report.months_written == 4  # two months of two circuits
    assert report.rows == len(whole)
    assert "4 log files" in str(report)
    for name in ("fridge", "oven"):
        same_trace(tmp_path, whole, name)
    assert list(report.to_frame().columns) == ["circuit", "month", "done"]


def test_again_writes_nothing(tmp_path):
    logs, _ = days(3)
    import_logs(make_house(tmp_path, logs))
    stamps = {p: p.stat().st_mtime_ns for p in (tmp_path / "store").rglob("*.parquet")}
    report = import_logs(tmp_path)
    assert (report.months_written, report.months_unchanged, report.files_read) == (0, 4, 0)
    assert {p: p.stat().st_mtime_ns for p in (tmp_path / "store").rglob("*.parquet")} == stamps
    assert str(report).startswith("Nothing new")


@pytest.mark.parametrize("nothing", ["", "header"])
def test_a_day_without_rows_is_left_out_named_and_read_once_it_has_some(tmp_path, nothing):
    logs, whole = days(3)
    missing = logs["day01.csv"]
    logs["day01.csv"] = missing.splitlines()[0] + "\n" if nothing else ""
    report = import_logs(make_house(tmp_path, logs))
    assert report.without_rows == ("logs/day01.csv",)
    assert "Without rows, and left out: logs/day01.csv." in str(report)
    day = pd.Timestamp("2026-01-31", tz="UTC")
    assert (
        open_house(tmp_path).trace("fridge", start=day, end=day + pd.Timedelta("1D")).covered_s == 0
    )
    (tmp_path / "logs" / "day01.csv").write_text(missing)
    assert import_logs(tmp_path).without_rows == ()
    same_trace(tmp_path, whole, "fridge")


def test_day_by_day_gives_the_same_store_as_all_at_once(tmp_path):
    logs, whole = days(5)
    import_logs(make_house(tmp_path / "once", logs))
    for n, (name, text) in enumerate(logs.items(), start=1):
        report = import_logs(make_house(tmp_path / "daily", {name: text}))
        if n == 5:
            assert report.months_unchanged == 2  # January is far from the fifth day
    assert store_bytes(tmp_path / "daily") == store_bytes(tmp_path / "once")
    same_trace(tmp_path / "daily", whole, "oven")


def test_splitting_a_log_changes_nothing(tmp_path):
    _, whole = days(3)
    parts = [whole.iloc[at : at + 3703] for at in range(0, len(whole), 3703)]
    make_house(tmp_path / "split", {f"{n}.csv": iso_csv(part) for n, part in enumerate(parts)})
    make_house(tmp_path / "whole", {"one.csv": iso_csv(whole)})
    for name in ("split", "whole"):
        import_logs(tmp_path / name)
        same_trace(tmp_path / name, whole, "fridge")


@settings(max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    cut=st.floats(0, 1),
    quantity=st.sampled_from(["power", "energy_counter"]),
)
def test_splitting_an_irregular_log_changes_nothing(tmp_path_factory, seed, cut, quantity):
    rng = np.random.default_rng(seed)
    steps = rng.choice([0.0, 0.4, 2.0, 5.0, 7.0, 50.0], 400, p=[0.1, 0.2, 0.4, 0.15, 0.1, 0.05])
    times = pd.Timestamp("2026-01-31T23:50Z") + pd.to_timedelta(np.cumsum(steps), unit="s")
    values = (
        rng.uniform(0, 2000, 400) if quantity == "power" else np.cumsum(rng.uniform(0, 0.1, 400))
    )
    stamps = times.strftime("%Y-%m-%dT%H:%M:%S.%f")
    rows = [f"{stamp},{value:.6f}\n" for stamp, value in zip(stamps, values, strict=True)]
    at = int(cut * len(rows))
    unit = "W" if quantity == "power" else "Wh"
    log = (
        f'[[log]]\nfiles = "logs/*.csv"\nquantity = "{quantity}"\nunit = "{unit}"\nperiod_s = 2\n'
        'hold_s = 20\n[log.columns]\noven = "oven"'
    )
    traces = []
    for parts in ([rows], [part for part in (rows[:at], rows[at:]) if part]):
        logs = {f"{n}.csv": "time,oven\n" + "".join(part) for n, part in enumerate(parts)}
        house = make_house(tmp_path_factory.mktemp("split"), logs, log=log)
        import_logs(house)
        traces.append(open_house(house).trace("oven"))
    assert traces[0].start == traces[1].start
    np.testing.assert_array_equal(traces[0].watts, traces[1].watts)


def test_a_second_import_at_the_same_time_is_refused(tmp_path):
    pytest.importorskip("fcntl")
    logs, _ = days(1)
    make_house(tmp_path, logs)

    def second(*_):
        with pytest.raises(HouseError, match="another import of this house is running"):
            import_logs(tmp_path)

    assert import_logs(tmp_path, progress=second).months_written == 2


HOLD_LOCK = """
import sys, time
from homeenergy.readings.store.store import Store
from pathlib import Path
with Store(Path(sys.argv[1])).alone():
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""


def test_an_import_by_another_process_is_waited_for(tmp_path, monkeypatch):
    pytest.importorskip("fcntl")
    logs, _ = days(1)
    make_house(tmp_path, logs)

    def hold(seconds):
        command = [sys.executable, "-c", HOLD_LOCK, str(tmp_path / "store"), str(seconds)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout.readline() == "held\n"
        return process

    with hold(1.0) as other:
        assert import_logs(tmp_path).months_written == 2
        assert other.wait() == 0
    monkeypatch.setattr("homeenergy.readings.store.store.LONGEST_WAIT_S", 0.3)
    with hold(30) as other:
        with pytest.raises(HouseError, match="another import of this house is running"):
            import_logs(tmp_path)
        other.kill()


def test_a_log_that_grows_is_read_again(tmp_path):
    _, whole = days(2)
    import_logs(make_house(tmp_path, {"now.csv": iso_csv(whole.iloc[:5000])}))
    import_logs(make_house(tmp_path, {"now.csv": iso_csv(whole)}))
    same_trace(tmp_path, whole, "oven")


def test_overlapping_exports_count_once(tmp_path):
    _, whole = days(1)
    make_house(tmp_path, {"a.csv": iso_csv(whole.iloc[:6000]), "b.csv": iso_csv(whole.iloc[4000:])})
    import_logs(tmp_path)
    same_trace(tmp_path, whole, "oven")
    assert open_house(tmp_path).quality().loc["oven", "repeats"] == 2000


def test_a_deleted_month_of_the_store_is_made_again(tmp_path):
    logs, _ = days(4)
    import_logs(make_house(tmp_path, logs))
    before = store_bytes(tmp_path)
    (tmp_path / "store" / "oven" / "2026-01.parquet").unlink()
    (tmp_path / "store" / "oven" / "2026-02.parquet").write_bytes(b"damaged")
    report = import_logs(tmp_path)
    assert sorted(report.written) == [("oven", "2026-01"), ("oven", "2026-02")]
    assert store_bytes(tmp_path) == before


def test_values_are_held_across_the_end_of_a_month(tmp_path):
    times = pd.to_datetime(["2026-01-31T23:59:30Z", "2026-01-31T23:59:50Z", "2026-02-01T00:00:10Z"])
    extra = pd.date_range("2026-02-01T00:00:20Z", periods=50, freq="10s")
    whole = pd.DataFrame({"fridge": np.arange(53.0), "oven": 1.0}, index=times.append(extra))
    jan, feb = whole.iloc[:2], whole.iloc[2:]
    log = 'period_s = 10\n[log.columns]\nfridge = "fridge"\noven = "oven"'
    block = f'[[log]]\nfiles = "logs/*.csv"\n{log}'
    logs = {"jan.csv": iso_csv(jan), "feb.csv": iso_csv(feb)}
    import_logs(make_house(tmp_path / "once", logs, log=block))
    for order in (("jan.csv", "feb.csv"), ("feb.csv", "jan.csv")):
        folder = tmp_path / order[0]
        for name in order:
            import_logs(make_house(folder, {name: logs[name]}, log=block))
        watts = open_house(folder).trace("fridge").watts
        np.testing.assert_array_equal(watts[:6], [0, 0, 1, 1, 2, 3])
        assert store_bytes(folder) == store_bytes(tmp_path / "once")
        assert not list((folder / "store").rglob("*.tmp"))


def test_error_in_one_file_leaves_the_store_as_it_was(tmp_path):
    logs, _ = days(2)
    import_logs(make_house(tmp_path, logs))
    before = store_bytes(tmp_path), (tmp_path / "store" / "imported.json").read_bytes()
    more, _ = days(3, start="2026-02-01")
    more["day02.csv"] = more["day02.csv"].replace("Z,", "Z,oops", 1)
    make_house(tmp_path, {f"more_{name}": text for name, text in more.items()})
    with pytest.raises(HouseError, match=r"more_day02.csv, line 2, column 'fridge'"):
        import_logs(tmp_path)
    assert (store_bytes(tmp_path), (tmp_path / "store" / "imported.json").read_bytes()) == before


def test_a_renamed_log_is_known(tmp_path):
    logs, _ = days(1)
    import_logs(make_house(tmp_path, logs))
    (tmp_path / "logs" / "day00.csv").rename(tmp_path / "logs" / "other.csv")
    assert import_logs(tmp_path).files_read == 0


def test_a_corrected_zone_moves_the_readings(tmp_path):
    whole = frame("2026-02-01", 1000)
    text = whole.to_csv(index_label="time", date_format="%Y-%m-%d %H:%M:%S")
    log = '[[log]]\nfiles = "logs/*.csv"\ntime_zone = "{}"\n[log.columns]\noven = "oven"'
    import_logs(make_house(tmp_path, {"a.csv": text}, log=log.format("UTC")))
    report = import_logs(make_house(tmp_path, {}, log=log.format("UTC+05:00")))
    assert report.removed == (("oven", "2026-02"),)
    assert open_house(tmp_path).trace("oven").start == pd.Timestamp("2026-01-31 19:00Z")


def test_rows_on_disk_give_the_same_store(tmp_path, monkeypatch):
    logs, _ = days(4)
    import_logs(make_house(tmp_path / "memory", logs))
    monkeypatch.setattr(pool_module.Pool.__init__, "__kwdefaults__", {"limit_bytes": 100_000})
    spilled = []
    spill = pool_module.Chunk.spill
    monkeypatch.setattr(
        pool_module.Chunk, "spill", lambda self, path: (spilled.append(path), spill(self, path))
    )
    import_logs(make_house(tmp_path / "disk", logs))
    assert len(spilled) > 3
    assert store_bytes(tmp_path / "disk") == store_bytes(tmp_path / "memory")
    assert not [p for p in (tmp_path / "disk" / "store").iterdir() if p.name.startswith(".rows")]


def test_interrupted_by_the_progress_callback_and_run_again(tmp_path):
    logs, _ = days(4)
    import_logs(make_house(tmp_path / "once", logs))
    make_house(tmp_path / "cut", logs)
    for calls in range(1, 8):
        left = iter(range(calls))

        def stop(done, total, text, left=left):
            assert 0 <= done <= total
            if next(left, None) is None:
                raise KeyboardInterrupt

        try:
            import_logs(tmp_path / "cut", progress=stop)
        except KeyboardInterrupt:
            continue
    import_logs(tmp_path / "cut")
    assert store_bytes(tmp_path / "cut") == store_bytes(tmp_path / "once")


IMPORT = """
import sys
from homeenergy.readings import import_logs
print("go", flush=True)
import_logs(sys.argv[1])
"""


def killed_after(folder, seconds):
    """Import in a process that is killed so long after it began; whether it was before its end."""
    process = subprocess.Popen(
        [sys.executable, "-c", IMPORT, str(folder)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
    )
    assert process.stdout.readline() == b"go\n"
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    killed = process.wait() == -signal.SIGKILL
    process.stdout.close()
    return killed


def same_after_a_kill(folder, once):
    import_logs(folder)
    assert store_bytes(folder) == store_bytes(once)
    assert not [p for p in (folder / "store").rglob("*") if p.name.endswith(".tmp")]


@pytest.fixture(scope="module")
def imported_once(tmp_path_factory):
    """A house of one log a day and one that grows, and how long its import takes [s]."""
    folder = tmp_path_factory.mktemp("once")
    logs, whole = days(5, start="2026-01-29", period_s=5)
    logs["now.csv"] = iso_csv(whole.iloc[-9000:])
    make_house(folder, logs)
    begun = time.perf_counter()
    import_logs(folder)
    return folder, logs, time.perf_counter() - begun


def test_an_import_that_is_killed_and_run_again_gives_the_same_store(tmp_path, imported_once):
    once, logs, lasts_s = imported_once
    seconds = lasts_s / 2
    for attempt in range(20):
        folder = make_house(tmp_path / str(attempt), logs)
        if killed_after(folder, seconds):
            break
        seconds *= 0.6  # the first import was slowed down by other work
    else:
        pytest.fail("each import ended before it was killed")
    same_after_a_kill(folder, once)


@pytest.mark.study
def test_a_hundred_imports_that_are_killed_give_the_same_store(tmp_path, imported_once):
    """On a new store, and while logs are added and one has grown."""
    once, logs, lasts_s = imported_once
    first = dict(list(logs.items())[:3])
    first["now.csv"] = logs["now.csv"][: len(logs["now.csv"]) // 2].rpartition("\n")[0] + "\n"
    import_logs(make_house(tmp_path / "half", first))
    rng = np.random.default_rng(11)
    kills = unfinished = 0
    while kills < 100:
        folder = tmp_path / "house"
        shutil.rmtree(folder, ignore_errors=True)
        if rng.random() < 0.6:
            shutil.copytree(tmp_path / "half", folder)
        make_house(folder, logs)
        if killed_after(folder, rng.uniform(0, 1.2 * lasts_s)):
            kills += 1
            there = store_bytes(folder) if (folder / "store").exists() else {}
            unfinished += there != store_bytes(once)
        same_after_a_kill(folder, once)
    assert unfinished > 30


def test_two_logs_may_read_the_same_file(tmp_path):
    whole = frame("2026-02-01", 500)
    log = """
[[log]]
files = "logs/a.csv"
[log.columns]
fridge = "fridge"
[[log]]
files = "logs/a.csv"
unit = "kW"
[log.columns]
oven = "oven"
"""
    import_logs(make_house(tmp_path, {"a.csv": iso_csv(whole)}, log=log))
    house = open_house(tmp_path)
    np.testing.assert_array_equal(
        house.trace("fridge").watts, whole["fridge"].to_numpy().astype("f4")
    )
    np.testing.assert_allclose(house.trace("oven").watts, whole["oven"] * 1000, rtol=1e-6)


def test_a_circuit_in_two_logs_is_filled_from_the_second(tmp_path):
    whole = frame("2026-02-01", 600)
    log = "".join(
        f'[[log]]\nfiles = "logs/{name}.csv"\n[log.columns]\noven = "oven"\n' for name in ("a", "b")
    )
    late = whole.iloc[300:] + 1
    import_logs(
        make_house(tmp_path, {"a.csv": iso_csv(whole.iloc[:400]), "b.csv": iso_csv(late)}, log=log)
    )
    watts = open_house(tmp_path).trace("oven").watts
    expected = np.r_[whole["oven"].iloc[:400], late["oven"].iloc[100:]]
    np.testing.assert_array_equal(watts, expected.astype("f4"))


def test_no_log_matches(tmp_path):
    with pytest.raises(HouseError, match=r"`log\[1\].files`: no file matches 'logs/\*.csv'"):
        import_logs(make_house(tmp_path, {}))


def test_a_counter_taken_for_energies_is_refused(tmp_path):
    """12.595 kWh, the median, in a minute would be 755.7 kW."""
    rows = [f"2026-03-01T00:{n:02d}:00Z,{12.3 + n / 100}\n" for n in range(60)]
    text = "time,oven\n" + "".join(rows)
    log = (
        '[[log]]\nfiles = "logs/*.csv"\nquantity = "energy"\nunit = "kWh"\n'
        '[log.columns]\noven = "oven"'
    )
    house = make_house(tmp_path, {"a.csv": text}, log=log, circuits=["oven"])
    with pytest.raises(HouseError, match=r"column 'oven': .* mean 756 kW(.|\n)*energy_counter"):
        import_logs(house)


def test_the_report_of_a_rebuild_tells_what_was_read_again(tmp_path):
    make_house(tmp_path, {"a.csv": iso_csv(frame("2026-01-31 23:00", 1000))})
    report = import_logs(tmp_path)
    assert len(report.written) == 4
    assert str(report).startswith("Read 1 log file with 1,000 rows; wrote 4 ")
    again = import_logs(tmp_path, rebuild=True)
    assert (again.files_read, again.files_read_again) == (0, 1)
    assert str(again).startswith("Read 1 log file again; wrote 4 ")


def test_a_name_that_no_row_has_is_refused_with_the_folder(tmp_path):
    text = "time,who,w\n2026-03-01T00:00:00Z,a,1\n2026-03-01T00:00:10Z,a,1\n"
    log = (
        '[[log]]\nfiles = "logs/*.csv"\nlayout = "long"\ncircuit_column = "who"\n'
        'value_column = "w"\n[log.columns]\noven = "Ofen"\n'
    )
    house = make_house(tmp_path, {"a.csv": text}, log=log, circuits=["oven"])
    with pytest.raises(HouseError) as caught:
        import_logs(house)
    assert str(house / "house.toml") in str(caught.value)


def test_an_import_with_nothing_new_looks_at_sizes_and_times_alone(tmp_path, monkeypatch):
    folder = make_house(tmp_path, {"a.csv": iso_csv(frame("2026-03-30", 40_000))})
    first = import_logs(folder)
    with monkeypatch.context() as patched:
        patched.setattr(importing, "Survey", None)  # whatever goes on to read fails
        again = import_logs(folder)
        with pytest.raises(TypeError):
            import_logs(folder, verify=True)
    assert set(again.unchanged) == set(first.written)
    assert (again.files_known, again.files_read, again.written) == (1, 0, ())
    assert "Nothing new" in str(again)
    (folder / "store" / "oven" / "2026-04.parquet").unlink()
    assert import_logs(folder).written == (("oven", "2026-04"),)
    with (folder / "logs" / "a.csv").open("a") as log:
        log.write("2026-04-03T20:00:00Z,1,2\n")
    assert import_logs(folder).files_read == 1
    with (folder / "house.toml").open("a") as toml:
        toml.write("\n# Another line\n")
    assert import_logs(folder).files_read == 0
