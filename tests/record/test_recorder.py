"""What is recorded lasts, once: kills, torn lines, full disks, clocks; and every reading counts."""

import errno
import gzip
import os
import random
import resource
import signal
import socket
import subprocess
import sys
import threading
import time

import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.store import survey
from homeenergy.record import journal as journals
from homeenergy.record.journal import HEADER, Journal, line_of
from homeenergy.record.recorder import read_status

from .brokers import free_port
from .houses import Recording, rows, write_house

START_MS = 1_764_400_000_000  # 2025-11-29T07:06:40Z
TIMED = (
    'kind = "file"\naddress = "meter.txt"\ntime_field = 1\ntime_format = "epoch_ms"\n'
    'name_field = 2\nvalue_field = 3\n[source.circuits]\nfridge = "f"\noven = "o"\n'
)
WATCH = (
    "import sys; from homeenergy.record import record; "
    "record(sys.argv[1], watch=lambda source, readings: print(len(readings)))"
)
RECORD = "import sys; from homeenergy.record import record; record(sys.argv[1], sync_every_s=0.5)"


def start(folder, **options):
    return subprocess.Popen([sys.executable, "-c", RECORD, str(folder)], **options)


def test_every_reading_is_accounted_for(tmp_path):
    folder = write_house(
        tmp_path,
        TIMED.replace('kind = "file"', 'kind = "input"').replace('address = "meter.txt"\n', ""),
    )
    lines = [f"{START_MS + 1000 * n},f,{n}" for n in range(1000)]
    lines += [f"{START_MS + 999_000},f,999", f"{START_MS + 999_000},f,5"]  # repeated; conflicting
    lines += [f"{START_MS + 500_500},f,7", f"{START_MS},x,1", "1,f,2", f"{START_MS},o,1_0", ""]
    lines += [f"{START_MS},o,1e400", f"{START_MS},o", "{", f"{START_MS},o,on"]
    feed = ("\n".join(lines) + "\n").encode()
    subprocess.run([sys.executable, "-c", RECORD, str(folder)], input=feed, check=True)
    counts = read_status(folder)["sources"]["pipe"]
    assert counts["received"] == 1003
    assert (counts["written"], counts["repeated"], counts["known"]) == (1002, 1, 0)
    assert (counts["late"], counts["conflicting"], counts["lost"]) == (1, 1, 0)
    assert sum(counts["why_bad"].values()) == counts["bad"] == 7
    assert len(rows(folder)) == 1002
    # Sent once more, nothing is doubled.
    subprocess.run([sys.executable, "-c", RECORD, str(folder)], input=feed, check=True)
    again = read_status(folder)["sources"]["pipe"]
    assert again["received"] == again["repeated"] + again["known"] + again["written"]
    assert again["written"] == 0
    assert len(rows(folder)) == 1002
    # Who watches sees it all the same.
    command = [sys.executable, "-c", WATCH, str(folder)]
    seen = subprocess.run(command, input=feed, check=True, capture_output=True).stdout.split()
    assert sum(map(int, seen)) == again["received"]


def recorded_bytes(folder):
    return sum(path.stat().st_size for path in folder.glob("logs/recorded/pipe/*.csv"))


def kill_and_record(folder, *, kills, seed):
    """Kill recordings of a file that grows; what was written to it."""
    rng, log, written = random.Random(seed), folder / "meter.txt", 0
    log.touch()
    for _ in range(kills):
        before, running = recorded_bytes(folder), start(folder)
        until, at_least = time.monotonic() + 20, rng.uniform(0.0, 1.5)
        while time.monotonic() < until:
            if recorded_bytes(folder) != before and until > time.monotonic() + at_least:
                until = time.monotonic() + at_least
            with log.open("a") as file:
                for circuit in ("f", "o"):
                    file.write(f"{START_MS + 10 * written},{circuit},{written}\n")
            written += 1
            time.sleep(0.002)
        running.kill()
        running.wait()
    with Recording(folder) as last:
        last.until(lambda: any(v == written - 1 for _, v, _ in last.readings) or not written)
        time.sleep(0.3)
    return written


def test_a_file_is_recorded_once_whatever_is_killed(tmp_path):
    folder = write_house(tmp_path, TIMED)
    written = kill_and_record(folder, kills=3, seed=1)
    found = rows(folder)
    for circuit in ("fridge", "oven"):
        values = found.loc[found["circuit"] == circuit, "value"]
        assert values.tolist() == list(range(written))


