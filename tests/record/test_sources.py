"""Sources of every kind, real ones on this machine: sockets, a terminal, a broker, meters."""

import json
import os
import pty
import select
import shutil
import socket
import ssl
import subprocess
import threading
import time
import tty
from contextlib import contextmanager
from dataclasses import replace

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.sources import Place, Source
from homeenergy.record.link import password_of

from .brokers import PASSWORD, USER, broker, certificate, free_port, in_loop
from .houses import Recording, rows, write_house

WIDE = 'lines = "columns"\n[source.circuits]\nfridge = 1\noven = 2\n'


def test_a_socket_that_closes_is_connected_to_again(tmp_path):
    port = free_port()
    folder = write_house(tmp_path, f'kind = "socket"\naddress = "127.0.0.1:{port}"\n{WIDE}')
    with Recording(folder) as running:
        running.until(lambda: any("is not there" in told for told in running.told))
        with socket.create_server(("127.0.0.1", port)) as server:
            plug, _ = server.accept()
            plug.sendall(b"100,2000\n10")
            running.until(lambda: len(running.readings) == 2)
            plug.close()
            plug, _ = server.accept()
            plug.sendall(b"101,2001\nwatts,nan\n")
            running.until(lambda: len(running.readings) == 4)
            plug.close()
    assert rows(folder)["value"].tolist() == [100, 2000, 101, 2001]
    assert running.counts["pipe"].bad == 2  # the half line of the first connection is forgotten
    assert any("is back" in told for told in running.told)


def test_unix_socket(tmp_path):
    folder = write_house(tmp_path, f'kind = "socket"\naddress = "./meter.sock"\n{WIDE}')
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(folder / "meter.sock"))
        server.listen()
        with Recording(folder) as running:
            plug, _ = server.accept()
            plug.sendall(b"7,8\n")
            running.until(lambda: len(running.readings) == 2)
            plug.close()
    assert rows(folder)["value"].tolist() == [7, 8]


def test_serial_line_with_garbage(tmp_path):
    master, slave = pty.openpty()
    source = (
        f'kind = "serial"\naddress = "{os.ttyname(slave)}"\nlines = "pattern"\n'
        "pattern = 'F=(?P<f>[0-9.]+) O=(?P<o>[0-9.]+)'\n"
        '[source.circuits]\nfridge = "f"\noven = "o"\n'
    )
    folder = write_house(tmp_path, source)
    with Recording(folder) as running:
        time.sleep(0.3)
        for line in (b"F=90.5 O=1200\r\n", b"\xff\x00garbage\r\n", b"F=91 O=1201\r\n"):
            os.write(master, line)
        running.until(lambda: len(running.readings) == 4)
    assert rows(folder)["value"].tolist() == [90.5, 1200, 91, 1201]
    assert running.counts["pipe"].bad == 1
    os.close(master)
    os.close(slave)


def test_file_that_grows_and_is_replaced(tmp_path):
    source = (
        'kind = "file"\naddress = "meter.txt"\ntime_field = 1\ntime_format = "epoch_s"\n'
        "[source.circuits]\nfridge = 2\noven = 3\n"
    )
    folder = write_house(tmp_path, source)
    log = folder / "meter.txt"
    log.write_text("1764400000,1,2\n1764400010,3,4\n17644")
    with Recording(folder) as running:
        running.until(lambda: len(running.readings) == 4)
        with log.open("a") as file:
            file.write("00020,5,6\n")
        running.until(lambda: len(running.readings) == 6)
        (folder / "next.txt").write_text("1764400030,7,8\n")
        os.replace(folder / "next.txt", log)
        running.until(lambda: len(running.readings) == 8)
    with log.open("a") as file:  # while nothing records
        file.write("1764400040,9,10\n")
    with Recording(folder) as running:
        running.until(lambda: len(running.readings) == 2)
        time.sleep(0.3)
    assert rows(folder)["value"].tolist() == list(range(1, 11))


@contextmanager
def publisher(port, *, folder=None, waits=True):
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    client = paho.Client(CallbackAPIVersion.VERSION2)
    if folder is not None:
        context = ssl.create_default_context(cafile=str(folder / "cert.pem"))
        client.tls_set_context(context)
        client.username_pw_set(USER, PASSWORD)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def send(topic, payload, *, retain=False):
        sent = client.publish(topic, payload, qos=int(waits), retain=retain)
        if waits:
            sent.wait_for_publish(5)

    try:
        yield send
    finally:
        client.disconnect()
        client.loop_stop()


