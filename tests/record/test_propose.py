"""From listening to a source to blocks of house.toml that record it as they are."""

import os
import pty
import socket
import threading
import time

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule
from homeenergy.record.propose import propose_source

from .brokers import broker, free_port
from .houses import Recording, rows
from .test_lines import UNVERIFIED, pushed
from .test_sources import publisher

HEAD = 'name = "Proposed"\ntimezone = "Europe/Berlin"\n\n'


def propose(address, **options):
    return propose_source(address, name="pipe", **options)


def sent_by_a_socket(port, text):
    """Serve a text to everybody who connects."""
    server = socket.create_server(("127.0.0.1", port))

    def serve():
        while True:
            try:
                plug, _ = server.accept()
            except OSError:
                return
            with plug:
                for piece in (text[:7], text[7:]):
                    plug.sendall(piece)
                    time.sleep(0.05)
                time.sleep(1)

    threading.Thread(target=serve, daemon=True).start()
    return server


def test_topics_are_proposed_and_recorded(tmp_path):
    port = free_port()
    with broker(tmp_path, port=port), publisher(port) as send:
        stop = threading.Event()

        def play():
            while not stop.wait(0.1):
                send("house/kitchen/power", "90.5")
                send("house/cellar/power", '{"watts": 40, "volts": 231.2, "unit": "W"}')
                send("house/meter/power", '{"kWh": 12.25}')
                send("house/note/power", "hello")

        player = threading.Thread(target=play)
        player.start()
        proposed = propose(f"mqtt://127.0.0.1:{port}", seconds=1.0)
        (tmp_path / "house.toml").write_text(HEAD + proposed.toml())
        with Recording(tmp_path) as running:
            running.until(lambda: len(running.readings) > 6)
        stop.set()
        player.join()
    found = rows(tmp_path).groupby("circuit")["value"].first().to_dict()
    assert found == {"kitchen": 90.5, "cellar": 40.0, "meter": 12.25}
    log = read_schedule(tmp_path).logs[0].columns
    assert (log["meter"].quantity, log["meter"].unit) == ("energy_counter", "kWh")
    assert any("house/note/power" in remark for remark in proposed.remarks)


CASES = {
    "columns": (
        b"time;fridge;oven\n"
        + b"".join(b"2025-11-29T08:00:%02dZ;%d;%d\n" % (n, 90 + n, 1200) for n in range(9)),
        {"fridge": 90, "oven": 1200},
    ),
    "long": (
        b"".join(b"%d,%s,%d\n" % (1764400000 + n, (b"f", b"o")[n % 2], n) for n in range(9)),
        {"f": 0, "o": 1},
    ),
    "json": (b'{"t": 3, "panel": [{"power": 4}, {"power": 5}]}\n' * 4, {"0": 4, "1": 5}),
    "pairs": (b"watts_a=4.5\nwatts_b=5\n" * 4, {"watts_a": 4.5, "watts_b": 5}),
    "commas": (b"watts_a=4,5\nwatts_b=5\n" * 4, {"watts_a": 4.5, "watts_b": 5}),
    "telegram": (pushed() * 2, {"mains_l3": 3333}),
    "sums": (pushed(UNVERIFIED.replace("1-0:61.7.0", "1-0:99.9.9")) * 2, {"mains": 1193}),
}


OFTEN = ("columns", "json", "telegram")


@pytest.mark.parametrize(
    "case", [pytest.param(c, marks=() if c in OFTEN else pytest.mark.study) for c in CASES]
)
def test_lines_are_proposed_and_recorded(tmp_path, case):
    text, expected = CASES[case]
    port = free_port()
    with sent_by_a_socket(port, text):
        proposed = propose(f"tcp://127.0.0.1:{port}", seconds=0.6)
        (tmp_path / "house.toml").write_text(HEAD + proposed.toml())
        with Recording(tmp_path) as running:
            running.until(lambda: len(running.readings) >= len(expected))
            time.sleep(0.3)
    found = rows(tmp_path).groupby("circuit")["value"].first()
    assert dict(zip(found.index.astype(str), found, strict=True)) == expected


def test_registers_without_a_unit_are_said_to_need_a_scale():
    port = free_port()
    with sent_by_a_socket(port, pushed("1-0:1.8.0(000441.879)\r\n") * 2):
        proposed = propose(f"tcp://127.0.0.1:{port}", seconds=0.6)
    assert any("write scale = 1000" in remark for remark in proposed.remarks)


def test_serial_line_of_another_speed_holds_no_numbers():
    master, slave = pty.openpty()
    thread = threading.Timer(0.3, os.write, args=(master, b"\x8f\xfe\xe6\x9e\n" * 5))
    thread.start()
    with pytest.raises(HouseError, match="try another --baud"):
        propose(f"serial:{os.ttyname(slave)}", seconds=0.8)
    os.close(master)
    os.close(slave)


def test_a_file_is_proposed_with_its_times(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "meter.txt").write_bytes(CASES["columns"][0])
    (tmp_path / "house.toml").write_text(HEAD + propose("file:meter.txt", seconds=0.5).toml())
    with Recording(tmp_path) as running:
        running.until(lambda: len(running.readings) == 18)
    assert rows(tmp_path)["time"].iloc[-1] == "2025-11-29T08:00:08.000Z"


def test_times_in_json_are_found(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lines = [f'{{"ts": {1764400000 + n}, "kitchen": {{"power": {n}}}}}\n' for n in range(5)]
    (tmp_path / "meter.txt").write_text("".join(lines))
    (tmp_path / "house.toml").write_text(HEAD + propose("file:meter.txt", seconds=0.5).toml())
    with Recording(tmp_path) as running:
        running.until(lambda: len(running.readings) == 5)
    assert rows(tmp_path)["time"].iloc[0] == "2025-11-29T07:06:40.000Z"
    assert rows(tmp_path)["value"].tolist() == [0, 1, 2, 3, 4]


def test_registers_need_a_map():
    text = propose("modbus://127.0.0.1:502").toml()
    assert "register map" in text
    assert 'kind = "modbus"' in text


@pytest.mark.parametrize(
    ("address", "words"),
    [("nonsense", "is no source"), ("mqtt:", "is no source"), ("tcp://127.0.0.1:1", "refused")],
)
def test_what_cannot_be_listened_to(address, words):
    with pytest.raises(HouseError, match=words):
        propose(address, seconds=0.3)