@pytest.mark.study
def test_a_hundred_kills_of_fifty_circuits(tmp_path):
    """A live source of 50 circuits at 2 readings a second, killed at random instants."""
    check_kills_of_a_live_source(tmp_path, kills=100, seed=7, every_s=0.5, longest_s=3.0)


def test_few_kills_of_a_live_source(tmp_path):
    check_kills_of_a_live_source(tmp_path, kills=3, seed=2, every_s=0.05, longest_s=1.0)


def check_kills_of_a_live_source(tmp_path, *, kills, seed, every_s, longest_s):
    circuits = tuple(f"c{n}" for n in range(50))
    port, rng = free_port(), random.Random(seed)
    source = f'kind = "socket"\naddress = "127.0.0.1:{port}"\n[source.circuits]\n'
    source += "".join(f"{one} = {n + 1}\n" for n, one in enumerate(circuits))
    folder = write_house(tmp_path, source, circuits=circuits)
    sent: list[tuple[float, int]] = []
    number, spans = 0, []
    with socket.create_server(("127.0.0.1", port)) as server:
        server.settimeout(300)  # the machine may be busy
        for _ in range(kills):
            running = start(folder)
            plug, _ = server.accept()
            first, until = number, time.monotonic() + rng.uniform(0.2, longest_s)
            while time.monotonic() < until:
                plug.sendall((",".join([str(number)] * 50) + "\n").encode())
                sent.append((time.monotonic(), number))
                number += 1
                time.sleep(every_s)
            killed = time.monotonic()
            running.kill()
            running.wait()
            plug.close()
            spans.append((first, number, killed))
    with Recording(folder):  # mends what the last kill left
        time.sleep(0.3)
    found = rows(folder)
    assert not found.isna().any().any()
    assert not found.duplicated(["circuit", "value"]).any()
    at = {number: when for when, number in sent}
    counts = found.groupby("value").size()
    for first, stop, killed in spans:
        for one in range(first, stop):
            if at[one] < killed - 0.5 - 0.2:  # older than the interval
                assert counts.get(one) == 50, one


def test_torn_lines_and_zeros_are_cut_and_kept(tmp_path):
    path = tmp_path / "2026-01-01.csv"
    whole = HEADER + line_of(START_MS, "fridge", 90.5).encode()
    path.write_bytes(whole + b"2025-11-29T07:06:4")
    assert Journal(tmp_path).recover() == (18, {"fridge": (START_MS, 90.5)})
    assert path.read_bytes() == whole
    assert (tmp_path / "2026-01-01.cut").read_bytes() == b"2025-11-29T07:06:4\n"
    path.write_bytes(whole + b"2025-11-" + b"\0" * 5000 + b"\n" + b"\0" * 9)
    assert Journal(tmp_path).recover()[0] == 5018
    assert path.read_bytes() == whole


def test_a_full_disk_takes_a_part_of_a_line_and_later_the_rest(tmp_path, monkeypatch):
    room, plain = [60], os.write

    def write(handle, data):
        if room[0] <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        done = plain(handle, bytes(data)[: room[0]])
        room[0] -= done
        return done

    monkeypatch.setattr(journals.os, "write", write)
    one = Journal(tmp_path)
    assert one.open("2026-01-01")
    lines = [line_of(START_MS + n, "fridge", n).encode() for n in range(20)]
    for line in lines[:10]:
        assert one.add(line)
        one.sync()
    assert not one.sync()
    assert one.trouble == "No space left on device"
    assert not one.open("2026-01-02")  # half a line is in the old file
    room[0] = 10**9
    for line in lines[10:]:
        one.add(line)
    assert one.sync()
    assert one.trouble == ""
    assert one.path is not None
    assert one.path.read_bytes() == HEADER + b"".join(lines)


def test_a_full_disk_is_said_and_recovered_from(tmp_path):
    """The limit of a file's size is what a disk without room is, seen from a program."""
    folder = write_house(tmp_path, TIMED)
    log = folder / "meter.txt"
    log.write_text("".join(f"{START_MS + n},f,{n}\n" for n in range(3000)))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        with Recording(folder, sync_every_s=0.2) as running:
            resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
            running.until(lambda: any("cannot be written" in told for told in running.told))
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
            running.until(lambda: any("is written again" in told for told in running.told))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    assert rows(folder)["value"].tolist() == list(range(3000))


