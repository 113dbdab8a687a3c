"""What a person sees while recording, and pairs for a bench test; and the command itself."""

import os
import pty
import subprocess
import sys
import threading
import time

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule
from homeenergy.record import watch
from homeenergy.record.journal import line_of
from homeenergy.record.watch import Live, Watch, follow, place_of

from .houses import Recording, write_house

SOURCE = 'kind = "file"\naddress = "meter.txt"\n[source.circuits]\nfridge = 1\noven = 2\n'
NOW = 1_764_400_000_000
COUNTER = '[log.columns]\nfridge = {column = "fridge", quantity = "energy_counter", unit = "kWh"}'


def test_watts_now_and_the_last_ten_minutes(tmp_path):
    seen = Watch(read_schedule(write_house(tmp_path, SOURCE)))
    assert seen.lines(NOW)[1].split() == ["fridge", "no", "reading", "yet"]
    for second in range(600):
        on = second > 450
        seen.take("pipe", [("fridge", 100.0 if on else 25.0, NOW - 600_000 + 1000 * second)])
    seen.take("pipe", [("oven", 2000.0, NOW - 90_000)])
    _, fridge, oven = seen.lines(NOW)
    assert fridge.split()[:3] == ["fridge", "100", "W"]
    assert fridge.endswith("▃" * 30 + "█" * 10)
    assert oven.endswith("90 s ago")


def test_a_counter_is_shown_in_watts(tmp_path):
    folder = write_house(tmp_path, SOURCE)
    text = (folder / "house.toml").read_text()
    (folder / "house.toml").write_text(text.replace('[log.columns]\nfridge = "fridge"', COUNTER))
    seen = Watch(read_schedule(folder))
    seen.take("pipe", [("fridge", 10.0, NOW - 60_000), ("fridge", 10.001, NOW)])
    assert seen.lines(NOW)[1].split()[1:3] == ["60", "W"]  # 1 Wh in a minute


def test_a_house_that_is_played_is_shown_by_its_own_clock(tmp_path, monkeypatch):
    seen = Watch(read_schedule(write_house(tmp_path, SOURCE)))
    assert seen.clock(NOW) == NOW
    played = NOW - 86_400_000
    for second in range(0, 600, 60):
        at_ms = NOW + 60 * second  # as it is played, faster than time
        seen.take("pipe", [("fridge", 100.0, played + 1000 * second)], at_ms=at_ms)
    assert seen.clock(at_ms + 5000) == played + 545_000
    line = seen.lines(seen.clock(at_ms))[1]
    assert "ago" not in line
    assert line.count("█") == 10
    monkeypatch.setattr(watch, "now_ms", lambda: at_ms)
    assert seen.pair("fridge", reference_w=100) == "fridge,100,100"
    seen.take("pipe", [("oven", 50.0, played + 7_200_000)], at_ms=at_ms)
    with pytest.raises(HouseError, match="'fridge' has no reading of the last ten minutes"):
        seen.pair("fridge", reference_w=100)


def test_pairs_are_added_to_bench_csv_as_it_is(tmp_path):
    folder = write_house(tmp_path, SOURCE)
    seen = Watch(read_schedule(folder))
    with pytest.raises(HouseError, match="no reading of the last ten minutes"):
        seen.pair("fridge", reference_w=100)
    seen.take("pipe", [("fridge", 98.5, NOW), ("oven", 101.0, NOW)])
    assert seen.pair("fridge", reference_w=100.2) == "fridge,100.2,98.5"
    (folder / "bench.csv").write_text("circuit,reference_w,clamp_w,reference\noven,1,2,mine")
    assert seen.pair("fridge", reference="oven") == "fridge,101,98.5,"
    assert (folder / "bench.csv").read_text().splitlines()[1:] == [
        "oven,1,2,mine",
        "fridge,101,98.5,",
    ]


def read_screen(handle, until, *, within_s=15.0):
    """What a terminal was sent, until a text is in it; and when that was."""
    text, end = "", time.monotonic() + within_s
    os.set_blocking(handle, False)
    while until not in text:
        assert time.monotonic() < end, text
        try:
            text += os.read(handle, 65_536).decode("utf-8", "replace")
        except BlockingIOError:
            time.sleep(0.02)
    return text, time.monotonic()