TOPICS = """
[source.circuits]
fridge = "house/fridge"
oven = { topic = "house/oven", field = "power.watts" }
"""


def test_topics_of_a_broker_with_tls_and_password(tmp_path, monkeypatch):
    port = free_port()
    certificate(tmp_path / "broker")
    source = (
        f'kind = "mqtt"\naddress = "127.0.0.1:{port}"\ntls = true\n'
        f'certificates = "broker/cert.pem"\nuser = "{USER}"\npassword_variable = "BROKER"\n{TOPICS}'
    )
    folder = write_house(tmp_path, source)
    monkeypatch.delenv("BROKER", raising=False)
    with pytest.raises(HouseError, match="no password of source `pipe` in the environment"):
        Recording(folder).__enter__().__exit__()
    monkeypatch.setenv("BROKER", PASSWORD)
    with (
        broker(tmp_path / "broker", port=port, secured=True),
        publisher(port, folder=tmp_path / "broker") as send,
    ):
        send("house/fridge", "11", retain=True)
        with Recording(folder) as running:
            running.until(lambda: "retained message" in "".join(running.told), within_s=12)
            send("house/fridge", "90.5")
            send("house/oven", '{"power": {"watts": 1200}}')
            send("house/oven", '{"power": ')
            send("house/oven", '{"power": {"watts": NaN}}')
            send("house/oven", '{"power": {"watts": "much"}}')
            send("house/oven", '{"energy": 3}')
            send("house/other", "5")
            send("house/fridge", "91")
            running.until(lambda: len(running.readings) == 3)
    found = rows(folder)
    assert list(zip(found["circuit"], found["value"], strict=True)) == [
        ("fridge", 90.5),
        ("oven", 1200),
        ("fridge", 91),
    ]
    assert running.counts["pipe"].bad == 5
    status = json.loads((folder / "logs" / "recorded" / "status.json").read_text())
    assert status["sources"]["pipe"]["why_bad"] == {
        "retained message": 1,
        "broken JSON": 1,
        "not finite": 1,
        "no number": 1,
        "no such field": 1,
    }
    assert PASSWORD not in (folder / "house.toml").read_text() + json.dumps(status)