def test_what_a_full_disk_never_took_is_counted(tmp_path):
    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").write_text("".join(f"{START_MS + n},f,{n}\n" for n in range(3000)))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        with Recording(folder, sync_every_s=0.2) as running:
            resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
            running.until(lambda: any("cannot be written" in told for told in running.told))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    counts = running.counts["pipe"]
    assert counts.received == counts.written + counts.lost == 3000
    assert counts.lost > 2000
    assert any("the disk did not take" in told for told in running.told)
    # The file is there: what was lost is read from it again, half a line and all.
    with Recording(folder) as again:
        again.until(lambda: any(value == 2999 for _, value, _ in again.readings))
    assert rows(folder)["value"].tolist() == list(range(3000))


def test_memory_is_bounded_while_the_disk_is_full(tmp_path, monkeypatch):
    monkeypatch.setattr(journals, "MOST_PENDING", 1000)
    one = Journal(tmp_path)
    taken = [one.add(b"x" * 99 + b"\n") for _ in range(20)]
    assert taken == [True] * 10 + [False] * 10
    assert one.pending_bytes == 1000


def test_a_day_is_packed_and_what_a_kill_left_is_mended(tmp_path):
    one = Journal(tmp_path)
    for number, day in enumerate(("2026-01-01", "2026-01-02")):
        one.open(day)
        one.add(line_of(START_MS + number, "fridge", number).encode())
        one.sync()
    one.pack(wait=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "2026-01-01.csv.gz",
        "2026-01-02.csv",
    ]
    packed = gzip.decompress((tmp_path / "2026-01-01.csv.gz").read_bytes())
    assert packed == HEADER + line_of(START_MS, "fridge", 0).encode()
    # Killed between the packed file and the end of the plain one, and while packing.
    (tmp_path / "2026-01-01.csv").write_bytes(packed)
    (tmp_path / "2026-01-02.part").write_bytes(b"half")
    two = Journal(tmp_path)
    assert two.recover()[1] == {"fridge": (START_MS + 1, 1.0)}
    two.open("2026-01-02")
    two.pack(wait=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "2026-01-01.csv.gz",
        "2026-01-02.csv",
    ]
    # The clock was a day ahead: a packed file is not written to again.
    two.open("2026-01-01")
    assert two.path == tmp_path / "2026-01-01_2.csv"


def test_packing_that_the_disk_does_not_take_is_tried_again_with_the_next_file(
    tmp_path, monkeypatch
):
    tried = []

    def full(path):
        tried.append(path.name)
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(journals, "_pack_one", full)
    one = Journal(tmp_path)
    for day in ("2026-01-01", "2026-01-02", "2026-01-03"):
        one.open(day)
        for _ in range(3):
            one.pack(wait=True)
    assert tried == ["2026-01-01.csv", "2026-01-01.csv", "2026-01-02.csv"]


def test_one_recorder_a_house(tmp_path):
    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").touch()
    with Recording(folder) as first:
        first.until(lambda: read_status(folder))
        with pytest.raises(HouseError, match="is being recorded already"), Recording(folder):
            pass