def test_a_terminal_shows_a_reading_within_a_second_and_takes_a_pair(tmp_path):
    folder = write_house(tmp_path, SOURCE)
    (folder / "meter.txt").touch()
    master, slave = pty.openpty()
    running = subprocess.Popen(
        [sys.executable, "-m", "homeenergy.cli", "record", str(folder), "--watch"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    try:
        read_screen(master, "b adds a pair")
        time.sleep(0.5)
        delays = []
        for number in range(3):
            with (folder / "meter.txt").open("a") as file:
                file.write(f"{4321 + number},7\n")
            written = time.monotonic()
            delays.append(read_screen(master, f"{4321 + number:,} W")[1] - written)
        assert min(delays) < 1.0, delays
        os.write(master, b"bfridge 4000,5\r")
        read_screen(master, "bench.csv: fridge,4000.5,4323")
    finally:
        running.terminate()
        read_screen(master, "readings written")
        assert running.wait(timeout=20) == 0
        os.close(master)
        os.close(slave)


def test_what_another_program_records_is_followed(tmp_path):
    folder = write_house(tmp_path, SOURCE)
    (folder / "meter.txt").touch()
    heard, stop = [], threading.Event()
    with Recording(folder) as running:
        running.until(lambda: list(folder.glob("logs/recorded/pipe/*.csv")))
        time.sleep(0.5)
        thread = threading.Thread(
            target=follow,
            args=(read_schedule(folder), lambda _, readings: heard.extend(readings)),
            kwargs={"stop": stop},
        )
        thread.start()
        time.sleep(0.5)
        with (folder / "meter.txt").open("a") as file:
            file.write("5,7\n6,")
        running.until(lambda: len(heard) == 2)
        with (folder / "meter.txt").open("a") as file:
            file.write("8\n")
        running.until(lambda: len(heard) == 4)
        stop.set()
        thread.join()
    assert [(c, v) for c, v, _ in heard] == [
        ("fridge", 5),
        ("oven", 7),
        ("fridge", 6),
        ("oven", 8),
    ]


def test_the_last_ten_minutes_of_what_another_program_records(tmp_path):
    folder = write_house(tmp_path, SOURCE)
    text = (folder / "house.toml").read_text()
    clamp = 'name = "fridge"\nclamp.multiplier = 2.0\n'
    (folder / "house.toml").write_text(text.replace('name = "fridge"\n', clamp, 1))
    journal = folder / "logs" / "recorded" / "pipe"
    journal.mkdir(parents=True)
    file = journal / "2025-11-29.csv"
    lines = "".join(line_of(NOW - 1000 * (9000 - n), "fridge", n) for n in range(9000))
    file.write_text("time,circuit,value\n" + lines)
    assert 0 < place_of(file, NOW - 600_000) < lines.index(",8400") < len(lines)
    live = Live(read_schedule(folder))
    found = live.look(NOW)
    assert found["oven"] == []
    assert found["fridge"] == [(NOW - 1000 * (9000 - n), 2.0 * n) for n in range(8400, 9000)]
    with file.open("a") as more:
        more.write(line_of(NOW, "oven", 2000) + line_of(NOW + 1000, "fridge", 5)[:-2])
    found = live.look(NOW + 1000)
    assert found["oven"] == [(NOW, 2000.0)]
    assert len(found["fridge"]) == 599
    with file.open("a") as more:  # the end of its last line, and the file of the next day
        more.write("5\n\n")
    (journal / "2025-11-30.csv").write_text(line_of(NOW + 2000, "fridge", 7))
    found = live.look(NOW + 2000)
    assert found["fridge"][-2:] == [(NOW + 1000, 10.0), (NOW + 2000, 14.0)]


def test_a_circuit_that_is_never_heard_is_named(tmp_path):
    folder = write_house(tmp_path, SOURCE)
    (folder / "meter.txt").touch()
    command = [sys.executable, "-m", "homeenergy.cli", "record", str(folder), "--status"]
    with Recording(folder, sync_every_s=0.1) as running:
        time.sleep(0.3)
        with (folder / "meter.txt").open("a") as file:
            file.write("5,x\n")
        running.until(lambda: len(running.readings) == 1)
        time.sleep(0.5)
        done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0
    assert "1 of 1 readings written" in done.stdout
    assert "no reading, once: no number" in done.stdout
    assert "never heard: oven" in done.stdout


def test_status_and_unit(tmp_path):
    folder = write_house(tmp_path, SOURCE)

    def run(*options):
        command = [sys.executable, "-m", "homeenergy.cli", "record", str(folder), *options]
        return subprocess.run(command, capture_output=True, text=True)

    assert "was never recorded" in run("--status").stderr
    unit = run("--unit").stdout
    assert f"ExecStart={sys.executable} -m homeenergy.cli record {folder.resolve()}" in unit
    assert "Restart=on-failure" in unit