@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="needs Debian's mosquitto")
@pytest.mark.parametrize("version", [pytest.param("3.1.1", marks=pytest.mark.study), "5"])
def test_both_versions_of_the_protocol(tmp_path, version):
    port = free_port()
    (tmp_path / "broker.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    command = [shutil.which("mosquitto"), "-c", str(tmp_path / "broker.conf")]
    source = f'kind = "mqtt"\naddress = "127.0.0.1:{port}"\nmqtt_version = "{version}"\n{TOPICS}'
    folder = write_house(tmp_path / "house", source)
    serving = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        with Recording(folder) as running:
            status = folder / "logs" / "recorded" / "status.json"

            def listening():
                return status.exists() and "listening" in status.read_text()

            running.until(listening)
            with publisher(port) as send:
                send("house/fridge", "90.5")
                send("house/oven", '{"power": {"watts": 1200}}')
                running.until(lambda: len(running.readings) == 2)
    finally:
        serving.terminate()
        serving.wait()
    assert rows(folder)["value"].tolist() == [90.5, 1200]


def test_broker_that_is_not_to_be_trusted(tmp_path, monkeypatch):
    port = free_port()
    certificate(tmp_path / "broker")
    certificate(tmp_path / "other")
    source = (
        f'kind = "mqtt"\naddress = "127.0.0.1:{port}"\ntls = true\n'
        f'certificates = "other/cert.pem"\nuser = "{USER}"\npassword_variable = "BROKER"\n{TOPICS}'
    )
    monkeypatch.setenv("BROKER", PASSWORD)
    with (
        broker(tmp_path / "broker", port=port, secured=True),
        Recording(write_house(tmp_path, source)) as running,
    ):
        running.until(lambda: any("CERTIFICATE_VERIFY_FAILED" in told for told in running.told))
    assert running.readings == []


def test_wrong_password(tmp_path, monkeypatch):
    port = free_port()
    certificate(tmp_path / "broker")
    source = (
        f'kind = "mqtt"\naddress = "127.0.0.1:{port}"\ntls = true\n'
        f'certificates = "broker/cert.pem"\nuser = "{USER}"\npassword_variable = "BROKER"\n{TOPICS}'
    )
    monkeypatch.setenv("BROKER", "another")
    with (
        broker(tmp_path / "broker", port=port, secured=True),
        Recording(write_house(tmp_path, source)) as running,
    ):
        running.until(lambda: any("the broker refuses" in told for told in running.told))


@contextmanager
def serves(make, registers):
    """Run a meter with some holding registers, from register 0 on."""
    from pymodbus.simulator import DataType, SimData, SimDevice

    async def serve(started):
        block = SimData(0, values=registers, datatype=DataType.REGISTERS)
        server = make([SimDevice(1, [block])])
        await server.serve_forever(background=True)
        await started()
        await server.shutdown()

    with in_loop(serve):
        yield


@contextmanager
def joined_terminals():
    """The names of two serial lines, each of which hears what is written to the other."""
    pairs = [pty.openpty() for _ in range(2)]
    for _, slave in pairs:
        tty.setraw(slave)
    stop = threading.Event()

    def carry():
        masters = [master for master, _ in pairs]
        while not stop.is_set():
            for one in select.select(masters, [], [], 0.05)[0]:
                os.write(masters[1 - masters.index(one)], os.read(one, 1024))

    thread = threading.Thread(target=carry)
    thread.start()
    try:
        yield [os.ttyname(slave) for _, slave in pairs]
    finally:
        stop.set()
        thread.join()
        for handle in (handle for pair in pairs for handle in pair):
            os.close(handle)


def test_registers_of_modbus_on_a_serial_line(tmp_path):
    from pymodbus.server import ModbusSerialServer

    source = (
        'kind = "modbus"\naddress = "{}"\nevery_s = 0.2\nbaud = 19200\nframing = "8N1"\n'
        "[source.circuits]\nfridge = 2\n"
        'oven = {{ register = 4, number = "float32", table = "holding" }}\n'
    )
    with joined_terminals() as (near, far):
        folder = write_house(tmp_path, source.format(near))
        serving = serves(
            lambda device: ModbusSerialServer(device, port=far, baudrate=19200),
            [0, 0, 905, 0, 0x4496, 0x0000, 0],
        )
        with serving, Recording(folder) as running:
            running.until(lambda: len(running.readings) >= 4)
    found = rows(folder).groupby("circuit")["value"].first().to_dict()
    assert found == {"fridge": 905, "oven": 1200.0}


def test_passwords_from_the_keyring(monkeypatch):
    import keyring

    kept = {("homeenergy", "me@127.0.0.1:1"): "secret"}
    monkeypatch.setattr(keyring, "get_password", lambda *key: kept.get(key))
    places = {"fridge": Place(topic="a")}
    source = Source(name="a", kind="mqtt", address="127.0.0.1:1", user="me", circuits=places)
    assert password_of(source) == "secret"
    with pytest.raises(HouseError, match="no password of source `a` in the keyring"):
        password_of(replace(source, user="you"))


def test_registers_of_modbus(tmp_path):
    from pymodbus.server import ModbusTcpServer

    port = free_port()
    source = (
        f'kind = "modbus"\naddress = "127.0.0.1:{port}"\nevery_s = 0.2\n[source.circuits]\n'
        "fridge = { register = 2, scale = 0.1 }\n"
        'oven = { register = 4, number = "float32" }\n'
        'cellar = { register = 6, number = "int32", low_word_first = true }\n'
        "attic = { register = 5000 }\n"
    )
    circuits = ("fridge", "oven", "cellar", "attic")
    folder = write_house(tmp_path, source, circuits=circuits)
    registers = [0, 0, 905, 0, 0x4496, 0x0000, 0xFFFE, 0xFFFF, 0]  # 1200.0 as IEEE 754; -2
    serving = serves(lambda device: ModbusTcpServer(device, address=("127.0.0.1", port)), registers)
    with serving, Recording(folder) as running:
        running.until(lambda: len(running.readings) >= 6)
    found = rows(folder)
    assert found.groupby("circuit")["value"].first().to_dict() == {
        "fridge": 90.5,
        "oven": 1200.0,
        "cellar": -2.0,
    }
    assert running.counts["pipe"].bad >= 2
    assert any("unknown register" in told for told in running.told)
