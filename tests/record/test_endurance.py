"""Many readings: every one accounted for, in little time and memory. Times are of the processor."""

import resource
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress

import psutil
import pytest

from homeenergy.record.recorder import read_status

from .brokers import broker, free_port
from .houses import write_house
from .test_sources import publisher

START_MS = 1_764_400_000_000
CIRCUITS = tuple(f"c{n}" for n in range(50))
RECORD = [sys.executable, "-m", "homeenergy.cli", "record"]


@pytest.mark.study
def test_ten_million_readings_are_replayed(tmp_path):
    """At 100,000 a second of processor time or more, and every one accounted for."""
    source = (
        'kind = "input"\ntime_field = 1\ntime_format = "epoch_ms"\nname_field = 2\n'
        "value_field = 3\n[source.circuits]\n" + "".join(f'{c} = "{c}"\n' for c in CIRCUITS)
    )
    folder = write_house(tmp_path, source, circuits=CIRCUITS)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    running = subprocess.Popen([*RECORD, str(folder)], stdin=subprocess.PIPE)
    assert running.stdin is not None
    for second in range(200_000):
        at = START_MS + 1000 * second
        running.stdin.write(
            "".join(f"{at},{c},{second % 997 + n}\n" for n, c in enumerate(CIRCUITS)).encode()
        )
    running.stdin.close()
    assert running.wait() == 0
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    counts = read_status(folder)["sources"]["pipe"]
    assert counts["received"] == counts["written"] == 10_000_000
    files = (folder / "logs" / "recorded" / "pipe").glob("*.csv")
    assert sum(file.read_bytes().count(b"\n") - 1 for file in files) == 10_000_000
    spent_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert 10_000_000 / spent_s >= 100_000, spent_s


def spent(process, *, seconds):
    """Share of a core that a process takes for some time, and its memory then [MB]."""
    before, began = process.cpu_times(), time.monotonic()
    time.sleep(seconds)
    after = process.cpu_times()
    used = after.user + after.system - before.user - before.system
    return used / (time.monotonic() - began), process.memory_info().rss / 1e6


def watched(folder, capfd, *, seconds):
    running = subprocess.Popen([*RECORD, str(folder)])
    process = psutil.Process(running.pid)
    end = time.monotonic() + 20
    while not read_status(folder).get("sources", {}).get("pipe", {}).get("written"):
        assert time.monotonic() < end
        time.sleep(0.1)
    share, megabytes = spent(process, seconds=seconds)
    running.terminate()
    running.wait()
    with capfd.disabled():
        sys.stdout.write(f" {share:.1%} of a core, {megabytes:.0f} MB")
    assert share < 0.15
    assert megabytes < 150


@contextmanager
def in_thread(run, stop):
    """Run something in a thread until the block ends."""
    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@pytest.mark.study
def test_five_hundred_readings_a_second_of_a_socket(tmp_path, capfd):
    port = free_port()
    source = f'kind = "socket"\naddress = "127.0.0.1:{port}"\n[source.circuits]\n'
    source += "".join(f"{one} = {n + 1}\n" for n, one in enumerate(CIRCUITS))
    folder = write_house(tmp_path, source, circuits=CIRCUITS)
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", port)) as server:

        def serve():
            plug, _ = server.accept()
            number = 0
            with plug, suppress(BrokenPipeError):
                while not stop.wait(0.1):
                    number += 1
                    plug.sendall((",".join([str(number)] * 50) + "\n").encode())

        with in_thread(serve, stop):
            watched(folder, capfd, seconds=20)


@pytest.mark.study
def test_five_hundred_messages_a_second_of_a_broker(tmp_path, capfd):
    port = free_port()
    source = f'kind = "mqtt"\naddress = "127.0.0.1:{port}"\n[source.circuits]\n'
    source += "".join(f'{one} = "house/{one}"\n' for one in CIRCUITS)
    folder = write_house(tmp_path, source, circuits=CIRCUITS)
    stop = threading.Event()
    with broker(tmp_path, port=port), publisher(port, waits=False) as send:

        def play():
            number = 0
            while not stop.wait(0.1):
                number += 1
                for one in CIRCUITS:
                    send(f"house/{one}", str(number))

        with in_thread(play, stop):
            watched(folder, capfd, seconds=20)
    counts = read_status(folder)["sources"]["pipe"]
    assert counts["received"] == counts["written"] + counts["repeated"]
    assert counts["received"] > 20 * 250  # the broker and its publisher share the machine