def test_terminated_it_ends_with_all_on_disk(tmp_path):
    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").write_text(f"{START_MS},f,1\n{START_MS},o,2\n")
    running = subprocess.Popen(
        [sys.executable, "-m", "homeenergy.cli", "record", str(folder), "--sync-every", "60"],
        stderr=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + 20
    while not read_status(folder) and time.monotonic() < end:
        time.sleep(0.05)
    time.sleep(0.5)
    running.terminate()
    assert "2 of 2 readings written" in running.communicate(timeout=20)[1]
    assert running.returncode == 0
    assert read_status(folder)["state"] == "ended"
    assert rows(folder)["value"].tolist() == [1, 2]


def test_steps_of_the_clock_are_counted(tmp_path, monkeypatch):
    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").touch()
    off, plain = [0.0], time.time
    monkeypatch.setattr(time, "time", lambda: plain() + off[0])
    with Recording(folder, sync_every_s=0.1) as running:
        running.until(lambda: read_status(folder))
        off[0] = -3600.0
        running.until(lambda: "the clock was set back by 3600 s" in running.told)
    assert read_status(folder)["clock_steps"] == 1
    off[0] = -7200.0  # once more, while nothing records
    with Recording(folder, sync_every_s=0.1) as running:
        running.until(lambda: any("the clock was set back by 3" in one for one in running.told))
    assert read_status(folder)["clock_steps"] == 1
    with Recording(folder, sync_every_s=0.1) as running:
        running.until(lambda: read_status(folder)["state"] == "recording")
    assert read_status(folder)["clock_steps"] == 0


def test_import_reads_what_is_being_recorded_and_what_is_packed(tmp_path):
    folder = write_house(tmp_path, TIMED)
    log = folder / "meter.txt"
    lines = [f"{START_MS + 1000 * n},{c},{n}\n" for n in range(120) for c in ("f", "o")]
    log.write_text("".join(lines[:120]))
    with Recording(folder) as running:
        running.until(lambda: len(running.readings) == 120)
        time.sleep(0.5)
        import_logs(folder)
        assert open_house(folder).trace("fridge").watts.tolist() == list(range(60))
        with log.open("a") as file:
            file.writelines(lines[120:])
        running.until(lambda: len(running.readings) == 240)
    recorded = folder / "logs" / "recorded" / "pipe"
    (today,) = recorded.glob("*.csv")
    (recorded / "2026-01-01.csv").write_bytes(today.read_bytes())
    today.unlink()
    one = Journal(recorded)
    one.open("2026-01-02")
    one.add(line_of(START_MS + 120_000, "fridge", 120).encode())
    one.sync()
    one.pack(wait=True)
    import_logs(folder)
    assert open_house(folder).trace("fridge").watts.tolist() == list(range(121))
    trace = open_house(folder).trace("oven")
    assert trace.start == pd.Timestamp(START_MS, unit="ms", tz="UTC")


def test_a_sensor_that_was_never_heard_keeps_nobody_from_the_others(tmp_path):
    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").write_text("".join(f"{START_MS + n},f,{n}\n" for n in range(9)))
    with Recording(folder) as running:
        running.until(lambda: len(running.readings) == 9)
    import_logs(folder)
    house = open_house(folder)
    assert house.has_readings("fridge")
    assert not house.has_readings("oven")


def test_an_import_while_a_day_is_packed(tmp_path, monkeypatch):
    """The plain file goes after it was found; later its packed form is what it was."""
    folder = write_house(tmp_path, TIMED)
    recorded = folder / "logs" / "recorded" / "pipe"
    recorded.mkdir(parents=True)
    lines = [line_of(START_MS + 1000 * n, c, n) for n in range(60) for c in ("fridge", "oven")]
    (recorded / "2026-01-01.csv").write_bytes(HEADER + "".join(lines[:60]).encode())
    import_logs(folder)
    (recorded / "2026-01-01.csv").write_bytes(HEADER + "".join(lines).encode())
    journal = Journal(recorded)
    journal.open("2026-01-02")
    look = survey.Survey._look

    def look_and_pack(self, log):
        found = look(self, log)
        journal.pack(wait=True)
        return found

    monkeypatch.setattr(survey.Survey, "_look", look_and_pack)
    report = import_logs(folder)
    assert [path.name for path in recorded.glob("*.gz")] == ["2026-01-01.csv.gz"]
    assert report.files_read == 1
    assert report.gone == ()
    assert open_house(folder).trace("fridge").watts.tolist() == list(range(60))
    # Its rows are all there, so that they can be read in another way.
    house = folder / "house.toml"
    house.write_text(house.read_text().replace("[log.columns]", 'unit = "kW"\n[log.columns]'))
    import_logs(folder)
    assert open_house(folder).trace("fridge").watts.tolist() == [1000 * n for n in range(60)]


def test_it_listens_on_nothing(tmp_path):
    import psutil

    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").touch()
    running = start(folder)
    end = time.monotonic() + 20
    while not read_status(folder) and time.monotonic() < end:
        time.sleep(0.05)
    found = psutil.Process(running.pid).net_connections("all")
    running.terminate()
    running.wait()
    assert [one for one in found if one.status == psutil.CONN_LISTEN] == []


def test_threads_end(tmp_path):
    folder = write_house(tmp_path, TIMED)
    (folder / "meter.txt").touch()
    before = threading.active_count()
    with Recording(folder) as running:
        running.until(lambda: read_status(folder))
    assert threading.active_count() == before
